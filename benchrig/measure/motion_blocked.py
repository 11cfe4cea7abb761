"""Did it move? Told from a recording of the very part with its armature held.

The family of simulated coils must allow for everything that iron can do; a recording of the
same part, held, shows what its own iron does. What is left to allow for is small: another
winding temperature and supply (final current, time constant, and how far the iron is driven),
noise of both recordings. A movement is then whatever signature stands above that.

The recording's on-times differ in temperature, since a coil warms while it is cycled: how the
current changes with it is taken from them where they differ enough, else from the exponential
that fits best. A record whose final current is too far away, or that differs in a manner of
which no movement is capable, is not told from the recording at all.

When the travel ended is not told any better by it: that hangs on how the armature moves, and
not on its iron.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchrig.measure import motion_model as model
from benchrig.measure.motion_record import (
    averaged,
    block_of,
    estimate_noise,
    round_noise,
    round_tau,
    scale_rows,
)

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

SEED = 20013
KEEP_TAUS = 6.5  # of an on-time that are kept
REACH = 0.25  # farthest final current from the recording's, in the logarithm
SPAN_MIN = 0.02  # of the on-times' final currents, from which their slope is learned
LEVEL_FROM, LEVEL_TO = 3.5, 5.0  # time constants between which the final current is read
LEVEL_SPREAD = 0.03  # of the final current, left free
USUAL_NOISE = 1e-3  # of the final current
TAU_SPREAD = 0.015  # of the time constant, past what the final current says: the supply's
WARM_LEAST = 0.01  # change of the resistance that is allowed for at least
WARM_SHARE = 0.2  # of it that a slope learned from the recording may still miss
WARM_SLACK = 1.5  # coils unlike the family, over its warm coils
EXPLAINED_MIN = 0.6  # of the difference that a movement must explain
EXPLAINED_FROM = 12.0  # differences this many times the noise's energy are looked at so
SHIFT_MAX = 0.02  # of a sample's time, that two recordings may be apart unheeded
SKIPPED = 2  # first samples left out where they are
SIZE_AIM = 6.0
TRIALS = 2000
FOUND = 0.95  # of ordinary movements of the least change that is said to be found
SIGNATURE_CHANGE = 0.035  # middle of the changes from which the signatures come


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockedReference:
    """A part's current with its armature held: the mean on-time, and its slope when warmer."""

    time_s: tuple[float, ...]
    current_a: tuple[float, ...]
    slope_a: tuple[float, ...]  # by the logarithm of the final current
    learned: bool  # whether the slope is the recording's own
    tau_s: float
    final_a: float
    final_low_a: float
    final_high_a: float
    noise_a: float  # of current_a
    noise_slope_a: float
    cycles: int
    origin: str = ""  # record or file


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What a record shows beside the recording of the part held."""

    reason: str  # why the two cannot be compared, else ""
    moved: bool = False
    strength: float = 0.0
    least_change: float = 0.0  # of the inductance, that would have been found


def learn_blocked(
    on_times: Sequence[tuple[ArrayLike, ArrayLike]],
    *,
    noise_a: float | None = None,
    origin: str = "",
) -> BlockedReference:
    """A reference from on-times (time from switch-on, current) of a part held.

    ValueError when they are no rise of a coil. Whether the armature was held indeed, the
    caller asks ``assess_motion`` of ``current_a``.
    """
    rows = [(np.asarray(t, np.float64), np.asarray(i, np.float64)) for t, i in on_times]
    time = rows[0][0][rows[0][0] >= 0]
    tau, final = _rise_of(time, np.interp(time, *rows[0]))
    time = time[time <= KEEP_TAUS * tau]
    currents = np.array([_resampled(time, t[t >= 0], i[t >= 0]) for t, i in rows])
    noise = estimate_noise(currents) if noise_a is None else noise_a
    levels = np.log(np.array([_level(time, current, tau) for current in currents]))
    mean = currents.mean(axis=0)
    tau, final = _rise_of(time, mean)
    about = levels - levels.mean()
    learned = len(rows) > 3 and float(np.ptp(levels)) >= SPAN_MIN
    if learned:
        slope = about @ currents / float(about @ about)
        noise_slope = noise / float(np.sqrt(about @ about))
    else:
        # As much less current as there is more resistance, and as much shorter a time constant.
        slope, noise_slope = mean - time * (final / tau) * np.exp(-time / tau), 0.0
    middle = float(np.exp(levels.mean()))
    return BlockedReference(
        time_s=tuple(time.tolist()),
        current_a=tuple(mean.tolist()),
        slope_a=tuple(slope.tolist()),
        learned=learned,
        tau_s=tau,
        final_a=middle,
        final_low_a=float(np.exp(levels.min())),
        final_high_a=float(np.exp(levels.max())),
        noise_a=noise / float(np.sqrt(len(rows))),
        noise_slope_a=noise_slope,
        cycles=len(rows),
        origin=origin,
    )


def _rise_of(time: Array, current: Array) -> tuple[float, float]:
    tau, final, _, why = scale_rows(time, current[None])
    if why[0]:
        raise ValueError(f"the blocked recording cannot be used: {why[0]}")
    return float(tau[0]), float(final[0])


def _level(time: Array, current: Array, tau: float) -> float:
    late = (time >= LEVEL_FROM * tau) & (time <= LEVEL_TO * tau)
    return float(current[late].mean()) if np.any(late) else float(current[-3:].mean())


def _resampled(at: Array, time: Array, current: Array) -> Array:
    """A current at other instants: its exponential there, and the small rest read between."""
    if len(at) <= len(time) and np.allclose(at, time[: len(at)], rtol=0, atol=1e-9):
        return current[: len(at)]
    tau, final = _rise_of(time, current)
    rest = current - _exponential(time, final, tau)
    return _exponential(at, final, tau) + _between(at, time, rest)


def _between(at: Array, time: Array, rest: Array) -> Array:
    """Even samples read between by the cubic through four of them."""
    step = float(time[1] - time[0])
    place = np.clip((at - time[0]) / step, 0, len(time) - 1)
    index = np.clip(place.astype(np.intp), 1, len(time) - 3)
    t = place - index
    weights = (
        -t * (t - 1) * (t - 2) / 6,
        (t + 1) * (t - 1) * (t - 2) / 2,
        -(t + 1) * t * (t - 2) / 2,
        (t + 1) * t * (t - 1) / 6,
    )
    return np.asarray(sum(w * rest[index + k - 1] for k, w in enumerate(weights)))


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """Filters for every signature, where only a warmer winding has to be allowed for."""

    inverse: Array
    filters: Array  # (points, signatures)
    energy: Array  # (signatures,): of the filters' own signatures
    gain: float  # by which the filters expect less
    middle: float  # of the evidence, from where noise alone would be
    threshold: float
    least_change: float

    def evidence(self, rest: Array) -> Array:
        score = self.gain * (rest @ self.filters) - 0.5 * self.gain**2 * self.energy
        return np.asarray(np.log(np.exp(np.minimum(score, model.EXPONENT_MAX)).mean(axis=-1)))

    def explained(self, rest: Array) -> float:
        """Share of a difference that the signature nearest to it explains."""
        total = float(rest @ self.inverse @ rest)
        if total < EXPLAINED_FROM * len(rest):
            return 1.0
        return float(np.max((rest @ self.filters) ** 2 / self.energy)) / total


@lru_cache(maxsize=64)
def _table(grid: model.Grid, noise: float, warm: float, rate: float) -> _Table:
    middle, step = grid.middle, float(grid.u[1] - grid.u[0])
    later = grid.u * np.gradient(middle, step)
    shapes = np.concatenate(
        [
            LEVEL_SPREAD * middle[None],
            TAU_SPREAD * later[None],
            WARM_SLACK * warm * grid.on_grid("warm_factors").astype(np.float64),
        ]
    )
    points = len(grid.u)
    power = noise**2 * np.eye(points) + shapes.T @ shapes
    inverse = np.linalg.inv(power)
    inverse = 0.5 * (inverse + inverse.T)
    signatures = grid.on_grid("signature").astype(np.float64)
    filters = inverse @ signatures.T
    energy = np.einsum("sp,ps->s", signatures, filters)
    size = float(np.sqrt(np.median(energy)))
    gain = min(1.0, SIZE_AIM / size)
    rng = np.random.default_rng(SEED)
    still = rng.normal(size=(TRIALS, points)) @ np.linalg.cholesky(power).T
    made = _Table(inverse, filters, energy, gain, 0.5 * (gain * size) ** 2, 0.0, 0.0)
    threshold = model.threshold_of(made.evidence(still), rate)
    least = np.inf
    for change in np.geomspace(0.001, 0.2, 54)[::-1]:
        seen = made.evidence(still[: len(signatures)] + change / SIGNATURE_CHANGE * signatures)
        if float(np.mean(seen > threshold)) < FOUND:
            break
        least = float(change)
    return _Table(inverse, filters, energy, gain, made.middle, threshold, least)


def beside_blocked(
    time_s: ArrayLike,
    current_a: ArrayLike,
    reference: BlockedReference,
    *,
    noise_a: float,
    false_alarm_rate: float = 0.01,
) -> Beside:
    """One current beside the part held; ``noise_a`` is that of one of its samples."""
    time, current = np.asarray(time_s, np.float64), np.asarray(current_a, np.float64)
    step = float(np.median(np.diff(time)))
    held_time = np.asarray(reference.time_s)
    if abs(float(np.median(np.diff(held_time))) / step - 1) > 0.01:
        return Beside(reason="it was sampled at another rate")
    warmer = _warmer(time, current, reference)
    if not abs(warmer) <= REACH:
        return Beside(
            reason=f"the final current is {100 * np.expm1(warmer):+.0f} % from its: other supply "
            "or temperature"
        )
    held = np.asarray(reference.current_a) + warmer * np.asarray(reference.slope_a)
    held_noise = float(np.hypot(reference.noise_a, warmer * reference.noise_slope_a))
    both = time <= held_time[-1] + 0.51 * step
    time, current = time[both], current[both]
    tau, final, window, why = scale_rows(time, _resampled(time, held_time, held)[None])
    if why[0]:
        return Beside(reason=why[0])
    rounded = round_tau(float(tau[0]))
    points = int(np.searchsorted(time, float(window[0]) * rounded + 0.01 * step))
    block = block_of(step / rounded)
    # Right after switch-on the eddy currents bend the current within a sample's time.
    apart = (float(time[0]) - float(held_time[0])) / step
    used = slice(SKIPPED if abs(apart - round(apart)) > SHIFT_MAX else 0, points)
    grid = model.grid_of(averaged(time[None, used], block)[0] / rounded)
    noise = float(np.hypot(noise_a, held_noise)) / float(final[0]) / float(np.sqrt(block))
    table = _table(grid, round_noise(noise), _warm(reference, warmer), false_alarm_rate)
    there = _resampled(time[used], held_time, held)
    rest = _difference(time[used], current[used], there, float(tau[0]))
    rest = averaged(rest[None], block)[0]
    evidence = float(table.evidence(rest))
    if evidence > table.threshold and table.explained(rest) < EXPLAINED_MIN:
        return Beside(reason="it differs in a manner of which no movement is capable")
    return Beside(
        reason="",
        moved=evidence > table.threshold,
        strength=max(evidence + table.middle, 0.0) / (table.threshold + table.middle),
        least_change=table.least_change,
    )


def _warmer(time: Array, current: Array, reference: BlockedReference) -> float:
    """Final current over the recording's, in the logarithm, both read at the same times."""
    there = np.interp(time, reference.time_s, reference.current_a)
    levels = [max(_level(time, one, reference.tau_s), 1e-12) for one in (current, there)]
    return float(np.log(levels[0] / levels[1]))


def _warm(reference: BlockedReference, warmer: float) -> float:
    """Change of the winding's resistance to allow for, in few steps so that tables are found."""
    if reference.learned:
        low, high = np.log([reference.final_low_a, reference.final_high_a]) - np.log(
            reference.final_a
        )
        past = max(warmer - high, low - warmer, 0.0)
        much = past + WARM_SHARE * abs(warmer)
    else:
        much = abs(warmer)
    steps = max(0, int(np.ceil(2 * np.log2(max(much, WARM_LEAST) / WARM_LEAST) - 1e-6)))
    return float(WARM_LEAST * 2 ** (steps / 2))


def _difference(time: Array, current: Array, held: Array, tau: float) -> Array:
    """Current less that of the part held, which is fitted to it in level and time constant.

    At a final current of 1. What of a movement the fit takes away, the table's filters know to
    be lost: level and time constant are among what they allow for.
    """
    final = float(held[-1]) / (1 - float(np.exp(-time[-1] / tau)))
    rise = _exponential(time, final, tau)
    slope = np.gradient(held - rise, time)
    level, longer = 1.0, 1.0
    rest = current / final
    shapes = np.zeros((len(time), 2))
    for _ in range(3):
        fitted = held + _exponential(time, final, tau * longer) - rise
        fitted = fitted + slope * (time / longer - time)
        rest = (current / level - fitted) / final
        ratio = time / (tau * longer)
        shapes[:, 0], shapes[:, 1] = fitted / final, ratio * np.exp(-ratio)
        power = shapes.T @ shapes + np.diag([0.0, (USUAL_NOISE / TAU_SPREAD) ** 2])
        more = np.linalg.solve(power, shapes.T @ rest)
        level *= 1 + float(np.clip(more[0], -0.1, 0.1))
        longer *= 1 - float(np.clip(more[1], -0.1, 0.1))
    return np.asarray(rest)


def _exponential(time: Array, final: float, tau: float) -> Array:
    return np.asarray(final * (1 - np.exp(-time / tau)))
