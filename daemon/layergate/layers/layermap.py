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


LAYER_ROW = np.dtype(
    [
        ("z_mm", "f8"),  # height at which material is laid; of a spiral's turn, the highest
        ("stack", "i8"),  # objects printed one after another are stacks of their own: the height went back down
        ("ramp", "?"),  # whether the beads rise along their length (spiral or not planar)
        ("first_line", "i8"),
        ("last_line", "i8"),
        ("beads", "i8"),
        ("path_mm", "f8"),  # path length of deposits
        ("laid_mm", "f8"),  # filament laid, mm of filament
        ("dry_mm", "f8"),  # path of moves that push filament and lay nothing, since they only pay back retraction debt
        ("box_mm", "f8", (4,)),  # lowest x and y, highest x and y of the beads' centre lines
        ("gap_mm", "f8", (len(QUANTILES),)),  # height above what lies under the beads: quantiles over the path
        ("area_mm2", "f8", (len(QUANTILES),)),  # bead cross-section; NaN where no flow is known
        ("fill_mm", "f8", (len(QUANTILES),)),  # bead cross-section over the bead's mean gap, about its width
        ("gaps", "i8"),  # where the gap's histogram lies in the builder's GapStore
        ("directions", "f4", (DIRECTIONS,)),  # path length by direction of the beads, modulo half a turn
        ("hot_end_c", "f8"),  # lowest stated hot-end target while laying; NaN where never stated
    ]
)
"""One finished layer. Lengths in mm, machine frame. Rows of a table, so that a layer costs some 400 bytes and no more."""

Rows = npt.NDArray[np.void]


class RowTable:
    """A growing table of LAYER_ROW."""

    def __init__(self) -> None:
        self._table: Rows = np.empty(64, LAYER_ROW)
        self._count = 0

    def add(self, values: tuple[object, ...]) -> int:
        """Add a row, its values in the order of LAYER_ROW; give its position."""
        if self._count == len(self._table):
            self._table = np.concatenate((self._table, np.empty_like(self._table)))
        self._table[self._count] = values
        self._count += 1
        return self._count - 1

    def take(self, positions: list[int]) -> Rows:
        """Give chosen rows: (n,) LAYER_ROW."""
        chosen: Rows = self._table[np.asarray(positions, np.int64)]
        return chosen


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
    _gap_of_layer: I64
    flow_known: bool
    """Whether the job says how much filament its moves push."""

    def __len__(self) -> int:
        return len(self.z_mm)

    def gap_share(self, layer: int, low_mm: float, high_mm: float) -> float:
        """Give the share of a layer's path (layer: index from 0) whose gap lies in [low, high)."""
        gap, weights = self._gaps.get(int(self._gap_of_layer[layer]))
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
    rows: Rows, gaps: GapStore, planned_s: list[float], filament_area_mm2: float, flow_known: bool
) -> LayerMap:
    """Build the map from finished rows, (n,) LAYER_ROW in their final order. No rows give an empty map."""
    count = len(rows)
    column = {name: np.ascontiguousarray(rows[name]) for name in LAYER_ROW.names or ()}
    z, stack = column["z_mm"], column["stack"]
    step = np.empty(count)
    if count:
        step[0] = z[0]
        step[1:] = np.where(stack[1:] != stack[:-1], z[1:], z[1:] - z[:-1])
    gap, area, fill = column["gap_mm"], column["area_mm2"], column["fill_mm"]
    if not flow_known:
        area, fill = np.full_like(area, np.nan), np.full_like(fill, np.nan)
    middle = QUANTILES.index(0.5)
    height = gap[:, middle]
    with np.errstate(divide="ignore", invalid="ignore"):
        width = area[:, middle] / height + height * (1 - np.pi / 4)
    directions = column["directions"].astype(np.float64)
    total = directions.sum(axis=1, keepdims=True)
    return LayerMap(
        z_mm=z,
        step_mm=step,
        stack=stack,
        ramp=column["ramp"],
        first_line=column["first_line"],
        last_line=column["last_line"],
        beads=column["beads"],
        path_mm=column["path_mm"],
        laid_mm=column["laid_mm"],
        volume_mm3=column["laid_mm"] * filament_area_mm2,
        dry_mm=column["dry_mm"],
        box_mm=column["box_mm"],
        gap_mm=gap,
        area_mm2=area,
        fill_mm=fill,
        width_mm=np.where(np.isfinite(width), width, np.nan),
        planned_s=np.array(planned_s, np.float64),
        directions=directions / np.where(total > 0, total, 1.0),
        hot_end_c=column["hot_end_c"],
        _gaps=gaps,
        _gap_of_layer=column["gaps"],
        flow_known=flow_known,
    )
