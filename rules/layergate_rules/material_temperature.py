"""material-temperature: beads laid hotter or colder than their material is printed."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Findings, JobFacts, LayerMap, Limits, Moves, NotApplicableError, Rule, Where
from layergate.toolpath.moves import DEPOSIT
from layergate_rules.stated_materials import MATERIALS, material_of

_OFF_BELOW_C = 60.0  # another rule's matter


class MaterialTemperatureLimits(Limits):
    margin_c: float = Field(
        25.0,
        ge=0,
        description="deg C beyond the usual range; fast and modified materials are printed that far (common practice)",
    )
    least_path_mm: float = Field(
        100.0, gt=0, description="mm of path; shorter purges and wipes are let through (own choice)"
    )


class MaterialTemperature(Rule):
    """What it looks for
        A hot-end target, while beads are laid, that is far from the range of the material that the printer is loaded with.

    Why it matters
        Too hot, a filament decomposes, drips and may clog; too cold, it does not flow, and the layers do not bond. Usually
        another material is loaded than the job was made for, or a digit is wrong.

    How it decides and when it does not apply
        The material is the one of the description, else the one that the job's comments claim. It applies to materials with a
        known range, each widened by ``margin_c``. It does not apply where nobody states a material, or several.

    What to do
        Check what is loaded, and which material the job was made for.

    Source: open material tables and data sheets of filament makers for PLA, PETG, ABS and TPU; the others from memory.
    """

    identifier = "material-temperature"
    severity = "hold"
    limits_model = MaterialTemperatureLimits

    def prepare(self) -> None:
        # Path by target: a job has few targets.
        self._path: dict[float, float] = {}
        self._lines: dict[float, tuple[int, int]] = {}

    def each_moves(self, moves: Moves) -> None:
        rows = np.flatnonzero((moves.kind == DEPOSIT) & (moves.hot_end_c >= _OFF_BELOW_C))
        targets = moves.hot_end_c[rows]
        if not len(rows):
            return
        for target in (targets[:1] if targets.min() == targets.max() else np.unique(targets)).tolist():
            chosen = rows[targets == target]
            self._path[target] = self._path.get(target, 0.0) + float(moves.xy_mm[chosen].sum())
            first, _ = self._lines.get(target, (int(moves.line[chosen[0]]), 0))
            self._lines[target] = (first, int(moves.line[chosen[-1]]))

    def finish(self, layers: LayerMap, job: JobFacts) -> Findings:
        found = material_of(self.printer, job.claims)
        if found is None:
            raise NotApplicableError(
                f"no material is known: state material in the printer description (known: {', '.join(MATERIALS)})"
            )
        material, said_by = found
        lowest, highest = material.lowest_c - self.limits.margin_c, material.highest_c + self.limits.margin_c
        for target, path in self._path.items():
            if path <= self.limits.least_path_mm or lowest <= target <= highest:
                continue
            how = "hotter" if target > highest else "colder"
            yield self.finding(
                f"{path / 1000:.2f} m of beads are laid at {target:.0f} deg C, {how} than {material.name} is printed "
                f"({material.lowest_c:.0f} to {material.highest_c:.0f} deg C); the material is named by {said_by}.",
                "Check which filament is loaded and which one the job was made for.",
                where=Where(lines=self._lines[target]),
                evidence={
                    "target_c": target,
                    "lowest_c": material.lowest_c,
                    "highest_c": material.highest_c,
                    "path_mm": path,
                },
            )
