"""Printer description: what its owner, or the printer itself, stated of one machine.

Everything is optional: what nobody stated is None, and rules that need it do not apply. Knows no rule by name; limits
of rules stay raw tables here and are checked by the rules' own models when those are loaded.
"""

from hashlib import sha256
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from layergate.gcode.dialect import DEFAULT_DIALECT, Dialect, EModeScope
from layergate.tomlfile import load_toml

Range = tuple[float, float]
Positive = Annotated[float, Field(gt=0)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Volume(_Strict):
    """An axis-aligned box in mm, machine frame."""

    x: Range
    y: Range
    z: Range

    @field_validator("x", "y", "z")
    @classmethod
    def _ordered(cls, value: Range) -> Range:
        if not value[0] < value[1]:
            raise ValueError("must be [lowest, highest]")
        return value


class Axes(_Strict):
    """One figure per axis, in the unit of the key that holds it."""

    x: Positive | None = None
    y: Positive | None = None
    z: Positive | None = None
    e: Positive | None = None


class KeepOut(Volume):
    """A box that neither nozzle nor part may enter (clips, a purge bucket's rim)."""

    name: str = "keep-out box"


class DialectTable(_Strict):
    """``[printer.dialect]``; see layergate.gcode.dialect.Dialect for what each means."""

    g90_g91_and_e: EModeScope = DEFAULT_DIALECT.g90_g91_and_e
    parentheses_are_comments: bool = DEFAULT_DIALECT.parentheses_are_comments
    g4_p_is_seconds: bool = DEFAULT_DIALECT.g4_p_is_seconds
    m203_is_mm_per_minute: bool = DEFAULT_DIALECT.m203_is_mm_per_minute
    g10_is_retraction: bool = DEFAULT_DIALECT.g10_is_retraction
    longest_line_bytes: Annotated[int, Field(ge=16)] | None = None
    line_numbers: bool = True
    emergency_parser: bool | None = None

    def dialect(self) -> Dialect:
        return Dialect(**self.model_dump())


class Printer(_Strict):
    """``[printer]``: one machine. Lengths in mm, speeds in mm/s, accelerations in mm/s2, temperatures in deg C."""

    build_volume_mm: Volume | None = None
    """Where a part may be."""
    reach_mm: Volume | None = None
    """Where the nozzle may go (primes, wipes, parking)."""
    bed_shape: Literal["rectangle", "ellipse"] = "rectangle"
    nozzle_diameter_mm: Positive | None = None
    filament_diameter_mm: Positive | None = None
    maximum_speed_mm_s: Axes | None = None
    maximum_acceleration_mm_s2: Axes | None = None
    print_acceleration_mm_s2: Positive | None = None
    travel_acceleration_mm_s2: Positive | None = None
    junction_deviation_mm: Positive | None = None
    maximum_hot_end_c: Positive | None = None
    maximum_bed_c: Positive | None = None
    lowest_extrusion_c: Positive | None = None
    maximum_flow_mm3_s: Positive | None = None
    keep_out_mm: tuple[KeepOut, ...] = ()
    material: str | None = None
    material_left_g: Positive | None = None
    dialect: DialectTable = DialectTable()

    @model_validator(mode="after")
    def _reach_holds_volume(self) -> "Printer":
        if self.build_volume_mm and self.reach_mm:
            for axis in ("x", "y", "z"):
                part, nozzle = getattr(self.build_volume_mm, axis), getattr(self.reach_mm, axis)
                if part[0] < nozzle[0] or part[1] > nozzle[1]:
                    raise ValueError(f"reach_mm.{axis} must hold build_volume_mm.{axis}: parts need a nozzle there")
        return self


class PrinterDescription(_Strict):
    """A printer description file: ``[printer]`` and ``[rules.NAME]``."""

    printer: Printer = Printer()
    rules: dict[str, dict[str, Any]] = {}
    """Settings of rules by identifier: ``severity``, ``enabled`` and the rule's own limits."""

    def sha256(self) -> str:
        """Give the digest by which verdicts name this description."""
        return sha256(self.model_dump_json().encode()).hexdigest()


UNSTATED = PrinterDescription()
"""No description at all: every rule that needs a limit of the machine does not apply."""


def load_description(path: Path) -> PrinterDescription:
    """Read a printer description.

    Raises:
        TomlFileError: with every mistake and its line.
    """
    return load_toml(path, PrinterDescription)
