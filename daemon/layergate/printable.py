"""Text from outside (names of files, lines of jobs) as it may be shown: nothing in it can command a terminal or end a line.

Standard library only; knows nothing of who shows it.
"""

import unicodedata

_HARMFUL = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
"""Categories of Unicode: controls, such as escape and line end; formats, which turn the direction of text; halves of
characters, which stand for bytes that are no UTF-8; what is not assigned; line and paragraph separators."""


def printable(text: str) -> str:
    r"""Give the text with every harmful character as an escape such as ``\x1b``."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(_escaped(c) if unicodedata.category(c) in _HARMFUL else c for c in text)


def _escaped(character: str) -> str:
    number = ord(character)
    if 0xDC80 <= number <= 0xDCFF:  # a byte that is no UTF-8, as Python keeps it (PEP 383)
        number -= 0xDC00
    return f"\\x{number:02x}" if number < 0x100 else f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"
