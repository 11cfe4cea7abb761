"""The quick ways to a plateau's level, against numpy's general ones."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.measure.dropouts import _between_centres, _followed, _on_levels, medians


@pytest.mark.parametrize("samples", [1, 2, 3, 99, 100])
def test_medians_are_numpys(samples: int) -> None:
    rows = np.random.default_rng(samples).normal(size=(7, samples))
    assert np.array_equal(medians(rows), np.median(rows, axis=1))
    assert float(medians(rows[0])) == float(np.median(rows[0]))


@pytest.mark.parametrize(
    ("size", "samples"), [(100, 1234), (17, 200), (16, 16), (33, 40), (101, 1010)]
)
def test_lines_between_the_middles_of_chunks_are_numpys(size: int, samples: int) -> None:
    count = samples // size
    levels = np.random.default_rng(size).normal(size=count)
    expected = np.interp(np.arange(samples), (np.arange(count) + 0.5) * size, levels)
    assert _between_centres(levels, size, samples) == pytest.approx(expected, abs=1e-12)


def test_a_chunk_far_below_its_neighbours_shows_no_level() -> None:
    assert _followed(np.array([1.0, 0.99, 0.96])).all()
    assert _followed(np.array([1.0, 0.5, 0.99])).tolist() == [True, False, True]
    assert _followed(np.array([0.5, 1.0, 0.99])).tolist() == [False, True, True]


def test_a_chunk_that_is_mostly_open_has_the_level_of_the_rest() -> None:
    rows = np.array([[0.0] * 7 + [1.0, 0.9, 0.8], [1.0, 0.9, 0.8] * 3 + [0.0], [0.0] * 10])
    assert _on_levels(rows).tolist() == pytest.approx([0.9, 0.9, 0.0])
    below_zero = np.array([[-3.0] * 7 + [-1.0] * 3])  # an offset, and nothing flows
    assert _on_levels(below_zero).tolist() == [-3.0]
