"""Quantiles from histograms against sorting."""

from random import Random

import numpy as np
import pytest
from tests.oracles.effort import seeds

from layergate.layers.histogram import (
    AREA_BIN_LN,
    AREA_BINS,
    GAP_BIN_MM,
    GAP_BINS,
    QUANTILES,
    area_histogram,
    area_quantiles,
    gap_histogram,
    gap_quantiles,
)


def sorted_quantile(values: list[float], weights: list[float], share: float) -> float:
    """The value at which the running weight, in order of values, first reaches the share."""
    total, wanted = 0.0, share * sum(weights)
    for value, weight in sorted(zip(values, weights, strict=True)):
        total += weight
        if total >= wanted * (1 - 1e-9):
            return value
    raise AssertionError("no values")


@pytest.mark.parametrize("seed", seeds(20))
def test_quantiles_are_those_of_the_sorted_values(seed: int) -> None:
    """To half a bin for gaps, to a bin (0.6 %) for areas; summed over several pieces."""
    rng = Random(seed)
    count = rng.choice((1, 3, 200))
    gaps = [round(rng.choice((0.2, 0.2, 0.4, 7.9)) + rng.uniform(0, 0.02), 4) for _ in range(count)]
    areas = [rng.choice((0.08, 0.1, 2.0)) * rng.uniform(0.9, 1.1) for _ in range(count)]
    weights = [rng.uniform(0.1, 5) for _ in range(count)]
    half = count // 2
    gap_total, area_total = np.zeros(GAP_BINS), np.zeros((2, AREA_BINS))
    for a, b in ((0, half), (half, count)):
        gap_total += gap_histogram(np.array(gaps[a:b], np.float32), np.array(weights[a:b], np.float32))
        area_total += area_histogram(np.array(areas[a:b]), np.array(weights[a:b]))
    for share, gap, area in zip(QUANTILES, gap_quantiles(gap_total), area_quantiles(area_total), strict=True):
        assert gap == pytest.approx(sorted_quantile(gaps, weights, share), abs=GAP_BIN_MM / 2 + 1e-6)
        assert area == pytest.approx(sorted_quantile(areas, weights, share), rel=AREA_BIN_LN * 1.01)


def test_nothing_measured_gives_nan() -> None:
    """No beads, no quantiles; not a zero that looks measured."""
    none = np.empty(0)
    assert np.isnan(gap_quantiles(gap_histogram(none.astype(np.float32), none.astype(np.float32)))).all()
    assert np.isnan(area_quantiles(area_histogram(none, none))).all()


def test_values_beyond_the_bins_count_at_their_ends() -> None:
    """A gap of a metre and a negative one are kept, in the last and the first bin."""
    gaps = gap_histogram(np.array([1000.0, -5.0], np.float32), np.ones(2, np.float32))
    assert gaps[[0, -1]].tolist() == [1, 1]
