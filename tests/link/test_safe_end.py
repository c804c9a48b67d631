"""Which heaters a run has used (facts.md 1.4: M104/M109, M140/M190, M141/M191, tools)."""

import pytest

from layergate.link.safe_end import Heaters


@pytest.mark.parametrize(
    ("commands", "on", "off"),
    [
        ([], False, [b"M104 S0", b"M140 S0"]),
        ([b"G1 X104 S205", b"M105", b"M106 S255"], False, [b"M104 S0", b"M140 S0"]),
        ([b"M104 S205", b"M109 S205", b"M190 S60"], True, [b"M104 S0", b"M140 S0"]),
        ([b"M104 S205", b"M140 S60", b"M104 S0", b"M140 S0"], False, [b"M104 S0", b"M140 S0"]),
        ([b"m109r200.5"], True, [b"M104 S0", b"M140 S0"]),
        ([b"M190 R60"], True, [b"M104 S0", b"M140 S0"]),
        ([b"M141 S45"], True, [b"M104 S0", b"M140 S0", b"M141 S0"]),
        ([b"M104 T1 S205"], True, [b"M104 S0", b"M104 T1 S0", b"M140 S0"]),
        ([b"T1", b"M104 S205"], True, [b"M104 S0", b"M140 S0"]),
        ([b"M104 S205", b"T1", b"M104 S190"], True, [b"M104 S0", b"M104 T0 S0", b"M104 T1 S0", b"M140 S0"]),
        ([b"M104 S205", b"T1", b"M104 S190", b"M104 S0"], True, [b"M104 S0", b"M104 T0 S0", b"M104 T1 S0", b"M140 S0"]),
        ([b"M104"], False, [b"M104 S0", b"M140 S0"]),
    ],
)
def test_heaters_are_followed(commands: list[bytes], on: bool, off: list[bytes]) -> None:
    """What a run has switched on, on which tool, decides what the safe end switches off; hot ends go first."""
    heaters = Heaters()
    for command in commands:
        heaters.see(command)
    assert (heaters.any_on, heaters.off()) == (on, off)


def test_nothing_of_the_safe_end_moves_or_stops_a_fan() -> None:
    """Only heater commands: no motion that could hit the part, and the fan on a hot nozzle keeps turning."""
    heaters = Heaters()
    for command in (b"M104 S205 T0", b"M104 S205 T1", b"M190 S60", b"M141 S40"):
        heaters.see(command)
    assert {command.split()[0] for command in heaters.off()} == {b"M104", b"M140", b"M141"}
