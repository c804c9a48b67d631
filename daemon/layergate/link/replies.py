"""Reply reader: bytes from the printer in, replies out.

Pure. Gives each line a kind and its fields; what follows from a reply (whom an ``ok`` credits, whether a Resend is
stale) is the protocol machine's business and is not known here. Whatever it cannot read is OTHER, never an error: the
wire has no checksum in this direction.
"""

import re
from dataclasses import dataclass, field
from enum import Enum, auto

from layergate.link import reply_tables as tables

LONGEST_LINE_BYTES = 4096
"""An unfinished reply beyond this is dropped. Settings reports of real firmware stay below 300 bytes a line; the
margin is for vendors' banners."""


class Kind(Enum):
    """What a reply is."""

    OK = auto()
    RESEND = auto()
    ERROR = auto()
    FAULT = auto()
    BUSY = auto()
    WAIT = auto()
    SKIP = auto()
    """The line of the ``ok`` that follows was there before, and is dropped."""
    GREETING = auto()
    ECHO = auto()
    ACTION = auto()
    TEMPERATURE = auto()
    POSITION = auto()
    IDENTITY = auto()
    OTHER = auto()


class WireError(Enum):
    """What an ``Error:`` line complains about."""

    NUMBER = auto()
    """The line number is not the next: a gap before it, or a line that was accepted already."""
    CHECKSUM = auto()
    FORM = auto()
    """Number without checksum, or the other way round."""
    DAMAGED = auto()
    """Looks like one of these, but can't be told which."""
    MACHINE = auto()
    """A fault of the machine, by its words."""
    UNKNOWN = auto()
    """Nothing known: of the wire if a Resend follows, else the machine's."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One sensor of a temperature report, in deg C; the target is None where none is reported."""

    value_c: float
    target_c: float | None = None


@dataclass(frozen=True, slots=True)
class Reply:
    """One line from the printer."""

    kind: Kind
    text: str
    number: int | None = None
    """Line number that an OK or a RESEND carries."""
    slots: int | None = None
    """Free command slots that an OK reports."""
    readings: dict[str, Reading] = field(default_factory=dict)
    """Temperatures by sensor letter, of an OK or a TEMPERATURE."""
    position_mm: tuple[float, float, float, float | None] | None = None
    firmware: str | None = None
    capabilities: dict[str, bool] = field(default_factory=dict)
    wire_error: WireError | None = None
    duplicate: bool = False
    """An OK that says that its line was there before."""
    joined_ok: bool = False
    """A RESEND whose line also holds the ``ok`` that should have stood on the next."""


_REMARKS_AS_ERRORS = ("unknown-command", "cold-extrusion")
"""Some firmware calls these errors, and acknowledges the line all the same."""

PLAIN_OK = Reply(Kind.OK, "ok")


class LineBuffer:
    """Cuts the byte stream into lines; LF, CR and both end one. Bounded."""

    def __init__(self) -> None:
        self._rest = b""
        self.dropped_bytes = 0

    def feed(self, data: bytes) -> list[bytes]:
        """Give the lines that are complete now, without line ends and without empty ones."""
        data = self._rest + data
        if b"\r" in data:
            data = data.replace(b"\r", b"\n")
        lines = data.split(b"\n")
        self._rest = lines.pop()
        if len(self._rest) > LONGEST_LINE_BYTES:
            self.dropped_bytes += len(self._rest)
            self._rest = b""
        return [line for line in lines if line]

    @property
    def unfinished(self) -> bool:
        """A line has begun and not ended."""
        return bool(self._rest)

    def clear(self) -> None:
        """Forget an unfinished line: the connection is a new one, or the line's end was lost."""
        self._rest = b""


def read_reply(line: bytes) -> Reply:
    """Read one line from the printer."""
    if line == b"ok":
        return PLAIN_OK
    text = line.decode("ascii", "replace").strip()
    if tables.OK.match(text):
        return _read_ok(text)
    if match := tables.RESEND.match(text):
        return Reply(Kind.RESEND, text, number=int(match[1]), joined_ok=match[2] is not None)
    if text.startswith("!!"):
        return Reply(Kind.FAULT, text)
    if match := tables.SKIP.match(text):
        return Reply(Kind.SKIP, text, number=int(match[1]))
    if text[:6].lower() == "error:":
        if remark_kind(text) in _REMARKS_AS_ERRORS:
            return Reply(Kind.ECHO, text)
        return Reply(Kind.ERROR, text, wire_error=wire_error(text))
    if text.lower() == "wait":
        return Reply(Kind.WAIT, text)
    if tables.GREETING.match(line.decode("latin-1").strip()):
        return Reply(Kind.GREETING, text)
    if match := tables.BUSY.match(text):
        return Reply(Kind.BUSY, match[1].strip())
    if match := tables.ACTION.match(text):
        return Reply(Kind.ACTION, match[1].lower())
    if tables.TEMPERATURE.match(text):
        return Reply(Kind.TEMPERATURE, text, readings=read_temperatures(text))
    if match := tables.POSITION.match(text):
        return Reply(Kind.POSITION, text, position_mm=_read_position(match))
    if "FIRMWARE_NAME:" in text or "Cap:" in text:
        firmware, capabilities = _read_identity(text)
        return Reply(Kind.IDENTITY, text, firmware=firmware, capabilities=capabilities)
    if text[:5].lower() == "echo:" or text.startswith("//"):
        return Reply(Kind.ECHO, text)
    return Reply(Kind.OTHER, text)


def _read_ok(text: str) -> Reply:
    number = (
        next((int(group) for group in match.groups() if group), None) if (match := tables.OK_LINE.match(text)) else None
    )
    slots = tables.OK_SLOTS.search(text)
    # Some say everything on the acknowledgement itself: position, identity, temperatures.
    position, identity = tables.POSITION.match(text), "FIRMWARE_NAME:" in text or "Cap:" in text
    readings = read_temperatures(text[2:]) if "T" in text and ":" in text and not (position or identity) else {}
    if not any(sensor[0] == "T" for sensor in readings):
        readings = {}  # every answer to M105 has a hot end; what has none is two replies run together
    firmware, capabilities = _read_identity(text) if identity else (None, {})
    return Reply(
        Kind.OK,
        text,
        number=number,
        slots=int(slots[1]) if slots else None,
        readings=readings,
        position_mm=_read_position(position) if position else None,
        firmware=firmware,
        capabilities=capabilities,
        duplicate="duplicate" in text,
    )


def _read_position(match: re.Match[str]) -> tuple[float, float, float, float | None]:
    return float(match[1]), float(match[2]), float(match[3]), float(match[4]) if match[4] else None


def _read_identity(text: str) -> tuple[str | None, dict[str, bool]]:
    firmware = tables.FIRMWARE.search(text)
    return firmware[1] if firmware else None, {match[1]: match[2] == "1" for match in tables.CAPABILITY.finditer(text)}


def read_temperatures(text: str) -> dict[str, Reading]:
    """Read a temperature report by the grammar of facts.md 1.2; sensors that are not there are left out.

    ``T`` is the active tool, ``T0`` and up single tools, ``B`` the bed, ``C`` the chamber. Heater outputs are not read.
    """
    found: dict[str, Reading] = {}
    for match in tables.READING.finditer(text):
        if match[1] and match[1] != "N" and (value := float(match[2])) >= tables.MISSING_SENSOR_C:
            found.setdefault(match[1], Reading(value, float(match[3]) if match[3] else None))
    return found


def wire_error(text: str) -> WireError:
    """Tell errors of the wire, which the protocol mends, from faults of the machine."""
    low = text.lower()
    if any(words in low for words in tables.NUMBER_ERRORS):
        return WireError.NUMBER
    if any(words in low for words in tables.CHECKSUM_ERRORS):
        return WireError.CHECKSUM
    if any(words in low for words in tables.FORM_ERRORS):
        return WireError.FORM
    if any(words in low for words in tables.FAULT_WORDS):
        return WireError.MACHINE
    if any(words in low for words in tables.WIRE_WORDS) or _likeness(text) >= tables.LIKENESS:
        return WireError.DAMAGED
    return WireError.UNKNOWN


def _likeness(text: str) -> float:
    from difflib import SequenceMatcher  # noqa: PLC0415  (rarely needed, and the process is to stay small)

    if len(text) < tables.SHORTEST_LIKENESS:
        return float(any(form.startswith(text) for form in tables.WIRE_ERRORS))
    # A damaged line end cuts a line short, so each form is also tried at the length of what is there.
    tried = {form[:length] for form in tables.WIRE_ERRORS for length in (len(form), len(text))}
    return max(SequenceMatcher(None, form, text, autojunk=False).ratio() for form in tried)


def remark_kind(text: str) -> str:
    """Give the kind of a remark, as messages.py names them."""
    low = text.lower()
    return next((kind for words, kind in tables.REMARK_KINDS if words in low), "other")
