"""Flow of an injector from volumes a person reads off: static, dynamic, the flow line, leak.

Volumes are typed in, so their uncertainty is that of the glass and of the clock. Wherever mass
and volume meet, the density is part of the result: the same injector is 252 or 265 cc/min of
one "24 lb/hr" by the fluid alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.measure.propagation import few_points, propagate
from benchrig.quantity import Contribution, Measured

KG_PER_LB = 0.45359237  # exact
GRAM_PER_MIN_PER_LB_PER_HR = KG_PER_LB * 1000.0 / 60.0
ONE_DROP_U = 1.0 / math.sqrt(3.0)  # the first and the last drop may fall just outside


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line y = intercept + slope x by least squares, with its statistics."""

    slope: float
    intercept: float
    u_slope: float
    u_intercept: float
    correlation: float  # between the two
    residual_sd: float
    r_squared: float
    points: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowLine:
    """Volume a pulse against pulse width: q = slope (width - time_offset)."""

    slope: Measured  # µL/ms
    time_offset_ms: Measured  # X, where the line meets no volume
    flow_offset_ul: Measured  # Y, where the line meets no width
    residual_sd_ul: float
    r_squared: float
    points: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowAtDensity:
    """A flow converted between mass and volume; meaningless without its density."""

    value: float
    unit: str
    density_g_per_ml: float

    def __str__(self) -> str:
        return f"{self.value:.4g} {self.unit} at {self.density_g_per_ml:g} g/mL"


def fit_line(x: Sequence[float], y: Sequence[float]) -> Line:
    """Least squares with the standard deviations of both parameters."""
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if xs.shape != ys.shape or xs.size < 3:
        raise ValueError("a line with uncertainties needs three points or more")
    if not (np.isfinite(xs).all() and np.isfinite(ys).all()) or np.ptp(xs) == 0:
        raise ValueError("a line needs finite points at different x")
    n = xs.size
    x_mean, y_mean = float(xs.mean()), float(ys.mean())
    dx, dy = xs - x_mean, ys - y_mean
    sxx = float(dx @ dx)
    slope = float(dx @ dy) / sxx
    intercept = y_mean - slope * x_mean
    rest = dy - slope * dx
    sd = math.sqrt(float(rest @ rest) / (n - 2))
    total = float(dy @ dy)
    root = math.sqrt(1.0 / n + x_mean**2 / sxx)
    return Line(
        slope=slope,
        intercept=intercept,
        u_slope=sd / math.sqrt(sxx),
        u_intercept=sd * root,
        correlation=-x_mean / math.sqrt(sxx) / root,
        residual_sd=sd,
        r_squared=1.0 - float(rest @ rest) / total if total > 0 else math.nan,
        points=n,
    )


def flow_line(
    width_ms: Sequence[float], volume_ul: Sequence[float], u_volume_ul: float
) -> FlowLine:
    """Slope, time-offset X and flow-offset Y from volumes a pulse at several pulse widths.

    ``u_volume_ul`` is the standard uncertainty of one volume, common to all points (the
    graduation): scatter below it is luck, so it is the least that the points are given. Scatter
    of few points is widened, see ``few_points``: three are hardly enough to know it.
    """
    if not u_volume_ul > 0:
        raise ValueError("volumes read off a glass have an uncertainty above 0")
    line = fit_line(width_ms, volume_ul)
    if line.slope <= 0:
        raise ValueError("volume must grow with pulse width: look at the order of the entries")
    few = few_points(line.points - 2)
    widen = max(few, u_volume_ul / line.residual_sd) if line.residual_sd > 0 else math.inf
    if math.isinf(widen):
        u_slope, u_intercept = _from_volume(width_ms, u_volume_ul)
    else:
        u_slope, u_intercept = line.u_slope * widen, line.u_intercept * widen
    x = -line.intercept / line.slope
    # X = -Y / m with Y and m correlated: without it u(X) comes out too large.
    cross = line.correlation * u_slope * u_intercept
    covariance = np.array([[u_slope**2, cross], [cross, u_intercept**2]])
    parameters = np.array([line.slope, line.intercept])
    _, variance = propagate(lambda p: [float(-p[1] / p[0])], parameters, covariance)
    u_x = math.sqrt(max(float(variance[0, 0]), 0.0))
    return FlowLine(
        slope=_single(line.slope, u_slope, "µL/ms"),
        time_offset_ms=_single(x, u_x, "ms"),
        flow_offset_ul=_single(line.intercept, u_intercept, "µL"),
        residual_sd_ul=line.residual_sd,
        r_squared=line.r_squared,
        points=line.points,
    )


def static_flow(volume_ml: Measured, duration_s: Measured) -> Measured:
    """Flow with the valve held open, cc/min."""
    _positive(volume_ml.value, duration_s.value)
    value = volume_ml.value / duration_s.value * 60.0
    return _relative_budget(value, "cc/min", volume=volume_ml, duration=duration_s)


def dynamic_flow(volume_ml: Measured, pulses: int) -> Measured:
    """Mean volume of one pulse, µL; the number of pulses is the rig's count and exact."""
    _positive(volume_ml.value, pulses)
    return _relative_budget(volume_ml.value * 1000.0 / pulses, "µL", volume=volume_ml)


def at_pressure(flow: Measured, from_kpa: Measured, to_kpa: float) -> Measured:
    """Flow at another pressure difference across the valve: an orifice goes by the root."""
    _positive(from_kpa.value, to_kpa)
    factor = math.sqrt(to_kpa / from_kpa.value)
    value = flow.value * factor
    half = 0.5 * value * from_kpa.std_uncertainty / from_kpa.value
    lines = (
        Contribution(source="flow", std_uncertainty=flow.std_uncertainty * factor),
        Contribution(source="pressure", std_uncertainty=abs(half)),
    )
    return Measured.from_budget(value, flow.unit, lines)


def cc_per_min(lb_per_hr: float, density_g_per_ml: float) -> FlowAtDensity:
    """Mass flow as volume flow, at a density."""
    _positive(lb_per_hr, density_g_per_ml)
    value = lb_per_hr * GRAM_PER_MIN_PER_LB_PER_HR / density_g_per_ml
    return FlowAtDensity(value=value, unit="cc/min", density_g_per_ml=density_g_per_ml)


def lb_per_hr(cc_per_min: float, density_g_per_ml: float) -> FlowAtDensity:
    """Volume flow as mass flow, at a density."""
    _positive(cc_per_min, density_g_per_ml)
    value = cc_per_min * density_g_per_ml / GRAM_PER_MIN_PER_LB_PER_HR
    return FlowAtDensity(value=value, unit="lb/hr", density_g_per_ml=density_g_per_ml)


def leak(drops: int, duration_s: Measured) -> Measured:
    """Drops counted in a time, as drops a minute; none counted is not none leaked."""
    if drops < 0:
        raise ValueError("drops are counted from 0")
    _positive(duration_s.value)
    rate = 60.0 / duration_s.value
    lines = [Contribution(source="counting, one drop", std_uncertainty=ONE_DROP_U * rate)]
    timing = drops * rate * duration_s.std_uncertainty / duration_s.value
    if timing > 0:
        lines.append(Contribution(source="duration", std_uncertainty=timing))
    return Measured.from_budget(drops * rate, "drops/min", tuple(lines))


def _from_volume(width_ms: Sequence[float], u_volume_ul: float) -> tuple[float, float]:
    xs = np.asarray(width_ms, dtype=np.float64)
    sxx = float(((xs - xs.mean()) ** 2).sum())
    mean = float(xs.mean())
    return u_volume_ul / math.sqrt(sxx), u_volume_ul * math.sqrt(1 / xs.size + mean**2 / sxx)


def _single(value: float, u: float, unit: str) -> Measured:
    line = Contribution(source="regression", std_uncertainty=u, evaluation="A")
    return Measured.from_budget(value, unit, (line,))


def _relative_budget(value: float, unit: str, **parts: Measured) -> Measured:
    lines = tuple(
        Contribution(source=name, std_uncertainty=abs(value * part.std_uncertainty / part.value))
        for name, part in parts.items()
    )
    return Measured.from_budget(value, unit, lines)


def _positive(*values: float) -> None:
    if not all(math.isfinite(v) and v > 0 for v in values):
        raise ValueError("flow, time, pressure and density are above zero")
