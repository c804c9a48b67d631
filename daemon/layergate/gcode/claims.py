"""Claims: what comments say of a job. The second witness beside the geometry, collected generically.

Any comment that carries the word "layer" and a number, any ``key = value`` or ``key: value`` comment. No writer of jobs
is known by name, and nothing here is believed: rules compare.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

_KEY_VALUE = re.compile(
    rb"^[ \t]*[;(][;( \t]*([A-Za-z][A-Za-z0-9_ /.\-\[\]]{1,48}?)[ \t]*[:=,][ \t]*([^\n\r;]{1,96}?)[ \t)]*\r?$", re.M
)
_LAYER = re.compile(rb"[;(]([^\n;(]{0,48}?)(?<![A-Za-z])layer(?![A-Za-z])([^\n]{0,48})", re.I)
_NUMBER = re.compile(rb"(?<![\w.])[-+]?\d+(?:\.\d+)?")
_MOST_KEYS = 2000
_MOST_MARKS = 100_000
_COUNT_KEYS = re.compile(
    r"^(?:total )?(?:layer (?:count|number|total)|layers|number of layers|layer_count|total_layers?)$"
)


@dataclass(slots=True)
class Claims:
    """What comments claim; memory is bounded.

    Attributes:
        values: the first value of each key, by lower-case key.
        lines: the line of each, by the same keys.
        layer_marks: line and number of comments that carry the word "layer" and a whole number.
        layer_of: the last "layer i of n" or "layer i/n": n and its line; None if no comment says so.
    """

    values: dict[str, str] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    layer_marks: list[tuple[int, int]] = field(default_factory=list)
    layer_of: tuple[int, int] | None = None

    def read(self, raw: bytes, first_line: int, *, keys: bool, marks: bool = True) -> None:
        """Take the comments of some whole lines; ``keys`` only near the start and end of a job, where they stand."""
        if b";" not in raw and b"(" not in raw:
            return
        if keys:
            for line, match in _with_lines(raw, first_line, _KEY_VALUE.finditer(raw)):
                if len(self.values) >= _MOST_KEYS:
                    break
                key = " ".join(match[1].decode("utf-8", "replace").lower().split())
                self.values.setdefault(key, match[2].decode("utf-8", "replace").strip())
                self.lines.setdefault(key, line)
        if not marks:
            return
        for line, match in _with_lines(raw, first_line, _layer_comments(raw)):
            if len(self.layer_marks) >= _MOST_MARKS:
                break
            numbers = [number for number in _NUMBER.findall(match[2]) if b"." not in number]
            if not numbers:
                continue
            self.layer_marks.append((line, int(numbers[0])))
            if len(numbers) > 1 and re.match(rb"[ :#]*-?\d+ *(?:of|/)", match[2]):
                self.layer_of = (int(numbers[1]), line)

    def layer_count(self) -> tuple[int, int] | None:
        """Give the number of layers that comments claim, and the line that does; None if none does."""
        for key, value in self.values.items():
            number = re.match(r"(\d+)\b", value)
            if number and _COUNT_KEYS.match(key.replace("-", " ")):
                return int(number[1]), self.lines[key]
        return self.layer_of

    def number(self, *keys: str) -> float | None:
        """Give the first number of the first of some keys that a comment states; keys in lower case."""
        for key in keys:
            if (value := self.values.get(key)) and (match := re.search(r"-?\d+(?:\.\d+)?", value)):
                return float(match[0])
        return None


def _with_lines(
    raw: bytes, first_line: int, matches: Iterable[re.Match[bytes]]
) -> Iterator[tuple[int, re.Match[bytes]]]:
    """Yield each of some matches, in order, with the line on which it begins."""
    last, line = 0, first_line
    for match in matches:
        line += raw.count(b"\n", last, match.start())
        last = match.start()
        yield line, match


def _layer_comments(raw: bytes) -> Iterator[re.Match[bytes]]:
    """Yield the comments that carry the word "layer"; looks closer only at lines that have it."""
    lower = raw.lower()
    at = lower.find(b"layer")
    while at >= 0:
        start, end = raw.rfind(b"\n", 0, at) + 1, raw.find(b"\n", at)
        end = len(raw) if end < 0 else end
        yield from _LAYER.finditer(raw, start, end)
        at = lower.find(b"layer", end)
