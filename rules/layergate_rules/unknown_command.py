"""unknown-command: commands that the community convention does not know."""

import numpy as np

from layergate.preflight.rule import MACRO, UNREAD, Columns, Findings, Rule, Where, command_of
from layergate_rules.rare_commands import Sightings, codes_of

# The commands of facts.md 1.4, and what jobs of several dialects use beside them.
_G = (
    *range(7), 10, 11, 12, 17, 18, 19, 20, 21, *range(26, 33), 34, *range(53, 62), 80, 90, 91, 92, 94, 130, 161, 162,
)  # fmt: skip
_M = (
    *range(7), *range(16, 34), 42, *range(70, 79), *range(80, 88), 92, *range(101, 123), *range(125, 130), *range(132, 136),
    *range(140, 145), 149, 150, *range(154, 157), *range(160, 166), 190, 191, *range(200, 212), 217, 218, 220, 221, 226, 240, 250,
    260, 261, 280, 290, 300, 301, *range(302, 308), 350, 355, 380, 381, *range(400, 408), 410, 412, 413, 420, 421, 425, 428, 430,
    486, *range(500, 505), 555, 569, 572, 575, 591, 592, 593, *range(600, 604), 605, 620, 621, 665, 666, 701, 702, 710, 808, 851,
    862, 876, 900, *range(906, 909), *range(911, 916), 928, 993, 994, 997, 998, 999,
)  # fmt: skip
_KNOWN = frozenset(codes_of([f"G{n}" for n in _G] + [f"M{n}" for n in _M]).tolist())
_HIGHEST_TOOL = 15
_MOST_SHOWN = 12


def _is_known(code: int) -> bool:
    number = code & 0xFFFF
    if code >> 16 == ord("T"):
        return number <= 10 * _HIGHEST_TOOL
    return code in (MACRO, UNREAD) or code - number % 10 in _KNOWN


class UnknownCommand(Rule):
    """What it looks for
        Commands outside the community convention, and tool words that are no tools.

    Why it matters
        What a controller does with them is not known here: most skip what they do not know, some have a meaning of their own
        for it. Motion and heat inside them are not judged.

    How it decides and when it does not apply
        By a list of commands. Dotted ones (``M862.3``) count as known where their whole number is. Macros and lines that can't
        be read are no commands and are counted elsewhere.

    What to do
        Nothing, if the job was made for this printer. Otherwise compare with the manual of its controller.

    Source: commands of the community G-code convention, and of some dialects from memory.
    """

    identifier = "unknown-command"
    severity = "note"

    def prepare(self) -> None:
        self._seen: dict[int, Sightings] = {}

    def each_block(self, columns: Columns) -> None:
        rows, present = columns.rare()
        unknown = [code for code in present if not _is_known(code)]
        if not unknown:
            return
        for row in rows[np.isin(columns.code[rows], unknown)].tolist():
            self._seen.setdefault(int(columns.code[row]), Sightings()).see(int(columns.line[row]))

    def finish(self) -> Findings:
        if not self._seen:
            return
        names = sorted((command_of(code), seen) for code, seen in self._seen.items())
        shown = ", ".join(f"{name} ({seen.text()})" for name, seen in names[:_MOST_SHOWN])
        more = f" and {len(names) - _MOST_SHOWN} other commands" if len(names) > _MOST_SHOWN else ""
        first = min(seen.lines[0] for _, seen in names)
        yield self.finding(
            f"Not known here: {shown}{more}.",
            "Nothing to do if the job was made for this printer; otherwise compare with the manual of its controller.",
            where=Where(lines=(first, max(seen.last for _, seen in names))),
            evidence={"commands": len(names), "lines": sum(seen.count for _, seen in names)},
        )
