"""Completes the place of findings: whoever gets one is told layer, height and lines, whichever of them its rule knew.

Knows no rule; invents no place where a finding has none.
"""

import numpy as np

from layergate.layers.layermap import LayerMap
from layergate.preflight.findings import Finding

_HEIGHT_DIGITS, _BED_DIGITS = 4, 3
"""Of heights and places on the bed, mm: what is kept of numbers that were once of single precision."""


def placed(finding: Finding, layers: LayerMap) -> Finding:
    """Give the finding with the layer that its lines lie in and that layer's height, as far as its rule left them open."""
    where = finding.where
    z_mm, layer, box = where.z_mm, where.layer, where.box_mm
    if layer is None and where.lines is not None and len(layers):
        first, last = (_layer_of(line, layers) for line in where.lines)
        if first is not None and (first == last or z_mm is not None):
            layer = first + 1
            if z_mm is None and not layers.ramp[first]:
                z_mm = (float(layers.z_mm[first]), float(layers.z_mm[first]))
    if z_mm is not None:
        z_mm = (round(z_mm[0], _HEIGHT_DIGITS), round(z_mm[1], _HEIGHT_DIGITS))
    if box is not None:
        x0, y0, x1, y1 = (round(value, _BED_DIGITS) for value in box)
        box = (x0, y0, x1, y1)
    return finding.model_copy(update={"where": where.model_copy(update={"z_mm": z_mm, "layer": layer, "box_mm": box})})


def _layer_of(line: int, layers: LayerMap) -> int | None:
    """Give the position of the layer between whose first and last bead a line stands."""
    within = np.flatnonzero((layers.first_line <= line) & (line <= layers.last_line))
    # Lines of two layers may be interleaved: there, neither is said.
    return int(within[0]) if len(within) == 1 else None
