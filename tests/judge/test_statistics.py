"""Counts, outliers and spreads against published tables and a reference library."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from benchrig.judge.distributions import (
    beta_cdf,
    beta_quantile,
    normal_cdf,
    t_quantile,
)
from benchrig.judge.statistics import (
    Spread,
    cycles_needed,
    grubbs,
    grubbs_critical,
    proof_of_clean_cycles,
    robust_z,
    spread,
    stands_apart,
    upper_bound_95,
)

# NIST/SEMATECH handbook, 1.3.5.17.1 (from memory): uranium mass spectrometer readings.
HANDBOOK = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
TRAY = [14.4, 14.5, 14.5, 14.6, 14.4, 14.5, 14.6, 12.1]
EQUAL_TRAY = [14.5] * 6 + [14.6, 12.1]


@given(st.floats(0.5, 300), st.floats(0.5, 300), st.floats(1e-6, 1 - 1e-6))
def test_the_beta_function_agrees_with_scipy(a: float, b: float, x: float) -> None:
    assert beta_cdf(a, b, x) == pytest.approx(special.betainc(a, b, x), rel=1e-9, abs=1e-13)


@given(st.integers(1, 2000), st.integers(1, 2000), st.floats(0.001, 0.999))
def test_its_quantile_agrees_with_scipy(a: int, b: int, p: float) -> None:
    assert beta_quantile(a, b, p) == pytest.approx(special.betaincinv(a, b, p), rel=1e-8)


@given(st.floats(-10, 10), st.floats(1, 200), st.floats(0.0005, 0.9995))
def test_student_and_normal_agree_with_scipy(z: float, degrees: float, p: float) -> None:
    assert t_quantile(p, degrees) == pytest.approx(stats.t.ppf(p, degrees), rel=1e-7, abs=1e-7)
    assert normal_cdf(z) == pytest.approx(stats.norm.cdf(z), rel=1e-9)


def test_student_of_the_gum() -> None:
    # JCGM 100:2008, table G.2: 4 degrees of freedom, 95 %.
    assert t_quantile(0.975, 4) == pytest.approx(2.776, abs=5e-4)


@pytest.mark.parametrize(
    ("cycles", "bound"),
    # 1 - 0.05^(1/n); 0.0295 for 100 stands in worked pages on the rule of three.
    [(10, 0.258866), (25, 0.112928), (30, 0.095034), (100, 0.029513), (1000, 0.0029913)],
)
def test_zero_failure_bound(cycles: int, bound: float) -> None:
    assert upper_bound_95(cycles) == pytest.approx(bound, abs=1e-6)
    assert upper_bound_95(cycles) == pytest.approx(stats.beta.ppf(0.95, 1, cycles), rel=1e-9)


def test_bound_with_failures_none_and_all() -> None:
    assert upper_bound_95(0) is None
    assert upper_bound_95(3, 3) == 1.0
    assert upper_bound_95(100, 2) == pytest.approx(stats.beta.ppf(0.95, 3, 98), rel=1e-9)
    with pytest.raises(ValueError, match="failures"):
        upper_bound_95(3, 4)


def test_cycles_needed() -> None:
    # ln(1 - C) / ln(1 - p); success-run tables: 90/90 22, 95/95 59, 99/90 230.
    assert [cycles_needed(0.01), cycles_needed(0.001)] == [299, 2995]
    assert cycles_needed(0.10, 0.90) == 22
    assert cycles_needed(0.05) == 59
    assert cycles_needed(0.01, 0.90) == 230


@given(st.floats(0.001, 0.9))
def test_cycles_needed_is_the_least_that_proves(rate: float) -> None:
    n = cycles_needed(rate)
    assert (1 - rate) ** n <= 0.05 * (1 + 1e-6)
    assert n == 1 or (1 - rate) ** (n - 1) > 0.05 * (1 - 1e-6)


def test_what_25_clean_cycles_prove_is_said() -> None:
    assert "11.3 %" in proof_of_clean_cycles(25)
    assert "nothing is proven" in proof_of_clean_cycles(0)


@pytest.mark.parametrize(
    ("n", "critical"),
    # Two-sided 5 %, table in an open analytical-chemistry textbook (LibreTexts, appendix).
    # That table prints 2.202 for n = 7, a misprint of 2.020 as the t formula shows.
    [(4, 1.481), (5, 1.715), (6, 1.887), (7, 2.020), (8, 2.126), (10, 2.290), (12, 2.412)],
)
def test_grubbs_critical_values(n: int, critical: float) -> None:
    assert grubbs_critical(n) == pytest.approx(critical, abs=0.001)


def test_grubbs_example_of_the_handbook() -> None:
    found = grubbs(HANDBOOK, two_sided=False)
    assert found.statistic == pytest.approx(2.4688, abs=5e-4)
    assert found.critical == pytest.approx(2.032, abs=5e-4)
    assert (found.outlier, found.index) == (True, 7)
    assert not grubbs([*HANDBOOK[:-1], 202.2], two_sided=False).outlier


@pytest.mark.parametrize("n", range(7))
def test_grubbs_refuses_small_sets_with_the_reason(n: int) -> None:
    found = grubbs([14.5, 14.5, 14.6, 14.4, 9.0, 14.5][:n])
    assert not found.assessed
    assert not found.outlier
    assert "too few" in found.reason


def test_grubbs_on_equal_values_says_so() -> None:
    assert grubbs([14.5] * 8).reason == "all values are equal"
    assert grubbs([0.1 + 0.2] * 4 + [0.3] * 4).reason == "all values are equal"


def test_robust_z_and_its_fallback() -> None:
    # Iglewicz and Hoaglin 1993: 0.6745 (x - median) / MAD; mean deviation where MAD is 0.
    found = robust_z(TRAY)
    assert found.z[-1] == pytest.approx(-16.188, abs=0.001)
    assert found.flagged == (7,)
    found = robust_z(EQUAL_TRAY)
    assert found.z[-1] == pytest.approx(-6.1278, abs=0.001)
    assert "mean absolute deviation" in found.scale
    assert robust_z([14.5] * 4).z == (0.0,) * 4
    assert robust_z([]).z == ()
    # 0.1 + 0.2 is not 0.3 in binary; such a difference is no spread.
    assert robust_z([0.3, 0.3, 0.3, 0.3, 0.1 + 0.2]).scale == "all values are equal"


def test_what_stands_apart_is_found_by_either_measure() -> None:
    # The tray of NIST/SEMATECH's handbook, section 1.3.5.17.1: 245.57 is Grubbs' outlier.
    tray = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
    assert stands_apart(tray) == {7: "Grubbs 2.47, 5 % limit 2.13"}
    # Two far ones hide each other from Grubbs' test; too few values are none for it.
    assert stands_apart([14.5, 14.5, 14.4, 14.6, 19.0, 19.1, 14.55]).keys() == {4, 5}
    assert stands_apart([14.4, 14.5, 14.6, 14.5, 12.1]).keys() == {4}
    assert stands_apart([14.4, 14.5, 14.6, 14.5, 14.45]) == {}


def test_spread_names_its_definition() -> None:
    flows = [252.0, 248.0, 255.0, 246.0]
    assert 100 * spread(flows) == pytest.approx(3.5964, abs=1e-3)
    assert 100 * spread(flows, Spread.HALF_RANGE) == pytest.approx(1.7982, abs=1e-3)
    assert 100 * spread(flows, Spread.DEVIATION) == pytest.approx(1.611, abs=1e-3)
    assert Spread.RANGE.value == "(max - min) / mean"
    with pytest.raises(ValueError, match="above zero"):
        spread([1.0, 0.0])


@given(st.lists(st.floats(0.1, 1e6), min_size=1, max_size=8), st.floats(0.01, 100))
def test_spread_does_not_know_the_unit(values: list[float], factor: float) -> None:
    for definition in Spread:
        scaled = spread([v * factor for v in values], definition)
        assert math.isclose(scaled, spread(values, definition), rel_tol=1e-9, abs_tol=1e-9)
