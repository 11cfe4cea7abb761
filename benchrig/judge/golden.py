"""The golden part: measured every morning, so that the rig is trusted before parts are judged.

A control chart of single values for each characteristic. The first mornings are the baseline
and stay it, so that a slow drift cannot carry its own limits along; after a calibration the
caller starts a new baseline by passing only what was measured since.
"""

from __future__ import annotations

import math
import statistics as st
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchrig.judge.distributions import normal_cdf, normal_quantile, t_cdf, t_quantile
from benchrig.judge.verdict import Verdict
from benchrig.judge.words import plain, with_uncertainty
from benchrig.parts.part import UNITS, Characteristic
from benchrig.quantity import Measured

BASELINE_LEAST = 8  # mornings before the chart can say anything
BASELINE_MOST = 20
RUN_ONE_SIDE = 8  # so many in a row on one side of the centre is a shift (Western Electric)
EWMA_WEIGHT = 0.25  # of a morning in the mean that sees a small lasting shift
# Limits in sigma of one morning and of the weighted mean, by how many charts stop the day: all
# together stop a sound bench once in some 400 mornings (simulated in the tests).
LIMITS: dict[int, tuple[float, float]] = {1: (3.6, 3.1), 2: (3.9, 3.4), 3: (4.1, 3.6)}


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
    charts = tuple(
        chart(c, list(history.get(c, ())), value, charts=len(today)) for c, value in today.items()
    )
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


def chart(
    characteristic: Characteristic, history: list[float], today: Measured, *, charts: int = 1
) -> Chart:
    """The control chart of one characteristic, one of ``charts`` that may stop the day.

    Each morning is held against the baseline before it as Student's t, so that few mornings make
    wide limits, and told as the normal value of the same share (Quesenberry's Q; Journal of
    Quality Technology 23, 1991; from memory). One far morning, or a weighted mean of the mornings
    that is far (EWMA, ISO 7870-6), is out of control.
    """
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
    single, _ = _limits(charts)
    signals = mornings_out(points, today.std_uncertainty, charts=charts)
    now = _baseline(points[:-1], today.std_uncertainty)
    centre, reach = now.centre, now.reach(single)
    low, high = centre - reach, centre + reach
    outside = tuple(i for i, found in enumerate(signals) if found.outside)
    value = with_uncertainty(today.value, today.expanded, unit)
    allowed = f"{plain(low, unit, like=centre)} to {plain(high, unit, like=centre)}"
    verdict, reason = Verdict.PASS, f"{shown}: {value}, within {allowed}"
    if signals[-1].outside:
        verdict = Verdict.FAIL
        reason = (
            f"{shown}: {value}, outside its control limits {allowed}: check leads, null and rig"
        )
    elif signals[-1].shifted:
        verdict = Verdict.FAIL
        side = "above" if signals[-1].weighted > 0 else "below"
        reason = (
            f"{shown}: {value}, and the last mornings lie {side} {plain(centre, unit)} together, "
            "which chance does not explain: check leads, null and rig"
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


@dataclass(frozen=True, slots=True)
class Morning:
    """How far one morning lies from the baseline, and whether that stops the day."""

    q: float = 0.0  # in sigma of a standard normal
    weighted: float = 0.0  # the weighted mean of the mornings up to it, in its own sigma
    outside: bool = False
    shifted: bool = False


def mornings_out(
    points: Sequence[float], display_u: float, *, charts: int = 1
) -> tuple[Morning, ...]:
    """Each morning held against those before it; the first ones learn.

    Args:
        points: one reading a morning, oldest first, one unit.
        display_u: standard uncertainty of a reading, for a baseline of equal ones.
        charts: how many characteristics may stop the day.
    """
    single, mean_limit = _limits(charts)
    found = [Morning()] * min(BASELINE_LEAST, len(points))
    mean = variance = 0.0
    baseline = None
    for at in range(BASELINE_LEAST, len(points)):
        if baseline is None or at <= BASELINE_MOST:
            baseline = _baseline(points[:at], display_u)
        q = baseline.q(points[at])
        mean += EWMA_WEIGHT * (q - mean)
        variance = (1 - EWMA_WEIGHT) ** 2 * variance + EWMA_WEIGHT**2
        weighted = mean / math.sqrt(variance)
        found.append(Morning(q, weighted, abs(q) > single, abs(weighted) > mean_limit))
    return tuple(found)


def _limits(charts: int) -> tuple[float, float]:
    return LIMITS[min(charts, max(LIMITS))]


@dataclass(frozen=True, slots=True)
class _Baseline:
    """What the first mornings say of the next one."""

    centre: float
    sigma: float  # of the next morning, the centre's own included
    degrees: int  # of freedom; 0 where the sigma is known

    def q(self, value: float) -> float:
        """A morning in sigma of a standard normal: the same share lies farther out."""
        t = (value - self.centre) / self.sigma
        if not self.degrees:
            return t
        return math.copysign(normal_quantile(t_cdf(-abs(t), self.degrees)), t)

    def reach(self, sigma: float) -> float:
        """How far from the centre a morning lies that is so many sigma out."""
        if not self.degrees:
            return sigma * self.sigma
        return -t_quantile(normal_cdf(-sigma), self.degrees) * self.sigma


def _baseline(before: Sequence[float], display_u: float) -> _Baseline:
    first = before[:BASELINE_MOST]
    n, centre, sigma = len(first), st.fmean(first), st.stdev(first)
    wider = math.sqrt(1 + 1 / n)
    if sigma <= 1e-9 * abs(centre):  # equal readings: the display's last digit, not the spread
        return _Baseline(centre, display_u * wider, 0)
    return _Baseline(centre, sigma * wider, n - 1)


def _one_side(points: Sequence[float], centre: float) -> bool:
    last = points[-RUN_ONE_SIDE:]
    return len(last) == RUN_ONE_SIDE and (
        all(p > centre for p in last) or all(p < centre for p in last)
    )
