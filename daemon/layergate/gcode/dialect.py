"""What controllers understand differently, as one small value.

Standard library only: the link process carries a dialect with every job index and starts without numpy and pydantic.
Knows nothing of how a dialect is read from a file (layergate.printer does that).
"""

from dataclasses import asdict, dataclass
from typing import Any, Literal

EModeScope = Literal["until-stated", "while-relative", "never"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How one printer's controller reads the community G-code convention.

    The defaults are the readings under which a job for any controller does what its writer meant (common practice).
    """

    g90_g91_and_e: EModeScope = "while-relative"
    """What G90/G91 do to the extruder axis. ``until-stated``: they switch it, until the next M82/M83. ``while-relative``:
    E is relative while M83 is in force, and while G91 is unless an M82 came after it. ``never``: only M82/M83 count."""

    parentheses_are_comments: bool = True
    """Whether ``(...)`` is a comment (RS-274/NGC 3.3.4) and is taken out before sending. Printers of the community
    convention know no such comments and would read the words inside."""

    g4_p_is_seconds: bool = False
    """G4 P: seconds in RS-274/NGC, milliseconds in the community convention."""

    m203_is_mm_per_minute: bool = False
    """M203: mm/s in the commonest lineage, mm/min in another."""

    g10_is_retraction: bool = True
    """Bare G10/G11: firmware retraction. With P they set tool temperatures or offsets in every dialect."""

    longest_line_bytes: int | None = None
    """Longest command the controller takes, without line number and checksum. None: not stated."""

    line_numbers: bool = True
    """Whether the controller takes line numbers and checksums."""

    emergency_parser: bool | None = None
    """Whether M112 is acted on from the byte stream, ahead of the queue. None: not stated."""

    def as_dict(self) -> dict[str, Any]:
        return asdict(self)


DEFAULT_DIALECT = Dialect()
