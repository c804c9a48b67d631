"""Faults in a spiral, which begin and end anywhere along its one bead: found, with the right figures, and not seen in good ones.

The spirals are made here by the bead formula (facts 3: a = (w - h) h + pi h^2 / 4); turn, rise, flow are known by construction.
"""

import math
import random

import pytest
from tests.rules.judged import findings, report

STEP_MM, WIDTH_MM, RADIUS_MM, PER_TURN, TURNS = 0.3, 0.5, 16.0, 72, 30
AREA_MM2 = (WIDTH_MM - STEP_MM) * STEP_MM + math.pi * STEP_MM**2 / 4
FILAMENT_MM2 = math.pi * 1.75**2 / 4
TURN_MM = 2 * PER_TURN * RADIUS_MM * math.sin(math.pi / PER_TURN)


def spiral(
    *,
    lost: tuple[float, float] = (0, 0),
    thin: tuple[float, float, float] = (0, 0, 1),
    stray: int = 0,
    shift: tuple[float, float] = (0, 0),
    hop_mm: float = 0.0,
    ledge: tuple[float, float, float] = (0, 0, 0),
) -> bytes:
    """A mooring post's sleeve: a solid first layer, then one bead up and round, slightly oval and leaning.

    ``lost``: turns from and to which nothing is written; ``thin``: turns from, to, and their flow; ``stray``: turn after
    which one bead is laid far off; ``shift``: turn from which on all lies so many mm aside, in Y; ``hop_mm``:
    how much is risen at once, after twelve turns; ``ledge``: turns from and to which the wall lies so many mm farther out.
    """
    lines = ["M83", "G21", "G90", "M104 S205", "M109 S205", "G28", "G1 Z0.3 F600"]
    for k in range(PER_TURN + 1):
        x, y = _at(k / PER_TURN, 0)
        lines.append(f"G0 X{x:.3f} Y{y:.3f} F6000" if k == 0 else f"G1 X{x:.3f} Y{y:.3f} E{_push(1):.5f} F1500")
    for k in range(1, PER_TURN * TURNS + 1):
        turn = k / PER_TURN
        if lost[0] < turn <= lost[1]:
            continue
        x, y = _at(turn, turn)
        y += shift[1] * (turn > shift[0])
        out = 1 + ledge[2] / RADIUS_MM * (ledge[0] < turn <= ledge[1])
        x, y = 110 + out * (x - 110), 105 + out * (y - 105)
        flow = thin[2] if thin[0] < turn <= thin[1] else 1
        lines.append(f"G1 X{x:.3f} Y{y:.3f} Z{STEP_MM * (1 + turn) + hop_mm * (turn > 12):.4f} E{_push(flow):.5f}")
        if stray and k == stray * PER_TURN:
            lines += [
                f"G0 X{x + 40:.3f} Y{y:.3f} F6000",
                f"G1 X{x + 65:.3f} Y{y:.3f} E{25 * AREA_MM2 / FILAMENT_MM2:.5f} F1500",
            ]
            lines.append(f"G0 X{x:.3f} Y{y:.3f} F6000")
    return "\n".join([*lines, "M104 S0", "M140 S0", "M84", ""]).encode()


def _at(turn: float, height: float) -> tuple[float, float]:
    angle = 2 * math.pi * turn
    return 110 + 0.02 * height + RADIUS_MM * math.cos(angle), 105 + RADIUS_MM * math.sin(angle)


def _push(flow: float) -> float:
    return flow * AREA_MM2 * TURN_MM / PER_TURN / FILAMENT_MM2


def test_a_good_spiral_has_no_finding() -> None:
    """Silent on the whole sleeve."""
    assert report(spiral()).findings == []


@pytest.mark.parametrize("turn", [12.0, 12.3, 12.7])
@pytest.mark.parametrize("shift_mm", [1.5, 9.0])
def test_a_spiral_that_goes_on_beside_itself(turn: float, shift_mm: float) -> None:
    """The turn in which it begins reaches as far as both on some sides only; the place and the distance are told."""
    (finding,) = findings(spiral(shift=(turn, shift_mm)), "shifted-layers")
    assert finding.evidence["shift_y_mm"] == pytest.approx(shift_mm, abs=0.05)
    assert finding.where.z_mm is not None
    assert finding.where.z_mm[0] == pytest.approx(STEP_MM * (1 + turn), abs=1.1 * STEP_MM)


def test_the_turns_of_a_spiral_are_not_counted_against_claims() -> None:
    """30 turns and a first layer: a program that counts its turns otherwise did not lose any."""
    assert findings(b"; layers = 40\n" + spiral(), "claims-differ") == []


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("flow", [0.3, 0.6, 0.8])
def test_starved_turns_are_found_wherever_they_begin(seed: int, flow: float) -> None:
    """One to three turns with less filament, from anywhere on: the flow is told within 5 %, the place within a turn."""
    draw = random.Random(f"{seed} {flow}")
    start = draw.uniform(7, 18)
    length = draw.uniform(1, 3)
    (found,) = findings(spiral(thin=(start, start + length, flow)), "starved-layer")
    assert found.severity == ("hold" if flow > 0.75 else "block")
    assert found.evidence["flow_ratio"] == pytest.approx(flow, rel=0.05)
    assert found.evidence["path_mm"] == pytest.approx(length * TURN_MM, rel=0.05)
    assert found.where.z_mm is not None
    assert found.where.z_mm[0] == pytest.approx(STEP_MM * (1 + start), abs=1.1 * STEP_MM)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("turns", [0.25, 0.4, 0.6, 1.0, 2.3])
def test_lost_turns_are_found_wherever_they_begin(seed: int, turns: float) -> None:
    """The turn over the lost ones starts so many steps high (geometry), as long as what was lost, a turn at most."""
    draw = random.Random(f"lost {seed} {turns}")
    start = draw.uniform(7, 18)
    (found,) = findings(spiral(lost=(start, start + turns)), "missing-layer")
    assert found.severity == "block"
    deepest = 1 + math.ceil(turns)
    assert 0.95 * (1 + math.floor(max(1, turns))) <= found.evidence["gap_ratio"] <= 1.05 * deepest
    # One bead leads straight across from where the lost piece began to where it ends; what comes at once after it counts on.
    across = 2 * RADIUS_MM * abs(math.sin(math.pi * turns)) if turns >= 1 else 0.0
    assert found.evidence["path_over_gap_mm"] == pytest.approx(
        min(1.0, turns) * TURN_MM + across, rel=0.05, abs=2 * TURN_MM / PER_TURN
    )
    assert found.where.z_mm is not None
    assert found.where.z_mm[1] == pytest.approx(STEP_MM * (1 + start + turns), abs=1.2 * STEP_MM)


@pytest.mark.parametrize(
    ("hop_mm", "ledge"),
    [
        (0.1, (0, 0, 0)),  # a sudden rise, and nothing that hangs
        (0.0, (12.3, 12.7, 0.9)),  # beads that hang, and no rise
        (0.1, (12.1, 12.9, 1.2)),  # both, and more that hangs than the rise explains
        (0.1, (12.2, 12.5, 3.0)),  # and deeper
    ],
)
def test_a_piece_of_a_turn_is_lost_where_rise_and_gap_agree(hop_mm: float, ledge: tuple[float, float, float]) -> None:
    """What is left out of a turn leaves a sudden rise, and as long a piece over it a step higher."""
    assert findings(spiral(hop_mm=hop_mm, ledge=ledge), "missing-layer") == []


def test_a_stray_bead_beside_a_spiral_is_found() -> None:
    """A bead of 25 mm far from the wall lies in the air: the nozzle had to travel to it."""
    (found,) = findings(spiral(stray=11), "mid-air-bead")
    assert found.evidence["path_mm"] == pytest.approx(25, rel=0.05)
