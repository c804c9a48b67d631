"""repeated-block: copies of whole storage blocks are found to the byte; text that repeats by itself is not."""

import random

import pytest
from tests.rules.judged import findings


def job(seed: int = 1, lines: int = 9000) -> bytes:
    """Some 300 KiB of moves that do not repeat."""
    rng = random.Random(seed)
    return b"".join(
        f"G1 X{rng.uniform(50, 150):.3f} Y{rng.uniform(50, 150):.3f} E{n * 0.033:.5f}\n".encode() for n in range(lines)
    )


@pytest.mark.parametrize("size", [512, 1024, 4096, 32768, 65536])
@pytest.mark.parametrize("instead", [True, False])
def test_copied_block(size: int, *, instead: bool) -> None:
    """A block that stands in place of the next one, or is sent twice, is found at its byte and with its size."""
    text = job()
    at = 2 * size if size > 4096 else 7 * size
    bad = text[: at + size] + text[at : at + size] + text[at + size * (2 if instead else 1) :]
    found = findings(bad, "repeated-block")
    assert [(f.severity, f.releasable) for f in found] == [("block", False)]
    assert found[0].evidence == {
        "bytes": size,
        "first_byte": pytest.approx(at + size, rel=1e-5),
        "copied_from_byte": pytest.approx(at, rel=1e-5),
    }
    line = bad.count(b"\n", 0, at + size) + 1
    assert found[0].where.lines == (line, bad.count(b"\n", 0, at + 2 * size) + 1)


def test_at_the_very_end() -> None:
    """A copy that ends the file is found, too."""
    text = job()
    assert len(findings(text[:8192] + text[4096:8192], "repeated-block")) == 1


@pytest.mark.parametrize("period", [16, 32, 64, 512, 1024])
def test_patterns_are_no_copies(period: int) -> None:
    """Relative coordinates repeat by themselves, at any period, and go on beyond a block."""
    line = b"G1 X1 Y2 E0.5".ljust(period - 1, b" ") + b"\n"
    assert findings(line * (40_000 // period), "repeated-block") == []


def test_good_job_is_silent() -> None:
    """Moves that do not repeat are let through."""
    assert findings(job(2), "repeated-block") == []


def test_copy_off_the_grid() -> None:
    """A passage that stands twice, but not on whole blocks, is no fault of the storage."""
    text = job()
    assert findings(text[:5000] + text[4100:5000] + text[5000:], "repeated-block") == []


def test_layers_that_repeat_in_text_but_for_single_figures_are_no_copies() -> None:
    """Straight walls in relative E repeat layer by layer; that one whole sector has no other figure is chance."""
    layer = bytearray(job()[: 77 * 512])
    again = bytearray(layer)
    for at in range(5, len(again), 11):
        if at // 512 != 30 and chr(again[at]).isdigit():
            again[at] = ord("0") + (again[at] - ord("0") + 1) % 10
    assert again[30 * 512 : 31 * 512] == layer[30 * 512 : 31 * 512]
    assert findings(bytes(layer + again) + job(2), "repeated-block") == []


@pytest.mark.parametrize("same_places", [True, False])
def test_a_sector_alike_far_behind_is_chance_only_among_the_same_places(*, same_places: bool) -> None:
    """Two layers of upright walls: most lines differ in E or in their order, and one stretch is equal to the byte."""
    rng = random.Random(3)
    points = [(round(rng.uniform(50, 150), 3), round(rng.uniform(50, 150), 3)) for _ in range(300)]
    others = (
        points if same_places else [(round(rng.uniform(50, 150), 3), round(rng.uniform(50, 150), 3)) for _ in points]
    )

    def wall(spots: list[tuple[float, float]], size: int) -> bytes:
        """Lines through some points, each with figures of its own, cut to a size."""
        text = b"".join(f"G1 X{x:.3f} Y{y:.3f} E{rng.uniform(0.1, 0.9):.5f}\n".encode() for x, y in spots * 2)
        return text[: size - 1] + b"\n"

    alike = wall(points, 512)
    text = wall(points, 8192) + alike + wall(points[30:], 8192) + wall(others, 4096) + alike + wall(others[30:], 8192)
    assert len(findings(text, "repeated-block")) == (0 if same_places else 1)
