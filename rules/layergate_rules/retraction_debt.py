"""retraction-debt: filament that was pulled back is missing, and the beads after it are laid dry."""

from dataclasses import dataclass

import numpy as np
from pydantic import Field

from layergate.preflight.rule import Finding, Findings, LayerMap, Limits, Moves, NotApplicableError, Rule, Where
from layergate.toolpath.moves import DEPOSIT, DRY


class RetractionDebtLimits(Limits):
    dry_path_mm: float = Field(
        100.0,
        gt=0,
        description="mm of path laid dry in one stretch; good jobs stay below 40 (measured), damaged ones above 156",
    )
    lone_dry_path_mm: float = Field(
        5.0,
        gt=0,
        description="mm of path laid dry, above the second layer, in a job that otherwise returns every retraction standing still "
        "(good jobs: 0, measured; a retraction returned in a bead takes less, own choice)",
    )


_FEW = 3  # more short stretches than this are a habit of the job
_SHORT_MM = 1.0
_WHOLE = 0.999  # rounding of E makes a bead lay a little less than it pushes
_MOST_KEPT = 1000
_MOST_PUSH = 1.0
"""Filament a path, mm a mm, which makes 2.4 mm2: no nozzle lays such a bead; a filament is loaded so, to and fro."""

_BEGINNING_LAYERS = 2


@dataclass(slots=True)
class _Stretch:
    """Dry moves between two beads that lay something."""

    path_mm: float = 0.0
    loading_mm: float = 0.0
    """Path on which more was pushed than any bead takes."""
    changed: bool = False
    """Whether the tool changed since the bead before."""
    pushed_mm: float = 0.0
    first_line: int = 0
    last_line: int = 0
    z_mm: float = 0.0
    x0: float = np.inf
    y0: float = np.inf
    x1: float = -np.inf
    y1: float = -np.inf


class RetractionDebt(Rule):
    """What it looks for
        Stretches in which the drive pushes filament and nothing comes out, because more was pulled back before than has
        been returned.

    Why it matters
        The nozzle draws its path dry: these beads are missing in the part. An E that jumps up and back by a wrong digit does
        that, and so does a retraction whose return was lost.

    How it decides and when it does not apply
        What is pulled back has to be pushed again before anything comes out. The path that is drawn meanwhile is added up
        until something is laid again. At a change of tool, moves that push more than any bead takes load filament, and
        don't count. Some jobs begin with a retraction that the first bead pays back, or push filament back within beads:
        there only ``dry_path_mm`` counts; in all others ``lone_dry_path_mm``. It does not apply to jobs that do not say
        how much filament they push. Flow is not compared between the layers from there on, since this finding explains it.

    What to do
        Look at the lines before the first one named: an E is wrong there, or a return is missing. Make the job again.

    Source: measured on 45 real jobs.
    """

    identifier = "retraction-debt"
    severity = "hold"
    limits_model = RetractionDebtLimits

    def prepare(self) -> None:
        self._open = _Stretch()
        self._kept: list[_Stretch] = []
        self._count = 0
        self._tool = -1  # of the last bead

    def each_moves(self, moves: Moves) -> None:
        # A bead that pays back part of the debt is dry on that part.
        share = np.zeros(len(moves))
        pushes = moves.push_mm > 0
        np.divide(moves.laid_mm, moves.push_mm, out=share, where=pushes)
        dry_mm = np.where(pushes & (share < _WHOLE), (1 - share) * moves.xy_mm, 0.0)
        dry = np.flatnonzero((moves.kind == DRY) | ((moves.kind == DEPOSIT) & (dry_mm > 0)))
        deposits = np.flatnonzero(moves.kind == DEPOSIT)
        # Stretches are told apart by how many deposits came before; the first goes on from the piece before.
        before = np.searchsorted(deposits, dry)
        # The chords of one arc belong together.
        edges = np.flatnonzero((np.diff(before) > 0) & (np.diff(moves.line[dry]) > 0)) + 1
        for rows in np.split(dry, edges) if len(dry) else []:
            if np.searchsorted(deposits, rows[0]) > 0:
                self._close()
            at = int(np.searchsorted(deposits, rows[0]))
            changed = moves.tool[rows[-1]] != (moves.tool[deposits[at - 1]] if at else self._tool)
            self._add(moves, rows, dry_mm, changed=bool(changed))
        if len(deposits):
            self._tool = int(moves.tool[deposits[-1]])
        if len(deposits) and (not len(dry) or deposits[-1] >= dry[-1]):
            self._close()

    def finish(self, layers: LayerMap) -> Findings:
        self._close()
        if not layers.flow_known and not self._kept:
            raise NotApplicableError("the job does not say how much filament its moves push")
        # The beginning: a prime line may stand as a layer below the first.
        begins = int(layers.last_line[:_BEGINNING_LAYERS].max()) if len(layers) else 0
        later = [stretch for stretch in self._kept if stretch.first_line > begins]
        lone = len(later) <= _FEW and self._count <= _MOST_KEPT
        for stretch in self._kept:
            least = self.limits.lone_dry_path_mm if lone and stretch in later else self.limits.dry_path_mm
            if stretch.path_mm > least:
                yield self._finding(stretch)

    def _close(self) -> None:
        stretch, self._open = self._open, _Stretch()
        stretch.path_mm += 0.0 if stretch.changed else stretch.loading_mm
        if stretch.path_mm <= _SHORT_MM:
            return
        self._count += 1
        if len(self._kept) < _MOST_KEPT or stretch.path_mm > self.limits.dry_path_mm:
            self._kept.append(stretch)

    def _add(self, moves: Moves, rows: np.ndarray, dry_mm: np.ndarray, *, changed: bool) -> None:
        open_ = self._open
        if not open_.first_line:
            open_.first_line = int(moves.line[rows[0]])
            open_.z_mm = float(moves.z1[rows[0]])
        open_.last_line = int(moves.line[rows[-1]])
        loads = moves.push_mm[rows] > _MOST_PUSH * moves.xy_mm[rows]
        open_.path_mm += float(dry_mm[rows][~loads].sum())
        open_.loading_mm += float(dry_mm[rows][loads].sum())
        open_.changed |= changed
        open_.pushed_mm += float((moves.push_mm[rows] - moves.laid_mm[rows]).sum())
        open_.x0 = min(open_.x0, float(moves.x0[rows].min()), float(moves.x1[rows].min()))
        open_.y0 = min(open_.y0, float(moves.y0[rows].min()), float(moves.y1[rows].min()))
        open_.x1 = max(open_.x1, float(moves.x0[rows].max()), float(moves.x1[rows].max()))
        open_.y1 = max(open_.y1, float(moves.y0[rows].max()), float(moves.y1[rows].max()))

    def _finding(self, stretch: _Stretch) -> Finding:
        first, last = stretch.first_line, stretch.last_line
        return self.finding(
            f"{f'In line {first}' if first == last else f'From line {first} to {last}'} the nozzle draws {stretch.path_mm:.1f} mm "
            f"of beads and lays nothing: the {stretch.pushed_mm:.2f} mm of filament pushed there only refill what was pulled back "
            "before.",
            "Look at the lines before: an E is wrong there, or a retraction is never returned. Make the job again.",
            where=Where(
                lines=(first, last),
                z_mm=(stretch.z_mm, stretch.z_mm),
                box_mm=(round(stretch.x0, 3), round(stretch.y0, 3), round(stretch.x1, 3), round(stretch.y1, 3)),
            ),
            evidence={"dry_path_mm": stretch.path_mm, "filament_pushed_mm": stretch.pushed_mm},
        )
