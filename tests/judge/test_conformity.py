"""Limits, guard bands and probabilities against the standards that define them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.judge.conformity import conformance_probability, judge_value, zone_of
from benchrig.judge.verdict import Judged, Verdict, Zone
from benchrig.judge.words import limit_words, listed, with_uncertainty
from benchrig.parts.part import Characteristic, DecisionRule, Limit
from benchrig.quantity import Measured


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "expected", "tolerance"),
    [
        (13.6, 1.8, 12.5, 16.3, 0.66, 0.005),  # JCGM 106:2012, 7.4
        (509.7, 8.6, 490.0, None, 0.99, 0.002),  # JCGM 106:2012, 7.3.3 example 2 (from memory)
        (-5.47, 0.05, None, -5.40, 0.92, 0.002),  # JCGM 106:2012, 7.3.3 example 1 (from memory)
    ],
)
def test_conformance_probability_of_the_standard(
    value: float,
    u: float,
    low: float | None,
    high: float | None,
    expected: float,
    tolerance: float,
) -> None:
    assert conformance_probability(value, u, low, high) == pytest.approx(expected, abs=tolerance)


def test_lot_conformity_of_the_resistor_example() -> None:
    # JCGM 106:2012, 9.5 setting (from memory): 1500 ohm ± 0.2 ohm, u0 = 0.12 ohm.
    assert conformance_probability(1500.0, 0.12, 1499.8, 1500.2) == pytest.approx(0.9044, abs=1e-4)


@pytest.mark.parametrize(
    ("value", "zone", "verdict"),
    # ILAC-G8:09/2019, 4.2.3 with TU = 18.0 and w = U = 0.30.
    [
        (17.69, Zone.PASS, Verdict.PASS),
        (17.8, Zone.CONDITIONAL_PASS, Verdict.INCONCLUSIVE),
        (18.1, Zone.CONDITIONAL_FAIL, Verdict.INCONCLUSIVE),
        (18.31, Zone.FAIL, Verdict.FAIL),
    ],
)
def test_the_four_zones(value: float, zone: Zone, verdict: Verdict) -> None:
    found = judged(value, 0.15, None, 18.0)
    assert (found.zone, found.verdict) == (zone, verdict)
    assert found.guard_band == pytest.approx(0.30)


def test_the_probability_stands_beside_the_zone() -> None:
    found = judged(17.8, 0.15, None, 18.0)
    # Normal distribution: Phi(0.2 / 0.15).
    assert found.conformance_probability == pytest.approx(0.90879, abs=1e-4)
    assert "90.9 %" in found.reason


def judged(
    value: float,
    u: float,
    low: float | None,
    high: float | None,
    rule: DecisionRule = DecisionRule.GUARD_BAND,
) -> Judged:
    limit = Limit(
        characteristic=Characteristic.RESISTANCE_20C, low=low, high=high, source="s", rule=rule
    )
    measured = Measured(value=value, std_uncertainty=u, unit="ohm")
    return judge_value(Characteristic.RESISTANCE_20C, measured, limit)


def test_simple_acceptance_where_the_part_file_asks() -> None:
    # ILAC-G8:09/2019, 4.2.1: the acceptance limit is the tolerance limit.
    inside = judged(17.95, 0.15, 11.0, 18.0, DecisionRule.SIMPLE)
    outside = judged(18.05, 0.15, 11.0, 18.0, DecisionRule.SIMPLE)
    assert (inside.verdict, outside.verdict) == (Verdict.PASS, Verdict.FAIL)
    assert (inside.zone, inside.guard_band) == (None, 0.0)
    assert "simple acceptance" in inside.reason
    assert judged(17.95, 0.15, 11.0, 18.0).verdict is Verdict.INCONCLUSIVE  # the other rule


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (14.5, "14.50 ± 0.30 ohm is within 11 to 18 ohm by more than its uncertainty"),
        (10.0, "10.00 ± 0.30 ohm is below 11 ohm (allowed: 11 to 18 ohm) by more than"),
        (18.9, "18.90 ± 0.30 ohm is above 18 ohm (allowed: 11 to 18 ohm) by more than"),
        (17.9, "17.90 ± 0.30 ohm is within 11 to 18 ohm but nearer to 18 ohm than"),
        (10.9, "10.90 ± 0.30 ohm is below 11 ohm (allowed: 11 to 18 ohm) but by less than"),
    ],
)
def test_reasons_are_sentences_with_value_unit_and_limit(value: float, words: str) -> None:
    assert judged(value, 0.15, 11.0, 18.0).reason.startswith(words)


def test_without_a_limit_or_a_value_nothing_is_judged() -> None:
    measured = Measured(value=14.5, std_uncertainty=0.1, unit="ohm")
    found = judge_value(Characteristic.RESISTANCE_20C, measured, None)
    assert found.verdict is Verdict.NOT_ASSESSED
    assert found.reason == "no published limit given"
    assert found.measured == measured
    found = judge_value(Characteristic.RESISTANCE_20C, None, None, missing="no current")
    assert (found.verdict, found.reason) == (Verdict.NOT_ASSESSED, "no current")


def test_numbers_as_a_customer_reads_them() -> None:
    assert with_uncertainty(14.5234, 0.0612, "ohm") == "14.523 ± 0.061 ohm"
    assert with_uncertainty(0.0123456, 0.0002, "H") == "12.35 ± 0.20 mH"
    assert with_uncertainty(1234.0, 56.0, "1/min") == "1234 ± 56 1/min"
    assert with_uncertainty(12345.0, 560.0, "1/min") == "12340 ± 560 1/min"
    assert with_uncertainty(4.2e6, 1e5, "ohm") == "4.20 ± 0.10 Mohm"
    assert with_uncertainty(-2e-6, 1.3e-3, "A") == "0.0 ± 1.3 mA"
    assert with_uncertainty(-3.0, 560.0, "1/min") == "0 ± 560 1/min"
    limit = Limit(characteristic=Characteristic.INSULATION, low=1e6, high=None, source="s")
    assert limit_words(limit, "ohm") == "at least 1 Mohm"
    assert listed([1, 2, 3]) == "1, 2, 3"
    assert listed(list(range(1, 10))) == "1, 2, 3, 4, 5, 6 and 3 more"


_value = st.floats(-1e3, 1e3)
_u = st.floats(1e-6, 1e3)


@given(_value, _u, st.floats(-1e3, 1e3), st.floats(0.01, 1e3))
def test_probability_is_one_and_falls_outwards(
    value: float, u: float, low: float, width: float
) -> None:
    high = low + width
    p = conformance_probability(value, u, low, high)
    assert 0.0 <= p <= 1.0
    middle = (low + high) / 2
    further = value + (value - middle)
    assert conformance_probability(further, u, low, high) <= p + 1e-12


@given(_value, st.floats(0.01, 10), st.floats(-1e3, 1e3), st.floats(0.01, 1e3))
def test_zones_are_symmetric_and_probability_agrees_with_the_side(
    value: float, u: float, low: float, width: float
) -> None:
    high = low + width
    zone = zone_of(value, 2 * u, low, high)
    assert zone_of(-value, 2 * u, -high, -low) is zone
    p = conformance_probability(value, u, low, high)
    if zone is Zone.FAIL:
        assert p < 0.0228  # one tail beyond 2 sigma of a normal distribution
    if zone is Zone.PASS:
        assert p > 0.954  # at worst both tails
