"""Layer map: what a job would lay down, one row a layer, in print order. Plain columns; knows no rule and no file."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from layergate.layers.histogram import QUANTILES, GapStore

F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Bool = npt.NDArray[np.bool_]

DIRECTIONS = 16
"""Classes of bead direction over half a turn."""


@dataclass(frozen=True, slots=True)
class LayerRow:
    """One layer, finished. Lengths in mm, machine frame."""

    z_mm: float
    """Height at which material is laid; of a spiral's turn, the highest."""
    stack: int
    """Objects printed one after another are stacks of their own: the height went back down."""
    ramp: bool
    """Whether the beads rise along their length (spiral or not planar)."""
    first_line: int
    last_line: int
    beads: int
    path_mm: float
    """Path length of deposits."""
    laid_mm: float
    """Filament laid, mm of filament."""
    dry_mm: float
    """Path of moves that push filament and lay nothing, since they only pay back retraction debt."""
    box_mm: tuple[float, float, float, float]
    """Lowest x and y, highest x and y of the beads' centre lines."""
    gap_mm: tuple[float, ...]
    """Height above what lies under the beads: quantiles QUANTILES over the path."""
    area_mm2: tuple[float, ...]
    """Bead cross-section: quantiles QUANTILES over the path; NaN where no flow is known."""
    fill_mm: tuple[float, ...]
    """Bead cross-section over the bead's mean gap, which is about its width: quantiles QUANTILES over the path."""
    gaps: int
    """Where the gap's histogram lies in the builder's GapStore."""
    directions: tuple[float, ...]
    """DIRECTIONS path lengths by direction of the beads, modulo half a turn."""
    hot_end_c: float
    """Lowest stated hot-end target while laying; NaN where never stated."""


@dataclass(frozen=True, slots=True)
class LayerMap:
    """All layers of a job; arrays have one entry per layer (n,), in print order. Layer numbers are positions from 1."""

    z_mm: F64
    step_mm: F64
    """Height above the layer before it in the same stack; of a stack's first layer, above the bed."""
    stack: I64
    ramp: Bool
    first_line: I64
    last_line: I64
    beads: I64
    path_mm: F64
    laid_mm: F64
    volume_mm3: F64
    dry_mm: F64
    box_mm: F64
    """(n, 4): lowest x and y, highest x and y."""
    gap_mm: F64
    """(n, 5): quantiles of the gap, see QUANTILES."""
    area_mm2: F64
    """(n, 5): quantiles of the bead cross-section."""
    fill_mm: F64
    """(n, 5): quantiles of bead cross-section over gap; about the bead width where the flow fills the gap."""
    width_mm: F64
    """Bead width that the median cross-section implies at the median gap (stadium model)."""
    planned_s: F64
    directions: F64
    """(n, DIRECTIONS): share of path length by direction."""
    hot_end_c: F64
    _gaps: GapStore
    _gap_of_layer: tuple[int, ...]
    flow_known: bool
    """Whether the job says how much filament its moves push."""

    def __len__(self) -> int:
        return len(self.z_mm)

    def gap_share(self, layer: int, low_mm: float, high_mm: float) -> float:
        """Give the share of a layer's path (layer: index from 0) whose gap lies in [low, high)."""
        gap, weights = self._gaps.get(self._gap_of_layer[layer])
        total = float(weights.sum())
        if total <= 0:
            return float("nan")
        return float(weights[(gap >= low_mm) & (gap < high_mm)].sum()) / total

    def columns(self) -> dict[str, list[int | float | None]]:
        """Give the plain columns for a report."""
        middle = QUANTILES.index(0.5)
        return {
            "z_mm": np.round(self.z_mm, 4).tolist(),
            "step_mm": np.round(self.step_mm, 4).tolist(),
            "bead_area_mm2": [round(a, 5) if np.isfinite(a) else None for a in self.area_mm2[:, middle].tolist()],
            "bead_width_mm": [round(w, 4) if np.isfinite(w) else None for w in self.width_mm.tolist()],
            "gap_mm": np.round(self.gap_mm[:, middle], 4).tolist(),
            "path_mm": np.round(self.path_mm, 2).tolist(),
            "filament_mm": np.round(self.laid_mm, 3).tolist(),
            "volume_mm3": np.round(self.volume_mm3, 3).tolist(),
            "x_min_mm": np.round(self.box_mm[:, 0], 3).tolist(),
            "y_min_mm": np.round(self.box_mm[:, 1], 3).tolist(),
            "x_max_mm": np.round(self.box_mm[:, 2], 3).tolist(),
            "y_max_mm": np.round(self.box_mm[:, 3], 3).tolist(),
            "first_line": self.first_line.tolist(),
            "last_line": self.last_line.tolist(),
            "planned_seconds": np.round(self.planned_s, 2).tolist(),
        }


def layer_map(
    rows: list[LayerRow], gaps: GapStore, planned_s: list[float], filament_area_mm2: float, flow_known: bool
) -> LayerMap:
    """Build the map from finished rows, which are in their final order. No rows give an empty map."""
    count = len(rows)
    z = np.array([row.z_mm for row in rows])
    stack = np.array([row.stack for row in rows], np.int64)
    step = np.empty(count)
    lowest_of_stack = np.ones(count, np.bool_)
    if count:
        step[0] = z[0]
        lowest_of_stack[1:] = stack[1:] != stack[:-1]
        step[1:] = np.where(lowest_of_stack[1:], z[1:], z[1:] - z[:-1])
    laid = np.array([row.laid_mm for row in rows])
    gap = np.array([row.gap_mm for row in rows]).reshape(count, len(QUANTILES))
    area = np.array([row.area_mm2 for row in rows]).reshape(count, len(QUANTILES))
    fill = np.array([row.fill_mm for row in rows]).reshape(count, len(QUANTILES))
    if not flow_known:
        area, fill = np.full_like(area, np.nan), np.full_like(fill, np.nan)
    middle = QUANTILES.index(0.5)
    height = gap[:, middle]
    with np.errstate(divide="ignore", invalid="ignore"):
        width = area[:, middle] / height + height * (1 - np.pi / 4)
    directions = np.array([row.directions for row in rows], np.float64).reshape(count, DIRECTIONS)
    total = directions.sum(axis=1, keepdims=True)
    return LayerMap(
        z_mm=z,
        step_mm=step,
        stack=stack,
        ramp=np.array([row.ramp for row in rows], np.bool_),
        first_line=np.array([row.first_line for row in rows], np.int64),
        last_line=np.array([row.last_line for row in rows], np.int64),
        beads=np.array([row.beads for row in rows], np.int64),
        path_mm=np.array([row.path_mm for row in rows]),
        laid_mm=laid,
        volume_mm3=laid * filament_area_mm2,
        dry_mm=np.array([row.dry_mm for row in rows]),
        box_mm=np.array([row.box_mm for row in rows]).reshape(count, 4),
        gap_mm=gap,
        area_mm2=area,
        fill_mm=fill,
        width_mm=np.where(np.isfinite(width), width, np.nan),
        planned_s=np.array(planned_s, np.float64),
        directions=directions / np.where(total > 0, total, 1.0),
        hot_end_c=np.array([row.hot_end_c for row in rows]),
        _gaps=gaps,
        _gap_of_layer=tuple(row.gaps for row in rows),
        flow_known=flow_known,
    )
