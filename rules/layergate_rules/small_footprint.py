"""small-footprint: a tall part on little ground."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import (
    Beads,
    Findings,
    LayerMap,
    Limits,
    NotApplicableError,
    Rule,
    Where,
    cell_keys,
    connected_regions,
    touching,
)

_CELL_MM = 0.8
"""Two beads: beads that touch, or nearly, hold each other."""


_STRIDE = 2
"""Of the points along the beads, every second: still closer together than a cell is wide."""


class SmallFootprintLimits(Limits):
    slenderness: float = Field(
        8.0, gt=0, description="height against the side of a square of the first layer's area, a ratio (own choice)"
    )


class SmallFootprint(Rule):
    """What it looks for
        Parts that are very tall for the area with which they stand on the bed.

    Why it matters
        The nozzle pushes sideways at the top; the hold at the bottom is small. The part comes off, hours in, and the rest is
        printed into the air.

    How it decides and when it does not apply
        The first layer's volume over its height is the area that holds; brims, rafts and supports count with it, and what
        touches nothing that stands on it, as a skirt, does not. Its square side is compared with the height; objects printed
        one after another each for themselves. It does not apply to jobs that do not say their flow.

    What to do
        Add a brim, or print several parts side by side.

    Source: own choice; what holds depends on bed and material.
    """

    identifier = "small-footprint"
    severity = "note"
    limits_model = SmallFootprintLimits

    def prepare(self) -> None:
        self._first: Beads | None = None
        """The first layer of the newest stack, until its second one comes."""
        self._share: dict[int, float] = {}
        """Of a first layer's volume, what carries the second layer; by stack."""

    def each_layer(self, beads: Beads) -> None:
        if beads.stack in self._share:
            return
        if self._first is None or self._first.stack != beads.stack:
            self._first = beads
        elif beads.z_mm > self._first.z_mm:
            self._share[beads.stack] = _carrying(self._first, beads)
            self._first = None

    def finish(self, layers: LayerMap) -> Findings:
        if not len(layers) or not layers.flow_known:
            raise NotApplicableError("nothing is laid, or the job does not say how much filament its moves push")
        for stack in np.unique(layers.stack).tolist():
            rows = np.flatnonzero(layers.stack == stack)
            first = int(rows[0])
            step = float(layers.step_mm[first])
            volume = float(layers.volume_mm3[first]) * self._share.get(stack, 1.0)
            area = volume / step if step > 0 else 0.0
            height = float(layers.z_mm[rows].max())
            if area > 0 and height > self.limits.slenderness * area**0.5:
                yield self.finding(
                    f"The part is {height:.0f} mm tall and stands on {area:.0f} mm2.",
                    "Add a brim, or print several parts side by side, so that it does not come off.",
                    where=Where(
                        layer=first + 1,
                        z_mm=(0.0, height),
                        lines=(int(layers.first_line[first]), int(layers.last_line[first])),
                        box_mm=tuple(round(float(v), 3) for v in layers.box_mm[first]),
                    ),
                    evidence={"footprint_mm2": area, "height_mm": height, "slenderness": height / area**0.5},
                )


def _carrying(first: Beads, second: Beads) -> float:
    """Give the share of a first layer's volume in groups of beads that touch and on which something of the second lies."""
    if not (first.complete and second.complete):
        return 1.0
    low, high = first.samples, second.samples
    keys = cell_keys(low.x_mm[::_STRIDE], low.y_mm[::_STRIDE], _CELL_MM)
    cells, cell = np.unique(keys, return_inverse=True)
    above = np.sort(cell_keys(high.x_mm[::_STRIDE], high.y_mm[::_STRIDE], _CELL_MM))
    if not len(cells) or not len(above):
        return 1.0
    under = touching(cells, above)
    known = first.area_mm2[np.isfinite(first.area_mm2)]
    area = np.nan_to_num(first.area_mm2, nan=float(np.median(known)) if len(known) else 0.0)
    volume = np.bincount(cell, low.weight_mm[::_STRIDE] * area[low.bead[::_STRIDE]])
    group = connected_regions(cells)
    carries = np.bincount(group, under) > 0
    whole = float(volume.sum())
    return float(volume[carries[group]].sum()) / whole if whole > 0 and carries.any() else 1.0
