"""Payload of a job line by line: the oracle of layergate.gcode.payload. No pattern, no replacing over many lines.

Rules: comments `;` to the end and `( )` (facts.md 1.1, 2.1), nested ones from the innermost, four deep (own choice);
`%` lines (facts.md 2.5); `N` number and `*` checksum of a framed line (facts.md 1.1); LF, CR LF and CR (facts.md 1.1).
"""

TEXT_NUMBERS = ("117", "118", "16", "23", "28", "30", "32", "486", "928")
DIGITS = b"0123456789"


def lines_of(job: bytes) -> list[bytes]:
    """The lines of a job without their ends; a line end at the very end starts no further line."""
    lines: list[bytes] = []
    line = bytearray()
    at, open_line = 0, False
    while at < len(job):
        byte = job[at : at + 1]
        if byte in (b"\n", b"\r"):
            if byte == b"\r" and job[at + 1 : at + 2] == b"\n":
                at += 1
            lines.append(bytes(line))
            line, open_line = bytearray(), False
        else:
            line += byte
            open_line = True
        at += 1
    if open_line:
        lines.append(bytes(line))
    return lines


def payload_of_line(line: bytes, parentheses: bool = True) -> bytes:
    """What of one line goes to the printer; empty if nothing does."""
    line = line.removeprefix(b"\xef\xbb\xbf")
    if parentheses and not _takes_text(line):
        line = _without_parentheses(line)
    line = line.split(b";")[0]
    if line.lstrip(b" \t").startswith(b"%"):
        return b""
    line = line.strip(b" \t")
    if line[:1] in (b"N", b"n") and line[1:2] and line[1:2] in DIGITS:
        rest = line[1:].lstrip(DIGITS).lstrip(b" \t")
        command, star, check = rest.partition(b"*")
        if not star:
            return rest.strip(b" \t")
        if not check.strip(b" \t").strip(DIGITS) and b"*" not in check:
            return command.strip(b" \t")
    return line


def _takes_text(line: bytes) -> bool:
    line = line.lstrip(b" \t").upper()
    if line[:1] == b"N" and line[1:2] and line[1:2] in DIGITS:
        line = line[1:].lstrip(DIGITS).lstrip(b" \t")
    number = line[1:]
    digits = number[: len(number) - len(number.lstrip(DIGITS))]
    return line[:1] == b"M" and digits.decode() in TEXT_NUMBERS and number[len(digits) : len(digits) + 1] != b"."


def _without_parentheses(line: bytes) -> bytes:
    comment = line.find(b";")
    opened = line.find(b"(")
    if opened < 0 or 0 <= comment < opened:
        return line
    for _ in range(4):
        close = 0
        found = False
        kept = b""
        while True:
            end = line.find(b")", close)
            start = line.rfind(b"(", close, end) if end >= 0 else -1
            if end < 0:
                break
            if start >= 0:
                kept += line[close:start]
                found = True
            else:
                kept += line[close : end + 1]
            close = end + 1
        line = kept + line[close:]
        if not found:
            break
    return line
