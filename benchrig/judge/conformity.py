"""A value with its uncertainty against a limit.

Zones and guard band by ILAC-G8:09/2019: 4.2.3 with w = U (k = 2) where the part file asks for
nothing else, 4.2.1 simple acceptance where it does. Conformance probability by JCGM 106:2012
for a normal distribution, printed beside the verdict so that anyone may choose another rule.
"""

from __future__ import annotations

from benchrig.judge.distributions import normal_cdf
from benchrig.judge.verdict import Judged, Verdict, Zone
from benchrig.judge.words import limit_words, plain, with_uncertainty
from benchrig.parts.part import Characteristic, DecisionRule, Limit
from benchrig.quantity import Measured

NO_LIMIT = "no published limit given"
_PROBABILITY_SHOWN = 0.999

_VERDICT_OF = {
    Zone.PASS: Verdict.PASS,
    Zone.CONDITIONAL_PASS: Verdict.INCONCLUSIVE,
    Zone.CONDITIONAL_FAIL: Verdict.INCONCLUSIVE,
    Zone.FAIL: Verdict.FAIL,
}


def conformance_probability(
    value: float, std_uncertainty: float, low: float | None, high: float | None
) -> float:
    """Probability that the true value lies within the limits (JCGM 106:2012, 7)."""
    if not std_uncertainty > 0:
        raise ValueError("a conformance probability needs an uncertainty above 0")
    below_high = 1.0 if high is None else normal_cdf((high - value) / std_uncertainty)
    below_low = 0.0 if low is None else normal_cdf((low - value) / std_uncertainty)
    return min(1.0, max(0.0, below_high - below_low))


def margin(value: float, low: float | None, high: float | None) -> float:
    """Distance from the nearer limit; negative outside."""
    sides = ([value - low] if low is not None else []) + (
        [high - value] if high is not None else []
    )
    if not sides:
        raise ValueError("a limit needs a low or a high side")
    return min(sides)


def zone_of(value: float, guard_band: float, low: float | None, high: float | None) -> Zone:
    """The zone of a value (ILAC-G8:09/2019, 4.2.3)."""
    inside = margin(value, low, high)
    if inside >= 0:
        return Zone.PASS if inside >= guard_band else Zone.CONDITIONAL_PASS
    return Zone.CONDITIONAL_FAIL if inside >= -guard_band else Zone.FAIL


def judge_value(
    characteristic: Characteristic,
    measured: Measured | None,
    limit: Limit | None,
    *,
    missing: str = "not measured",
    prefix: str = "",
    does_not_prove: str = "",
) -> Judged:
    """One value against one limit; without either, NOT ASSESSED and why."""
    if measured is None:
        return not_assessed(characteristic, prefix + missing, limit=limit)
    if limit is None:
        return not_assessed(characteristic, prefix + NO_LIMIT, measured=measured)
    simple = limit.rule is DecisionRule.SIMPLE
    guard_band = 0.0 if simple else measured.expanded
    zone = zone_of(measured.value, guard_band, limit.low, limit.high)
    probability = conformance_probability(
        measured.value, measured.std_uncertainty, limit.low, limit.high
    )
    return Judged(
        characteristic=characteristic,
        verdict=_VERDICT_OF[zone],
        reason=prefix + _reason(measured, limit, zone, probability),
        measured=measured,
        limit=limit,
        zone=None if simple else zone,
        guard_band=guard_band,
        conformance_probability=probability,
        does_not_prove=does_not_prove,
    )


def not_assessed(
    characteristic: Characteristic,
    reason: str,
    *,
    measured: Measured | None = None,
    limit: Limit | None = None,
) -> Judged:
    """NOT ASSESSED with the reason; a value that is known is shown all the same."""
    return Judged(
        characteristic=characteristic,
        verdict=Verdict.NOT_ASSESSED,
        reason=reason,
        measured=measured,
        limit=limit,
    )


def _reason(measured: Measured, limit: Limit, zone: Zone, probability: float) -> str:
    unit = measured.unit
    value = with_uncertainty(measured.value, measured.expanded, unit)
    allowed = limit_words(limit, unit, like=measured.value)
    side = "above" if limit.high is not None and measured.value > limit.high else "below"
    nearest = plain(_nearest(measured.value, limit), unit, like=measured.value)
    match zone:
        case Zone.PASS if limit.rule is DecisionRule.SIMPLE:
            return f"{value} is within {allowed} (simple acceptance, as the part file asks)"
        case Zone.PASS:
            return f"{value} is within {allowed} by more than its uncertainty"
        case Zone.CONDITIONAL_PASS:
            return (
                f"{value} is within {allowed} but nearer to {nearest} than its uncertainty: "
                f"{_percent(probability)} likely to be within"
            )
        case Zone.CONDITIONAL_FAIL:
            return (
                f"{value} is {side} {nearest} (allowed: {allowed}) but by less than its "
                f"uncertainty: {_percent(probability)} likely to be within"
            )
        case Zone.FAIL:
            if limit.rule is DecisionRule.SIMPLE:
                return f"{value} is {side} {nearest} (allowed: {allowed}; simple acceptance)"
            return f"{value} is {side} {nearest} (allowed: {allowed}) by more than its uncertainty"


def _nearest(value: float, limit: Limit) -> float:
    sides = [side for side in (limit.low, limit.high) if side is not None]
    return min(sides, key=lambda side: abs(side - value))


def _percent(probability: float) -> str:
    if probability > _PROBABILITY_SHOWN:
        return "over 99.9 %"
    return "under 0.1 %" if probability < 1 - _PROBABILITY_SHOWN else f"{100 * probability:.3g} %"
