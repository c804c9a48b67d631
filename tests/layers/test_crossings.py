"""Moves that go through what is printed: in order of printing, in the present object and in those printed before it."""

import pytest
from tests.oracles.examination import examined, found, report_of

HEAD = ["G21", "G90", "M83", "M104 S210", "M109 S210", "G28"]
END = ["M104 S0", "M84"]


def ring(x: float, z: float) -> list[str]:
    """A square of 10 mm, one bead wide, with its corner at (x, 50)."""
    corners = [(x + 10, 50), (x + 10, 60), (x, 60), (x, 50)]
    return [f"G1 Z{z:.2f} F600", f"G1 X{x} Y50 F6000", *(f"G1 X{a} Y{b} E0.33849 F1800" for a, b in corners)]


def post(x: float, height_mm: float) -> list[str]:
    return [line for n in range(round(height_mm / 0.2)) for line in ring(x, 0.2 * (n + 1))]


def job(*parts: list[str]) -> bytes:
    return "\n".join([*HEAD, *(line for part in parts for line in part), *END, ""]).encode()


def test_a_plunge_is_as_deep_as_it_goes() -> None:
    """Down to Z 1 in a post of 4 mm: 3 mm, at the line that goes down, within a hundredth."""
    lines = post(50, 4)
    text = job(lines, ["G1 Z1.0 F600", "G1 Z4.0", *ring(50, 4.2)])
    (finding,) = found(report_of(text), "through-printed-part")
    assert finding.evidence["depth_mm"] == pytest.approx(3.0, abs=0.01)
    assert finding.where.lines is not None
    assert finding.where.lines[0] == len(HEAD) + len(lines) + 1


def test_objects_one_after_another_do_not_cross() -> None:
    """The second post is printed beside the first, low, after a lift over it: no finding, two stacks."""
    examination = examined(job(post(50, 4), ["G1 Z6 F600", "G1 X80 Y50 F6000"], post(80, 4)))
    assert set(examination.layers.stack.tolist()) == {0, 1}
    assert not found(examination.report, "through-printed-part")


def test_a_low_travel_through_the_first_object_is_found() -> None:
    """While the second post is at 1 mm, the nozzle is sent to the far side of the first, 4 mm high: 3 mm deep."""
    second = post(80, 1)
    text = job(
        post(50, 4), ["G1 Z6 F600", "G1 X80 Y50 F6000"], second, ["G1 X40 Y55 F6000", "G1 X80 Y50"], ring(80, 1.2)
    )
    findings = found(report_of(text), "through-printed-part")
    assert findings
    assert max(item.evidence["depth_mm"] for item in findings) == pytest.approx(3.0, abs=0.01)


def test_low_moves_before_anything_is_printed_there_cross_nothing() -> None:
    """What is printed later at that place does not count: order decides."""
    text = job(
        post(50, 1), ["G1 X80 Y55 F6000", "G1 X50 Y50"], [line for n in range(20) for line in ring(50, 1.2 + 0.2 * n)]
    )
    assert not found(report_of(text), "through-printed-part")


def test_how_high_home_is_nobody_stated() -> None:
    """After Z was homed the nozzle may be anywhere, up to the next height that the job states; from there on it is known."""
    post_first = post(50, 4)
    assert not found(report_of(job(post_first, ["G28 Z", "G1 X90 F6000", "G1 X20"])), "through-printed-part")
    text = job(post_first, ["G28", "G1 X90 Y55 F6000", "G1 X20", "G1 Z1 F600", "G1 X90 F6000"])
    (finding,) = found(report_of(text), "through-printed-part")
    assert finding.where.lines == (len(HEAD) + len(post_first) + 5,) * 2


def test_relative_heights_are_known_from_the_first_bead_on() -> None:
    """A job that never states a height, only how far it moves: the nozzle dives 1.6 mm into twelve rings of 0.2 mm."""
    start = ["G91", "G1 X50 Y50 F6000"]
    round_ = [f"G1 {way} E0.33849 F1800" for way in ("X10", "Y10", "X-10", "Y-10")]
    rings = ["G1 Z0.2 F600", *round_] * 12
    dive = ["G1 Z-1.6 F600", "G1 X10 F6000", "G1 X-10", "G1 Z1.6"]
    (finding,) = found(report_of(job(start, rings, dive, round_)), "through-printed-part")
    assert finding.evidence["depth_mm"] == pytest.approx(1.6)
    assert not found(report_of(job(start, rings, round_)), "through-printed-part")
