"""Coefficients that must not be negative, against scipy's own implementation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import nnls

from benchrig.measure.least_squares import nonnegative


@pytest.mark.parametrize("seed", range(30))
def test_it_finds_what_scipy_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows, count = int(rng.integers(8, 60)), int(rng.integers(1, 20))
    matrix = rng.normal(size=(rows, count)) + rng.uniform(0, 1.5)
    y = rng.normal(size=rows) + matrix @ np.maximum(rng.normal(size=count), 0)
    start = rng.random(count) < 0.5
    expected, norm = nnls(matrix, y)
    for active in (None, start):
        found = nonnegative(matrix.T @ matrix, matrix.T @ y, active)
        assert np.all(found >= 0)
        assert np.linalg.norm(y - matrix @ found) == pytest.approx(norm, rel=1e-6, abs=1e-9)
        if count < rows:
            np.testing.assert_allclose(found, expected, atol=1e-5)
