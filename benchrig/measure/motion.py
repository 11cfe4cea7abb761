"""Did the armature move, and when did its travel begin and end?

A subspace matched filter against a family of simulated coils (``motion_bank``,
``motion_model``). Iron is not an ideal inductance, so what a stuck coil can do is taken out
first; what is left is compared with what moving coils leave, at a stated false-alarm rate.

Three answers. A signature that is not there does not mean "stuck": some armatures leave none.
Only a comparison with a reference of that part can say more (``motion_reference``). Times count
from switch-on. They are those of the part as tested: a dry armature without its fluid pressure
opens sooner than in service.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchrig.measure import motion_model as model
from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.motion_scale import FIT_WINDOW, fit_rise
from benchrig.quantity import Contribution, Measured

Array = NDArray[np.float64]

WINDOW_MIN = 3.0  # time constants; a shorter record hardly knows its final current
WINDOW_MAX = 5.0
POINTS_MIN = 16
STEP_MAX = 1 / 3  # of a time constant
STEP_FINE, STEP_AIM = 0.02, 0.04  # finer samples than the first are averaged up to the second
FIRST_MAX = 0.25  # the first sample must come this soon after switch-on
LOG_TAU_STEP = 0.08  # half of it stays below the spread that the family allows for
LOG_NOISE_STEP = 0.15
SIZE_MIN = 3.0  # an ordinary signature must stand this far above the noise, iron allowed for
RMS_MAX = 0.02  # of the final current, unexplained: not a coil switched on
MISFIT_MAX = 6.0  # more than this over the noise: the family does not know such a coil
# Standard uncertainty that coils unlike the family add, in time constants: from coils of two
# other physics. What the misfit of the very record says comes on top.
END_MODEL, START_MODEL = 0.012, 0.08


@dataclass(frozen=True, slots=True, eq=False)
class MotionBatch:
    """One row a pulse; times in seconds after switch-on, nan where there is none."""

    moved: NDArray[np.bool_]
    reasons: tuple[str, ...]  # "" where assessed, else why not
    strength: Array
    end_s: Array
    end_posterior_s: Array
    start_s: Array
    start_posterior_s: Array
    tau_s: Array
    misfit: Array  # of the family to the record, over what noise explains; about 1


@lru_cache(maxsize=64)
def _grid(first: float, step: float, points: int, learned: bytes) -> model.Grid:
    u: Array = first + step * np.arange(points, dtype=np.float64)
    shapes = np.frombuffer(learned).reshape(-1, points) if learned else None
    return model.make_grid(u, shapes)


@lru_cache(maxsize=32)
def _detector(grid: model.Grid, relative_noise: float, rate: float) -> model.Detector:
    return model.make_detector(grid, relative_noise, rate)


@lru_cache(maxsize=32)
def _timing(grid: model.Grid, relative_noise: float) -> model.Timing:
    return model.make_timing(grid, relative_noise)


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


def assess_batch(
    time_s: ArrayLike,
    current_a: ArrayLike,
    *,
    noise_a: float,
    false_alarm_rate: float = 0.01,
    learned: Array | None = None,
) -> MotionBatch:
    """Each row of ``current_a`` on its own; rows may be different coils."""
    time = np.asarray(time_s, dtype=np.float64)
    currents = np.asarray(current_a, dtype=np.float64)
    count = len(currents)
    step = float(np.median(np.diff(time)))
    tau, final, window, why = _scale(time, currents)
    names = ("strength", "end", "endu", "start", "startu", "misfit")
    out = {name: np.full(count, np.nan) for name in names}
    moved = np.zeros(count, np.bool_)
    reasons = list(why)
    cell = np.round(np.log(tau) / LOG_TAU_STEP).astype(int)
    usable = np.array([not reason for reason in why])
    for key in sorted(
        {(int(c), float(w)) for c, w in zip(cell[usable], window[usable], strict=True)}
    ):
        rows = np.flatnonzero(usable & (cell == key[0]) & (window == key[1]))
        rounded = float(np.exp(key[0] * LOG_TAU_STEP))
        points = int(np.searchsorted(time, key[1] * rounded + 0.01 * step))
        block = _block(step / rounded)
        shapes = None if learned is None else _averaged(learned[:, :points], block)
        grid = _grid_of(_averaged(time[None, :points], block)[0] / rounded, shapes)
        relative = noise_a / float(np.median(final[rows])) / float(np.sqrt(block))
        relative = float(np.exp(np.round(np.log(relative) / LOG_NOISE_STEP) * LOG_NOISE_STEP))
        detector = _detector(grid, relative, false_alarm_rate)
        if detector.size < SIZE_MIN:
            for row in rows:
                reasons[row] = (
                    f"noise too high: {noise_a * 1e3:.2g} mA a sample would hide the movement "
                    "of an ordinary armature (10 % change of inductance)"
                )
            continue
        scaled = _averaged(currents[rows, :points], block) / final[rows, None]
        strength = detector.strength(scaled)
        end, endu, start, startu, misfit = _timing(grid, relative).assess(scaled)
        for row in rows[np.sqrt(misfit) * relative > max(RMS_MAX, 8 * relative)]:
            reasons[row] = "the current does not have the shape of a coil switched on at time zero"
        out["strength"][rows] = strength
        moved[rows] = strength > 1
        # A coil that the family explains badly is timed badly, and one that it does not
        # explain at all is not timed.
        wider = np.where(misfit > MISFIT_MAX, np.nan, np.sqrt(np.maximum(misfit, 1.0)))
        for name, value in (("end", end), ("endu", endu), ("start", start), ("startu", startu)):
            out[name][rows] = value * rounded * (wider if name[-1] == "u" else wider / wider)
        out["misfit"][rows] = misfit
    moved &= np.array([not reason for reason in reasons])
    return MotionBatch(
        moved,
        tuple(reasons),
        out["strength"],
        out["end"],
        out["endu"],
        out["start"],
        out["startu"],
        tau,
        out["misfit"],
    )


def _block(step: float) -> int:
    """How many samples are averaged into one; ``step`` in time constants."""
    return 1 if step >= STEP_FINE else int(STEP_AIM / step)


def _averaged(rows: Array, block: int) -> Array:
    whole = rows.shape[1] // block * block
    return rows[:, :whole].reshape(len(rows), -1, block).mean(axis=2) if block > 1 else rows


def _grid_of(u: Array, learned: Array | None) -> model.Grid:
    """The grid of (even) times, found again as long as they differ by rounding only."""
    step = float(u[-1] - u[0]) / (len(u) - 1)
    shapes = b"" if learned is None else np.ascontiguousarray(learned).tobytes()
    return _grid(round(float(u[0]), 6), round(step, 8), len(u), shapes)


def _scale(time: Array, currents: Array) -> tuple[Array, Array, Array, list[str]]:
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


def assess_motion(
    time_s: ArrayLike,
    current_a: ArrayLike,
    *,
    noise_a: float | None = None,
    voltage_v: ArrayLike | None = None,
    false_alarm_rate: float = 0.01,
    stuck_reference: Array | None = None,
) -> Motion:
    """Movement of one part's armature, from one on-time or a stack of them.

    ``time_s`` counts from switch-on, evenly; ``current_a`` is (points,) or (cycles, points) of
    the same part, which are averaged. ``noise_a`` is the standard deviation of one sample,
    quantisation included; None takes it from the record. ``stuck_reference`` holds shapes
    learned from this rig and part with the armature blocked (``learn_stuck``).
    """
    if not 0 < false_alarm_rate <= 0.5:
        raise ValueError(f"a false-alarm rate lies between 0 and 0.5, not {false_alarm_rate}")
    time = np.asarray(time_s, dtype=np.float64)
    cycles = np.atleast_2d(np.asarray(current_a, dtype=np.float64))
    if time.ndim != 1 or cycles.shape[1] != len(time):
        raise ValueError("time and current must have the same number of points")
    keep = time >= 0
    time, cycles = time[keep], cycles[:, keep]
    if len(time) < POINTS_MIN:
        return _not_assessed(f"record too short: {len(time)} samples", false_alarm_rate)
    steps = np.diff(time)
    if np.any(steps <= 0) or float(np.ptp(steps)) > 0.05 * float(np.median(steps)):
        return _not_assessed("samples are missing or not evenly spaced", false_alarm_rate)
    if voltage_v is not None:
        volts = np.atleast_2d(np.asarray(voltage_v, dtype=np.float64))[:, keep]
        cycles = cycles - _supply_response(time, cycles, volts)
    noise = estimate_noise(cycles) if noise_a is None else noise_a
    noise = noise / np.sqrt(len(cycles))
    learned = None if stuck_reference is None else np.asarray(stuck_reference)[:, keep]
    batch = assess_batch(
        time,
        cycles.mean(axis=0)[None],
        noise_a=noise,
        false_alarm_rate=false_alarm_rate,
        learned=learned,
    )
    return _as_motion(batch, 0, false_alarm_rate)


def signature_share(
    time: Array, current: Array, reference: Array, noise_a: float
) -> tuple[float, float] | None:
    """How much of a reference's movement signature a current shows, and the noise of that.

    Both are scaled to a final current of 1, and what stuck coils can do is taken out of both.
    """
    keep = time >= 0
    time, pair = time[keep], np.stack([current[keep], reference[keep]])
    tau, final, window, why = _scale(time, pair)
    if any(why):
        return None
    rounded = float(np.exp(np.round(np.log(tau[1]) / LOG_TAU_STEP) * LOG_TAU_STEP))
    points = min(int(np.searchsorted(time, window[1] * rounded)), len(time))
    block = _block(float(np.median(np.diff(time))) / rounded)
    grid = _grid_of(_averaged(time[None, :points], block)[0] / rounded, None)
    relative = noise_a / float(final[0]) / float(np.sqrt(block))
    clean = model.stuck_filter(grid, relative)
    this, golden = (_averaged(pair[:, :points], block) / final[:, None]) @ clean
    size = float(golden @ golden)
    return float(this @ golden) / size, relative / float(np.sqrt(size))


def _not_assessed(reason: str, rate: float) -> Motion:
    return Motion(answer=MotionAnswer.NOT_ASSESSED, reason=reason, false_alarm_rate=rate)


def _as_motion(batch: MotionBatch, row: int, rate: float) -> Motion:
    if batch.reasons[row]:
        return _not_assessed(batch.reasons[row], rate)
    strength = float(batch.strength[row])
    if not batch.moved[row]:
        return Motion(
            answer=MotionAnswer.NO_SIGNATURE,
            reason="nothing that a stuck armature could not do as well; this is not proof of a "
            "stuck one without a reference of this part",
            false_alarm_rate=rate,
            strength=strength,
        )
    tau = float(batch.tau_s[row])
    if np.isnan(batch.end_s[row]):
        return Motion(
            answer=MotionAnswer.MOVED,
            reason="when is not assessed: the current is unlike that of every simulated coil",
            false_alarm_rate=rate,
            strength=strength,
        )
    return Motion(
        answer=MotionAnswer.MOVED,
        reason="",
        false_alarm_rate=rate,
        strength=strength,
        start_s=_instant(batch.start_s[row], batch.start_posterior_s[row], START_MODEL * tau),
        end_s=_instant(batch.end_s[row], batch.end_posterior_s[row], END_MODEL * tau),
    )


def _instant(value: float, posterior: float, unlike: float) -> Measured:
    return Measured.from_budget(
        float(value),
        "s",
        (
            Contribution(
                source="noise and the coil's unknown iron and motion",
                std_uncertainty=float(posterior),
                note="posterior over the family of simulated coils, widened by its misfit",
            ),
            Contribution(
                source="a coil unlike the family",
                std_uncertainty=float(unlike),
                note="bias found with coils of an independent physics",
            ),
        ),
    )


def _supply_response(time: Array, cycles: Array, volts: Array) -> Array:
    """What the supply's wandering about its mean adds to the current, through the coil."""
    tau, final, _, _ = _scale(time, cycles.mean(axis=0)[None])
    volts = np.broadcast_to(volts, cycles.shape)
    drive = final[0] * (volts / volts.mean(axis=1, keepdims=True) - 1)
    decay = float(np.exp(-(time[1] - time[0]) / tau[0]))
    response = np.zeros_like(cycles)
    for n in range(1, cycles.shape[1]):
        middle = 0.5 * (drive[:, n] + drive[:, n - 1])
        response[:, n] = response[:, n - 1] * decay + (1 - decay) * middle
    return response
