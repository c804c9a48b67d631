"""Jobs for link tests: commands, blocks and indexes, made here and not by the preflight."""

import random
from hashlib import sha256
from pathlib import Path

from layergate.gcode.dialect import DEFAULT_DIALECT, Dialect
from layergate.gcode.payload import payload
from layergate.jobindex import Blocks, JobIndex, LayerTable, Spans


def hose_bracket(lines: int, *, seed: int = 1, layers: int = 10) -> list[bytes]:
    """Give the lines of a job that looks like one: moves with E, a comment now and then, a layer change now and then."""
    chance = random.Random(seed)
    job = [b"; hose bracket", b"G90", b"M82", b"G92 E0"]
    for number in range(lines - len(job)):
        if number % max(1, lines // layers) == 0:
            job.append(b"G1 Z%.2f F1200 ; next layer" % (0.2 * (1 + number // max(1, lines // layers))))
        else:
            x, y = chance.uniform(10, 200), chance.uniform(10, 200)
            job.append(b"G1 X%.3f Y%.3f E%.5f" % (x, y, number * 0.0331))
    return job


def index_of(
    text: bytes, *, layers: int = 10, block_bytes: int = 65536, dialect: Dialect = DEFAULT_DIALECT
) -> JobIndex:
    """Give the job index of a job; layers are equal shares of its lines."""
    blocks = Blocks()
    offset, line = 0, 1
    while offset < len(text):
        end = len(text)
        if offset + block_bytes < len(text):
            end = text.rfind(b"\n", offset, offset + block_bytes) + 1 or text.index(b"\n", offset) + 1
        part = text[offset:end]
        blocks.offset.append(offset)
        blocks.size.append(len(part))
        blocks.first_line.append(line)
        blocks.digest.append(sha256(payload(part, dialect)).hexdigest())
        blocks.layer.append(0)
        blocks.planned_s.append(0.0)
        for column in (blocks.x_mm, blocks.y_mm, blocks.z_mm):
            column.append(None)
        blocks.e_mm.append(0.0)
        blocks.xyz_relative.append(False)
        blocks.e_relative.append(False)
        offset, line = end, line + part.count(b"\n")
    lines = text.count(b"\n")
    spans = Spans([1 + layer * lines // layers for layer in range(layers)], list(range(1, layers + 1)))
    return JobIndex(
        name="hose-bracket", sha256=sha256(text).hexdigest(), size_bytes=len(text), lines=lines, dialect=dialect,
        blocks=blocks, layers=LayerTable(), spans=spans, print_seconds=60.0, heating_seconds=0.0,
        commands=len(commands_of(text, dialect)),
    )  # fmt: skip


def commands_of(text: bytes, dialect: Dialect = DEFAULT_DIALECT) -> list[bytes]:
    """Give what a printer must execute of a job."""
    return [line for line in payload(text, dialect).split(b"\n") if line]


def blocks_of(text: bytes, index: JobIndex) -> list[list[tuple[int, bytes]]]:
    """Give the verified blocks of a job, as the link's job file reads them."""
    found = []
    for number, (offset, size) in enumerate(zip(index.blocks.offset, index.blocks.size, strict=True)):
        lines = index.payload_of(number, text[offset : offset + size]).split(b"\n")
        found.append([(at, line) for at, line in enumerate(lines, index.blocks.first_line[number]) if line])
    return found


def write_job(folder: Path, text: bytes, index: JobIndex | None = None) -> tuple[Path, Path]:
    """Write a job and its index; give both paths."""
    job, index_path = folder / "job.gcode", folder / "job.index.json"
    job.write_bytes(text)
    (index or index_of(text)).save(index_path)
    return job, index_path
