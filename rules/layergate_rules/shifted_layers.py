"""shifted-layers: from one layer on, the part stands beside itself."""

from dataclasses import dataclass

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Beads, Findings, LayerMap, Limits, Rule, Where
from layergate_rules.islands import LayerSteps
from layergate_rules.layer_statistics import number_of

_CELL_MM = 0.8


class ShiftedLayersLimits(Limits):
    least_overlap: float = Field(
        0.5, description="share of the layer that fits on the one below, at the best offset (measured)"
    )
    most_overlap_unmoved: float = Field(0.6, description="overlap without offset, against the best one (measured)")
    least_shift_mm: float = Field(
        1.5, description="mm; less is within a bead's width and the reach of its neighbours (physics)"
    )
    largest_shift_mm: float = Field(16.0, description="mm of search on each side (own choice)")
    size_tolerance_mm: float = Field(
        1.6, description="mm by which a layer's width and depth may change where it is shifted"
    )
    alike: float = Field(
        1.3, gt=1, description="path of a layer over that of the one below, where they may be the same shape"
    )
    most_on_step: float = Field(0.7, description="share of the path that may still lie on the layer below (measured)")


@dataclass(frozen=True, slots=True)
class _Shift:
    z_mm: float
    stack: int
    x_mm: float
    y_mm: float
    overlap: float
    unmoved: float
    line: int


class ShiftedLayers(Rule):
    """What it looks for
        A layer that fits the one below at an offset and not where it stands; all above it stay there.

    Why it matters
        The file itself commands the step in the part that otherwise lost motor steps make. Belts and drivers are innocent.

    How it decides and when it does not apply
        Where a good part of a layer hangs beside the one below, and both have about the same path, their footprints are
        compared at every offset within 16 mm. It is a shift where they fit clearly better at an offset of more than 1.5 mm,
        where the layer's edges have moved by that offset, and where the layer after stays with the shifted one. Shapes that
        repeat, and shifts below a bead's width, can't be told.

    What to do
        Look at the line named: a lost digit in an offset, or a second job glued on. Make the job again and compare.

    Source: separations measured on 45 real jobs.
    """

    identifier = "shifted-layers"
    severity = "block"
    limits_model = ShiftedLayersLimits

    def prepare(self) -> None:
        self._steps = LayerSteps()
        self._last: Beads | None = None
        self._waiting: tuple[_Shift, float] | None = None
        self._found: list[_Shift] = []

    def each_layer(self, beads: Beads) -> Findings:
        first = self._steps.first_of_stack(beads)
        step = self._steps.usual()
        if first:
            self._waiting = self._last = None
        if self._waiting and step:
            # The next layer must stand on the shifted one.
            if _on_step(beads, step) > self.limits.most_on_step:
                self._found.append(self._waiting[0])
            self._waiting = None
        elif self._last is not None and step and not beads.ramp and _on_step(beads, step) < self.limits.most_on_step:
            shift = self._shift(beads, self._last)
            if shift:
                self._waiting = (shift, step)
        self._steps.add(beads)
        self._last = beads
        return ()

    def _shift(self, beads: Beads, under: Beads) -> _Shift | None:
        limits = self.limits
        if not 1 / limits.alike < beads.length_mm.sum() / under.length_mm.sum() < limits.alike:
            return None
        reach = int(np.ceil(limits.largest_shift_mm / _CELL_MM))
        x = np.concatenate((beads.samples.x_mm, under.samples.x_mm))
        y = np.concatenate((beads.samples.y_mm, under.samples.y_mm))
        low_x, low_y = float(x.min()), float(y.min())
        width = int((float(x.max()) - low_x) / _CELL_MM) + 2 + reach
        height = int((float(y.max()) - low_y) / _CELL_MM) + 2 + reach
        if width * height > 4_000_000:
            return None
        here, there = (_footprint(layer, low_x, low_y, width, height) for layer in (beads, under))
        spectrum = np.conj(np.fft.rfft2(here)) * np.fft.rfft2(there)
        fit = np.fft.irfft2(spectrum, s=(height, width))
        best, offset = 0.0, (0, 0)
        unmoved = float(fit[0, 0])
        window = np.concatenate((fit[-reach:], fit[: reach + 1]))
        window = np.concatenate((window[:, -reach:], window[:, : reach + 1]), axis=1)
        at = int(np.argmax(window))
        row, column = divmod(at, window.shape[1])
        best, offset = float(window[row, column]), (column - reach, row - reach)
        cells = float(here.sum())
        if best <= limits.least_overlap * cells or unmoved >= limits.most_overlap_unmoved * best:
            return None
        moved = self._edges_moved(beads, under, (-offset[0] * _CELL_MM, -offset[1] * _CELL_MM))
        if moved is None or np.hypot(*moved) <= limits.least_shift_mm:
            return None
        return _Shift(
            beads.z_mm, beads.stack, moved[0], moved[1], best / cells, unmoved / cells, int(beads.line[0])
        )  # fmt: skip

    def _edges_moved(self, beads: Beads, under: Beads, coarse: tuple[float, float]) -> tuple[float, float] | None:
        """Give the offset by the edges of both layers, mm; None where they did not all move with it.

        A shift moves everything: a roof that begins beside a support fits below at an offset, too, but its edges stand.
        """
        moved = []
        for axis, offset in zip(("x_mm", "y_mm"), coarse, strict=True):
            here, there = getattr(beads.samples, axis), getattr(under.samples, axis)
            edges = (float(here.min() - there.min()), float(here.max() - there.max()))
            if max(abs(edge - offset) for edge in edges) > self.limits.size_tolerance_mm:
                return None
            moved.append(sum(edges) / 2)
        return moved[0], moved[1]

    def finish(self, layers: LayerMap) -> Findings:
        for shift in self._found:
            size = float(np.hypot(shift.x_mm, shift.y_mm))
            yield self.finding(
                f"From Z {shift.z_mm:.2f} mm on, the part stands {size:.2f} mm beside itself (X {shift.x_mm:+.2f}, "
                f"Y {shift.y_mm:+.2f} mm): the file commands it, from line {shift.line}.",
                "Look at the lines before that one: a damaged number, or a second job glued on. Make the job again and compare.",
                where=Where(
                    layer=number_of(layers, shift.stack, shift.z_mm),
                    z_mm=(shift.z_mm, shift.z_mm),
                    lines=(shift.line, shift.line),
                ),
                evidence={
                    "shift_mm": size,
                    "shift_x_mm": shift.x_mm,
                    "shift_y_mm": shift.y_mm,
                    "overlap_at_shift": shift.overlap,
                    "overlap_unmoved": shift.unmoved,
                },
            )


def _on_step(beads: Beads, step: float) -> float:
    """Give the share of a layer's path that lies within one and a half steps of what is under it."""
    weight = beads.samples.weight_mm
    return float(weight[beads.samples.gap_mm < 1.5 * step].sum() / weight.sum())


def _footprint(beads: Beads, low_x: float, low_y: float, width: int, height: int) -> np.ndarray:
    cells = np.zeros((height, width), np.float32)
    column = ((beads.samples.x_mm - low_x) / _CELL_MM).astype(np.int64)
    row = ((beads.samples.y_mm - low_y) / _CELL_MM).astype(np.int64)
    cells[row, column] = 1.0
    return cells
