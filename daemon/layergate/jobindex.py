"""Job index: what streaming and following a job need to know of it, written beside the job by its preflight.

Standard library only: the link process and the watch read it without numpy and pydantic. Columns instead of objects,
since a job of 400 MB has some 6,400 blocks. Knows nothing of how the figures were found.
"""

import json
import os
from bisect import bisect_right
from dataclasses import asdict, dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from layergate.gcode.dialect import Dialect
from layergate.gcode.payload import payload

SCHEMA_VERSION = "1"


class JobIndexError(ValueError):
    """The file is not a job index that this version understands."""


@dataclass(slots=True)
class Blocks:
    """One entry per block of about 64 KiB of the job, in file order. Blocks are cut at line ends and leave no gap."""

    offset: list[int] = field(default_factory=list)
    """First byte of the block in the job."""
    size: list[int] = field(default_factory=list)
    """Bytes of the block."""
    first_line: list[int] = field(default_factory=list)
    """Line of the job, from 1, that the block starts with."""
    digest: list[str] = field(default_factory=list)
    """SHA-256, in hex, of the block's payload."""
    layer: list[int] = field(default_factory=list)
    """Layer being laid at the start of the block; 0 before the first."""
    planned_s: list[float] = field(default_factory=list)
    """Planned seconds of motion and dwell (not heating) from the start of the job to the start of the block."""
    x_mm: list[float | None] = field(default_factory=list)
    y_mm: list[float | None] = field(default_factory=list)
    z_mm: list[float | None] = field(default_factory=list)
    """Nozzle position at the start of the block, machine frame; None where it can't be known."""
    e_mm: list[float] = field(default_factory=list)
    """Logical position of the extruder axis at the start of the block."""
    xyz_relative: list[bool] = field(default_factory=list)
    e_relative: list[bool] = field(default_factory=list)


@dataclass(slots=True)
class LayerTable:
    """One entry per layer of the layer map, in print order; layer numbers are positions from 1."""

    z_mm: list[float] = field(default_factory=list)
    first_line: list[int] = field(default_factory=list)
    last_line: list[int] = field(default_factory=list)
    planned_s: list[float] = field(default_factory=list)
    """Planned seconds from the layer's first deposit to the next layer's."""
    filament_mm: list[float] = field(default_factory=list)


@dataclass(slots=True)
class Spans:
    """Which layer is being laid from which line on, in file order (interleaved heights come back to a layer)."""

    first_line: list[int] = field(default_factory=list)
    layer: list[int] = field(default_factory=list)


@dataclass(slots=True)
class JobIndex:
    """Everything the link and the watch know of a job."""

    name: str
    sha256: str
    size_bytes: int
    lines: int
    dialect: Dialect
    blocks: Blocks
    layers: LayerTable
    spans: Spans
    print_seconds: float
    """Planned seconds of motion and dwell of the whole job."""
    heating_seconds: float
    commands: int
    """Payload lines that are not empty: what the link will send."""
    schema_version: str = SCHEMA_VERSION

    def layer_at(self, line: int) -> int:
        """Give the layer being laid at a line of the job; 0 before the first."""
        at = bisect_right(self.spans.first_line, line) - 1
        return self.spans.layer[at] if at >= 0 else 0

    def planned_s_at(self, line: int) -> float:
        """Give the planned seconds at which a line of the job is reached, interpolated by line within its block."""
        starts = self.blocks.first_line
        at = bisect_right(starts, line) - 1
        if at < 0:
            return 0.0
        last = at + 1 >= len(starts)
        end_line = self.lines + 1 if last else starts[at + 1]
        begin_s = self.blocks.planned_s[at]
        end_s = self.print_seconds if last else self.blocks.planned_s[at + 1]
        share = (line - starts[at]) / max(1, end_line - starts[at])
        return begin_s + min(1.0, share) * (end_s - begin_s)

    def payload_of(self, block: int, data: bytes) -> bytes:
        """Give the payload of a block read from the job, after checking that it is what was checked.

        Raises:
            JobIndexError: the bytes are not those that the preflight judged.
        """
        sent = payload(data, self.dialect)
        if sha256(sent).hexdigest() != self.blocks.digest[block]:
            raise JobIndexError(
                f"block {block} of {self.name} (line {self.blocks.first_line[block]}) is not what was checked: "
                "the job's file changed or is damaged"
            )
        return sent

    def save(self, path: Path) -> None:
        """Write the index so that it is either whole on disk or not there."""
        temporary = path.with_name(path.name + ".part")
        with temporary.open("w", encoding="utf-8") as file:
            json.dump(asdict(self), file, separators=(",", ":"))
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)


def load(path: Path) -> JobIndex:
    """Read a job index.

    Raises:
        JobIndexError: it is damaged or of another version.
        OSError: it can't be read.
    """
    try:
        raw: dict[str, Any] = json.loads(path.read_bytes())
        if raw.get("schema_version") != SCHEMA_VERSION:
            raise JobIndexError(f"{path}: job index of version {raw.get('schema_version')!r}, need {SCHEMA_VERSION!r}")
        return JobIndex(
            **{
                **raw,
                "dialect": Dialect(**raw["dialect"]),
                "blocks": Blocks(**raw["blocks"]),
                "layers": LayerTable(**raw["layers"]),
                "spans": Spans(**raw["spans"]),
            }
        )
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        if isinstance(error, JobIndexError):
            raise
        raise JobIndexError(f"{path}: damaged job index: {error}") from error
