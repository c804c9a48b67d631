"""Damaged wires: bytes corrupted and lost both ways, acknowledgements lost and doubled, at fixed seeds.

A sample of what `python -m tests.link.trials` does at length. Two things no checksum of this kind can see are told apart
here instead of being excused: lines whose damage leaves their XOR as it was (facts.md 1.1), and fragments that have lost
both number and checksum, which firmware takes as a command of its own.
"""

import pytest
from tests.link.trials import LINEAGES, Outcome, trial
from tests.link.xor_odds import odds

SEEDS = (1, 2, 3)


@pytest.mark.parametrize("lineage", sorted(LINEAGES))
@pytest.mark.parametrize("ring", [None, 127])
def test_what_is_executed_is_the_payload_whatever_the_wire_does(lineage: str, ring: int | None) -> None:
    """With 1 % of bytes damaged each way: every line executed once and in order, in bounded time, and not by luck."""
    total = Outcome()
    for seed in SEEDS:
        outcome = trial(lineage, seed, lines=700, share=0.01, ring_bytes=ring)
        assert outcome.ended == "completed", (seed, outcome)
        assert outcome.wrong == [], (seed, outcome.wrong[:3])
        assert outcome.longest_pause_s < 45, (seed, outcome)
        total += outcome
    # So that none of it is luck: each kind of damage has happened, many times.
    assert total.corrupted > 400
    assert total.lost > 400
    assert total.lost_acknowledgements > 10
    assert total.doubled_acknowledgements > 10
    assert total.resends > 300
    assert total.unseen_by_xor < 0.005 * total.lines


@pytest.mark.parametrize("lineage", sorted(LINEAGES))
def test_a_sound_wire_needs_no_resend_and_no_probe(lineage: str) -> None:
    """Without damage nothing is sent twice and nothing is doubted."""
    for ring in (None, 127):
        outcome = trial(lineage, 1, lines=700, share=0.0, ring_bytes=ring)
        assert (outcome.ended, outcome.wrong, outcome.resends, outcome.probes) == ("completed", [], 0, 0)


@pytest.mark.parametrize(("lose", "double"), [(0.05, 0.0), (0.0, 0.05), (0.05, 0.05)])
def test_lost_and_doubled_acknowledgements_alone_cost_time_only(lose: float, double: float) -> None:
    """Five in a hundred acknowledgements lost or doubled, bytes intact: the payload, and nothing unseen."""
    for lineage in LINEAGES:
        outcome = trial(lineage, 5, lines=700, share=0.0, lose_reply=lose, double_reply=double)
        assert (outcome.ended, outcome.wrong, outcome.unseen_by_xor) == ("completed", [], 0), lineage
        assert outcome.lost_acknowledgements + outcome.doubled_acknowledgements > 15


def test_a_wire_that_only_corrupts_gives_up_and_says_so() -> None:
    """Where hardly a line gets through the run ends as aborted, with heaters-off sent, instead of going on for ever."""
    outcome = trial("ok after resend", 1, lines=300, share=0.25, share_up=0.0)
    assert outcome.ended == "aborted"
    assert "asked for 31 times" in outcome.reason


def test_what_xor_cannot_see_happens_as_often_as_calculated() -> None:
    """With 2 % of bytes damaged some lines get through as others; no host can see it, but the odds are known."""
    total = Outcome()
    for seed in range(1, 5):
        total += trial("no ok after resend", seed, lines=3000, share=0.02, share_up=0.0)
    assert total.unseen_expected > 30
    # Rare and independent of each other: Poisson, whose deviation is the root of what is expected.
    assert abs(total.unseen_by_xor - total.unseen_expected) < 3 * total.unseen_expected**0.5


def test_the_odds_are_those_of_two_damages_counted_by_hand() -> None:
    """On a wire that is nearly sound only two damages in one line matter, and those of `` G1 X100 Y5`` can be counted.

    facts.md 1.1: what XOR can't see begins with pairs of equal bytes lost; here 3 of blanks, one of ones, one of zeros.
    """
    n = 11
    pairs = (
        3 + 1 + 1  # two equal bytes lost
        + n * (n - 1) / 256  # one lost, another replaced by what makes up for it
        + n * (n - 1) / 2 * 255 / 256**2  # two replaced, by the same amount
        + 2 * n / 256  # a digit of the checksum 36 lost, a byte replaced to suit 3 or 6
        + 2 * 9 * n / 256**2  # a digit replaced by another, a byte to suit
    )  # fmt: skip
    assert odds(9, b"G1 X100 Y5", 1e-5) == pytest.approx(pairs * (1e-5 / 2) ** 2, rel=1e-3)
