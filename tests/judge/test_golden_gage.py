"""Control charts and gage studies against published constants and data."""

from __future__ import annotations

import random

import numpy as np
import pytest
from scipy import integrate, stats

from benchrig.judge.gage import anova_study, range_study
from benchrig.judge.golden import BASELINE_LEAST, check_golden, mornings_out
from benchrig.judge.shewhart import d2, d2_star, d3_d4
from benchrig.judge.verdict import Verdict
from benchrig.parts.part import Characteristic
from benchrig.quantity import Measured
from tests.judge.gage_sheet import READINGS

R20 = Characteristic.RESISTANCE_20C


def test_range_study_of_the_data_sheet() -> None:
    found = range_study(READINGS)
    # Printed on the sheet: mean ranges, means, differences, UCL of the range.
    assert found.mean_ranges == pytest.approx([0.1840, 0.5130, 0.3280], abs=5e-5)
    assert found.means == pytest.approx([0.1903, 0.0683, -0.2543], abs=5e-5)
    assert found.mean_range == pytest.approx(0.3417, abs=5e-4)
    assert found.range_of_means == pytest.approx(0.4447, abs=5e-4)
    assert found.range_of_parts == pytest.approx(3.511, abs=5e-4)
    assert found.range_limit == pytest.approx(0.8815, rel=0.003)  # printed with D4 as 2.58
    # From the printed constants K1 0.5908, K2 0.5231, K3 0.3146.
    assert found.repeatability == pytest.approx(0.2019, abs=5e-4)
    assert found.reproducibility == pytest.approx(0.2297, abs=5e-4)
    assert found.gage == pytest.approx(0.3058, abs=5e-4)
    assert found.parts == pytest.approx(1.1046, abs=5e-4)
    assert found.total == pytest.approx(1.1461, abs=5e-4)
    assert found.percent_gage == pytest.approx(26.68, abs=0.05)
    assert found.distinct_categories == 5
    assert "conditional" in found.sentence


def test_anova_study_of_the_data_sheet() -> None:
    found = anova_study(READINGS)
    # Printed in the manual's analysis (from memory): 0.199933, 0.226838, 0.302373, 1.042327.
    assert found.pooled
    assert found.repeatability == pytest.approx(0.199933, abs=2e-6)
    assert found.reproducibility == pytest.approx(0.226838, abs=2e-6)
    assert found.gage == pytest.approx(0.302373, abs=2e-6)
    assert found.parts == pytest.approx(1.042327, abs=2e-6)
    sums = (found.ss_parts, found.ss_people, found.ss_interaction, found.ss_error)
    assert sums == pytest.approx((88.36193, 3.16726, 0.35898, 2.75893), abs=2e-5)
    assert found.distinct_categories == 4


def test_anova_finds_what_was_put_in_and_keeps_a_true_interaction() -> None:
    draw = np.random.default_rng(7)
    people, parts, trials = 8, 10, 10
    table = (
        draw.normal(0, 1.0, parts)[None, :, None]
        + draw.normal(0, 0.5, (people, parts))[:, :, None]
        + draw.normal(0, 0.1, (people, parts, trials))
    )
    found = anova_study(table.tolist())
    assert not found.pooled
    assert found.repeatability == pytest.approx(0.1, rel=0.1)
    assert found.reproducibility == pytest.approx(0.5, rel=0.3)
    # Sums of squares add up to the whole, whatever the data.
    whole = float(((table - table.mean()) ** 2).sum())
    parts_of = found.ss_parts + found.ss_people + found.ss_interaction + found.ss_error
    assert parts_of == pytest.approx(whole, rel=1e-12)


@pytest.mark.parametrize(
    "readings", [[[[1.0, 2.0]]], [[[1.0]]], [[[1.0, 2.0], [1.0]], [[1.0, 2.0], [1.0, 2.0]]], []]
)
def test_studies_refuse_uneven_or_tiny_data(readings: list[list[list[float]]]) -> None:
    for study in (range_study, anova_study):
        with pytest.raises(ValueError, match=r"two people|equally often"):
            study(readings)


@pytest.mark.parametrize("n", range(2, 11))
def test_range_constants_by_integration(n: int) -> None:
    # E[range] and E[range²] of n standard normal values, by their integrals over P(range > w).
    x, grid = np.linspace(-8, 8, 801), np.linspace(0, 12, 401)
    gap = stats.norm.cdf(x[None, :] + grid[:, None]) - stats.norm.cdf(x)[None, :]
    inner = n * stats.norm.pdf(x)[None, :] * gap ** (n - 1)
    tails = 1 - integrate.simpson(inner, x=x, axis=1)
    mean = float(integrate.simpson(tails, x=grid))
    square = float(integrate.simpson(2 * grid * tails, x=grid))
    assert d2(n) == pytest.approx(mean, abs=2e-5)
    deviation = (square - mean**2) ** 0.5
    assert d3_d4(n)[1] == pytest.approx(1 + 3 * deviation / mean, abs=2e-4)
    assert d2_star(n) == pytest.approx((mean**2 + deviation**2) ** 0.5, abs=2e-5)


def test_published_chart_constants() -> None:
    # ASTM / ISO 7870 tables (from memory).
    d4 = [d3_d4(n)[1] for n in range(2, 7)]
    assert d4 == pytest.approx([3.267, 2.575, 2.282, 2.114, 2.004], abs=1e-3)
    assert [d3_d4(n)[0] for n in range(2, 7)] == [0.0] * 5
    assert 1 / d2(3) == pytest.approx(0.5908, abs=5e-5)
    assert 1 / d2_star(3) == pytest.approx(0.5231, abs=5e-5)
    assert 1 / d2_star(10) == pytest.approx(0.3146, abs=1e-4)


def test_constants_are_for_small_samples() -> None:
    with pytest.raises(ValueError, match="2 to 10"):
        d2(11)


# --- the golden part ----------------------------------------------------------------------------


def golden(value: float, u: float = 0.02) -> dict[Characteristic, Measured]:
    return {R20: Measured(value=value, std_uncertainty=u, unit="ohm")}


def mornings(count: int = 20, seed: int = 3) -> list[float]:
    draw = random.Random(seed)
    return [draw.gauss(14.5, 0.02) for _ in range(count)]


def test_a_steady_golden_part_lets_parts_be_judged() -> None:
    found = check_golden(golden(14.51), {R20: mornings()})
    assert found.verdict is Verdict.PASS
    assert found.may_judge
    (chart,) = found.charts
    assert chart.low is not None
    assert chart.high is not None
    assert chart.low < 14.51 < chart.high
    assert chart.points[-1] == 14.51


def test_a_golden_part_out_of_control_stops_judging() -> None:
    found = check_golden(golden(14.7), {R20: mornings()})
    assert found.verdict is Verdict.FAIL
    assert not found.may_judge
    assert found.charts[0].outside[-1] == 20
    assert "check leads" in found.reason


def test_a_lasting_drift_cannot_carry_its_limits_along() -> None:
    # Judged by all mornings, 14.58 ohm would by now be the normal value.
    drifted = [*mornings(), *(value + 0.08 for value in mornings(60, seed=4))]
    found = check_golden(golden(14.58), {R20: drifted})
    assert found.verdict is Verdict.FAIL
    assert found.charts[0].centre == pytest.approx(14.5, abs=0.02)


def test_a_shift_to_one_side_is_told_before_it_leaves_the_limits() -> None:
    shifted = [*mornings(), *[14.52] * 7]
    found = check_golden(golden(14.52), {R20: shifted})
    assert found.verdict is Verdict.INCONCLUSIVE
    assert "one side" in found.reason


def test_the_first_mornings_learn() -> None:
    found = check_golden(golden(14.5), {R20: mornings(BASELINE_LEAST - 1)})
    assert found.verdict is Verdict.NOT_ASSESSED
    assert f"{BASELINE_LEAST - 1} of {BASELINE_LEAST}" in found.reason
    assert check_golden(golden(14.5), {}).verdict is Verdict.NOT_ASSESSED
    assert check_golden({}, {}).verdict is Verdict.NOT_ASSESSED


def test_equal_readings_do_not_make_limits_without_width() -> None:
    found = check_golden(golden(14.51, u=0.01), {R20: [14.5] * 10})
    assert found.verdict is Verdict.PASS
    # 3.6 sigma of a morning beside the mean of ten.
    assert found.charts[0].high == pytest.approx(14.5 + 3.6 * 0.01 * 1.1**0.5)


def sound(seed: int, count: int, names: int) -> dict[Characteristic, list[float]]:
    """Mornings of one bench, each characteristic with a spread and a level of its own."""
    draw = np.random.default_rng(seed)
    level = (14.5, 0.9, 1.2e-3)
    return {
        name: (level[i] * (1 + 1e-3 * (1 + i) * draw.normal(size=count))).tolist()
        for i, name in enumerate((R20, Characteristic.CURRENT, Characteristic.OPENING_TIME)[:names])
    }


def stops(mornings: dict[Characteristic, list[float]], first: int) -> int | None:
    """The first morning from ``first`` on that stops the day."""
    found = [mornings_out(values, 1.0, charts=len(mornings)) for values in mornings.values()]
    count = len(found[0])
    return next(
        (i for i in range(first, count) if any(f[i].outside or f[i].shifted for f in found)), None
    )


@pytest.mark.parametrize("names", [1, 2, 3])
def test_a_sound_bench_stops_less_than_once_in_370_mornings(names: int) -> None:
    # Average run length of 3 sigma limits with everything known: 370 (Shewhart).
    worked = alarms = 0
    for seed in range(400):
        found = stops(sound(seed, 208, names), BASELINE_LEAST)
        worked += (found or 208) - BASELINE_LEAST
        alarms += found is not None
    # 95 % of counts lie below this where the true rate is one in 370.
    assert 0 < alarms <= stats.poisson.ppf(0.95, worked / 370)


@pytest.mark.parametrize("names", [1, 2, 3])
def test_a_shift_of_two_deviations_is_found_within_six_mornings(names: int) -> None:
    delays = []
    for seed in range(400):
        mornings = sound(seed, 60, names)
        mornings[R20][24:] = [value + 2 * 14.5e-3 for value in mornings[R20][24:]]
        found = stops(mornings, 24)
        delays.append((found or 60) - 24 + 1)
    assert np.mean(delays) <= 6.0


def test_the_days_verdict_is_that_of_its_morning() -> None:
    mornings = sound(5, 60, 3)
    mornings[R20][24:] = [value + 2 * 14.5e-3 for value in mornings[R20][24:]]
    first = stops(mornings, BASELINE_LEAST)
    assert first is not None
    for at in range(first - 4, first + 1):
        today = {
            name: Measured(value=values[at], std_uncertainty=1.0, unit="")
            for name, values in mornings.items()
        }
        found = check_golden(today, {n: values[:at] for n, values in mornings.items()})
        assert found.may_judge is (at < first)
    assert "lie above" in found.reason or "outside" in found.reason
