"""Support cell by cell in a dictionary: the oracle of layergate.layers.support. No arrays.

As domain.md says ("Local support"): remember the top of what lies in each cell; a bead's gap is its height less that
top. From detection.md section 2: cells of about one bead; a bead updates its cell and the eight around; two tops for each
cell, since material of the same height does not count as below; query the whole chunk first, then lay it.
"""

import math


class PlainSupport:
    """Two tops for each cell that was ever covered."""

    def __init__(self, cell: float, sample_share: float) -> None:
        self.cell, self.sample_share = cell, sample_share
        self.tops: dict[tuple[int, int], tuple[float, float]] = {}

    def lay(
        self, beads: list[tuple[float, float, float, float]], z: float, same_height: float
    ) -> list[tuple[int, float, float]]:
        """Bead, gap and path length of each point along each bead (x0, y0, x1, y1); then lay them down."""
        points: list[tuple[int, float, float, tuple[int, int]]] = []
        for number, (x0, y0, x1, y1) in enumerate(beads):
            length = math.hypot(x1 - x0, y1 - y0)
            count = max(1, math.ceil(length / (self.sample_share * self.cell)))
            for step in range(count):
                share = (step + 0.5) / count
                x, y = x0 + share * (x1 - x0), y0 + share * (y1 - y0)
                cell = math.floor(x / self.cell), math.floor(y / self.cell)
                top, under = self.tops.get(cell, (0.0, 0.0))
                points.append((number, z - (under if top > z - same_height else top), length / count, cell))
        for _, _, _, (i, j) in points:
            for near in [(i + a, j + b) for a in (-1, 0, 1) for b in (-1, 0, 1)]:
                top, _ = self.tops.get(near, (0.0, 0.0))
                if top < z - same_height:
                    self.tops[near] = (z, top)
        return [(number, gap, weight) for number, gap, weight, _ in points]

    def lay_steep(
        self, beads: list[tuple[float, float, float, float, float, float]], same_height: float
    ) -> list[tuple[int, float, float]]:
        """The same of beads (x0, y0, z0, x1, y1, z1), each point at its own height.

        Tops are lowered by what the bead rises over a cell and a half (own choice): no part of a cell is higher then.
        """
        points = []
        for number, (x0, y0, z0, x1, y1, z1) in enumerate(beads):
            length = math.hypot(x1 - x0, y1 - y0)
            count = max(1, math.ceil(length / (self.sample_share * self.cell)))
            for step in range(count):
                share = (step + 0.5) / count
                x, y, z = x0 + share * (x1 - x0), y0 + share * (y1 - y0), z0 + share * (z1 - z0)
                cell = math.floor(x / self.cell), math.floor(y / self.cell)
                top, under = self.tops.get(cell, (0.0, 0.0))
                gap = z - (under if top > z - same_height else top)
                points.append((number, gap, length / count, cell, z - 1.5 * self.cell * abs(z1 - z0) / length))
        highest: dict[tuple[int, int], float] = {}
        for _, _, _, (i, j), z in points:
            for near in [(i + a, j + b) for a in (-1, 0, 1) for b in (-1, 0, 1)]:
                if self.tops.get(near, (0.0, 0.0))[0] < z - same_height:
                    highest[near] = max(z, highest.get(near, z))
        for near, z in highest.items():
            self.tops[near] = (z, self.tops.get(near, (0.0, 0.0))[0])
        return [(number, gap, weight) for number, gap, weight, _, _ in points]
