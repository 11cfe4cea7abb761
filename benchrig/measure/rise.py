"""The rise of a coil's current, i(t) = I (1 - exp(-t / tau)), one record at a time.

Variable projection: for a given tau the best I is linear, so only tau is searched. The search
looks over nine decades of tau first and then walks to the best one, so it needs no start from
the person and cannot stop in a local valley. A number that the record does not hold is not
given: a record that a straight line or a constant explains as well says so instead.

Many equal records at once: ``benchrig.measure.rise_batch``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.measure.features import RiseFit
from benchrig.measure.propagation import FloatArray, t_quantile
from benchrig.quantity import Contribution, Measured

POINTS_MIN = 6
PLATEAU_TAUS_MIN = 2.9  # about 3: a shorter record hardly knows its final current
NODES_PER_DECADE = 12
STEPS_MAX = 200
STEP_DONE = 1e-11  # in ln tau
STRUCTURED_POINTS_MIN = 30  # below it, residuals tell noise from structure too rarely
MISFIT_MAX = 0.05  # structured residuals above this share of I: not one rise
STRUCTURED = "residuals are not noise only: uncertainties widened"
Z_99 = 2.5758293035489004
Z_999 = 3.2905267314918945
_ROUNDING = 1e-13  # of the greatest current: no fit is better than its arithmetic


@dataclass(frozen=True, slots=True, kw_only=True)
class Solution:
    """A found rise. Uncertainties are standard; ``correlation`` is between I and tau."""

    current_a: float
    tau_s: float
    u_current_a: float
    u_tau_s: float
    correlation: float
    residual_sum_squares: float
    points: int
    record_s: float
    structured: bool = False  # the residuals are not noise: uncertainties were widened
    # What an ampere of offset in the readings does to I (A/A) and to tau (s/A).
    offset_to_current: float = 1.0
    offset_to_tau: float = 0.0


def fit_rise(
    time_s: Sequence[float] | FloatArray,
    current_a: Sequence[float] | FloatArray,
    voltage: Measured | None = None,
    *,
    source_voltage: Measured | None = None,
    current_gain_rel_u: float | None = None,
    current_offset_u: float | None = None,
    clock_rel_u: float | None = None,
) -> RiseFit:
    """Fit one rise; time counts from switch-on, in any spacing and order, six points or more.

    ``voltage`` is at the part at the end of the rise and gives R = V / I. Where the supply sags
    as the current comes up, ``source_voltage`` is the voltage at its beginning and gives
    L = tau V0 / I. Uncertainties that are not given are not in the budget.
    """
    time = np.asarray(time_s, dtype=np.float64)
    current = np.asarray(current_a, dtype=np.float64)
    found = solve_rise(time, current)
    if isinstance(found, str):
        return RiseFit(converged=False, reason=found, points=int(time.size))
    return to_fit(
        found,
        voltage,
        source_voltage=source_voltage,
        current_gain_rel_u=current_gain_rel_u,
        current_offset_u=current_offset_u,
        clock_rel_u=clock_rel_u,
    )


def solve_rise(time: FloatArray, current: FloatArray) -> Solution | str:
    """The rise in a record, or why there is none."""
    refusal = _refusal(time, current)
    if refusal:
        return refusal
    span, height = float(time.max()), float(np.abs(current).max())
    t, y = time / span, current / height
    log_tau = _search(t, y)
    if isinstance(log_tau, str):
        return log_tau
    walked = _walk(t, y, log_tau)
    if walked is None:
        return "did not converge: no best time constant found"
    return _finish(t, y, walked, span, height)


def straight_or_flat(rss: float, straight: float, flat: float, n: int) -> str:
    """Why tau is not held by the record: a limit of the model explains it as well."""
    least_straight, least_flat = limit_ratios(n)
    if straight <= rss * least_straight:
        return (
            "record too short: a straight line explains it as well, so neither the final "
            "current nor the time constant is known"
        )
    if flat <= rss * least_flat:
        return "no rise in the record: a constant current explains it as well"
    return ""


def limit_ratios(n: int) -> tuple[float, float]:
    """How much greater than the best residual sum a limit's must be to be ruled out.

    The straight line (tau without bound) at 99.9 %: a record that just clears it has found a
    tau by luck. The constant (tau of nothing) at 99 %.
    """
    dof = n - 2
    return 1.0 + t_quantile(Z_999, dof) ** 2 / dof, 1.0 + t_quantile(Z_99, dof) ** 2 / dof


def to_fit(
    found: Solution,
    voltage: Measured | None = None,
    *,
    source_voltage: Measured | None = None,
    current_gain_rel_u: float | None = None,
    current_offset_u: float | None = None,
    clock_rel_u: float | None = None,
) -> RiseFit:
    """A solution as the value that travels, with L and R where a voltage allows them."""
    current = _measured(
        found.current_a,
        "A",
        ("rise fit", found.u_current_a, "A"),
        ("current gain", _relative(found.current_a, current_gain_rel_u), "B"),
        ("current offset", _product(found.offset_to_current, current_offset_u), "B"),
    )
    tau = _measured(
        found.tau_s,
        "s",
        ("rise fit", found.u_tau_s, "A"),
        ("current offset", _product(found.offset_to_tau, current_offset_u), "B"),
        ("clock", _relative(found.tau_s, clock_rel_u), "B"),
    )
    inductance = resistance = None
    reasons = []
    if found.structured:
        reasons.append(STRUCTURED)
    long_enough = found.record_s >= PLATEAU_TAUS_MIN * found.tau_s
    if not long_enough:
        reasons.append(
            f"record too short for R: {found.record_s / found.tau_s:.2g} tau of "
            f"{PLATEAU_TAUS_MIN:g}, the final current is extrapolated"
        )
    if voltage is not None and min(voltage.value, (source_voltage or voltage).value) > 0:
        gain = ("current gain", current_gain_rel_u)
        to_i = found.offset_to_current / found.current_a
        to_tau = found.offset_to_tau / found.tau_s
        shared = (gain, ("current offset", _product(to_i, current_offset_u)))
        both = (gain, ("current offset", _product(to_tau - to_i, current_offset_u)))
        inductance = _inductance(found, source_voltage or voltage, (*both, ("clock", clock_rel_u)))
        if long_enough:
            resistance = _resistance(found, voltage, shared)
    return RiseFit(
        converged=True,
        reason="; ".join(reasons),
        current_a=current,
        tau_s=tau,
        inductance_h=inductance,
        resistance_ohm=resistance,
        residual_sum_squares=found.residual_sum_squares,
        points=found.points,
    )


def _refusal(time: FloatArray, current: FloatArray) -> str:
    if time.shape != current.shape or time.ndim != 1:
        raise ValueError("time and current must be two lists of one length")
    if not (np.isfinite(time).all() and np.isfinite(current).all()):
        return "the record holds values that are no numbers"
    if time.size < POINTS_MIN:
        return f"{time.size} points, a rise needs {POINTS_MIN} or more"
    if (time < 0).any():
        return "the record holds times before switch-on"
    if np.unique(time).size < POINTS_MIN - 1:
        return "the times of the record are not distinct"
    if not np.abs(current).max() > 0:
        return "no current in the record"
    return ""


def _shape(t: FloatArray, log_tau: FloatArray) -> FloatArray:
    """1 - exp(-t / tau) for each tau, one row each."""
    return np.asarray(-np.expm1(-t * np.exp(-log_tau)[:, None]))


def _search(t: FloatArray, y: FloatArray) -> float | str:
    """ln tau of the best node of a grid far wider than the record (t runs to 1)."""
    shortest = float(t[t > 0].min())
    low, high = math.log(shortest / 30.0), math.log(3e4)
    nodes = np.linspace(low, high, int((high - low) / math.log(10) * NODES_PER_DECADE) + 2)
    shapes = _shape(t, nodes)
    score = (shapes @ y) ** 2 / np.einsum("ij,ij->i", shapes, shapes)
    best = int(np.argmax(score))
    if best == 0:
        return "no rise in the record: the current is at its final value from the first point"
    if best == nodes.size - 1:
        return "record too short: the current still climbs in a straight line or faster"
    return float(nodes[best])


def _walk(t: FloatArray, y: FloatArray, log_tau: float) -> float | None:
    """Gauss-Newton on ln tau with I projected out; halves steps that lead away."""
    score, step = _score_and_step(t, y, log_tau)
    for _ in range(STEPS_MAX):
        step = max(-0.5, min(0.5, step))
        if abs(step) < STEP_DONE:
            return log_tau
        for _ in range(40):
            new_score, new_step = _score_and_step(t, y, log_tau + step)
            if new_score >= score * (1.0 - _ROUNDING):
                break
            step *= 0.5
        else:
            # No step of any size improves on this: rounding is all that is left.
            return log_tau
        log_tau, score, step = log_tau + step, new_score, new_step
    return None


def _score_and_step(t: FloatArray, y: FloatArray, log_tau: float) -> tuple[float, float]:
    x = t * math.exp(-log_tau)
    shape, slope = -np.expm1(-x), -x * np.exp(-x)
    norm, height = float(shape @ shape), float(shape @ y)
    height /= norm
    rest = y - height * shape
    free = slope - (float(shape @ slope) / norm) * shape
    bottom = height * float(free @ free)
    step = float(free @ rest) / bottom if bottom != 0.0 else 0.0
    return height * height * norm, step


def _finish(
    t: FloatArray, y: FloatArray, log_tau: float, span: float, height: float
) -> Solution | str:
    n = t.size
    x = t * math.exp(-log_tau)
    shape, slope = -np.expm1(-x), -x * np.exp(-x)
    norm = float(shape @ shape)
    level = float(shape @ y) / norm
    rest = y - level * shape
    rss = max(float(rest @ rest), n * _ROUNDING**2)
    on = (t > 0).astype(np.float64)
    straight = float(np.sum((y - float(t @ y) / float(t @ t) * t) ** 2))
    flat = float(np.sum((y - float(on @ y) / float(on @ on) * on) ** 2))
    refusal = straight_or_flat(rss, straight, flat, n)
    if refusal:
        return refusal
    cross, bend = level * float(shape @ slope), level * level * float(slope @ slope)
    determinant = norm * bend - cross * cross
    if not determinant > 0:
        return "did not converge: the record does not hold both unknowns"
    widening, structured = _widening(rest[np.argsort(t, kind="stable")])
    if structured and math.sqrt(rss / n) > MISFIT_MAX * abs(level):
        return "the current is not one rise: it departs from it by more than noise"
    variance = rss / (n - 2) * widening
    ones, lean = float(shape.sum()), level * float(slope.sum())
    to_level = (bend * ones - cross * lean) / determinant
    to_log = (norm * lean - cross * ones) / determinant
    u_level = math.sqrt(variance * bend / determinant)
    u_log = math.sqrt(variance * norm / determinant)
    if not (u_level < 0.5 * abs(level) and u_log < 0.5):
        return "record too short or too noisy: the uncertainty is half of the value or more"
    return Solution(
        current_a=level * height,
        tau_s=math.exp(log_tau) * span,
        u_current_a=u_level * height,
        u_tau_s=u_log * math.exp(log_tau) * span,
        correlation=-cross / math.sqrt(norm * bend),
        residual_sum_squares=float(rest @ rest) * height * height,
        points=n,
        record_s=span,
        structured=structured,
        offset_to_current=to_level,
        offset_to_tau=to_log * math.exp(log_tau) * span / height,
    )


def _widening(rest: FloatArray) -> tuple[float, bool]:
    """How much less than n independent points the residuals are worth, in variance."""
    n = rest.size
    total = float(rest @ rest)
    if n < STRUCTURED_POINTS_MIN or total <= n * _ROUNDING**2:
        return 1.0, False
    first = float(rest[:-1] @ rest[1:]) / total
    if first < 3.5 / math.sqrt(n):  # about 1 white record in 4000
        return 1.0, False
    factor = 1.0
    for lag in range(1, n // 4):
        rho = float(rest[:-lag] @ rest[lag:]) / total
        if rho <= 0:
            break
        factor += 2.0 * rho
    return factor, True


def _measured(value: float, unit: str, *lines: tuple[str, float | None, str]) -> Measured:
    budget = tuple(
        Contribution(source=source, std_uncertainty=u, evaluation=kind)
        for source, u, kind in lines
        if u is not None and u > 0
    )
    return Measured.from_budget(value, unit, budget)


def _relative(value: float, rel: float | None) -> float | None:
    return None if rel is None else abs(value) * rel


def _product(sensitivity: float, u: float | None) -> float | None:
    return None if u is None else abs(sensitivity) * u


def _resistance(
    found: Solution, voltage: Measured, shared: tuple[tuple[str, float | None], ...]
) -> Measured:
    value = voltage.value / found.current_a
    rel_i = found.u_current_a / abs(found.current_a)
    return _measured(
        value,
        "ohm",
        *_voltage_lines(value, voltage),
        ("rise fit", abs(value) * rel_i, "A"),
        *((name, _relative(value, rel), "B") for name, rel in shared),
    )


def _inductance(
    found: Solution, voltage: Measured, shared: tuple[tuple[str, float | None], ...]
) -> Measured:
    value = voltage.value * found.tau_s / found.current_a
    rel_i = found.u_current_a / abs(found.current_a)
    rel_tau = found.u_tau_s / found.tau_s
    sign = math.copysign(1.0, found.current_a)
    both = rel_i**2 + rel_tau**2 - 2.0 * sign * found.correlation * rel_i * rel_tau
    return _measured(
        value,
        "H",
        *_voltage_lines(value, voltage),
        ("rise fit, I and tau together", abs(value) * math.sqrt(max(both, 0.0)), "A"),
        *((name, _relative(value, rel), "B") for name, rel in shared),
    )


def _voltage_lines(value: float, voltage: Measured) -> tuple[tuple[str, float | None, str], ...]:
    """What the voltage brings into a result proportional to it, line by line."""
    share = abs(value / voltage.value)
    if not voltage.budget:
        return (("voltage", share * voltage.std_uncertainty, "B"),)
    return tuple(
        (
            line.source if line.source.startswith("voltage") else f"voltage {line.source}",
            share * line.std_uncertainty,
            line.evaluation,
        )
        for line in voltage.budget
    )
