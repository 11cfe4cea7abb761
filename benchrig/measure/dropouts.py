"""Drop-outs inside one on-time: the current falls away although the output is on.

The expected current is followed through heating (it sinks slowly) and supply sag (the voltage
at the part sinks with it); a sample well below it, at a stated false-alarm rate, belongs to a
drop-out. One sample is enough. Before the current has settled only a collapse counts, since
a moving armature dents the rise by itself, though never to half.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.propagation import FloatArray

DEPTH_MIN = 0.03  # of the expected current, once settled
DEPTH_MIN_PUMP = 0.6  # commutation dents a healthy motor's current too
COLLAPSE = 0.5  # of the current reached, while rising
CHUNK_S = 0.01
CHUNK_SAMPLES_MIN = 16
LEVEL_STEP = 0.05  # a chunk this far below its neighbours is no level to follow
JOIN_SAMPLES = 2  # a gap this short inside a drop-out does not split it
SAG_MIN = 0.01
OPEN_SHARE = 0.55  # of the supply: what stands between one sample with all of it and one with none
SAMPLES_MIN = 8  # fewer tell no noise
CALM_SHARE = 0.4
CALM_SIGMA = 0.2972  # root mean square of so many of a normal distribution's smallest values
CALM_FACTOR = 3.0  # few samples scatter by that much
ON_SHARE = 0.1  # of a chunk: a current that stands at twice its median for so long is the level


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """One drop-out as sample indices ``first`` to ``last``, both inside."""

    first: int
    last: int
    depth: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OnTime:
    """Samples of one on-time, time from its edge."""

    time_s: FloatArray
    current_a: FloatArray
    voltage_v: FloatArray | None
    noise_a: float  # standard deviation of one sample
    tau_s: float  # about
    pump: bool = False


def find_dips(on: OnTime, false_alarm: float) -> tuple[list[Dip], NDArray[np.bool_]]:
    """Drop-outs of an on-time and the mask of their samples.

    ``false_alarm`` is the greatest probability that Gaussian noise alone makes one.
    """
    below = np.zeros(on.time_s.size, dtype=np.bool_)
    threshold = noise_threshold(on.time_s.size, false_alarm) * on.noise_a
    settled = int(np.searchsorted(on.time_s, 8.0 * on.tau_s))
    if on.time_s.size - settled < CHUNK_SAMPLES_MIN:
        settled = on.time_s.size
    expected = np.empty_like(on.current_a)
    np.maximum.accumulate(on.current_a[:settled], out=expected[:settled])
    if settled < on.time_s.size:
        usual_v = None if on.voltage_v is None else float(medians(on.voltage_v[settled:]))
        level = _level(on, settled, usual_v) * _sag(on, settled, usual_v)
        depth_min = DEPTH_MIN_PUMP if on.pump else DEPTH_MIN
        lost = level - on.current_a[settled:]
        below[settled:] = (lost > depth_min * level) & (lost > threshold)
        expected[settled:] = level
        if not on.pump:
            late = int(np.searchsorted(on.time_s, 3.0 * on.tau_s))
            first = level[: max(1, CHUNK_SAMPLES_MIN // 2)].mean()
            below[late:settled] = on.current_a[late:settled] < COLLAPSE * first
            expected[late:settled] = np.maximum(expected[late:settled], first)
            settled = late
    if not on.pump:
        rising = slice(0, settled)
        top = expected[rising]
        below[rising] |= (on.current_a[rising] < COLLAPSE * top) & (
            top - on.current_a[rising] > max(4.0 * threshold / 3.0, 0.05 * top.max(initial=0.0))
        )
    if not below.any():
        return [], below
    dips = _group(below, on.current_a, expected)
    for dip in dips:
        below[dip.first : dip.last + 1] = True
    return dips, below


def noise_threshold(samples: int, false_alarm: float) -> float:
    """Standard deviations that one of so many Gaussian samples passes with this probability.

    From the tail bound exp(-k²/2) / 2, so the true rate is below the stated one.
    """
    if not 0 < false_alarm < 1:
        raise ValueError("a false-alarm rate lies between 0 and 1")
    return math.sqrt(2.0 * math.log(max(1, samples) / (2.0 * false_alarm)))


def medians(rows: FloatArray) -> FloatArray:
    """The median of each row, or of all where there is one: sorting is the fast way to it."""
    placed, last = np.sort(rows), rows.shape[-1] - 1
    return np.asarray(0.5 * (placed[..., last // 2] + placed[..., (last + 1) // 2]))


def sample_noise(values: FloatArray, step: float) -> float:
    """Standard deviation of one sample, robust to a few steps; never below quantisation."""
    return step if values.size < SAMPLES_MIN else _noise(np.sort(np.abs(np.diff(values))), step)


def noise_beside_dips(values: FloatArray, step: float) -> float:
    """The same of converted codes, where dips may be many or the samples few.

    What makes dips must not set the bar that hides them: noise is at most a small multiple of
    what the calmest differences show, and those know nothing below a code.
    """
    if values.size < SAMPLES_MIN:
        return step
    apart = np.sort(np.abs(np.diff(values)))
    calm = apart[: int(CALM_SHARE * apart.size)]
    least = max(math.sqrt(float(calm @ calm) / (2.0 * calm.size)) / CALM_SIGMA, 0.6 * step)
    return min(_noise(apart, step), CALM_FACTOR * least)


def _noise(apart: FloatArray, step: float) -> float:
    """From sorted sizes of differences: their upper end may be steps, not noise."""
    # A quantised quiet signal has a median difference of 0: the mean square of the middle part.
    middle = apart[: int(0.95 * apart.size)]
    trimmed = float(np.sqrt(np.mean(middle**2)) / 0.871) / math.sqrt(2.0)
    return max(trimmed, step / math.sqrt(12.0))


def _level(on: OnTime, settled: int, usual_v: float | None) -> FloatArray:
    """The expected current at each settled sample, from medians of short chunks."""
    current = on.current_a[settled:]
    period = float(on.time_s[-1] - on.time_s[settled]) / max(1, current.size - 1)
    chunk_s = 2.0 * CHUNK_S if on.pump else CHUNK_S
    size = min(current.size, max(CHUNK_SAMPLES_MIN, int(chunk_s / period) if period > 0 else 1))
    count = current.size // size
    rows = current[: count * size].reshape(count, size)
    levels = medians(rows) if on.pump else _on_levels(rows)
    if on.voltage_v is not None and usual_v and not on.pump:
        volts = on.voltage_v[settled:][: count * size].reshape(count, size)
        sags = medians(volts) / usual_v
        levels = levels / np.where(sags > OPEN_SHARE, sags, 1.0)
    good = np.flatnonzero(_followed(levels))
    return _between_centres(np.interp(np.arange(count), good, levels[good]), size, current.size)


def _on_levels(rows: FloatArray) -> FloatArray:
    """The median of each row, of its higher samples alone where the contact is mostly open."""
    placed, last = np.sort(rows), rows.shape[1] - 1
    levels = 0.5 * (placed[:, last // 2] + placed[:, (last + 1) // 2])
    high = placed[:, last - int(ON_SHARE * last)]
    for k in np.flatnonzero(COLLAPSE * high > np.maximum(levels, 0.0)):
        levels[k] = np.median(rows[k, rows[k] > COLLAPSE * high[k]])
    return np.asarray(levels)


def _between_centres(levels: FloatArray, size: int, samples: int) -> FloatArray:
    """Straight lines between the middles of chunks of one size, level before and after them."""
    half = (size + 1) // 2  # the first sample that is not before its chunk's middle
    share = (np.arange(size) + half) / size - 0.5
    lines = levels[:-1, None] + np.diff(levels)[:, None] * share
    out = np.full(samples, levels[-1])
    out[:half] = levels[0]
    out[half : half + lines.size] = lines.reshape(-1)
    return out


def _followed(levels: FloatArray) -> NDArray[np.bool_]:
    """Which chunks show the level: none much below the good one before it, or after it."""
    good = np.ones(levels.size, dtype=np.bool_)
    if levels.min() >= (1.0 - LEVEL_STEP) * levels.max():
        return good
    for order in (range(levels.size), range(levels.size - 1, -1, -1)):
        last = -math.inf
        for k in order:
            if not good[k]:
                continue
            if levels[k] < (1.0 - LEVEL_STEP) * last:
                good[k] = False
            else:
                last = levels[k]
    return good


def _sag(on: OnTime, settled: int, usual_v: float | None) -> FloatArray | float:
    """Share of the supply that is there, with the coil's memory; an open circuit is no sag."""
    if on.voltage_v is None or not usual_v or on.pump:
        return 1.0
    volts = on.voltage_v[settled:]
    ratio = volts / usual_v
    if ratio.min() >= 1.0 - SAG_MIN:
        return 1.0
    sags = ratio < 1.0 - SAG_MIN
    gone = ratio <= OPEN_SHARE
    if gone.any():  # its neighbours were interpolated across its edges
        sags &= ~gone
        sags[1:] &= ~gone[:-1]
        sags[:-1] &= ~gone[1:]
    ratio = np.where(sags, ratio, 1.0)
    period = float(on.time_s[-1] - on.time_s[0]) / max(1, on.time_s.size - 1)
    memory = max(1, min(volts.size, int(5.0 * on.tau_s / period)))
    padded = np.concatenate((np.ones(memory), ratio))
    trailing = np.lib.stride_tricks.sliding_window_view(padded, memory + 1).min(axis=1)
    return np.asarray(trailing, dtype=np.float64)


def _group(below: NDArray[np.bool_], current: FloatArray, expected: FloatArray) -> list[Dip]:
    where = np.flatnonzero(below)
    breaks = np.flatnonzero(np.diff(where) > JOIN_SAMPLES + 1)
    firsts = where[np.concatenate(([0], breaks + 1))]
    lasts = where[np.concatenate((breaks, [where.size - 1]))]
    dips = []
    for first, last in zip(firsts, lasts, strict=True):
        part = slice(int(first), int(last) + 1)
        lost = 1.0 - current[part] / np.maximum(expected[part], 1e-12)
        depth = float(np.clip(lost.max(), 0.0, 1.0))
        dips.append(Dip(first=int(first), last=int(last), depth=depth))
    return dips
