"""The generated family: the file is what its generator makes, and it knows those coils."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchrig.measure import motion_family, motion_model
from benchrig.measure.motion_scale import TIME_STEP

Array = NDArray[np.float64]
NOISE = 1.2e-3  # of the final current


def test_the_file_knows_the_coils_of_its_generator() -> None:
    """Coils drawn again: timed within their uncertainty, and with no more misfit than noise."""
    rng = np.random.default_rng(8)
    grid = motion_model.make_grid(np.asarray(0.06 + 0.12 * np.arange(41), dtype=np.float64))
    timing = motion_model.make_timing(grid, NOISE)
    place = np.round(grid.u / TIME_STEP).astype(int)
    for source in range(len(motion_family.BANK_COILS) + len(motion_family.SHELL_COILS)):
        coils = motion_family.moving_chunk(2, source, 0, 300)
        fit = (coils.end > 0.6) & (coils.end < 4.4) & (coils.manner < 2)
        if np.count_nonzero(fit) < 30:
            continue
        clean = coils.currents[fit][:, place].astype(float)
        noisy = clean + rng.normal(0, NOISE, clean.shape)
        end, deviation, _, _, misfit = timing.assess(noisy)
        assert np.mean(np.abs(end - coils.end[fit]) < 2.5 * deviation) > 0.88, source
        assert 0.6 < np.median(misfit) < 1.3, source


def _curves(data: Mapping[str, NDArray[Any]], name: str) -> Array:
    return np.asarray(data[name].astype(float) @ data["basis"].astype(float))


def test_the_file_knows_how_a_coil_differs_from_itself_warmer() -> None:
    """Compared by power, since factors may come out with other signs on another machine."""
    made, left = motion_family.warm_shapes()
    held = _curves(motion_model.family(), "warm_factors")
    np.testing.assert_allclose(np.sum(made**2, axis=0), np.sum(held**2, axis=0), atol=2e-5)
    # What a scaling leaves is small, and the factors hold nearly all of it.
    assert 0.01 < np.sqrt(np.mean(np.sum(made**2, axis=0))) < 0.05
    assert left < 1e-3 * np.mean(np.sum(made**2, axis=0))


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_the_file_is_what_the_generator_makes() -> None:
    """Compared as curves, since a basis may come out with other signs on another machine."""
    made, held = motion_family.generate(), motion_model.family()
    assert set(made) == set(held)
    assert made["group_mean"].shape == held["group_mean"].shape
    np.testing.assert_allclose(made["middle"], held["middle"], atol=1e-5)
    np.testing.assert_allclose(made["group_instant"], held["group_instant"], atol=1e-4)
    for name in ("group_mean", "signature", "stuck"):
        np.testing.assert_allclose(_curves(made, name), _curves(held, name), atol=5e-3)
    made_power, held_power = (
        np.sum(_curves(d, "group_factors") ** 2, axis=1) for d in (made, held)
    )
    np.testing.assert_allclose(made_power, held_power, rtol=0.05, atol=1e-6)
