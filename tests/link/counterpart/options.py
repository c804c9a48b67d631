"""Every freedom that the convention leaves to a printer, as an option; the commonest choice is the default.

Sections in the help texts are those of facts.md. Knows nothing of how they are acted on.
"""

import argparse
from dataclasses import dataclass


@dataclass(frozen=True)
class Mishap:
    """Something that happens once so many commands are executed."""

    count: int
    kind: str
    argument: str


def mishap(text: str) -> Mishap:
    """Read ``COUNT:KIND[:ARGUMENT]``."""
    count, kind, argument = [*text.split(":", 2), ""][:3]
    return Mishap(int(count), kind, argument)


def options(arguments: list[str] | None = None) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(prog="python -m tests.link.counterpart")
    add = parser.add_argument
    add("--port", type=int, default=0)
    add("--record", default="/dev/null", help="what was executed, one JSON object a line")
    add("--wire", default="/dev/null", help="every line, both ways, with seconds")
    add("--seed", type=int, default=1)
    add("--event", action="append", default=[], type=mishap, metavar="COUNT:KIND[:ARGUMENT]", help="see port.py")

    add("--lineage", choices=("common", "numbered"), default="common", help="sets the defaults of some others")
    add("--ok", choices=("plain", "number", "colon", "slots", "temps"), help="1.2: forms of ok")
    add("--ok-at", choices=("executed", "accepted"), default="executed")
    add("--resend", choices=("Resend: {}", "Resend:{}", "rs {}", "rs N{}"), help="1.2")
    add("--resend-ok", type=int, default=1, help="1.2: an ok after each Resend")
    add("--error-line", type=int, default=1, help="1.2: an Error: line before each Resend")
    add("--duplicate", choices=("resend", "ok", "skip"), help="1.2: a line that was accepted already")
    add("--checksum", choices=("checked", "required", "ignored", "unread"), default="checked", help="1.1")
    add("--m110", choices=("param", "line", "refuse"), default="param", help="1.3: which number counts")
    add("--counter", type=int, default=0, help="last line number at the first connection")
    add("--empty", choices=("ignore", "ok"), default="ignore", help="an empty line")

    add("--ring", type=int, default=128, help="1.3: bytes; what comes in when it is full is lost (0: no limit)")
    add("--slots", type=int, default=4, help="1.3: command slots")
    add("--planner", type=int, default=16, help="moves planned ahead")
    add("--line-limit", type=int, default=96, help="bytes; the rest of a longer line is cut off (common practice)")
    add("--flush", type=int, default=1, help="throw the ring away at a bad line")
    add("--corrupt", type=float, default=0.0, help="share of lines that arrive with one bit changed")
    add("--lose-ok", type=float, default=0.0, help="share of acknowledgements that never leave")

    add("--greet", choices=("connect", "reset", "never"), default="connect", help="1.2: start")
    add("--boot-s", type=float, default=0.0, help="deaf for so long after a connection or a reset")
    add("--boot-keeps", action="store_true", help="what comes in meanwhile is taken afterwards, as by a bridge")
    add("--reset-on-connect", type=int, default=1)
    add("--wait-s", type=float, help="1.2: period of wait when idle; 0: none")
    add("--busy-s", type=float, default=2.0, help="1.2: host keepalive; 0: none")
    add("--chatter", type=int, default=0, help="an unasked echo: or // after each so many commands")
    add("--echo", action="store_true", help="each command is said back")
    add("--eol", choices=("lf", "crlf"), default="lf", help="1.1")
    add("--chunk", choices=("line", "byte", "gather"), default="line", help="how replies are cut into packets")

    add(
        "--m105", choices=("ok-first", "ok-after", "ok-before"), default="ok-first", help="1.2: T: on ok, before, after"
    )
    add("--spaceless", action="store_true", help="1.2: T:40.00/39.00")
    add("--autoreport", type=int, default=1, help="1.3: M155")
    add("--caps", type=int, default=1, help="1.2: Cap: lines of M115")
    add("--emergency", type=int, default=0, help="1.3: M108, M112, M410 acted on from the byte stream")
    add("--heat-c-s", type=float, default=400.0)
    add("--home-s", type=float, default=0.05)
    add("--speedup", type=float, default=1e6)

    chosen = parser.parse_args(arguments)
    numbered = chosen.lineage == "numbered"
    chosen.ok = chosen.ok or ("number" if numbered else "plain")
    chosen.resend = chosen.resend or ("Resend:{}" if numbered else "Resend: {}")
    chosen.duplicate = chosen.duplicate or ("skip" if numbered else "resend")
    if chosen.wait_s is None:
        chosen.wait_s = 1.0 if numbered else 0.0
    chosen.event.sort(key=lambda event: event.count)
    return chosen
