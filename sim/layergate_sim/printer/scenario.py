"""Scenario files (`*.scn`) and the text of `--fault`: when which fault happens. Text to data; does nothing itself.

A scenario holds one instruction a line; `#` begins a comment; the comment lines at the top may carry settings that the
command line then takes as defaults (`# seed: 7`). Times are host seconds since power-on, lines count accepted
commands since power-on from 1.

    # seed: 7
    at 12.5s  mute 5s            once, at a time
    at line 200  reset           once, when the 200th command is about to be accepted
    every 50 lines  drop-ack     again and again
    every 10s  garbage 40
    rate 0.01  corrupt           by chance: per incoming line, or per byte for the -byte verbs
    rate 0.001 corrupt-byte both

`--fault` takes the same in one word each, comma-separated: `corrupt=0.01`, `busy=0.001:3s`, `reset-at-line=200`,
`mute-at=12.5s:5s`, `drop-ack-every=50`, `corrupt-byte=0.001:both`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

# What --list-faults says below the list.
SCENARIO_HELP = (__doc__ or "").partition("\n\n")[2].strip()

_HEATERS = ("hotend", "bed")
_AXES = ("X", "Y", "Z")


@dataclass(frozen=True, slots=True)
class Verb:
    """One kind of fault: its arguments by kind (a default, or None where one must be given), and what it does."""

    arguments: tuple[tuple[str, str | None], ...]
    does: str
    per_byte: bool = False


VERBS: Mapping[str, Verb] = {
    # The line that is arriving
    "corrupt": Verb((), "one byte of an incoming line becomes another"),
    "drop": Verb((), "an incoming line is lost"),
    "drop-byte-of-line": Verb((), "one byte of an incoming line is lost"),
    # Bytes by chance
    "corrupt-byte": Verb((("direction", "in"), ("kind", "byte")), "a byte becomes another, or one bit of it", True),
    "drop-byte": Verb((("direction", "in"),), "a byte is lost", True),
    # Replies
    "drop-ack": Verb((), "the acknowledgement of this line is lost"),
    "double-ack": Verb((), "the acknowledgement of this line is said twice"),
    "corrupt-reply": Verb((), "one byte of the next reply line becomes another"),
    "drop-reply": Verb((), "the next reply line is lost"),
    "half-line": Verb((), "the next reply line ends in its middle, without a line end"),
    "garbage": Verb((("count", "40"), ("end", "closed")), "random bytes; closed: a line end follows, open: none"),
    "mute": Verb((("seconds", "5s"),), "whatever it says is lost for a while"),
    "slow": Verb((("rate", "10"), ("seconds", "5s")), "replies leave at so many bytes a second for a while"),
    # The machine
    "busy": Verb((("seconds", "3s"),), "the next command takes longer, with signs of life"),
    "reset": Verb((), "restarts as after a power dip, and greets"),
    "unplug": Verb((("seconds", "2s"), ("then", "keep")), "the connection is gone for a while; then keep or reboot"),
    "heater-lost": Verb((("heater", "hotend"),), "a heater gets no power whatever is asked"),
    "runaway": Verb((("heater", "hotend"),), "a heater gets full power whatever is asked"),
    "sensor-open": Verb((("heater", "hotend"),), "a sensor reads very cold"),
    "sensor-short": Verb((("heater", "hotend"),), "a sensor reads very hot"),
    "mend": Verb((("heater", "hotend"),), "heater and sensor are well again"),
    "stuck-axis": Verb((("axis", "X"),), "an axis stays where it is, unnoticed"),
    "free-axis": Verb((("axis", "X"),), "a stuck axis moves again, from where it is"),
    "shift": Verb((("axis", "X"), ("mm", "2.0")), "an axis loses steps: all that follows is shifted"),
    "clog": Verb((("share", "0.0"),), "only this share of the filament comes out"),
    "unclog": Verb((), "the nozzle is free again"),
}


class ScenarioError(ValueError):
    """A scenario or fault text that can't be read; says where and what is allowed."""


@dataclass(frozen=True, slots=True)
class Instruction:
    """One fault and its moment: a host time (at-s, every-s), a line count (at-line, every-lines) or a chance (rate)."""

    when: Literal["at-s", "at-line", "every-s", "every-lines", "rate"]
    value: float
    verb: str
    arguments: tuple[str, ...] = ()


@dataclass(slots=True)
class Scenario:
    """Instructions in the order of the file, and the settings from its head."""

    instructions: list[Instruction] = field(default_factory=list)
    settings: dict[str, str] = field(default_factory=dict)


def seconds_of(text: str) -> float:
    """`3s`, `250ms`, or a bare number of seconds. Raises ValueError."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?|\.\d+)(ms|s)?", text)
    if not match:
        raise ValueError(f"{text!r} is not a time such as 3s or 250ms")
    return float(match[1]) * (0.001 if match[2] == "ms" else 1.0)


def _check_argument(kind: str, text: str) -> str:
    choices = {
        "direction": ("in", "out", "both"),
        "kind": ("byte", "bit"),
        "end": ("open", "closed"),
        "then": ("keep", "reboot"),
        "heater": _HEATERS,
        "axis": _AXES,
    }
    if kind in choices:
        value = text.upper() if kind == "axis" else text
        if value not in choices[kind]:
            raise ValueError(f"{text!r} is not one of {', '.join(choices[kind])}")
        return value
    if kind == "seconds":
        return repr(seconds_of(text))
    try:
        number = float(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a number ({kind})") from None
    if kind in ("count", "rate") and number < 1:
        raise ValueError(f"{kind} must be at least 1, got {text}")
    if kind == "share" and not 0 <= number <= 1:
        raise ValueError(f"share must be between 0 and 1, got {text}")
    return text


def instruction(when: str, value: float, verb: str, arguments: Sequence[str]) -> Instruction:
    """Build one instruction with its arguments checked and filled in. Raises ValueError with what is allowed."""
    known = VERBS.get(verb)
    if known is None:
        raise ValueError(f"unknown fault {verb!r}; known are: {', '.join(VERBS)}")
    given = [argument for argument in arguments if argument != "B/s"]
    if len(given) > len(known.arguments):
        raise ValueError(f"{verb} takes at most {len(known.arguments)} arguments, got {' '.join(given)!r}")
    filled = []
    for place, (kind, default) in enumerate(known.arguments):
        text = given[place] if place < len(given) else default
        if text is None:
            raise ValueError(f"{verb} needs its {kind}")
        filled.append(_check_argument(kind, text))
    if when == "rate":
        if not 0 <= value <= 1:
            raise ValueError(f"a rate lies between 0 and 1, got {value}")
    elif known.per_byte:
        raise ValueError(f"{verb} happens by chance only: write 'rate 0.001 {verb}'")
    elif value <= 0 and when != "at-s":
        raise ValueError(f"must be above 0, got {value}")
    if when not in ("at-s", "at-line", "every-s", "every-lines", "rate"):
        raise ValueError(f"unknown moment {when!r}")
    return Instruction(when, value, verb, tuple(filled))  # type: ignore[arg-type]  # checked in the line above


def _read_line(text: str) -> Instruction:
    tokens = text.split()
    match tokens:
        case ["at", "line", number, verb, *arguments]:
            return instruction("at-line", int(number), verb, arguments)
        case ["at", moment, verb, *arguments]:
            return instruction("at-s", seconds_of(moment), verb, arguments)
        case ["every", number, "lines", verb, *arguments]:
            return instruction("every-lines", int(number), verb, arguments)
        case ["every", moment, verb, *arguments]:
            return instruction("every-s", seconds_of(moment), verb, arguments)
        case ["rate", chance, verb, *arguments]:
            return instruction("rate", float(chance), verb, arguments)
    raise ValueError("write 'at TIME VERB', 'at line N VERB', 'every N lines VERB', 'every TIME VERB' or 'rate P VERB'")


def read_scenario(text: str, name: str = "scenario") -> Scenario:
    """Read a scenario file's text. Raises ScenarioError that lists every mistake with its line."""
    scenario = Scenario()
    mistakes: list[str] = []
    head = True
    for number, line in enumerate(text.splitlines(), 1):
        content, _, comment = line.partition("#")
        if not content.strip():
            setting = re.fullmatch(r"\s*([a-z][a-z-]*)\s*:\s*(\S+)\s*", comment)
            if head and setting:
                scenario.settings[setting[1]] = setting[2]
            continue
        head = False
        try:
            scenario.instructions.append(_read_line(content))
        except ValueError as error:
            mistakes.append(f"{name}:{number}: {content.strip()!r}: {error}")
    if mistakes:
        raise ScenarioError("\n".join(mistakes))
    return scenario


def load_scenario(path: Path) -> Scenario:
    """Read a scenario file. Raises ScenarioError or OSError."""
    return read_scenario(path.read_text(encoding="utf-8"), str(path))


def read_faults(text: str) -> list[Instruction]:
    """Read the argument of `--fault`. Raises ScenarioError naming the item."""
    instructions = []
    for item in filter(None, (part.strip() for part in text.split(","))):
        name, equals, rest = item.partition("=")
        value, *arguments = rest.split(":")
        try:
            if not equals:
                raise ValueError("write NAME=RATE, NAME-at-line=N, NAME-at=TIME or NAME-every=N")
            if name.endswith("-at-line"):
                one = instruction("at-line", int(value), name.removesuffix("-at-line"), arguments)
            elif name.endswith("-at"):
                one = instruction("at-s", seconds_of(value), name.removesuffix("-at"), arguments)
            elif name.endswith("-every"):
                timed = value.endswith("s")
                count = seconds_of(value) if timed else int(value)
                one = instruction("every-s" if timed else "every-lines", count, name.removesuffix("-every"), arguments)
            else:
                one = instruction("rate", float(value), name, arguments)
        except ValueError as error:
            raise ScenarioError(f"--fault {item!r}: {error}") from error
        instructions.append(one)
    return instructions
