"""Weighted histograms with fixed bins, from which a layer's quantiles are taken without keeping its beads."""

from array import array

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

GAP_BIN_MM = 0.002
GAP_BINS = 4096
"""Gaps of up to 8.19 mm; larger ones (bridges, roofs) count in the last bin."""

_MOST_BINS = 64  # of one layer in a GapStore

LOWEST_AREA_MM2 = 1e-4
AREA_BINS = 2400
AREA_BIN_LN = 0.006
"""Bead areas from 1e-4 to 180 mm2 in steps of 0.6 %."""

QUANTILES = (0.10, 0.25, 0.50, 0.75, 0.90)


class GapStore:
    """Gap histograms of many layers, sparse, in two growing columns.

    Small arrays that live as long as the job would lie between the large ones that come and go, and the memory between
    them could not be given back.
    """

    def __init__(self) -> None:
        self._bins = array("H")
        self._weights = array("f")
        self._ends = array("L", [0])

    def add(self, histogram: F64) -> int:
        """Keep the bins that are not empty; give the number by which ``get`` finds them."""
        bins = np.flatnonzero(histogram)
        weights: F64 = histogram[bins]
        for width in (8, 32):  # coarser where gaps spread over many values, so that a layer stays small
            if len(bins) > _MOST_BINS:
                coarse: F64 = np.bincount(np.flatnonzero(histogram) // width, histogram[histogram > 0]).astype(
                    np.float64
                )
                bins = np.flatnonzero(coarse)
                weights, bins = coarse[bins], bins * width + width // 2
        self._bins.frombytes(bins.astype(np.uint16).tobytes())
        self._weights.frombytes(weights.astype(np.float32).tobytes())
        self._ends.append(len(self._bins))
        return len(self._ends) - 2

    def get(self, number: int) -> tuple[F64, F64]:
        """Give the gaps, mm, and the path length at each: two (n,) float64."""
        part = slice(self._ends[number], self._ends[number + 1])
        gaps = np.array(self._bins[part], np.float64) * GAP_BIN_MM
        return gaps, np.array(self._weights[part], np.float64)


def gap_histogram(gap_mm: npt.NDArray[np.float32], weight: npt.NDArray[np.float32]) -> F64:
    """Give the weights by gap: (GAP_BINS,) float64. Negative gaps count in the first bin."""
    bins = np.clip(np.rint(gap_mm / np.float32(GAP_BIN_MM)), 0, GAP_BINS - 1).astype(np.int32)
    return np.bincount(bins, weight, GAP_BINS).astype(np.float64, copy=False)


def area_histogram(area_mm2: F64, weight: F64) -> F64:
    """Give, by logarithm of bead area, the weights and the weighted areas: (2, AREA_BINS) float64."""
    logs = np.log(np.maximum(area_mm2, LOWEST_AREA_MM2) / LOWEST_AREA_MM2) / AREA_BIN_LN
    bins = np.clip(logs, 0, AREA_BINS - 1).astype(np.int32)
    return np.array((np.bincount(bins, weight, AREA_BINS), np.bincount(bins, weight * area_mm2, AREA_BINS)))


def _quantile_bins(histogram: F64, shares: tuple[float, ...]) -> F64:
    total = np.cumsum(histogram)
    if not len(total) or total[-1] <= 0:
        return np.full(len(shares), np.nan)
    bins: F64 = np.searchsorted(total, np.asarray(shares) * total[-1] * (1 - 1e-12)).astype(np.float64)
    return bins


def gap_quantiles(histogram: F64, shares: tuple[float, ...] = QUANTILES) -> F64:
    """Give weighted quantiles of the gap, mm, to the bin: (len(shares),) float64; NaN of an empty histogram."""
    return _quantile_bins(histogram, shares) * GAP_BIN_MM


def area_quantiles(histogram: F64, shares: tuple[float, ...] = QUANTILES) -> F64:
    """Give weighted quantiles of the bead area, mm2, each the mean of its bin: (len(shares),) float64."""
    bins = _quantile_bins(histogram[0], shares)
    if np.isnan(bins).any():
        return bins
    chosen = bins.astype(np.int64)
    areas: F64 = histogram[1, chosen] / histogram[0, chosen]
    return areas
