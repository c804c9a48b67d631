"""Job index: digests, positions, layers and times that the streamer and the watch rely on."""

import io
import json
from dataclasses import asdict
from functools import partial
from hashlib import sha256
from pathlib import Path

import pytest
from tests.oracles.examination import examined
from tests.oracles.micro_job import MICRO_JOB
from tests.oracles.plain_machine import PlainMachine

from layergate.gcode.blocks import read_blocks
from layergate.gcode.payload import payload, payload_lines
from layergate.jobindex import JobIndex, JobIndexError, load
from layergate.preflight import reading
from layergate_sim.specimens import make_specimen

KINDS = [
    "plate-sparse",
    "sequential",
    "spiral",
    "e-relative",
    "all-relative",
    "hook-support",
    "z-hop",
    "inches",
    "two-tools",
]


def indexed(job: bytes, block_bytes: int = 3000) -> JobIndex:
    """The index of a job, cut into small blocks so that there are many."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "read_blocks", partial(read_blocks, block_bytes=block_bytes))
        return examined(job, rules=[]).index


@pytest.fixture(params=KINDS, scope="module")
def pair(request: pytest.FixtureRequest) -> tuple[bytes, JobIndex]:
    text = make_specimen(request.param, 5).text
    return text, indexed(text)


def test_blocks_are_the_job_and_their_digests_are_of_their_payload(pair: tuple[bytes, JobIndex]) -> None:
    """Offsets and sizes tile the job; each digest is the SHA-256 of the payload of exactly those bytes."""
    job, index = pair
    blocks = index.blocks
    assert len(blocks.offset) > 3
    end, line = 0, 1
    for number, (offset, size) in enumerate(zip(blocks.offset, blocks.size, strict=True)):
        raw = job[offset : offset + size]
        assert (offset, blocks.first_line[number]) == (end, line)
        assert blocks.digest[number] == sha256(payload(raw, index.dialect)).hexdigest()
        assert index.payload_of(number, raw) == payload(raw, index.dialect)
        end, line = end + size, line + raw.count(b"\n")
    assert end == len(job) == index.size_bytes
    assert index.lines == line - 1
    assert index.sha256 == sha256(job).hexdigest()
    assert index.commands == len(payload_lines(job, index.dialect))
    assert {len(column) for column in asdict(blocks).values()} == {len(blocks.offset)}


def test_positions_and_modes_at_block_starts_are_a_plain_machine_s(pair: tuple[bytes, JobIndex]) -> None:
    """Where the nozzle is and how words are meant when a block begins, by a reader of its own."""
    job, index = pair
    blocks = index.blocks
    lines = [line.decode("latin-1") for line in payload(job).split(b"\n")]
    machine = PlainMachine()
    at = 0
    for number, first in enumerate(blocks.first_line):
        machine.run(lines[at : first - 1], at + 1)
        at = first - 1
        found = (blocks.x_mm[number], blocks.y_mm[number], blocks.z_mm[number])
        for axis, value in zip("XYZ", found, strict=True):
            if value is None:
                assert axis not in machine.located
            else:
                assert value == pytest.approx(machine.at[axis] + machine.offset[axis], abs=2e-5)
        assert blocks.e_mm[number] == pytest.approx(machine.at["E"], abs=2e-5)
        assert blocks.xyz_relative[number] == machine.relative
        assert blocks.e_relative[number] == machine.e_relative


def test_times_rise_and_end_at_the_print_s(pair: tuple[bytes, JobIndex]) -> None:
    """Planned seconds at block starts never fall; at any line they rise with the line, from 0 to the whole."""
    _, index = pair
    times = index.blocks.planned_s
    assert times[0] == 0
    assert times == sorted(times)
    assert times[-1] <= index.print_seconds
    by_line = [index.planned_s_at(line) for line in range(1, index.lines + 1)]
    assert by_line == sorted(by_line)
    assert by_line[0] == 0
    assert index.print_seconds * 0.9 < by_line[-1] <= index.print_seconds
    assert index.planned_s_at(0) == 0
    assert index.planned_s_at(index.lines + 99) == pytest.approx(index.print_seconds)
    assert 0.8 * index.print_seconds < sum(index.layers.planned_s) <= index.print_seconds + 0.01


def test_spans_say_which_layer_is_being_laid(pair: tuple[bytes, JobIndex]) -> None:
    """Spans rise by line; a layer's first and last bead lie in a span of that layer; blocks agree with the spans."""
    _, index = pair
    spans, layers = index.spans, index.layers
    assert spans.first_line == sorted(set(spans.first_line))
    assert set(spans.layer) - {0} == set(range(1, len(layers.z_mm) + 1))
    assert index.layer_at(1) == 0
    for number, (first, last) in enumerate(zip(layers.first_line, layers.last_line, strict=True), 1):
        assert index.layer_at(first) == number
        assert index.layer_at(last) == number
        assert 1 <= first <= last <= index.lines
    assert index.blocks.layer == [index.layer_at(line) for line in index.blocks.first_line]
    assert all(a != b for a, b in zip(spans.layer, spans.layer[1:], strict=False))


def test_filament_of_the_layers_is_that_of_the_map() -> None:
    """The record of a print is compared with it layer by layer."""
    index = indexed(MICRO_JOB.encode())
    assert sum(index.layers.filament_mm) == pytest.approx(8.12371, abs=1e-3)
    assert index.layers.z_mm == pytest.approx([0.2, 0.4, 0.6])


def test_a_changed_block_is_refused(pair: tuple[bytes, JobIndex]) -> None:
    """Exactly what was checked, or nothing: one changed digit in what goes to the printer, and the block is not sent."""
    job, index = pair
    number = len(index.blocks.offset) // 2
    start = index.blocks.offset[number]
    lines = job[start : start + index.blocks.size[number]].split(b"\n")
    at = next(i for i, line in enumerate(lines) if payload(line).upper().startswith((b"G0", b"G1")))
    lines[at] = b"G1 X77"
    raw = b"\n".join(lines)
    with pytest.raises(
        JobIndexError, match=rf"block {number} of .* \(line {index.blocks.first_line[number]}\) is not what was checked"
    ):
        index.payload_of(number, raw)


def test_saved_and_loaded_it_is_the_same(pair: tuple[bytes, JobIndex], tmp_path: Path) -> None:
    """Written whole under its name; no leftover beside it."""
    _, index = pair
    path = tmp_path / "job.index"
    index.save(path)
    assert load(path) == index
    assert [item.name for item in tmp_path.iterdir()] == ["job.index"]


@pytest.mark.parametrize(
    "damage",
    [
        lambda text: text[: len(text) // 2], lambda text: b"", lambda text: b"[]", lambda text: b"\xff\xfe\x00",
        lambda text: text.replace(b'"spans"', b'"spam"'), lambda text: text.replace(b'"first_line"', b'"last_lime"'),
        lambda text: text.replace(b'"schema_version":"1"', b'"schema_version":"9"'), lambda text: b'{"schema_version": "1"}',
    ],
    ids=["cut", "empty", "list", "bytes", "member", "column", "version", "bare"],
)  # fmt: skip
def test_a_damaged_index_is_refused_with_its_name(damage: object, tmp_path: Path) -> None:
    """Never half an index: the path and what is wrong."""
    path = tmp_path / "job.index"
    indexed(MICRO_JOB.encode()).save(path)
    path.write_bytes(damage(path.read_bytes()))  # type: ignore[operator]
    with pytest.raises(JobIndexError, match=r"job\.index"):
        load(path)


def test_a_failed_write_leaves_the_old_index(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Disk full while writing: what was there stays whole."""
    path = tmp_path / "job.index"
    index = indexed(MICRO_JOB.encode())
    index.save(path)
    before = path.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("layergate.jobindex.os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        index.save(path)
    assert path.read_bytes() == before


def test_an_empty_job_has_an_empty_index() -> None:
    """Nothing to send, nothing planned."""
    index = examined(b"", rules=[]).index
    assert (index.size_bytes, index.lines, index.commands, index.print_seconds) == (0, 0, 0, 0)
    assert json.loads(json.dumps(asdict(index)))["blocks"]["offset"] == []
    assert (index.layer_at(1), index.planned_s_at(1)) == (0, 0.0)
    assert list(read_blocks(io.BytesIO(b""), index.dialect)) == []
