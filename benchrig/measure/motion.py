"""Did the armature move, and when did its travel begin and end?

A subspace matched filter against a family of simulated coils (``motion_bank``,
``motion_model``). Iron is not an ideal inductance, so what a stuck coil can do is taken out
first; what is left is compared with what moving coils leave, at a stated false-alarm rate.

Three answers. A signature that is not there does not mean "stuck": some armatures leave none.
Only a comparison with a reference of that part can say more: a good recording
(``motion_reference``), or one with the armature held (``motion_blocked``). Times count
from switch-on. They are those of the part as tested: a dry armature without its fluid pressure
opens sooner than in service.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchrig.measure import motion_model as model
from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.motion_blocked import Beside, BlockedReference, beside_blocked
from benchrig.measure.motion_record import (
    LOG_TAU_STEP,
    POINTS_MIN,
    averaged,
    block_of,
    estimate_noise,
    round_noise,
    round_tau,
    scale_rows,
)
from benchrig.quantity import Contribution, Measured

Array = NDArray[np.float64]

SIZE_MIN = 3.0  # an ordinary signature must stand this far above the noise, iron allowed for
RMS_MAX = 0.02  # of the final current, unexplained: not a coil switched on
MISFIT_MAX = 6.0  # more than this over the noise: the family does not know such a coil
# Standard uncertainty that coils unlike the family add, in time constants: from coils of two
# other physics. What the misfit of the very record says comes on top.
END_MODEL, START_MODEL = 0.012, 0.08
# Beside its own recording a part has false alarms to spare, and a run asks of every cycle.
BLOCKED_RATE_SHARE = 0.1


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


@lru_cache(maxsize=32)
def _detector(grid: model.Grid, relative_noise: float, rate: float) -> model.Detector:
    return model.make_detector(grid, relative_noise, rate)


@lru_cache(maxsize=32)
def _timing(grid: model.Grid, relative_noise: float) -> model.Timing:
    return model.make_timing(grid, relative_noise)


def assess_batch(
    time_s: ArrayLike,
    current_a: ArrayLike,
    *,
    noise_a: ArrayLike,
    false_alarm_rate: float = 0.01,
) -> MotionBatch:
    """Each row of ``current_a`` on its own; rows may be different coils.

    ``noise_a`` is of all of them or one a row.
    """
    time = np.asarray(time_s, dtype=np.float64)
    currents = np.asarray(current_a, dtype=np.float64)
    count = len(currents)
    noise = np.broadcast_to(np.asarray(noise_a, dtype=np.float64), count)
    tau, final, window, why = scale_rows(time, currents)
    names = ("strength", "end", "endu", "start", "startu", "misfit")
    out = {name: np.full(count, np.nan) for name in names}
    moved = np.zeros(count, np.bool_)
    reasons = list(why)
    for rows, rounded, points, block, relative in _alike(time, tau, final, window, noise, why):
        grid = model.grid_of(averaged(time[None, :points], block)[0] / rounded)
        detector = _detector(grid, relative, false_alarm_rate)
        if detector.size < SIZE_MIN:
            for row in rows:
                reasons[row] = (
                    f"noise too high: {noise[row] * 1e3:.2g} mA a sample would hide the movement "
                    "of an ordinary armature (10 % change of inductance)"
                )
            continue
        scaled = averaged(currents[rows, :points], block) / final[rows, None]
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


def _alike(
    time: Array, tau: Array, final: Array, window: Array, noise: Array, why: list[str]
) -> Iterator[tuple[NDArray[np.intp], float, int, int, float]]:
    """Rows for which the same tables serve: time constant, points, samples averaged, noise."""
    step = float(np.median(np.diff(time)))
    cell = np.round(np.log(tau) / LOG_TAU_STEP).astype(int)
    usable = np.array([not reason for reason in why])
    for key in sorted(
        {(int(c), float(w)) for c, w in zip(cell[usable], window[usable], strict=True)}
    ):
        together = np.flatnonzero(usable & (cell == key[0]) & (window == key[1]))
        rounded = float(np.exp(key[0] * LOG_TAU_STEP))
        points = int(np.searchsorted(time, key[1] * rounded + 0.01 * step))
        block = block_of(step / rounded)
        usual = float(np.median(final[together])) * float(np.sqrt(block))
        relative = np.array([round_noise(n / usual) for n in noise[together]])
        for one in np.unique(relative):
            yield together[relative == one], rounded, points, block, float(one)


def assess_motion(
    time_s: ArrayLike,
    current_a: ArrayLike,
    *,
    noise_a: float | None = None,
    voltage_v: ArrayLike | None = None,
    false_alarm_rate: float = 0.01,
    blocked: BlockedReference | None = None,
) -> Motion:
    """Movement of one part's armature, from one on-time or a stack of them.

    ``time_s`` counts from switch-on, evenly; ``current_a`` is (points,) or (cycles, points) of
    the same part, which are averaged. ``noise_a`` is the standard deviation of one sample,
    quantisation included; None takes it from the record. With a recording of this part on this
    rig, its armature held (``blocked``), whether it moved is told from that; when, is not.
    """
    _check_rate(false_alarm_rate)
    time = np.asarray(time_s, dtype=np.float64)
    cycles = np.atleast_2d(np.asarray(current_a, dtype=np.float64))
    if time.ndim != 1 or cycles.shape[1] != len(time):
        raise ValueError("time and current must have the same number of points")
    keep = time >= 0
    time, cycles = time[keep], cycles[:, keep]
    if reason := _unusable_times(time):
        return _not_assessed(reason, false_alarm_rate)
    if voltage_v is not None:
        volts = np.atleast_2d(np.asarray(voltage_v, dtype=np.float64))[:, keep]
        cycles = cycles - _supply_response(time, cycles, volts)
    noise = estimate_noise(cycles) if noise_a is None else noise_a
    mean, noises = cycles.mean(axis=0)[None], np.array([noise / np.sqrt(len(cycles))])
    return _each_by_itself(time, mean, noises, false_alarm_rate, blocked)[0]


def assess_motions(
    rises: Sequence[tuple[Array, Array, float]],
    *,
    false_alarm_rate: float = 0.01,
    blocked: BlockedReference | None = None,
) -> list[Motion]:
    """Movement in each of several on-times by itself: time_s, current_a, noise_a, as above.

    Those of one part that were sampled at the same instants are assessed together: most of the
    time that one takes is the same for many.
    """
    _check_rate(false_alarm_rate)
    found: dict[int, Motion] = {}
    instants = [np.asarray(time, dtype=np.float64) for time, _, _ in rises]
    keys = [time.tobytes() for time in instants]
    for key in dict.fromkeys(keys):
        places = [place for place, other in enumerate(keys) if other == key]
        time = instants[places[0]]
        keep = time >= 0
        if reason := _unusable_times(time[keep]):
            motions = [_not_assessed(reason, false_alarm_rate)] * len(places)
        else:
            rows = np.array([np.asarray(rises[place][1], dtype=np.float64) for place in places])
            noises = np.array([rises[place][2] for place in places])
            motions = _each_by_itself(time[keep], rows[:, keep], noises, false_alarm_rate, blocked)
        found.update(zip(places, motions, strict=True))
    return [found[place] for place in range(len(rises))]


def _check_rate(rate: float) -> None:
    if not 0 < rate <= 0.5:
        raise ValueError(f"a false-alarm rate lies between 0 and 0.5, not {rate}")


def _unusable_times(time: Array) -> str:
    """Why records at these instants cannot be assessed; "" when they can."""
    if len(time) < POINTS_MIN:
        return f"record too short: {len(time)} samples"
    steps = np.diff(time)
    if np.any(steps <= 0) or float(np.ptp(steps)) > 0.05 * float(np.median(steps)):
        return "samples are missing or not evenly spaced"
    return ""


def _each_by_itself(
    time: Array, rows: Array, noises: Array, rate: float, blocked: BlockedReference | None
) -> list[Motion]:
    batch = assess_batch(time, rows, noise_a=noises, false_alarm_rate=rate)
    motions = []
    for row, (current, noise_a) in enumerate(zip(rows, noises, strict=True)):
        motion = _as_motion(batch, row, rate)
        if blocked is not None and not batch.reasons[row]:
            lower = BLOCKED_RATE_SHARE * rate
            beside = beside_blocked(
                time, current, blocked, noise_a=float(noise_a), false_alarm_rate=lower
            )
            if beside.reason:
                unused = f"the recording with its armature held is not used: {beside.reason}"
                reasons = "; ".join(x for x in (motion.reason, unused) if x)
                motion = replace(motion, reason=reasons)
            else:
                motion = _told_beside(batch, row, beside, blocked.origin, lower)
        motions.append(motion)
    return motions


def _told_beside(batch: MotionBatch, row: int, beside: Beside, origin: str, rate: float) -> Motion:
    """The answer that the recording of the part held gives."""
    told = replace(
        _as_motion(batch, row, rate, beside), blocked=origin, least_change=beside.least_change
    )
    if beside.moved:
        return told
    return replace(
        told,
        reason="the current is that of this part with its armature held; an ordinary movement "
        f"with {100 * beside.least_change:.2g} % change of inductance would have been seen",
    )


def signature_share(
    time: Array, current: Array, reference: Array, noise_a: float
) -> tuple[float, float] | None:
    """How much of a reference's movement signature a current shows, and the noise of that.

    Both are scaled to a final current of 1, and what stuck coils can do is taken out of both.
    """
    keep = time >= 0
    time, pair = time[keep], np.stack([current[keep], reference[keep]])
    tau, final, window, why = scale_rows(time, pair)
    if any(why):
        return None
    rounded = round_tau(float(tau[1]))
    points = min(int(np.searchsorted(time, window[1] * rounded)), len(time))
    block = block_of(float(np.median(np.diff(time))) / rounded)
    grid = model.grid_of(averaged(time[None, :points], block)[0] / rounded)
    relative = noise_a / float(final[0]) / float(np.sqrt(block))
    clean = model.stuck_filter(grid, relative)
    this, golden = (averaged(pair[:, :points], block) / final[:, None]) @ clean
    size = float(golden @ golden)
    return float(this @ golden) / size, relative / float(np.sqrt(size))


def _not_assessed(reason: str, rate: float) -> Motion:
    return Motion(answer=MotionAnswer.NOT_ASSESSED, reason=reason, false_alarm_rate=rate)


def _as_motion(batch: MotionBatch, row: int, rate: float, beside: Beside | None = None) -> Motion:
    """What a row shows; ``beside`` a recording of the part held, that says whether it moved."""
    if batch.reasons[row]:
        return _not_assessed(batch.reasons[row], rate)
    strength = float(batch.strength[row]) if beside is None else beside.strength
    if not (batch.moved[row] if beside is None else beside.moved):
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
    tau, final, _, _ = scale_rows(time, cycles.mean(axis=0)[None])
    volts = np.broadcast_to(volts, cycles.shape)
    drive = final[0] * (volts / volts.mean(axis=1, keepdims=True) - 1)
    decay = float(np.exp(-(time[1] - time[0]) / tau[0]))
    response = np.zeros_like(cycles)
    for n in range(1, cycles.shape[1]):
        middle = 0.5 * (drive[:, n] + drive[:, n - 1])
        response[:, n] = response[:, n - 1] * decay + (1 - decay) * middle
    return response
