"""The golden part: measured every morning, so that the rig is trusted before parts are judged.

A control chart of single values for each characteristic. The first mornings are the baseline
and stay it, so that a slow drift cannot carry its own limits along; after a calibration the
caller starts a new baseline by passing only what was measured since.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchrig.judge.shewhart import individuals_sigma
from benchrig.judge.verdict import Verdict
from benchrig.judge.words import plain, with_uncertainty
from benchrig.parts.part import UNITS, Characteristic
from benchrig.quantity import Measured

BASELINE_LEAST = 8  # mornings before the chart can say anything
BASELINE_MOST = 20
RUN_ONE_SIDE = 8  # so many in a row on one side of the centre is a shift (Western Electric)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One characteristic of the golden part over the mornings, today's value last."""

    characteristic: Characteristic
    unit: str
    points: tuple[float, ...]
    centre: float | None  # None while the baseline is being learned
    low: float | None
    high: float | None
    outside: tuple[int, ...]  # indices of points beyond the limits
    verdict: Verdict
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GoldenCheck:
    """Whether parts may be judged today."""

    verdict: Verdict
    reason: str
    charts: tuple[Chart, ...]

    @property
    def may_judge(self) -> bool:
        """False when a chart is out of control; learning mornings do not stop the work."""
        return self.verdict is not Verdict.FAIL


def check_golden(
    today: Mapping[Characteristic, Measured],
    history: Mapping[Characteristic, Sequence[float]],
) -> GoldenCheck:
    """Today's golden values against the mornings before, oldest first."""
    charts = tuple(chart(c, list(history.get(c, ())), value) for c, value in today.items())
    for verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NOT_ASSESSED):
        if found := [c for c in charts if c.verdict is verdict]:
            return GoldenCheck(
                verdict=verdict, reason="; ".join(c.reason for c in found), charts=charts
            )
    if not charts:
        return GoldenCheck(
            verdict=Verdict.NOT_ASSESSED, reason="no golden part was measured today", charts=()
        )
    reason = "the golden part is within its control limits"
    return GoldenCheck(verdict=Verdict.PASS, reason=reason, charts=charts)


def chart(characteristic: Characteristic, history: list[float], today: Measured) -> Chart:
    """The control chart of one characteristic."""
    unit = UNITS[characteristic]
    points = (*history, today.value)
    shown = f"{characteristic.value} of the golden part"
    if len(history) < BASELINE_LEAST:
        return Chart(
            characteristic=characteristic,
            unit=unit,
            points=points,
            centre=None,
            low=None,
            high=None,
            outside=(),
            verdict=Verdict.NOT_ASSESSED,
            reason=f"{shown}: {len(history)} of {BASELINE_LEAST} mornings, still learning",
        )
    baseline = history[:BASELINE_MOST]
    centre = sum(baseline) / len(baseline)
    sigma = individuals_sigma(baseline)
    if sigma <= 1e-9 * abs(centre):  # equal readings: the display's last digit, not the spread
        sigma = today.std_uncertainty
    low, high = centre - 3 * sigma, centre + 3 * sigma
    outside = tuple(i for i, value in enumerate(points) if not low <= value <= high)
    value = with_uncertainty(today.value, today.expanded, unit)
    allowed = f"{plain(low, unit, like=centre)} to {plain(high, unit, like=centre)}"
    verdict, reason = Verdict.PASS, f"{shown}: {value}, within {allowed}"
    if outside and outside[-1] == len(points) - 1:
        verdict = Verdict.FAIL
        reason = (
            f"{shown}: {value}, outside its control limits {allowed}: check leads, null and rig"
        )
    elif _one_side(points, centre):
        verdict = Verdict.INCONCLUSIVE
        reason = f"{shown}: {RUN_ONE_SIDE} mornings in a row on one side of {plain(centre, unit)}"
    return Chart(
        characteristic=characteristic,
        unit=unit,
        points=points,
        centre=centre,
        low=low,
        high=high,
        outside=outside,
        verdict=verdict,
        reason=reason,
    )


def _one_side(points: Sequence[float], centre: float) -> bool:
    last = points[-RUN_ONE_SIDE:]
    return len(last) == RUN_ONE_SIDE and (
        all(p > centre for p in last) or all(p < centre for p in last)
    )
