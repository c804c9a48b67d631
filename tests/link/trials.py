"""Long trials of the link on damaged wires: ``python -m tests.link.trials [LINES] [SEEDS]``.

Each trial joins the product's streamer to a peer of our own (not the simulated printer) under a virtual clock, damages
both directions from a fixed seed, and compares what was executed with the payload line by line. The figures printed say
how often each kind of damage happened, and how often it went unseen, beside how often that is to be expected (xor_odds.py).
"""

import argparse
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from tests.link.jobs import blocks_of, hose_bracket, index_of
from tests.link.peers import OURS, Damage, Peer, Wire
from tests.link.xor_odds import expected_unseen

from layergate.link.protocol import LineProtocol
from layergate.link.streamer import Streamer

LINEAGES: Mapping[str, dict[str, Any]] = {
    "ok after resend": {},
    "no ok after resend": {"ok_after_resend": False},
    "rs, no error lines": {"ok_after_resend": False, "error_lines": False, "resend_form": "rs {}"},
    "flushes its ring": {"flush_on_error": True},
    "numbers its ok": {"ok_form": "ok {n}", "ok_after_resend": False},
    "acknowledges doubles": {"doubled_number_is_ok": True},
}


@dataclass
class Outcome:
    """What came of one trial, or of several added up."""

    lines: int = 0
    corrupted: int = 0
    lost: int = 0
    lost_acknowledgements: int = 0
    doubled_acknowledgements: int = 0
    resends: int = 0
    probes: int = 0
    unseen_by_xor: int = 0
    """Lines executed though damaged: text and checksum happen to agree."""
    unseen_expected: float = 0.0
    bare_fragments: int = 0
    """Pieces without number and checksum that the printer took as commands."""
    longest_pause_s: float = 0.0
    virtual_s: float = 0.0
    ended: str = ""
    reason: str = ""
    wrong: list[str] = field(default_factory=list)
    """Everything else that differs from the payload."""

    def __add__(self, other: "Outcome") -> "Outcome":
        added = {
            name.name: getattr(self, name.name) + getattr(other, name.name)
            for name in fields(self)
            if name.name not in ("ended", "reason", "longest_pause_s")
        }
        return Outcome(**added, longest_pause_s=max(self.longest_pause_s, other.longest_pause_s), ended=other.ended)


def trial(
    lineage: str,
    seed: int,
    *,
    lines: int,
    share: float,
    share_up: float | None = None,
    lose_reply: float | None = None,
    double_reply: float | None = None,
    ring_bytes: int | None = None,
) -> Outcome:
    """Print one job; ``share`` of the bytes is damaged each way, half corrupted, half lost (``share_up`` towards us)."""
    text = b"\n".join(hose_bracket(lines, seed=seed)) + b"\n"
    streamer = Streamer(LineProtocol(ring_bytes=ring_bytes))
    back = share if share_up is None else share_up
    up = Damage(
        seed,
        corrupt=back / 2,
        lose=back / 2,
        lose_reply=back if lose_reply is None else lose_reply,
        double_reply=back if double_reply is None else double_reply,
    )
    down = Damage(seed + 1000, share / 2, share / 2)
    wire = Wire(streamer, Peer(**LINEAGES[lineage]), up=up, down=down)
    wire.index = index_of(text)
    wire.blocks = blocks_of(text, wire.index)
    wire.open()
    wire.run_until("link-up", within_s=600)
    wire.streamer.start("run", wire.index, wire.now)
    wire.settle()
    began = wire.now
    ended = wire.run_until("run-ended", within_s=100_000)
    outcome = Outcome(
        lines=lines,
        corrupted=up.counts["corrupted"] + down.counts["corrupted"],
        lost=up.counts["lost"] + down.counts["lost"],
        lost_acknowledgements=up.counts["lost acknowledgements"],
        doubled_acknowledgements=up.counts["doubled acknowledgements"],
        resends=ended["resends"],
        probes=streamer.protocol.probes,
        longest_pause_s=wire.longest_silence_s,
        virtual_s=wire.now - began,
        ended=ended["outcome"],
        reason=ended["reason"],
    )
    if outcome.ended == "completed":
        _compare(wire, outcome)
        if share:
            outcome.unseen_expected = expected_unseen(list(wire.streamer_frames.items()), share)
    return outcome


def _compare(wire: Wire, outcome: Outcome) -> None:
    """Compare, number by number, what the printer took since the numbering began with what the job is."""
    expected = [command for block in wire.blocks for _, command in block]
    taken = wire.peer.numbered_since_sync
    outcome.bare_fragments = wire.peer.bare
    numbers = [number for number, _ in taken]
    if numbers != list(range(1, len(numbers) + 1)):
        outcome.wrong.append(f"numbers are not 1..{len(numbers)}, each once and in order")
    position = 0
    for number, command in taken:
        sent = wire.streamer_frames.get(number, b"")
        # The peer took it, so checksum and text agree; the link used the number for nothing else (see Wire). Hence the
        # wire has changed the line in a way that XOR does not see.
        outcome.unseen_by_xor += sent != command
        if not OURS.match(sent):
            if position >= len(expected) or sent != expected[position]:
                outcome.wrong.append(f"line {number}: {sent!r} is not command {position} of the job")
            position += 1
    if position != len(expected):
        outcome.wrong.append(f"{position} commands of {len(expected)}")


def main() -> int:
    """Run all lineages at all seeds; 1 where any job came out wrong."""
    parser = argparse.ArgumentParser(prog="python -m tests.link.trials")
    parser.add_argument("lines", nargs="?", type=int, default=10000, help="of each job (default: %(default)d)")
    parser.add_argument(
        "seeds", nargs="?", type=int, default=20, help="of each lineage and window (default: %(default)d)"
    )
    given = parser.parse_args()
    lines, seeds = given.lines, given.seeds
    bad = 0
    for lineage in LINEAGES:
        for ring in (None, 127):
            total = Outcome()
            for seed in range(1, seeds + 1):
                outcome = trial(lineage, seed, lines=lines, share=0.01, ring_bytes=ring)
                if outcome.ended != "completed" or outcome.wrong:
                    bad += 1
                    print(f"BAD seed {seed}: {outcome.ended} {outcome.reason} {outcome.wrong[:3]}")
                total += outcome
            print(
                f"{lineage}, {'ring of 127' if ring else 'ping-pong'}: {seeds} jobs of {lines} lines; bytes corrupted "
                f"{total.corrupted}, lost {total.lost}; acknowledgements lost {total.lost_acknowledgements}, doubled "
                f"{total.doubled_acknowledgements}; resends {total.resends}, probes {total.probes}; unseen by XOR "
                f"{total.unseen_by_xor} ({total.unseen_by_xor / total.lines:.2e} a line; calculated "
                f"{total.unseen_expected / total.lines:.2e}), bare fragments executed "
                f"{total.bare_fragments}; longest pause {total.longest_pause_s:.1f} s",
                flush=True,
            )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
