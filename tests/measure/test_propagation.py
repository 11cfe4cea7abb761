"""Correlated quantities: the worked example H.2 of the GUM, whole."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchrig.measure.flow import flow_line
from benchrig.measure.propagation import NORMAL_95, FloatArray, few_points, propagate, ratio
from benchrig.measure.reading import standard_error
from benchrig.quantity import Contribution, Measured

# JCGM 100:2008, Table H.2 (also test_GUMH2.csv of the open calculator sandialabs/suncal).
VOLTS = [5.007, 4.994, 5.005, 4.990, 4.999]
AMPERES = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
RADIANS = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def paired_means() -> tuple[FloatArray, FloatArray]:
    """Means of the quantities read together, and the covariance of those means (GUM 5.2.3)."""
    table = np.asarray([VOLTS, AMPERES, RADIANS])
    return table.mean(axis=1), np.cov(table) / table.shape[1]


def correlation_of(covariance: FloatArray) -> FloatArray:
    spread = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(spread, spread), dtype=np.float64)


def impedance(x: FloatArray) -> list[float]:
    volts, amperes, phase = x
    return [
        float(volts * math.cos(phase) / amperes),
        float(volts * math.sin(phase) / amperes),
        float(volts / amperes),
    ]


def test_gum_h2_means_and_correlations() -> None:
    """The inputs as the GUM has them; what follows is propagated from them."""
    means, covariance = paired_means()
    assert means == pytest.approx([4.9990, 19.6610e-3, 1.04446])
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.0032, 0.0095e-3, 0.00075], rel=0.01)
    r = correlation_of(covariance)
    # Coefficients as in the GUM_H2 example of the open package MSLNZ/GTC.
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)


def test_gum_h2_results_uncertainties_and_their_correlations() -> None:
    values, covariance = propagate(impedance, *paired_means())
    assert values == pytest.approx([127.732, 219.847, 254.260], abs=0.001)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.071, 0.295, 0.236], abs=0.001)
    r = correlation_of(covariance)
    # Table H.4, from memory; recomputed independently with the same result.
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.001)


def test_gum_h2_without_its_correlations_is_wrong() -> None:
    means, covariance = paired_means()
    _, dropped = propagate(impedance, means, np.diag(np.diag(covariance)))
    u = np.sqrt(np.diag(dropped))
    assert u == pytest.approx([0.1945, 0.2009, 0.2041], abs=0.0005)
    assert u[0] > 2.7 * 0.071


def test_a_ratio_keeps_what_is_shared_apart_from_what_is_not() -> None:
    def reading(value: float, gain: float, noise: float) -> Measured:
        lines = (
            Contribution(source="gain", std_uncertainty=gain),
            Contribution(source="noise", std_uncertainty=noise),
        )
        return Measured.from_budget(value, "ohm", lines)

    a, b = reading(20.0, 0.4, 0.02), reading(10.0, 0.2, 0.01)
    independent, shared = ratio(a, b, "1"), ratio(a, b, "1", shared=("gain",))
    assert independent.std_uncertainty == pytest.approx(2 * math.hypot(0.02, 0.02, 1e-3, 1e-3))
    assert shared.std_uncertainty == pytest.approx(2 * math.hypot(1e-3, 1e-3))


@pytest.mark.parametrize(
    ("dof", "t"), [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (10, 2.23), (20, 2.09)]
)
def test_few_points_are_widened_by_students_t(dof: int, t: float) -> None:
    # JCGM 100:2008, table G.2, 95 % (from memory; any table of Student's t has the same).
    assert few_points(dof) * NORMAL_95 == pytest.approx(t, abs=0.012)
    assert few_points(100_000) == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("points", [3, 4, 8, 16])
def test_means_and_lines_of_few_points_are_covered(points: int) -> None:
    """k = 2 is said to cover about 95 %: at 2,000 draws, 93 % is four deviations off."""
    rng = np.random.default_rng(points)
    draws = rng.standard_normal((2000, points))
    inside = [abs(float(row.mean())) < 2 * standard_error(row) for row in draws]
    assert 0.93 < np.mean(inside) < 0.98
    widths = np.linspace(2.0, 10.0, points)
    covered = 0
    for row in draws:  # three times the scatter that the glass alone explains
        found = flow_line(list(widths), list(4.0 * (widths - 0.85) + 0.6 * row), 0.2)
        covered += abs(found.slope.value - 4.0) < found.slope.expanded
    assert covered > 0.93 * len(draws)
