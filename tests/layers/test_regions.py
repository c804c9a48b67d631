"""Cells that touch, against a plain search by distance."""

import random

import numpy as np
import pytest

from layergate.layers.regions import cell_keys, touching


@pytest.mark.parametrize("seed", range(4))
def test_touching_is_one_cell_away_at_most(seed: int) -> None:
    """By definition: the larger of the distances in columns and rows is 0 or 1."""
    lots = random.Random(seed)
    one, other = (np.array([(lots.randrange(-9, 9), lots.randrange(-9, 9)) for _ in range(40)]) for _ in range(2))
    keys, others = (cell_keys(points[:, 0] + 0.5, points[:, 1] + 0.5, 1.0) for points in (one, other))
    near = np.abs(one[:, None] - other[None]).max(axis=2).min(axis=1) <= 1
    assert touching(keys, np.sort(others)).tolist() == near.tolist()
    assert not touching(keys, others[:0]).any()
