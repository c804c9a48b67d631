"""The reference micro-job of facts.md section 11, as it stands there: 37 lines, three rings of 20 x 20 mm."""

MICRO_JOB = """\
G21
G90
M82
M140 S60
M104 S205
M190 S60
M109 S205
G28
G92 E0
G1 Z0.2 F600
G1 X10 Y10 F6000
G1 X30 Y10 E0.67698 F3600
G1 X30 Y30 E1.35395 F3600
G1 X10 Y30 E2.03093 F3600
G1 X10 Y10 E2.70790 F3600
G1 E1.90790 F2400
G1 E2.70790 F2400
G1 Z0.4 F600
G1 X10 Y10 F6000
G1 X30 Y10 E3.38488 F3600
G1 X30 Y30 E4.06186 F3600
G1 X10 Y30 E4.73883 F3600
G1 X10 Y10 E5.41581 F3600
G1 E4.61581 F2400
G1 E5.41581 F2400
G1 Z0.6 F600
G1 X10 Y10 F6000
G1 X30 Y10 E6.09279 F3600
G1 X30 Y30 E6.76976 F3600
G1 X10 Y30 E7.44674 F3600
G1 X10 Y10 E8.12371 F3600
G1 E7.32371 F2400
G1 E8.12371 F2400
M104 S0
M140 S0
M107
M84
"""
LINES = MICRO_JOB.splitlines()


def job(lines: list[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode()


def without(*numbers: int) -> bytes:
    """The job without some lines (from 1)."""
    return job([line for number, line in enumerate(LINES, 1) if number not in numbers])


def with_line(number: int, text: str) -> bytes:
    """The job with another text in one line (from 1)."""
    return job([text if n == number else line for n, line in enumerate(LINES, 1)])


def before_line(number: int, *texts: str, lines: list[str] | None = None) -> bytes:
    """The job with some lines put before one (from 1)."""
    base = list(LINES if lines is None else lines)
    return job([*base[: number - 1], *texts, *base[number - 1 :]])
