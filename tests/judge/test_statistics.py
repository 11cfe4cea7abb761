"""Counts, outliers and spreads against published tables and a reference library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats

from benchrig.judge.distributions import (
    beta_cdf,
    beta_quantile,
    normal_cdf,
    normal_quantile,
    t_cdf,
    t_quantile,
)
from benchrig.judge.statistics import (
    Spread,
    cycles_needed,
    grubbs_critical,
    parts_apart,
    proof_of_clean_cycles,
    spread,
    stands_apart,
    upper_bound_95,
)

# NIST/SEMATECH handbook, 1.3.5.17.1 (from memory): uranium mass spectrometer readings.
HANDBOOK = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


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
    assert t_cdf(z, degrees) == pytest.approx(stats.t.cdf(z, degrees), rel=1e-7)
    assert normal_quantile(p) == pytest.approx(stats.norm.ppf(p), abs=1e-9)


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
    farthest = (HANDBOOK[7] - np.mean(HANDBOOK)) / np.std(HANDBOOK, ddof=1)
    assert farthest == pytest.approx(2.4688, abs=5e-4)
    # Printed there one-sided at 5 %, which is two-sided at 10 %.
    assert grubbs_critical(8, 0.10) == pytest.approx(2.032, abs=5e-4)
    assert stands_apart(HANDBOOK) == (7,)
    assert stands_apart([*HANDBOOK[:-1], 202.2]) == ()


# NIST/SEMATECH handbook, section 1.3.5.17.3 (Rosner's 54 values), from memory; the statistics
# below are those printed there, and only the right values give all of them.
ROSNER = [
    *(-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56),
    *(1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10),
    *(2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92),
    *(2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01),
]


def test_the_handbooks_three_outliers_stand_apart() -> None:
    # The third is too far (3.179 against 3.144) though the first is not (3.119 against 3.159).
    first = (max(ROSNER) - np.mean(ROSNER)) / np.std(ROSNER, ddof=1)
    assert first == pytest.approx(3.119, abs=5e-4)
    assert grubbs_critical(54) == pytest.approx(3.159, abs=5e-4)
    assert stands_apart(ROSNER) == (51, 52, 53)


def test_what_stands_apart_is_found_though_two_hide_each_other() -> None:
    assert stands_apart([14.5, 14.5, 14.4, 14.6, 19.0, 19.1, 14.55]) == (4, 5)
    assert stands_apart([14.4, 14.5, 14.6, 14.5, 12.1]) == (4,)
    assert stands_apart([14.4, 14.5, 14.6, 14.5, 14.45]) == ()
    assert stands_apart([14.4, 14.5, 14.6, 99.0]) == ()
    assert stands_apart([14.5] * 8) == ()
    assert stands_apart([0.1 + 0.2] * 4 + [0.3] * 4) == ()


@pytest.mark.parametrize("parts", [5, 8, 12, 24, 40])
def test_one_clean_tray_in_twenty_is_asked_about(parts: int) -> None:
    draw = np.random.default_rng(parts)
    asked = 0
    for _ in range(1000):
        tray = {
            name: dict(enumerate(draw.normal(mean, 0.01 * mean, parts).tolist()))
            for name, mean in (("resistance", 14.5), ("current", 0.9), ("travel", 1.2e-3))
        }
        asked += bool(parts_apart(tray))
    # 5 % of 1,000 and, at the 99.9th percentile, 73; not so few that nothing would be found.
    assert 10 <= asked <= stats.binom.ppf(0.999, 1000, 0.05)


def test_parts_apart_name_what_they_stand_apart_in() -> None:
    flows = {f"T-{n}": 240.0 + n for n in range(8)} | {"T-9": 24.0}
    assert parts_apart({"flow": flows, "few": {"T-9": 1.0}}) == {"T-9": ("flow",)}


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
