"""How long a command may take before silence means something: classes of command for the line time-outs.

A table and one look-up. Only the first word of a command counts. Knows nothing of what a command does otherwise; an
unknown command (a macro) may take as long as it likes.
"""

import re
from enum import IntEnum

_FIRST_WORD = re.compile(rb"[ \t]*([A-Za-z])[ \t]*([0-9]+(?:\.[0-9]+)?)?")


class Patience(IntEnum):
    """What silence after a command means. Ordered: of several outstanding lines the most patient counts."""

    PROMPT = 0
    """Acknowledged as soon as there is room in the motion queue: a line time-out applies (it only probes)."""
    LONG = 1
    """Heats, homes, probes, dwells, drains the queue, or is unknown: no line time-out, but the printer must be
    heard."""
    PERSON = 2
    """Waits for somebody: no limit at all."""


# Commands that take a place in the motion queue or set something, and are acknowledged soon (facts.md 1.4).
_PROMPT_G = {"0", "1", "2", "3", "5", "10", "11", "17", "18", "19", "20", "21", "53", "54", "55", "56", "57", "58",
             "59", "90", "91", "92", "93", "94"}  # fmt: skip
_PROMPT_M = {"17", "18", "31", "42", "73", "75", "76", "77", "78", "80", "82", "83", "84", "85", "92", "104", "105",
             "106", "107", "110", "111", "113", "114", "115", "117", "118", "119", "120", "121", "140", "141", "142",
             "143", "149", "150", "154", "155", "163", "164", "165", "200", "201", "202", "203", "204", "205", "206",
             "207", "208", "209", "211", "218", "220", "221", "301", "302", "304", "355", "412", "413", "420", "425",
             "569", "572", "591", "593", "851", "900", "906"}  # fmt: skip
# Commands that wait for a person: user stops, filament change and load, a pin (facts.md 1.4).
_PERSON_M = {"0", "1", "25", "226", "125", "600", "601", "602", "603", "701", "702"}

_BY_WORD: dict[bytes, Patience] = {
    **{f"G{number}".encode(): Patience.PROMPT for number in _PROMPT_G},
    **{f"M{number}".encode(): Patience.PROMPT for number in _PROMPT_M},
    **{f"M{number}".encode(): Patience.PERSON for number in _PERSON_M},
}


def word(command: bytes) -> bytes:
    """Give the first word in its plain form (``g01 x5`` -> ``G1``); empty where the command has none.

    The last-used first words are not remembered: `patience` does that for whole spellings.
    """
    match = _FIRST_WORD.match(command)
    if not match:
        return b""
    number = match[2] or b""
    return match[1].upper() + (number.lstrip(b"0") or b"0" if number else b"")


_seen: dict[bytes, Patience] = {}


def patience(command: bytes) -> Patience:
    """Give the class of a command."""
    spelled = command.split(b" ", 1)[0]
    found = _seen.get(spelled)
    if found is None:
        found = _BY_WORD.get(word(command), Patience.LONG)
        # Jobs without blanks spell a new word with every line, so only short spellings are worth remembering.
        if len(spelled) <= 4 and len(_seen) < 1024 and spelled[-1:].isdigit():
            _seen[spelled] = found
    return found
