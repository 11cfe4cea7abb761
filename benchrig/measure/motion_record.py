"""What of a record can be used for its motion: scale, window, noise, samples averaged."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.motion_scale import FIT_WINDOW, fit_rise

Array = NDArray[np.float64]

WINDOW_MIN = 3.0  # time constants; a shorter record hardly knows its final current
WINDOW_MAX = 5.0
POINTS_MIN = 16
STEP_MAX = 1 / 3  # of a time constant
STEP_FINE, STEP_AIM = 0.02, 0.04  # finer samples than the first are averaged up to the second
FIRST_MAX = 0.25  # the first sample must come this soon after switch-on
LOG_TAU_STEP = 0.08  # half of it stays below the spread that the family allows for
LOG_NOISE_STEP = 0.15


def round_noise(relative: float) -> float:
    """A noise for which tables are made; few, so that they are found again."""
    return float(np.exp(np.round(np.log(relative) / LOG_NOISE_STEP) * LOG_NOISE_STEP))


def round_tau(tau: float) -> float:
    """A time constant for which tables are made."""
    return float(np.exp(np.round(np.log(tau) / LOG_TAU_STEP) * LOG_TAU_STEP))


def estimate_noise(current_a: Array) -> float:
    """Noise of one sample, from third differences of the later half of each row.

    Third differences take out the smooth rise. Codes that never change still leave the
    spread within one step, 1/sqrt(12) of it.
    """
    late = current_a[:, current_a.shape[1] // 2 :]
    third = np.diff(late, n=3, axis=1)
    size = np.abs(third)
    # The mean of the smaller ones: a median would jump by whole steps of the converter.
    calm = size[size <= 5 * float(np.median(size))]
    spread = float(np.mean(calm)) * np.sqrt(np.pi / 2) / np.sqrt(20.0)
    levels = np.unique(late)
    gaps = np.diff(levels)
    gaps = gaps[gaps > 1e-9 * max(float(np.max(np.abs(late))), 1e-12)]
    step = float(gaps.min()) if len(gaps) else 0.0
    return float(max(spread, step / np.sqrt(12.0), 1e-5 * float(np.max(np.abs(late)))))


def block_of(step: float) -> int:
    """How many samples are averaged into one; ``step`` in time constants."""
    return 1 if step >= STEP_FINE else int(STEP_AIM / step)


def averaged(rows: Array, block: int) -> Array:
    whole = rows.shape[1] // block * block
    return rows[:, :whole].reshape(len(rows), -1, block).mean(axis=2) if block > 1 else rows


def scale_rows(time: Array, currents: Array) -> tuple[Array, Array, Array, list[str]]:
    """Time constant, final current and window of each row, and why a row cannot be used."""
    count, points = currents.shape
    if points < POINTS_MIN:
        blank = np.full(count, np.nan)
        return np.ones(count), blank, blank, [f"record too short: {points} samples"] * count
    span = float(time[-1])
    step = float(np.median(np.diff(time)))
    alive = np.all(np.isfinite(currents), axis=1)
    alive &= np.max(np.where(np.isfinite(currents), currents, 0), axis=1) > 0
    tau, final = np.full(count, span / 5), np.ones(count)
    use = np.full(count, max(points * 3 // 5, POINTS_MIN))
    for _ in range(5):
        # Rows that use the same number of points are fitted together.
        for length in np.unique(use[alive]):
            rows = np.flatnonzero(alive & (use == length))
            middle = float(np.median(tau[rows]))
            factor, level = fit_rise(time[:length] / middle, currents[rows, :length])
            tau[rows], final[rows] = middle * factor, level
        use = np.clip(np.searchsorted(time, FIT_WINDOW * tau), min(points, POINTS_MIN), points)
    alive &= np.isfinite(tau) & (final > 0)  # an output that never came on settles anywhere
    tau = np.where(alive, tau, span / 5)
    room = (span + step / 2) / tau
    window = np.where(room >= WINDOW_MAX, WINDOW_MAX, np.floor(room * 2) / 2)
    why = [""] * count
    for row in range(count):
        why[row] = _unusable(alive[row], span, step, float(time[0]), tau[row], window[row])
    return tau, final, window, why


def _unusable(
    alive: bool, span: float, step: float, first: float, tau: float, window: float
) -> str:
    """Why a record cannot be assessed; "" when it can."""
    if not alive:
        return "no current to assess"
    if window < WINDOW_MIN:
        return (
            f"record too short: {span * 1e3:.3g} ms is {span / tau:.2g} time constants, "
            f"{WINDOW_MIN:g} are needed"
        )
    if step > STEP_MAX * tau:
        return (
            f"rate too low: {1e-3 / step:.3g} kS/s gives {tau / step:.2g} samples a time "
            f"constant, {1 / STEP_MAX:g} are needed"
        )
    if first > FIRST_MAX * tau:
        return "the record begins too long after switch-on"
    return ""
