"""shifted-layers: from one layer on, the part stands beside itself."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Finding, Findings, LayerMap, Limits, NotApplicableError, Rule, Where
from layergate_rules.layer_statistics import compared_layers


class ShiftedLayersLimits(Limits):
    least_shift_mm: float = Field(0.4, description="mm; less is a bead's width, and holds (physics)")
    block_shift_mm: float = Field(
        0.8, description="mm; from here on the edge of the shifted part hangs in the air (physics)"
    )
    edge_tolerance_mm: float = Field(
        0.15, description="mm by which opposite edges may move differently: rounding of outlines"
    )
    alike: float = Field(
        1.3,
        gt=1,
        description="path of a layer over that of the one below; below block_shift_mm both must be the same shape",
    )
    still: float = Field(
        0.3, description="of the shift, by which the edges of the layers before and after may move at most"
    )


class ShiftedLayers(Rule):
    """What it looks for
        A layer whose opposite edges have all moved the same way by the same distance, and all above it stay there.

    Why it matters
        The file itself commands the step in the part that otherwise lost motor steps make. Belts and drivers are innocent.

    How it decides and when it does not apply
        Left and right edge of a layer move by the same distance against the layer below, front and back edge likewise; the
        edges stood still in the layer before and stand still in the layer after. A taper moves opposite edges against each
        other, a leaning wall goes on leaning, and a roof or a new feature moves one edge. Below 0.8 mm it is held, and only
        where both layers have about the same path. A part that is meant so (discs of a cam on one shaft) can be released.
        Shifts below a bead's width can't be told, nor can one where the shape changes in the same layer, or at the first
        or last layer.

    What to do
        Look at the lines before the one named: a damaged number in an offset, or a piece of another job. Make the job again
        and compare.

    Source: rigid motion moves every edge alike (geometry).
    """

    identifier = "shifted-layers"
    severity = "block"
    limits_model = ShiftedLayersLimits

    def finish(self, layers: LayerMap) -> Findings:
        chosen = compared_layers(layers)
        if len(chosen) < 4:
            raise NotApplicableError("a shift shows between two layers before and two after it, and there are fewer")
        edges = layers.box_mm[chosen]
        moved = np.diff(edges, axis=0)  # of layer at + 1 against layer at
        x, y = (moved[:, 0] + moved[:, 2]) / 2, (moved[:, 1] + moved[:, 3]) / 2
        rigid = (np.abs(moved[:, 2] - moved[:, 0]) <= self.limits.edge_tolerance_mm) & (
            np.abs(moved[:, 3] - moved[:, 1]) <= self.limits.edge_tolerance_mm
        )
        size = np.hypot(x, y)
        path = layers.path_mm[chosen]
        ratio = path[1:] / path[:-1]
        alike = (ratio < self.limits.alike) & (ratio > 1 / self.limits.alike)
        same_stack = layers.stack[chosen][1:] == layers.stack[chosen][:-1]
        largest = np.abs(moved).max(axis=1)
        for at in range(1, len(moved) - 1):
            if not rigid[at] or size[at] < self.limits.least_shift_mm:
                continue
            if size[at] < self.limits.block_shift_mm and not alike[at]:
                continue
            if not same_stack[at - 1 : at + 2].all():
                continue
            if max(largest[at - 1], largest[at + 1]) > self.limits.still * size[at]:
                continue
            yield self._found(layers, int(chosen[at + 1]), float(x[at]), float(y[at]), float(size[at]))

    def _found(self, layers: LayerMap, index: int, x: float, y: float, size: float) -> Finding:
        z, line = float(layers.z_mm[index]), int(layers.first_line[index])
        before = int(layers.last_line[index - 1])
        return self.finding(
            f"From Z {z:.2f} mm on, the part stands {size:.2f} mm beside itself (X {x:+.2f}, Y {y:+.2f} mm): the file commands "
            f"it, from line {line}.",
            "Look at the lines before that one: a damaged number, or a piece of another job. Make the job again and compare.",
            severity="block" if size >= self.limits.block_shift_mm else "hold",
            where=Where(layer=index + 1, z_mm=(z, z), lines=(min(before, line), max(before, line))),
            evidence={"shift_mm": size, "shift_x_mm": x, "shift_y_mm": y},
        )
