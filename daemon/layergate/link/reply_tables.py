"""Reply forms of printers' firmware as tables: what each looks like, which errors are the wire's, which remarks matter.

Data only; replies.py reads with it. Forms are those of facts.md 1.2, in both lineages.
"""

import re

OK = re.compile(r"ok(?=$|[ \t:])", re.IGNORECASE)
OK_LINE = re.compile(r"^ok[ \t]+(?:N:?[ \t]*(\d+)|(\d+)(?=$|[ \t])|duplicate line:?[ \t]*(\d+))", re.IGNORECASE)
"""``ok N:4``, ``ok N4 P15 B3``, ``ok 137``, ``ok duplicate line:4``."""
OK_SLOTS = re.compile(r"[ \t]B(\d+)(?![\d.:@])")
"""``ok P15 B3``: B without a colon counts free command slots (with one it would be the bed)."""
RESEND = re.compile(r"(?:resend|rs)[ \t]*:?[ \t]*N?[ \t]*(\d+)(?:[ \t]*(ok)|[ \t]+[A-Za-z(].*)?[ \t]*$", re.IGNORECASE)
"""``Resend: 3185``, ``Resend:205``, ``rs 17``, ``rs 17 (checksum)``; a lost line end may have joined the ``ok`` that
follows."""
SKIP = re.compile(r"^skip[ \t]+(\d+)$", re.IGNORECASE)
"""``skip 17``, then ``ok``: how one lineage says ``ok duplicate line:17`` (from memory)."""
BUSY = re.compile(r"^(?:echo:[ \t]*)?busy:[ \t]*(.*)$", re.IGNORECASE)
GREETING = re.compile(r"^[^ -~]*start$", re.IGNORECASE)
"""Boot word; a restarting port may put a few bytes of noise before it."""
TEMPERATURE = re.compile(r"^(?:T\d?|B|C)[ \t]?:[ \t]*-?\d")
_MM = r"[ \t]*(-?\d+(?:\.\d+)?)"
POSITION = re.compile(
    rf"^(?:ok[ \t]*)?(?:C:[ \t]*)?X:{_MM}[ \t]+Y:{_MM}[ \t]+Z:{_MM}(?:[ \t]+E\d?:{_MM})?", re.IGNORECASE
)
"""Answer to M114; some say it on the acknowledgement itself."""
FIRMWARE = re.compile(r"FIRMWARE_NAME:[ \t]*(.*?)(?=[ \t]+[A-Z_]+:|$)")
CAPABILITY = re.compile(r"Cap:([A-Z0-9_]+):([01])")
ACTION = re.compile(r"^//[ \t]*action:[ \t]*([a-z_]+)", re.IGNORECASE)

READING = re.compile(
    r"(?:[A-Z]{1,3})?@\d?[ \t]*:[ \t]*-?\d+(?:\.\d+)?"  # heater outputs, read over
    r"|(?:E:[ \t]*-?\d+|W:[ \t]*(?:\d+|\?))(?![\d.])"  # active extruder, seconds still to hold: read over
    r"|(?<![A-Za-z_0-9])([A-Z]\d?)[ \t]*:[ \t]*(-?\d+(?:\.\d+)?)(?:[ \t]*/[ \t]*(-?\d+(?:\.\d+)?))?"
)
"""One entry of a temperature report (grammar in facts.md 1.2): sensor, value, target."""

MISSING_SENSOR_C = -273.0
"""Readings below this mean that there is no sensor (facts.md 1.2)."""

# Errors of the wire; a Resend follows. Which they are decides what a Resend means (protocol.py).
NUMBER_ERRORS = ("line number is not", "expected line")
CHECKSUM_ERRORS = ("checksum mismatch",)
FORM_ERRORS = ("no checksum with line number", "no line number with checksum")
WIRE_WORDS = ("checksum", "line number")
"""What errors of the wire speak of, however worded."""
WIRE_ERRORS = (
    "Error:Line Number is not Last Line Number+1, Last Line: 0",
    "Error:checksum mismatch, Last Line: 0",
    "Error:No Checksum with line number, Last Line: 0",
    "Error:No Line Number with checksum, Last Line: 0",
    "Error:expected line 0 got 0",
)
"""Whole forms: a line from the printer has no checksum, so a damaged one is judged by likeness."""
LIKENESS = 0.75
"""Share of common text (0-1) above which a damaged error is taken as the wire's; machine faults share below 0.5
(measured in tests/link/test_replies.py)."""

SHORTEST_LIKENESS = 12
"""Characters: less says too little beyond ``Error:``, and must be the beginning of a form as it stands (a damaged byte
may be a line end, so that an error arrives in two pieces)."""

# Words of machine faults on which nothing is waited for (facts.md 1.2: thermal, homing, kill, halted).
FAULT_WORDS = ("thermal", "runaway", "heating failed", "maxtemp", "mintemp", "max temp", "min temp", "homing failed",
               "kill", "halted", "stopped due to", "system stopped", "sensor", "thermistor", "short",
               "probing failed")  # fmt: skip

# Remarks worth telling a person in a job (facts.md 1.2); first match counts.
REMARK_KINDS = (
    ("cold extrusion", "cold-extrusion"),
    ("cold extrude", "cold-extrusion"),
    ("unknown command", "unknown-command"),
    ("endstops hit", "endstop"),
    ("endstop hit", "endstop"),
)
