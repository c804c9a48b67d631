"""doubled-layer: a layer that is laid a second time at the same height."""

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Beads, Findings, LayerMap, Limits, Rule, Where, cell_keys
from layergate_rules.layer_statistics import number_of

_CELL_MM = 0.2
_DIRECTIONS = 16  # over half a turn
_LENGTHS = 0.1  # of the logarithm: strokes of one length, or nearly
_LONGER = 1.2  # than the layer before: a solid layer and a sparse one may make one together
_LEAST_LAG = 0.2  # of the strokes of the layer, between a stroke and its double; a line there and back is no layer
_SAME_HEIGHT_MM = 0.02  # a spiral ends on a level turn over the one that still rises
_ROOM_MM = 3.0  # several beads wide, so that their middles even out
_SAME_FLOW = 0.7  # of the logarithm of bead area: a pass that irons carries a fraction


class DoubledLayerLimits(Limits):
    least_share: float = Field(
        0.05,
        gt=0,
        lt=1,
        description="share of a layer's path that lies there twice: walls repeat, infill mostly lies across (own choice)",
    )
    least_path_mm: float = Field(20.0, gt=0, description="mm of it (own choice)")
    overfull: float = Field(
        1.75,
        gt=1,
        description="bead volume over the room for it, in squares of 3 mm; two layers in one make 2 (geometry), thick infill on a "
        "floor 1.6 (seen)",
    )
    least_overfull_mm2: float = Field(45.0, gt=0, description="mm2 on which it is; five such squares (own choice)")
    least_overfull_share: float = Field(0.2, gt=0, lt=1, description="of the layer's squares (own choice)")
    least_width_mm: float = Field(
        0.25,
        gt=0,
        description="mm of bead width at the layer's step: two narrower ones fit into the place of one (narrowest usual nozzles)",
    )


class DoubledLayer(Rule):
    """What it looks for
        Walls that are laid twice in the same place at the same height, or a layer of nearly twice the material it has room for.

    Why it matters
        There is no room for the second ones: the nozzle ploughs through what it has just laid. It is what a lost move to the
        next height makes; where heights are relative, all that follows is then a layer too low.

    How it decides and when it does not apply
        In a layer with more path than the one before (of a first layer: after), strokes are counted that another one of the
        layer repeats: middle, direction and length agree, and so does the flow where it is known, so that ironing is none. A
        stroke and its double must be far apart in the order of printing. Where strokes do not repeat, as in infill and in walls
        that lean, the volume of the beads is compared with the room that there is for them. Drawings in passes so thin that
        two of them fill one bead are left alone, and so are jobs that do it in more than one layer: a coil is wound so.

    What to do
        Look for the move to the next height before the lines named. Copy the job again or make it again.

    Source: two beads have no room in one place (conservation of volume).
    """

    identifier = "doubled-layer"
    severity = "hold"
    limits_model = DoubledLayerLimits

    def prepare(self) -> None:
        self._before_mm = 0.0
        self._first: Beads | None = None  # of a stack: the next layer tells whether it has much more path than usual
        self._stack = -1
        self._doubled = 0  # layers, those with thin beads and of usual length as well
        # Height, stack, lines, what is said and its figures.
        self._found: list[tuple[float, int, tuple[int, int], str, dict[str, float]]] = []

    def each_layer(self, beads: Beads) -> None:
        if beads.ramp:
            self._first = None
            return
        path = float(beads.length_mm.sum())
        if beads.stack != self._stack:
            self._first, self._stack = beads, beads.stack
        else:
            if self._first is not None:
                self._judge(self._first, path)
            self._judge(beads, self._before_mm)
            self._first = None
        self._before_mm = path

    def _judge(self, beads: Beads, usual_mm: float) -> None:
        path = float(beads.length_mm.sum())
        twice = _doubles(beads)
        length = float(beads.length_mm[twice].sum())
        longer = path > _LONGER * usual_mm
        z = f"Z {beads.z_mm:.2f} mm"
        if length >= max(self.limits.least_path_mm, self.limits.least_share * path):
            self._doubled += 1
            if longer and not _width_mm(beads, twice) < self.limits.least_width_mm:
                share = length / path
                self._keep(
                    beads,
                    beads.line[twice],
                    f"{length / 2:.0f} mm of beads are laid twice in the same place at {z}, {100 * share:.0f} % of the layer.",
                    {"laid_twice_mm": length / 2, "share_of_layer": share},
                )
        elif longer and (over := _overfull(beads, self.limits)):
            self._doubled += 1
            area_mm2, times = over
            self._keep(
                beads,
                beads.line,
                f"At {z} {times:.1f} times the material that there is room for is laid, on {area_mm2:.0f} mm2.",
                {"overfull_mm2": area_mm2, "fill_ratio": times},
            )

    def _keep(self, beads: Beads, lines: np.ndarray, text: str, evidence: dict[str, float]) -> None:
        self._found.append((beads.z_mm, beads.stack, (int(lines[0]), int(lines[-1])), text, evidence))

    def finish(self, layers: LayerMap) -> Findings:
        if self._doubled > 1:
            return
        for z, stack, lines, text, evidence in self._found:
            yield self.finding(
                text,
                "Look for the move to the next height between the lines named: it is missing. Copy or make the job again.",
                where=Where(layer=number_of(layers, stack, z), z_mm=(z, z), lines=lines),
                evidence=evidence,
            )


def _overfull(beads: Beads, limits: DoubledLayerLimits) -> tuple[float, float] | None:
    """Give the area on which a layer lays more than so many times what has room, mm2, and how many times; None for a small one.

    Each piece of a bead takes its volume over the gap that it fills.
    """
    samples = beads.samples
    laid_mm3 = samples.weight_mm * beads.area_mm2[samples.bead]
    known = np.isfinite(laid_mm3) & (samples.gap_mm > _SAME_HEIGHT_MM)
    keys = cell_keys(samples.x_mm[known], samples.y_mm[known], _ROOM_MM)
    _, cell = np.unique(keys, return_inverse=True)
    times = np.bincount(cell, laid_mm3[known] / samples.gap_mm[known]) / _ROOM_MM**2
    over = times[times > limits.overfull]
    area_mm2 = len(over) * _ROOM_MM**2
    if area_mm2 < limits.least_overfull_mm2 or len(over) < limits.least_overfull_share * len(times):
        return None
    return area_mm2, float(np.median(over))


def _width_mm(beads: Beads, rows: np.ndarray) -> float:
    """Give the median width that beads have at the layer's step, mm; NaN where no flow is known, or they lie on no step."""
    step = float(np.quantile(beads.samples.gap_mm, 0.25))
    return float(np.median(beads.area_mm2[rows])) / step if step > 0 else float("nan")


def _doubles(beads: Beads) -> np.ndarray:
    """Give the beads that another one of the layer repeats: (n,) indices."""
    x, y = (beads.x0 + beads.x1) / 2, (beads.y0 + beads.y1) / 2
    angle = np.mod(np.arctan2(beads.y1 - beads.y0, beads.x1 - beads.x0) * (_DIRECTIONS / np.pi) + 0.5, _DIRECTIONS)
    # Half a class further, so that the usual directions lie in the middle of theirs.
    keys = cell_keys(x, y, _CELL_MM) * _DIRECTIONS + angle.astype(np.int64)
    order = np.argsort(keys, kind="stable")
    one, other = order[:-1], order[1:]
    same = keys[one] == keys[other]
    same &= other - one >= max(2, _LEAST_LAG * len(keys))
    if not same.any():
        return one[:0]
    with np.errstate(divide="ignore", invalid="ignore"):
        same &= np.abs(np.log(beads.length_mm[one] / beads.length_mm[other])) < _LENGTHS
        same &= ~(np.abs(np.log(beads.area_mm2[one] / beads.area_mm2[other])) > _SAME_FLOW)
    same &= np.abs(beads.z1[one] - beads.z1[other]) < _SAME_HEIGHT_MM
    twice: np.ndarray = np.unique(np.concatenate((one[same], other[same])))
    return twice
