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

# Byte classes. All from _DOT on are marks, between which words lie. The low four bits tell neighbours that a plain line
# never has: a byte with bit 0 before one with bit 2 (a blank before a digit, sign or point, so inside a number) or one
# with bit 1 before one with bit 3 (a sign after anything of a number, or after a blank). Letters in a row, a sign
# without a number after it and a point that follows no letter are seen when words are made.
_BLANK, _DIGIT, _SIGN, _DOT, _LETTER, _NEWLINE, _ODD = 0b0011, 0b0110, 0b1110, 0x46, 0x50, 0x60, 0x70
_CLASS = bytes(
    _BLANK if byte in b" \t"
    else _DIGIT if byte in b"0123456789"
    else _SIGN if byte in b"+-"
    else _DOT if byte == ord(".")
    else _LETTER if 65 <= byte & 0xDF <= 90
    else _NEWLINE if byte == 10
    else _ODD
    for byte in range(256)
)  # fmt: skip

_PAD = 16  # bytes before the text, so that the two loads of a first number stay inside the buffer
_FULL = (1 << 64) - 1
# Byte masks of a little-endian load of digits, whose first character is the lowest byte.
_DIGIT_NIBBLES = 0x0F0F0F0F0F0F0F0F
_KEEP_TOP = np.array([(_FULL << 8 * (8 - n)) & _DIGIT_NIBBLES for n in range(9)], np.uint64)  # the last n characters
# What stands after and before a point f characters from the end; with 8 or more there is no point among them.
_AFTER_DOT = np.array([(_FULL << 8 * (8 - f)) & _FULL if f < 8 else _FULL for f in range(9)], np.uint64)
_BEFORE_DOT = np.array([_FULL >> 8 * (1 + f) if f < 8 else 0 for f in range(9)], np.uint64)
_POWER_OF_TEN = 10.0 ** np.arange(23)
_NUMBERS_END = 6553  # commands with higher numbers have no code and stay unread
_MOST_DIGITS = 15  # a significand of 15 digits is below 2**53
_IS_LETTER_OF_COMMAND = np.isin(np.arange(256), list(b"GMT"))
_BIT_OF_LETTER = np.left_shift(np.int64(1), np.clip(np.arange(256) - 65, 0, 62).astype(np.int64))
_G_AND_M = (1 << (ord("G") - 65)) | (1 << (ord("M") - 65))


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
    _rare: tuple[I64, frozenset[int]] | None = None

    def __len__(self) -> int:
        return len(self.line)

    def word(self, letter: str) -> F64:
        """Give the values of one letter's words: (n,) float64, NaN where a line has none or it has no number."""
        if letter not in self._cache:
            values = np.full(len(self.line), np.nan)
            chosen = (self._letter == ord(letter)).nonzero()[0]
            if len(chosen):
                values[self._row.take(chosen)] = self._value.take(chosen)
            for row, odd in self.odd.items():
                if letter in odd.words:
                    values[row] = odd.words[letter]
            self._cache[letter] = values
        return self._cache[letter]

    def has(self, letter: str) -> Bool:
        """Say which lines have a word of this letter, with or without a number: (n,) bool."""
        present: Bool = (self._masks >> (ord(letter) - 65)) & 1 != 0
        return present

    def part(self, start: int, stop: int) -> "Columns":
        """Give the rows [start, stop) as columns of their own."""
        low, high = np.searchsorted(self._row, (start, stop)).tolist()
        rows, words, offset = slice(start, stop), slice(low, high), np.int32(start)
        odd = {row - start: self.odd[row] for row in range(start, stop) if row in self.odd}
        return Columns(
            self.line[rows], self.code[rows].copy(), odd, self._row[words] - offset, self._letter[words], self._value[words],
            self._masks[rows],
        )  # fmt: skip

    def rare(self) -> tuple[I64, frozenset[int]]:
        """Give the rows that are no G0 to G3, rising, and the codes that they have: most questions end at the second.

        Made once for all who ask, since nearly all lines are moves and looking them up costs more than anything else.
        """
        if self._rare is None:
            rows = ((self.code < _FIRST_MOVE) | (self.code > _LAST_MOVE)).nonzero()[0]
            self._rare = rows, frozenset(self.code[rows].tolist())
        return self._rare


def code_of(command: str) -> int:
    """Give the code of a command such as ``G1`` or ``M620.1``."""
    return ord(command[0]) * 65536 + round(float(command[1:]) * 10)


def command_of(code: int) -> str:
    """Give the command of a code, such as ``G1``; empty for UNREAD and MACRO."""
    if code in (UNREAD, MACRO):
        return ""
    number = (code & 0xFFFF) / 10
    return f"{chr(code >> 16)}{number:g}"


_FIRST_MOVE, _LAST_MOVE = code_of("G0"), code_of("G3")

# The rest of these lines is text: their letters are no words.
_IS_TEXT_COMMAND = np.zeros(1 << 16, np.bool_)  # by the lower half of the code of an M command
_IS_TEXT_COMMAND[[code_of(f"M{n}") & 0xFFFF for n in (16, 23, 28, 30, 32, 117, 118, 486, 928)]] = True


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
    # `bytes.translate`, `take`, `compress` and `nonzero` do the same as indexing, in a third of its time.
    kind = np.frombuffer(text.translate(_CLASS), np.uint8)
    marks = (kind >= _DOT).nonzero()[0]
    mark_kind = kind.take(marks)

    # Lines: their ends, and which are not empty.
    end_at = (mark_kind == _NEWLINE).nonzero()[0]
    line_end = marks.take(end_at)
    line_start = np.empty_like(line_end)
    line_start[0] = 0
    np.add(line_end[:-1], 1, out=line_start[1:])
    lines = (line_end > line_start).nonzero()[0]
    count = len(lines)

    # Words: a letter, up to the next letter or line end, with at most one point between. `marks` holds both, and its
    # last one is a line end.
    at = (mark_kind == _LETTER).nonzero()[0]
    letter_at = marks.take(at)
    raw_letter = buffer.take(letter_at + _PAD)
    letter: U8 = raw_letter & np.uint8(0xDF)
    following = at + 1
    has_point = mark_kind.take(following) == _DOT
    point_at = marks.take(following)
    word_end = marks.take(following + has_point)
    # Blanks after a number: one pass takes off one blank, and nearly every job has one at most.
    trailing = kind.take(word_end - 1) == _BLANK
    while trailing.any():
        word_end = word_end - trailing
        trailing = kind.take(word_end - 1) == _BLANK
    start = letter_at + 1
    signed = kind.take(start) == _SIGN
    any_signed = bool(signed.any())
    if any_signed:
        start = start + signed
    length = word_end - start
    fraction = np.where(has_point, word_end - 1 - point_at, 0)
    digits = length - has_point
    value = _numbers(buffer, word_end + _PAD, length, has_point, fraction)
    if any_signed:
        np.negative(value, out=value, where=signed & (buffer.take(letter_at + (_PAD + 1)) == ord("-")))
    numberless = digits <= 0
    any_numberless = bool(numberless.any())
    if any_numberless:
        value[numberless] = np.nan

    # Rows of words. The first mark of a line that is not empty is its first letter, except in odd ones.
    first_mark = np.empty_like(end_at)
    first_mark[0] = 0
    np.add(end_at[:-1], 1, out=first_mark[1:])
    first_mark = first_mark.take(lines)
    if (mark_kind.take(first_mark) == _LETTER).all():
        number_of_letter = np.empty(len(marks), np.int64)
        number_of_letter[at] = np.arange(len(at))
        first = number_of_letter.take(first_mark)
    else:
        first = np.searchsorted(at, first_mark)
    words = np.diff(first, append=len(at))
    row = np.repeat(np.arange(count, dtype=np.int32), words)

    # Lines that are not plain words go one by one to a slower and more patient reader.
    odd_parts: list[I64 | I32] = []
    odd_at = _odd_positions(kind, mark_kind, marks)
    if len(odd_at):
        row_of_line = np.cumsum(line_end > line_start, dtype=np.int32) - 1
        odd_parts.append(row_of_line[np.searchsorted(line_end, odd_at)])
    if (too_long := digits > _MOST_DIGITS).any():
        odd_parts.append(row[too_long])
    if any_numberless:
        # A sign or a point without a digit, and letters in a row.
        after_letter = kind.take(letter_at + 1)
        odd_parts.append(row[numberless & (signed | has_point | (after_letter == _LETTER))])
    exponent = raw_letter == ord("e")
    if exponent.any():
        before = kind.take(letter_at - 1)
        odd_parts.append(row[exponent & (before != _BLANK) & (before < _LETTER) & (letter_at > 0)])

    # The first word of a line is its command; repeated letters and a second G or M make a line ambiguous.
    code = np.zeros(count, np.int32)
    masks = np.zeros(count, np.int64)
    if len(row):
        wordless = words == 0
        bounded = np.minimum(first, len(row) - 1)
        bits = _BIT_OF_LETTER.take(letter)
        if wordless.any():
            total = np.zeros(count, np.int64)
            masks[~wordless] = np.bitwise_or.reduceat(bits, bounded[~wordless])
            total[~wordless] = np.add.reduceat(bits, bounded[~wordless])
        else:
            masks = np.bitwise_or.reduceat(bits, bounded)
            total = np.add.reduceat(bits, bounded)
        number = value.take(bounded)
        initial = letter.take(bounded)
        plain = (
            (number < _NUMBERS_END)  # NaN is not
            & (digits.take(bounded) > fraction.take(bounded))
            & _IS_LETTER_OF_COMMAND.take(initial)
            & ~signed.take(bounded)
            & ~wordless
        )
        tenths = np.rint(np.where(plain, number, 0.0) * 10)
        code = np.where(plain, initial.astype(np.int32) * 65536 + tenths.astype(np.int32), np.int32(0))
        of_g_and_m = masks & _G_AND_M
        twice = (total != masks) | (of_g_and_m == _G_AND_M) | ((of_g_and_m != 0) & (initial == ord("T")))
        unclear = ~plain | (line_start.take(lines) != letter_at.take(bounded)) | twice
        of_m = (initial == ord("M")).nonzero()[0]
        of_text = of_m[_IS_TEXT_COMMAND.take(code[of_m] & 0xFFFF)]
        masks[of_text] = 0
        unclear[of_text] = False
        odd_parts.append(unclear.nonzero()[0])
    else:
        odd_parts.append(np.arange(count, dtype=np.int32))

    odd: dict[int, OddLine] = {}
    odd_row = np.unique(np.concatenate(odd_parts)) if any(len(part) for part in odd_parts) else odd_parts[0]
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
    of_m = ((code >> 16) == ord("M")).nonzero()[0]
    of_text = of_m[_IS_TEXT_COMMAND.take(code[of_m] & 0xFFFF)]
    if len(of_text):
        text_rows = np.zeros(count, np.bool_)
        text_rows[of_text] = True
        kept = ~text_rows[row]
        row, letter, value = row[kept], letter[kept], value[kept]
        for index in of_text.tolist():
            line = int(lines[index])
            odd[index] = OddLine(command_of(int(code[index])), {}, text[line_start[line] : line_end[line]], "text")
    return Columns(lines + first_line, code, odd, row, letter, value, masks)


def _code_of_odd(item: OddLine) -> int:
    if item.reading == "macro":
        return MACRO
    known = item.command and item.reading not in ("unread", "split-number") and float(item.command[1:]) < _NUMBERS_END
    return code_of(item.command) if known else UNREAD


def _odd_positions(kind: U8, mark_kind: U8, marks: I64) -> I64:
    """Give positions of bytes, sorted, by which a line shows that it is not made of plain words."""
    pairs = kind[:-1] & (kind[1:] >> 2) & 3
    # A point that follows no letter would be lost, or is the second one of a number.
    stray = (mark_kind[1:] == _DOT) & (mark_kind[:-1] != _LETTER)
    none = not pairs.any() and not stray.any()
    if none and mark_kind.max() < _ODD and mark_kind[0] != _DOT:
        return marks[:0]
    found = [marks[mark_kind == _ODD], np.flatnonzero(pairs), marks[1:][stray]]
    if mark_kind[0] == _DOT:
        found.append(marks[:1])
    return np.sort(np.concatenate(found))


def _numbers(buffer: U8, end: I64, length: I64, has_point: Bool, fraction: I64) -> F64:
    """Read the unsigned decimal numbers that end before ``end`` (positions in ``buffer``), at most 16 bytes each."""
    # An unaligned 64-bit view of every byte position: one gather loads eight characters.
    loads: U64 = np.ndarray((len(buffer) - 7,), "<u8", buffer, 0, (1,))
    high = loads[end - 8] & _KEEP_TOP.take(np.clip(length, 0, 8))
    # Close up the point: what stands before it moves one character towards the end.
    point = np.where(has_point, np.minimum(fraction, 8), 8)
    high = (high & _AFTER_DOT.take(point)) | ((high & _BEFORE_DOT.take(point)) << np.uint64(8))
    result = _eight_digits(high).astype(np.float64)
    long = (length > 8).nonzero()[0]
    if len(long):
        long = long[length[long] <= 16]
        low = loads[end[long] - 16] & _KEEP_TOP[np.minimum(length[long] - 8, 8)]
        in_high = has_point[long] & (fraction[long] < 8)
        # Where the point is in the high part, the last character of the low part moves over into it.
        in_low = np.where(has_point[long] & (fraction[long] >= 8), np.clip(fraction[long] - 8, 0, 8), 8)
        high_part = np.where(in_high, high[long] | (low >> np.uint64(56)), high[long])
        closed = (low & _AFTER_DOT[in_low]) | ((low & _BEFORE_DOT[in_low]) << np.uint64(8))
        low_part = np.where(in_high, low << np.uint64(8), closed)
        result[long] = _eight_digits(low_part).astype(np.float64) * 1e8 + _eight_digits(high_part).astype(np.float64)
    result /= _POWER_OF_TEN.take(np.minimum(fraction, 22))
    return result


def _eight_digits(packed: U64) -> U64:
    """Combine eight digits, the first in the lowest byte, to their number: pairs, then fours, then eight."""
    packed = (packed * np.uint64(2561)) >> np.uint64(8) & np.uint64(0x00FF00FF00FF00FF)
    packed = (packed * np.uint64(6553601)) >> np.uint64(16) & np.uint64(0x0000FFFF0000FFFF)
    return (packed * np.uint64(42949672960001)) >> np.uint64(32)
