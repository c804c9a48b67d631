"""Random combinations of what the counterpart can do (tests/link/counterpart), each with the whole daemon; a command of its own.

    python -m tests.link.combinations [--seeds 60] [--first 1] [--keep FOLDER]

Says of each whether every command of the job was executed once and in order, how long that took, and how long the
printer lay idle with the link having nothing to wait for but an answer that was not coming. Exit 1 if one failed.
"""

import argparse
import json
import random
import re
import sys
import tempfile
import time
from pathlib import Path

from tests.link.test_counterpart import counterpart, observing, plain
from tests.service.real import daemon

from layergate_sim.specimens import bollard_cap

ENDS_S = 240.0
ENDINGS = ("completed", "completed-with-warnings", "canceled", "aborted", "blocked", "held", "not-judged", "stopped")
IDLE_S = 0.5
"""Gaps above this are counted: a first time-out is 1 s, a poll comes every 2 s."""

CHOICES: dict[str, tuple[str, ...]] = {
    "--lineage": ("common", "numbered"),
    "--ok": ("plain", "number", "colon", "slots", "temps"),
    "--ok-at": ("executed", "executed", "accepted"),
    "--resend": ("Resend: {}", "Resend:{}", "rs {}", "rs N{}"),
    "--resend-ok": ("0", "1"),
    "--error-line": ("0", "1"),
    "--duplicate": ("resend", "ok", "skip"),
    "--checksum": ("checked", "checked", "checked", "required", "ignored"),
    "--m110": ("param", "param", "line", "refuse"),
    "--counter": ("0", "0", "5", "99998"),
    "--empty": ("ignore", "ok"),
    "--ring": ("64", "96", "128", "256", "0"),
    "--slots": ("1", "2", "4", "8"),
    "--planner": ("1", "4", "16"),
    "--flush": ("0", "1"),
    "--corrupt": ("0", "0", "0.005", "0.02"),
    "--lose-ok": ("0", "0", "0.003", "0.01"),
    "--greet": ("connect", "reset", "never"),
    "--boot-s": ("0", "0", "0.4", "1.2"),
    "--reset-on-connect": ("0", "1"),
    "--wait-s": ("0", "0.3", "1"),
    "--busy-s": ("0", "0.5", "2"),
    "--chatter": ("0", "0", "3", "20"),
    "--eol": ("lf", "crlf"),
    "--chunk": ("line", "byte", "gather"),
    "--m105": ("ok-first", "ok-after", "ok-before"),
    "--autoreport": ("0", "1"),
    "--caps": ("0", "1"),
    "--emergency": ("0", "1"),
    "--heat-c-s": ("400", "60", "20"),
    "--home-s": ("0.05", "1.2", "5"),
    "--speedup": ("1e6", "1e6", "20"),
}
FLAGS = ("--boot-keeps", "--echo", "--spaceless")
MISHAPS = ("half:0.4", "lost:1", "deaf:1", "silent:1", "runout:1", "silent:4")


def combination(seed: int) -> list[str]:
    """Draw the options of one printer; what no host could print on is left out, with the reason beside it."""
    chance = random.Random(seed)
    drawn = {option: chance.choice(values) for option, values in CHOICES.items()}
    harms = MISHAPS
    if drawn["--checksum"] == "ignored":
        # It looks at neither checksum nor number: what the wire damages is executed and what it swallows is never missed, so
        # no host could tell. An acknowledgement lost would have its line probed for, and the probe executed out of turn.
        drawn["--corrupt"] = drawn["--lose-ok"] = "0"
        harms = tuple(harm for harm in MISHAPS if not harm.startswith(("deaf", "lost")))
    flags = [flag for flag in FLAGS if chance.random() < 0.3]
    mishaps = sorted(chance.sample(range(60, 400), chance.choice((0, 0, 1, 2))))
    events = [word for at in mishaps for word in ("--event", f"{at}:{chance.choice(harms)}")]
    return ["--seed", str(seed), *(word for pair in drawn.items() for word in pair), *flags, *events]


def idle_s(wire: Path) -> tuple[float, list[str]]:
    """Give how long the printer heard nothing after its own last word, and the longest of these gaps."""
    total, gaps, last, said = 0.0, [], 0.0, ""
    for line in wire.read_text("utf-8").splitlines():
        if not (row := re.match(r" *([\d.]+) ([<>x#]) (.*)", line)):
            continue
        at = float(row[1])
        if row[2] == "<" and at - last > IDLE_S:
            total += at - last
            gaps.append(f"{at - last:.1f} s before {row[3]!r}, after {said!r}")
        last, said = at, f"{row[2]} {row[3]}"
    return total, sorted(gaps, key=lambda gap: -float(gap.split()[0]))[:3]


def run_one(seed: int, folder: Path) -> bool:
    """Print one job on one combination; say what came of it."""
    text = bollard_cap(height_mm=1.6, diameter_mm=18).text
    (folder / "cap.gcode").write_bytes(text)
    chosen, wire, began = combination(seed), folder / "wire.txt", time.monotonic()
    with counterpart(folder, "--wire", str(wire), *chosen) as printer:
        found: dict[str, object] = {}
        with daemon(folder, observing(printer.device)) as gate:
            gate.start()
            job = json.loads(gate.run("submit", str(folder / "cap.gcode"), "--json").stdout)["id"]
            gate.reaches(job, "queued", 60)
            gate.run("cleared", "quay")
            started = time.monotonic()
            while time.monotonic() < started + ENDS_S:
                found = gate.job(job)
                if found["situation"] in ENDINGS:
                    break
                time.sleep(0.1)
            took_s = time.monotonic() - started
        wanted = plain(text.splitlines())
        try:
            at, wrong = printer.matches(wanted), ""
        except AssertionError as error:
            at, wrong = -1, str(error)
    good = found["situation"] in ("completed", "completed-with-warnings") and at == len(wanted)
    idle, gaps = idle_s(wire)
    print(
        f"seed {seed}: {'good' if good else 'FAILED'} {found['situation']} {at}/{len(wanted)} {wrong} {took_s:.1f} s, "
        f"idle {idle:.1f} s, whole {time.monotonic() - began:.1f} s",
        flush=True,
    )
    if not good or took_s > 30:
        print("   ", " ".join(chosen), "\n    ", found["message"], "\n    ", "; ".join(gaps), flush=True)
    return good


def main() -> int:
    """Run the seeds one after another."""
    parser = argparse.ArgumentParser(prog="python -m tests.link.combinations")
    parser.add_argument("--seeds", type=int, default=60)
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--keep", type=Path, help="leave records and wires there")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="combinations-") as scratch:
        good = []
        for seed in range(options.first, options.first + options.seeds):
            folder = (options.keep or Path(scratch)) / str(seed)
            folder.mkdir(parents=True)
            good.append(run_one(seed, folder))
    print(f"{sum(good)} of {len(good)} good")
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
