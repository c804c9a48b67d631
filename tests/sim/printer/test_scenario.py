"""Scenario files and --fault texts: what is read, and what is said about mistakes."""

from __future__ import annotations

import pytest

from layergate_sim.printer import ScenarioError, read_faults, read_scenario
from layergate_sim.printer.faults import Faults
from layergate_sim.printer.scenario import VERBS, Instruction

TEXT = """\
# seed: 7
# time-scale: 50
# a remark that is no setting
at 12.5s   mute 5s
at line 200  reset        # power dip
every 50 lines  drop-ack
every 10s garbage 40 open
rate 0.01 corrupt
rate 0.001 corrupt-byte both bit
at 250ms unplug 2s reboot
at line 3 slow 10 B/s 4s
at 1s stuck-axis y
"""


def test_every_form_is_read() -> None:
    """Times, lines, repetitions and chances, with their arguments filled in; settings from the head."""
    scenario = read_scenario(TEXT)
    assert scenario.settings == {"seed": "7", "time-scale": "50"}
    assert scenario.instructions == [
        Instruction("at-s", 12.5, "mute", ("5.0",)),
        Instruction("at-line", 200, "reset"),
        Instruction("every-lines", 50, "drop-ack"),
        Instruction("every-s", 10, "garbage", ("40", "open")),
        Instruction("rate", 0.01, "corrupt"),
        Instruction("rate", 0.001, "corrupt-byte", ("both", "bit")),
        Instruction("at-s", 0.25, "unplug", ("2.0", "reboot")),
        Instruction("at-line", 3, "slow", ("10", "4.0")),
        Instruction("at-s", 1, "stuck-axis", ("Y",)),
    ]


def test_all_mistakes_are_told_with_their_lines() -> None:
    """Every bad line is named with file, line, reason and what is allowed; nothing is half-read."""
    with pytest.raises(ScenarioError) as caught:
        read_scenario("at 1s expolde\nat noon reset\nat line 3 mute 5 6 7\nrate 2 drop\nat 1s drop-byte\n", "bad.scn")
    lines = str(caught.value).splitlines()
    assert [line.split(":")[1] for line in lines] == ["1", "2", "3", "4", "5"]
    assert "unknown fault 'expolde'; known are: corrupt," in lines[0]
    assert "'noon' is not a time such as 3s or 250ms" in lines[1]
    assert "by chance only" in lines[4]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("corrupt=0.01,drop=0.02", [Instruction("rate", 0.01, "corrupt"), Instruction("rate", 0.02, "drop")]),
        ("busy=0.5:3s", [Instruction("rate", 0.5, "busy", ("3.0",))]),
        ("reset-at-line=200", [Instruction("at-line", 200, "reset")]),
        ("mute-at=2s:500ms", [Instruction("at-s", 2.0, "mute", ("0.5",))]),
        ("drop-ack-every=50", [Instruction("every-lines", 50, "drop-ack")]),
        ("garbage-every=10s:5", [Instruction("every-s", 10.0, "garbage", ("5", "closed"))]),
        ("corrupt-byte=0.001:both", [Instruction("rate", 0.001, "corrupt-byte", ("both", "byte"))]),
        ("", []),
    ],
)
def test_fault_texts(text: str, expected: list[Instruction]) -> None:
    """One word a fault says the same as a line of a scenario."""
    assert read_faults(text) == expected


@pytest.mark.parametrize(
    "text", ["corrupt", "corrupt=often", "nothing=0.1", "reset-at-line=x", "drop=1.5", "mute=0.1:long"]
)
def test_bad_fault_texts_are_named(text: str) -> None:
    """The item is quoted in the message."""
    with pytest.raises(ScenarioError, match=f"--fault '{text}'"):
        read_faults(text)


def test_every_verb_says_what_it_does() -> None:
    """The table of verbs is complete: each has a description and takes its defaults."""
    assert len(VERBS) >= 25
    assert all(verb.does for verb in VERBS.values())


def test_byte_faults_come_at_their_rate_and_with_their_seed() -> None:
    """Over 200,000 bytes a rate of 1 % hits within 5 sigma of 2,000 times; the same seed hits the same bytes."""
    one = Instruction("rate", 0.01, "corrupt-byte", ("in", "byte"))
    data = bytes(1000)
    runs = []
    for seed in (1, 1, 2):
        faults = Faults([one], seed)
        runs.append([faults.mangle(data, "in")[0] for _ in range(200)])
        hits = sum(sum(byte != 0 for byte in piece) for piece in runs[-1])
        assert hits == faults.counts["corrupt-byte-in"]
        assert abs(hits - 2000) < 5 * (2000 * 0.99) ** 0.5
    assert runs[0] == runs[1] != runs[2]


def test_dropped_bytes_are_counted_and_marked() -> None:
    """What is lost is counted, and the place is marked in what is left."""
    faults = Faults([Instruction("rate", 0.1, "drop-byte", ("out",))], 5)
    left, touched = faults.mangle(b"0123456789" * 100, "out")
    assert len(left) == 1000 - faults.counts["drop-byte-out"]
    assert len(touched) == faults.counts["drop-byte-out"] > 50
    assert faults.mangle(b"abc", "in") == (b"abc", [])
