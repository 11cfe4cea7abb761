"""The noise of a simulated rig against SciPy's normal distribution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from benchrig_sim.noise import AHEAD, Noise, _parts

COUNT = 4_000_000


@pytest.fixture(scope="module")
def drawn() -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return Noise(3).take(COUNT).astype(np.float64)


def test_it_is_normal(drawn: np.ndarray[tuple[int], np.dtype[np.float64]]) -> None:
    assert stats.kstest(drawn[::4], "norm").pvalue > 0.01
    assert abs(drawn.mean()) < 3.0 / COUNT**0.5
    assert abs(drawn.var() - 1.0) < 3.0 * (2.0 / COUNT) ** 0.5
    assert abs(stats.kurtosis(drawn)) < 3.0 * (24.0 / COUNT) ** 0.5


def test_neighbours_do_not_know_of_one_another(
    drawn: np.ndarray[tuple[int], np.dtype[np.float64]],
) -> None:
    for lag in (1, 2, 3, 4, 8, AHEAD):
        together = float(np.mean(drawn[lag:] * drawn[:-lag]))
        assert abs(together) < 3.5 / (COUNT - lag) ** 0.5, lag


@pytest.mark.parametrize("bound", [3.0, 4.0, 4.17, 4.5, 5.0])
def test_outliers_are_as_frequent_as_they_should_be(
    bound: float, drawn: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> None:
    for side in (drawn > bound, drawn < -bound):
        expected = COUNT * stats.norm.sf(bound)
        assert stats.poisson.cdf(side.sum(), expected) > 1e-4
        assert stats.poisson.sf(side.sum() - 1, expected) > 1e-4


def test_each_part_has_the_mean_of_its_share_of_the_normal_distribution() -> None:
    means, tail = _parts()
    assert tail == pytest.approx(stats.norm.isf(1.0 / len(means)), abs=1e-5)
    middle = stats.norm.ppf((np.arange(len(means)) + 0.5) / len(means))
    inner = slice(64, -64)  # further out the mean of a part is not its middle
    assert np.abs(means[inner] - middle[inner]).max() < 5e-5
    assert means.astype(np.float64).std() == pytest.approx(1.0, abs=1e-5)


def test_it_is_the_same_however_it_is_taken() -> None:
    whole, pieces = Noise(4), Noise(4)
    expected = whole.take(100_000)
    got = [pieces.take(count).copy() for count in (1, 8191, 3, 20_000, 1)]
    pieces.give_back(10_000)
    del got[-1]
    got[-1] = got[-1][:-9_999]
    got.append(pieces.take(100_000 - sum(map(len, got))))
    assert np.array_equal(np.concatenate(got), expected)
    assert not np.array_equal(Noise(5).take(1000), expected[:1000])
