"""Bytes -> columns: the words of a job's payload as numpy arrays, one row for each line that is not empty.

Reads letters and numbers (RS-274/NGC 3.3.2, community convention) and gives them no meaning. Whole-array work only; the
few lines that are not plain words (macros, text, damage) are left to layergate.gcode.odd_lines, one by one.

How numbers are read: a number is at most 16 bytes long in practice, so its last eight bytes are loaded as one 64-bit
integer, the decimal point is closed up, and pairs of digits are combined three times; a longer one takes a second
load. The integer significand (below 2**53) is then *divided* by an exact power of ten, which is correctly rounded and so
equals ``float()`` of the same text; multiplying by 0.1**n would not.
"""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from layergate.gcode.odd_lines import OddLine, read_odd_line

U8 = npt.NDArray[np.uint8]
U64 = npt.NDArray[np.uint64]
I64 = npt.NDArray[np.int64]
I32 = npt.NDArray[np.int32]
F64 = npt.NDArray[np.float64]
Bool = npt.NDArray[np.bool_]

UNREAD = 0
"""Code of a line that could not be understood: kept with its number and text, never guessed."""
MACRO = 1
"""Code of a bare word with or without KEY=VALUE arguments, which the printer expands into commands we can't see."""

# Byte classes. The order matters: all from _DOT on are marks, between which words lie.
_BLANK, _DIGIT, _SIGN, _DOT, _LETTER, _NEWLINE, _ODD = range(7)
_CLASS = np.full(256, _ODD, np.uint8)
_CLASS[[32, 9]] = _BLANK
_CLASS[ord("0") : ord("9") + 1] = _DIGIT
_CLASS[[ord("+"), ord("-")]] = _SIGN
_CLASS[ord(".")] = _DOT
_CLASS[ord("A") : ord("Z") + 1] = _LETTER
_CLASS[ord("a") : ord("z") + 1] = _LETTER
_CLASS[10] = _NEWLINE

# Neighbouring classes that a plain line never has: a blank inside or before a number, a sign anywhere but before a number,
# letters in a row.
_ODD_PAIR = np.zeros(64, np.bool_)
for _left, _right in (
    (_BLANK, _DIGIT), (_BLANK, _SIGN), (_BLANK, _DOT), (_DIGIT, _SIGN), (_DOT, _SIGN), (_SIGN, _SIGN),
    (_SIGN, _BLANK), (_SIGN, _LETTER), (_SIGN, _NEWLINE), (_DOT, _DOT), (_LETTER, _LETTER),
):  # fmt: skip
    _ODD_PAIR[_left * 8 + _right] = True

_PAD = 16  # bytes before the text, so that the two loads of a first number stay inside the buffer
_FULL = (1 << 64) - 1
# Byte masks of a little-endian load: the first character is the lowest byte.
_KEEP_TOP = np.array([(_FULL << 8 * (8 - n)) & _FULL for n in range(9)], np.uint64)  # the last n characters
_BELOW_DOT = np.array(
    [_FULL >> 8 * (1 + f) if f < 8 else 0 for f in range(9)], np.uint64
)  # before a point f from the end
_DIGITS = np.uint64(0x0F0F0F0F0F0F0F0F)
_POWER_OF_TEN = 10.0 ** np.arange(23)
_NUMBERS_END = 6553  # commands with higher numbers have no code and stay unread
_MOST_DIGITS = 15  # a significand of 15 digits is below 2**53


@dataclass(slots=True)
class Columns:
    """The words of one block.

    Attributes:
        line: (n,) int64, line of the job, from 1, strictly rising.
        code: (n,) int32, ``letter * 65536 + number * 10``; see ``code_of``; UNREAD or MACRO for lines that are no command.
        odd: the lines that are not plain words, by row.
    """

    line: I64
    code: I32
    odd: dict[int, OddLine]
    _row: I32
    _letter: U8
    _value: F64
    _masks: I64
    _cache: dict[str, F64] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.line)

    def word(self, letter: str) -> F64:
        """Give the values of one letter's words: (n,) float64, NaN where a line has none or it has no number."""
        if letter not in self._cache:
            values = np.full(len(self.line), np.nan)
            chosen = np.flatnonzero(self._letter == ord(letter))
            values[self._row[chosen]] = self._value[chosen]
            for row, odd in self.odd.items():
                if letter in odd.words:
                    values[row] = odd.words[letter]
            self._cache[letter] = values
        return self._cache[letter]

    def has(self, letter: str) -> Bool:
        """Say which lines have a word of this letter, with or without a number: (n,) bool."""
        present: Bool = (self._masks >> (ord(letter) - 65)) & 1 != 0
        return present


def code_of(command: str) -> int:
    """Give the code of a command such as ``G1`` or ``M620.1``."""
    return ord(command[0]) * 65536 + round(float(command[1:]) * 10)


def command_of(code: int) -> str:
    """Give the command of a code, such as ``G1``; empty for UNREAD and MACRO."""
    if code in (UNREAD, MACRO):
        return ""
    number = (code & 0xFFFF) / 10
    return f"{chr(code >> 16)}{number:g}"


# The rest of these lines is text: their letters are no words.
_TEXT_CODES = np.array([code_of(f"M{n}") for n in (16, 23, 28, 30, 32, 117, 118, 486, 928)], np.int32)


def read_columns(text: bytes, first_line: int) -> Columns:
    """Read the payload of some whole lines.

    Peak memory is about 40 bytes per byte of ``text``, so give it pieces of some 100 KiB, which also stay in the cache.

    Args:
        text: payload, lines ended by LF (a last line without one is taken as whole).
        first_line: line of the job that the text starts with.
    """
    if not text.endswith(b"\n"):
        text += b"\n"
    buffer = np.frombuffer(b"\n" * _PAD + text + b"\n" * 8, np.uint8)
    kind = _CLASS[buffer[_PAD : _PAD + len(text)]]
    marks = np.flatnonzero(kind >= _DOT)
    mark_kind = kind[marks]

    # Lines: their ends, and which are not empty.
    is_end = mark_kind == _NEWLINE
    line_end = marks[is_end]
    line_start = np.empty_like(line_end)
    line_start[0] = 0
    line_start[1:] = line_end[:-1] + 1
    filled = line_end > line_start
    lines = np.flatnonzero(filled)
    row_of_line = np.cumsum(filled, dtype=np.int32) - 1

    # Words: a letter, up to the next letter or line end, with at most one point between. `marks` holds both.
    at = np.flatnonzero(mark_kind == _LETTER)
    line_of_mark = np.cumsum(is_end, dtype=np.int32)
    row = row_of_line[line_of_mark[at]]
    letter_at = marks[at]
    raw_letter = buffer[letter_at + _PAD]
    letter: U8 = raw_letter & np.uint8(0xDF)
    following = np.minimum(at + 1, len(marks) - 1)
    point_at = marks[following]
    has_point = mark_kind[following] == _DOT
    word_end = np.where(has_point, marks[np.minimum(at + 2, len(marks) - 1)], point_at)
    # Blanks after a number: one pass takes off one blank, and nearly every job has one at most.
    trailing = kind[word_end - 1] == _BLANK
    while trailing.any():
        word_end = word_end - trailing
        trailing = kind[word_end - 1] == _BLANK
    start = letter_at + 1
    signed = kind[start] == _SIGN
    negative = signed & (buffer[start + _PAD] == ord("-"))
    start = start + signed
    length = word_end - start
    fraction = np.where(has_point, word_end - 1 - point_at, 0)
    digits = length - has_point
    value = _numbers(buffer, word_end + _PAD, length, has_point, fraction)
    np.negative(value, out=value, where=negative)
    value[digits <= 0] = np.nan

    # Lines that are not plain words go one by one to a slower and more patient reader.
    odd_at = _odd_positions(kind, mark_kind, marks)
    odd_rows = row_of_line[np.searchsorted(line_end, odd_at)] if len(odd_at) else np.empty(0, np.int32)
    odd_parts = [odd_rows, row[has_point & (digits <= 0)]]
    if (too_long := digits > _MOST_DIGITS).any():
        odd_parts.append(row[too_long])
    exponent = (raw_letter == ord("e")) & (kind[letter_at - 1] != _BLANK) & (kind[letter_at - 1] < _LETTER)
    if exponent.any():
        odd_parts.append(row[exponent & (letter_at > 0)])

    # The first word of a line is its command; repeated letters and a second G or M make a line ambiguous.
    count = len(lines)
    first = np.searchsorted(row, np.arange(count, dtype=np.int32))
    bounded = np.minimum(first, max(0, len(row) - 1))
    wordless = (first >= len(row)) | ((row[bounded] != np.arange(count)) if len(row) else True)
    code = np.zeros(count, np.int32)
    masks = np.zeros(count, np.int64)
    if len(row):
        bits = np.left_shift(np.int64(1), (letter - 65).astype(np.int64))
        spans = bounded
        masks[~wordless] = np.bitwise_or.reduceat(bits, spans[~wordless])
        total = np.zeros(count, np.int64)
        total[~wordless] = np.add.reduceat(bits, spans[~wordless])
        number = value[bounded]
        plain = (
            ~wordless
            & np.isfinite(number)
            & ~signed[bounded]
            & (digits[bounded] > fraction[bounded])
            & (number < _NUMBERS_END)
            & np.isin(letter[bounded], np.frombuffer(b"GMT", np.uint8))
        )
        code[plain] = letter[bounded[plain]].astype(np.int32) * 65536 + np.rint(number[plain] * 10).astype(np.int32)
        is_text = np.isin(code, _TEXT_CODES)
        masks[is_text] = 0
        g_and_m = (1 << (ord("G") - 65)) | (1 << (ord("M") - 65))
        twice = (total != masks) | ((masks & g_and_m) == g_and_m)
        twice |= ((masks & g_and_m) != 0) & (letter[bounded] == ord("T"))
        starts_elsewhere = line_start[lines] != letter_at[bounded]
        odd_parts.append(np.flatnonzero((~plain | starts_elsewhere | twice) & ~is_text).astype(np.int32))
    else:
        odd_parts.append(np.arange(count, dtype=np.int32))

    odd: dict[int, OddLine] = {}
    odd_row = np.unique(np.concatenate(odd_parts))
    if len(odd_row):
        keep = np.ones(count, np.bool_)
        keep[odd_row] = False
        kept = keep[row]
        row, letter, value = row[kept], letter[kept], value[kept]
        for index in odd_row.tolist():
            line = int(lines[index])
            item = read_odd_line(text[line_start[line] : line_end[line]])
            odd[index] = item
            code[index] = _code_of_odd(item)
            masks[index] = sum(1 << (ord(name) - 65) for name in item.words)
    text_rows = np.isin(code, _TEXT_CODES)
    if text_rows.any():
        kept = ~text_rows[row]
        row, letter, value = row[kept], letter[kept], value[kept]
        for index in np.flatnonzero(text_rows).tolist():
            line = int(lines[index])
            odd[index] = OddLine(command_of(int(code[index])), {}, text[line_start[line] : line_end[line]], "text")
    return Columns(lines + first_line, code, odd, row, letter, value, masks)


def _code_of_odd(item: OddLine) -> int:
    if item.reading == "macro":
        return MACRO
    known = item.command and item.reading != "unread" and float(item.command[1:]) < _NUMBERS_END
    return code_of(item.command) if known else UNREAD


def _odd_positions(kind: U8, mark_kind: U8, marks: I64) -> I64:
    """Give positions of bytes, sorted, by which a line shows that it is not made of plain words."""
    pairs = np.take(_ODD_PAIR, (kind[:-1] << 3) | kind[1:])
    found = [marks[mark_kind == _ODD]]
    if pairs.any():
        found.append(np.flatnonzero(pairs))
    double_point = (mark_kind[:-1] == _DOT) & (mark_kind[1:] == _DOT)
    if double_point.any():
        found.append(marks[:-1][double_point])
    # A point that follows no word (at a line's start) would be lost.
    stray = (mark_kind[1:] == _DOT) & (mark_kind[:-1] >= _NEWLINE)
    if stray.any():
        found.append(marks[1:][stray])
    if mark_kind[0] == _DOT:
        found.append(marks[:1])
    return np.sort(np.concatenate(found))


def _numbers(buffer: U8, end: I64, length: I64, has_point: Bool, fraction: I64) -> F64:
    """Read the unsigned decimal numbers that end before ``end`` (positions in ``buffer``), at most 16 bytes each."""
    # An unaligned 64-bit view of every byte position: one gather loads eight characters.
    loads: U64 = np.ndarray((len(buffer) - 7,), "<u8", buffer, 0, (1,))
    short = np.minimum(length, 8)
    high = loads[end - 8] & _KEEP_TOP[np.maximum(short, 0)] & _DIGITS
    point = np.where(has_point, np.minimum(fraction, 8), 8)
    below = _BELOW_DOT[point]
    # Close up the point: what stands before it moves one character towards the end.
    before = high & below
    high = np.where(has_point & (fraction < 8), (high & ~(below | _point_byte(point))) | (before << np.uint64(8)), high)
    long = np.flatnonzero(length > 8)
    result = _eight_digits(high).astype(np.float64)
    if len(long):
        long = long[length[long] <= 16]
        low = loads[end[long] - 16] & _KEEP_TOP[np.minimum(length[long] - 8, 8)] & _DIGITS
        in_high = has_point[long] & (fraction[long] < 8)
        in_low = has_point[long] & (fraction[long] >= 8)
        high_part = np.where(in_high, high[long] | (low >> np.uint64(56)), high[long])
        low_point = np.where(in_low, np.clip(fraction[long] - 8, 0, 8), 8)
        low_below = _BELOW_DOT[low_point]
        closed = (low & ~(low_below | _point_byte(low_point))) | ((low & low_below) << np.uint64(8))
        low_part = np.where(in_high, low << np.uint64(8), np.where(in_low, closed, low))
        result[long] = _eight_digits(low_part).astype(np.float64) * 1e8 + _eight_digits(high_part).astype(np.float64)
    scaled = np.flatnonzero(fraction > 0)
    result[scaled] /= _POWER_OF_TEN[np.minimum(fraction[scaled], 22)]
    return result


_POINT_BYTE = np.array([0xFF << 8 * (7 - f) if f < 8 else 0 for f in range(9)], np.uint64)


def _point_byte(point: I64) -> U64:
    return _POINT_BYTE[point]


def _eight_digits(packed: U64) -> U64:
    """Combine eight digits, the first in the lowest byte, to their number: pairs, then fours, then eight."""
    packed = (packed * np.uint64(2561)) >> np.uint64(8) & np.uint64(0x00FF00FF00FF00FF)
    packed = (packed * np.uint64(6553601)) >> np.uint64(16) & np.uint64(0x0000FFFF0000FFFF)
    return (packed * np.uint64(42949672960001)) >> np.uint64(32)
