"""Commutator ripple of a brushed pump motor: inrush, running current, frequency, speed.

The frequency is fitted with as many harmonics as the data show, with lines at the shaft's
turning rate beside them, and with an even drift of speed. A ripple at twice or half the
frequency is never passed over: where the data leave room for it, both speeds are listed and
the reason says so. Speed is 60 f / N, with N ripples a turn; N depends on bars and brushes
and is asked for, never assumed.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchrig.measure import ripple_fit
from benchrig.measure.coil import CURRENT_GAIN
from benchrig.measure.features import Ripple
from benchrig.measure.reading import Reading, measured_mean
from benchrig.quantity import Contribution, Measured

Array = NDArray[np.float64]

RECORD_MIN_S = 0.1
RATE_MIN_HZ = 2000.0
INRUSH_S = 0.1  # the inrush is looked for in this much of the beginning
SETTLED = 0.03  # of the running current
LOWEST_HZ = 60.0
HIGHEST_OF_NYQUIST = 0.92
HARMONICS_MAX = 8
SIGNIFICANT = 12.0  # power over noise power that a line must have to be counted
START_SIGNIFICANT = 16.0  # and the strongest one, among all that a spectrum holds
AMBIGUOUS_SHARE = 0.2  # power of odd lines over all, below which doubling is in doubt
HALF_SHARE = 0.1  # and from which the lower frequency is the better name
DOUBT_SHARE = 0.003  # weaker odd lines at half the frequency are not worth a word
DRIFT_MAX = 0.06  # of the frequency, over the record
COMMON_RIPPLES = (6, 8, 10, 12, 14, 16)
PLAUSIBLE_RPM = (1500.0, 15000.0)
CLOCK_RELATIVE = 1e-4  # standard, of a crystal that nobody calibrated


def ripples_per_turn(bars: int, brushes: int) -> int:
    """Ripples in a turn of a motor: the least common multiple of bars and brush positions."""
    if bars < 2 or brushes < 1:
        raise ValueError("a commutator has at least 2 bars and 1 brush position")
    return math.lcm(bars, brushes)


def speed_rpm(frequency_hz: float, ripples: int) -> float:
    """Turns a minute from the ripple frequency."""
    return 60.0 * frequency_hz / ripples


def assess_ripple(
    time_s: ArrayLike,
    current_a: ArrayLike,
    *,
    ripples_per_turn: int | None = None,
    clock_relative: float = CLOCK_RELATIVE,
) -> Ripple:
    """Ripple of one pump run; ``time_s`` counts from switch-on, evenly."""
    time = np.asarray(time_s, dtype=np.float64)
    current = np.asarray(current_a, dtype=np.float64)
    if time.shape != current.shape or time.ndim != 1:
        raise ValueError("time and current must be rows of the same length")
    if ripples_per_turn is not None and ripples_per_turn < 2:
        raise ValueError(f"a turn has at least 2 ripples, not {ripples_per_turn}")
    refused = _refusal(time, current)
    if refused:
        return Ripple(assessed=False, reason=refused)
    first, inrush, running = _levels(time, current)
    found = Ripple(assessed=False, reason="", inrush_current_a=inrush, running_current_a=running)
    if time[-1] - time[first] < RECORD_MIN_S:
        return replace(
            found,
            reason=f"the current settles too late: {(time[-1] - time[first]) * 1e3:.0f} ms of "
            f"steady running, {RECORD_MIN_S * 1e3:.0f} ms are needed",
        )
    centred = time[first:] - 0.5 * (time[first] + time[-1])
    return _Analysis(centred, current[first:], ripples_per_turn, clock_relative).result(found)


def of_input(ripple: Ripple, reading: Reading) -> Ripple:
    """The same with what the current's input adds: gain, offset and steps average out nowhere.

    An inrush is one sample, so a single one at the end of the range makes it a bound only.
    """
    inrush = ripple.inrush_current_a if reading.saturated_share == 0.0 else None
    running = ripple.running_current_a
    return replace(
        ripple,
        inrush_current_a=None if inrush is None else _through(inrush, reading),
        running_current_a=None if running is None else _through(running, reading),
    )


def _through(current: Measured, reading: Reading) -> Measured:
    moved = replace(reading, mean=current.value, noise_u=current.std_uncertainty)
    return measured_mean(moved, current.unit, CURRENT_GAIN)


def _refusal(time: Array, current: Array) -> str:
    if len(time) < 100 or time[-1] - time[0] < RECORD_MIN_S:
        return f"record too short: {RECORD_MIN_S * 1e3:.0f} ms of running are needed"
    if not np.all(np.isfinite(current)):
        return "the current has gaps"
    steps = np.diff(time)
    if np.any(steps <= 0) or float(np.ptp(steps)) > 0.05 * float(np.median(steps)):
        return "samples are missing or not evenly spaced"
    rate = 1.0 / float(np.median(steps))
    if rate < RATE_MIN_HZ:
        return f"rate too low: {rate:.0f} S/s, {RATE_MIN_HZ:.0f} S/s are needed"
    return ""


def _levels(time: Array, current: Array) -> tuple[int, Measured | None, Measured]:
    """Where running begins, the largest inrush current and the running current."""
    step = float(np.median(np.diff(time)))
    block = max(round(0.01 / step), 4)
    count = len(current) // block
    means = current[: count * block].reshape(count, block).mean(axis=1)
    tail = means[count // 2 :]
    level = float(np.median(tail))
    away = np.flatnonzero(np.abs(means - level) > SETTLED * abs(level) + 3 * float(np.std(tail)))
    away = away[away < count // 2]
    first = int((away[-1] + 1) * block) if len(away) else 0
    steady = current[first:]
    blocks = steady[: len(steady) // block * block].reshape(-1, block).mean(axis=1)
    scatter = float(np.std(blocks)) / math.sqrt(max(len(blocks) - 1, 1))
    floor = float(np.std(np.diff(current))) / math.sqrt(len(steady)) + 1e-9
    running = Measured(value=float(steady.mean()), std_uncertainty=max(scatter, floor), unit="A")
    inrush = None
    if first and time[0] < 0.5 * INRUSH_S:
        early = current[time <= time[0] + INRUSH_S]
        top = int(np.argmax(early))
        # Noise of one sample, from the differences around the top.
        noise = float(np.std(np.diff(current[first:]))) / math.sqrt(2)
        inrush = Measured(value=float(early[top]), std_uncertainty=max(noise, 1e-9), unit="A")
    return first, inrush, running


class _Analysis:
    """The steady part of one record, looked at step by step."""

    def __init__(
        self, time: Array, current: Array, ripples: int | None, clock_relative: float
    ) -> None:
        self.time = time
        self.current = current
        self.ripples = ripples
        self.clock = clock_relative
        self.highest = HIGHEST_OF_NYQUIST * 0.5 / float(time[1] - time[0])
        self.doubts: list[str] = []
        self.others: list[float] = []  # other ripple frequencies that the data allow

    def result(self, found: Ripple) -> Ripple:
        start = self._start()
        if start is None:
            return replace(found, reason="no ripple stands out of the noise")
        fit = self._named(*start)
        fit, ripples = self._with_shaft(fit)
        if not fit.converged:
            return replace(found, reason="the frequency fit did not converge")
        sd = fit.frequency_sd * self._colour(fit)
        frequency = self._measured(fit.frequency, sd, "Hz")
        change = fit.drift * float(self.time[-1] - self.time[0])
        if abs(fit.drift) > 4 * fit.drift_sd and abs(change) > 0.002 * fit.frequency:
            self.doubts.append(
                f"the speed changed by {100 * change / fit.frequency:+.1f} % within the record; "
                "the value is that at its middle"
            )
        speed = None
        if self.ripples is not None:
            scale = 60.0 / self.ripples
            speed = self._measured(fit.frequency * scale, sd * scale, "rpm")
        candidates = self._candidates(fit, ripples)
        return replace(
            found,
            assessed=True,
            reason="; ".join(self.doubts),
            frequency_hz=frequency,
            speed_rpm=speed,
            candidates_rpm=candidates,
            hump_unevenness=self._unevenness(fit, self.ripples),
        )

    def _measured(self, value: float, sd: float, unit: str) -> Measured:
        return Measured.from_budget(
            value,
            unit,
            (
                Contribution(source="noise", std_uncertainty=max(sd, 1e-12), evaluation="A"),
                Contribution(source="the rig's clock", std_uncertainty=self.clock * value),
            ),
        )

    def _start(self) -> tuple[float, float] | None:
        """Frequency and drift of the strongest line."""
        frequencies, power = ripple_fit.spectrum(self.time, self.current)
        band = (frequencies >= LOWEST_HZ) & (frequencies <= self.highest)
        noise = float(np.median(power[band])) / math.log(2)
        # A line at the shaft's rate may be the strongest: look where ripple can be first.
        turns = self.ripples if self.ripples is not None else min(COMMON_RIPPLES)
        usual = band & (frequencies >= PLAUSIBLE_RPM[0] / 60.0 * turns)
        at = int(np.argmax(np.where(usual, power, 0)))
        if power[at] < START_SIGNIFICANT * max(noise, 1e-30):
            at = int(np.argmax(np.where(band, power, 0)))
        if power[at] < START_SIGNIFICANT * max(noise, 1e-30):
            return None
        near = float(frequencies[at])
        span = float(self.time[-1] - self.time[0])
        most = DRIFT_MAX * near / span
        steps = min(int(np.ceil(most * span**2)), 40)
        return ripple_fit.dechirped_peak(
            self.time, self.current, near, np.linspace(-most, most, 2 * steps + 1)
        )

    def _named(self, frequency: float, drift: float) -> ripple_fit.Fit:
        """Which multiple of the ripple is the strongest line? Try it as 1st, 2nd and 3rd."""
        best: ripple_fit.Fit | None = None
        for divisor in (3, 2):
            if frequency / divisor < LOWEST_HZ:
                continue
            trial = self._harmonic(frequency / divisor, drift / divisor)
            share, seen = _odd_share(trial, divisor)
            if not seen:
                continue
            if share >= HALF_SHARE:
                best = trial
                if share < AMBIGUOUS_SHARE and divisor == 2:
                    self._doubt(2 * trial.frequency, "every second hump differs", share)
                break
            if share >= DOUBT_SHARE and divisor == 2:
                self._doubt(trial.frequency, "there are weak lines at half the frequency", share)
        chosen = best if best is not None else self._harmonic(frequency, drift)
        self._doubt_a_gap(chosen)
        return chosen

    def _doubt_a_gap(self, fit: ripple_fit.Fit) -> None:
        """A strong high harmonic above missing ones: the lowest line may be the shaft's."""
        size = dict(zip(fit.multiples, np.abs(fit.phasors), strict=True))
        lowest = size.get(1.0, 0.0)
        for multiple in sorted(m for m in size if m >= 3):
            between = max((size.get(m, 0.0) for m in np.arange(2.0, multiple)), default=0.0)
            if size[multiple] > 0.4 * lowest and between < 0.15 * lowest:
                share = float(size[multiple] ** 2 / sum(a**2 for a in size.values()))
                self._doubt(multiple * fit.frequency, "harmonics are missing in between", share)
                return

    def _doubt(self, other: float, why: str, share: float) -> None:
        self.others.append(other)
        self.doubts.append(
            f"{why} ({100 * share:.1f} % of the ripple's power): the ripple may be at "
            f"{other:.1f} Hz as well"
        )

    def _harmonic(self, frequency: float, drift: float) -> ripple_fit.Fit:
        """Fit with the harmonics that the data show."""
        most = max(1, min(HARMONICS_MAX, int(self.highest / frequency)))
        multiples = [float(h) for h in range(1, most + 1)]
        fit = ripple_fit.fit(self.time, self.current, frequency, multiples, drift=drift)
        kept = [m for m in multiples if fit.power(m) > SIGNIFICANT]
        if not kept:
            kept = [max(multiples, key=fit.power)]
        return ripple_fit.fit(self.time, self.current, fit.frequency, kept, drift=fit.drift)

    def _with_shaft(self, fit: ripple_fit.Fit) -> tuple[ripple_fit.Fit, int | None]:
        """Add the lines of the turning shaft; without N, see whether the data name one."""
        harmonics = list(fit.multiples)
        trials = COMMON_RIPPLES if self.ripples is None else (self.ripples,)
        scored = []
        for ripples in trials:
            lines = self._shaft_lines(fit.frequency, ripples, harmonics)
            trial = ripple_fit.fit(
                self.time, self.current, fit.frequency, harmonics + lines, drift=fit.drift
            )
            kept = [line for line in lines if trial.power(line) > SIGNIFICANT]
            # Named by lines once a turn: twice a turn would also fit half as many ripples.
            once = [m + k / ripples for m in [0.0, *harmonics] for k in (-1, 1)]
            total = sum(trial.power(line) for line in kept if line in once)
            scored.append((total, ripples, kept))
        total, ripples, kept = max(scored, key=lambda score: (score[0], -score[1]))
        if not kept:
            return fit, None
        trial = ripple_fit.fit(
            self.time, self.current, fit.frequency, harmonics + kept, drift=fit.drift
        )
        named = ripples if total > 3 * SIGNIFICANT else None
        return trial, named

    def _shaft_lines(self, frequency: float, ripples: int, harmonics: list[float]) -> list[float]:
        around = [0.0, *[m for m in harmonics if m <= 3]]
        lines: list[float] = []
        for middle in around:
            for order in (-2, -1, 1, 2):
                line = middle + order / ripples
                inside = 8.0 / (self.time[-1] - self.time[0]) < line * frequency < self.highest
                near = min(abs(line - m) for m in [*harmonics, *lines, 1e9])
                if inside and near > 0.4 / ripples:
                    lines.append(line)
        return lines

    def _colour(self, fit: ripple_fit.Fit) -> float:
        """How much denser the noise is around the ripple than on average, as deviation."""
        density = np.abs(np.fft.rfft(fit.residual)) ** 2
        resolution = 1.0 / (len(fit.residual) * float(self.time[1] - self.time[0]))
        at = round(fit.frequency / resolution)
        around = density[max(at - 12, 1) : at + 13]
        ratio = float(np.mean(around)) / max(float(np.mean(density[1:])), 1e-30)
        # 25 cells scatter by a fifth themselves: only a clear excess counts.
        return math.sqrt(ratio) if ratio > 1.6 else 1.0

    def _candidates(self, fit: ripple_fit.Fit, named: int | None) -> tuple[float, ...]:
        if self.ripples is not None:
            low, high = PLAUSIBLE_RPM
            speed = speed_rpm(fit.frequency, self.ripples)
            if not low <= speed <= high:
                self.doubts.append(f"{speed:.0f} rpm is no usual pump speed")
                self.others += [fit.frequency / 2, 2 * fit.frequency]
            if not self.others:
                return (speed,)
            speeds = [speed, *[speed_rpm(other, self.ripples) for other in self.others]]
            return tuple(dict.fromkeys(round(s, 3) for s in speeds))
        if named is not None:
            self.doubts.append(f"lines at the shaft's rate speak for {named} ripples a turn")
        else:
            self.doubts.append("the ripples in a turn are not known")
        counts = [named] if named is not None else []
        counts += [n for n in COMMON_RIPPLES if n != named]
        low, high = PLAUSIBLE_RPM
        speeds = [speed_rpm(f, n) for f in (fit.frequency, *self.others) for n in counts]
        return tuple(dict.fromkeys(round(s, 3) for s in speeds if low <= s <= high))

    def _unevenness(self, fit: ripple_fit.Fit, ripples: int | None) -> Measured | None:
        """How much the height of a hump varies once a turn, over the ripple's amplitude."""
        if ripples is None or 1.0 not in fit.multiples:
            return None
        lines = [1 / ripples, 1 - 1 / ripples, 1 + 1 / ripples]
        if not 8.0 / (self.time[-1] - self.time[0]) < lines[0] * fit.frequency:
            return None
        harmonics = [m for m in fit.multiples if m not in lines]
        full = ripple_fit.fit(
            self.time, self.current, fit.frequency, harmonics + lines, drift=fit.drift
        )
        place = {m: full.phasors[i] for i, m in enumerate(full.multiples)}
        carrier = place[1.0]
        turn = carrier / abs(carrier)
        height = place[lines[0]] + place[lines[2]] * np.conj(turn) + np.conj(place[lines[1]]) * turn
        sd = full.noise * math.sqrt(2 / len(self.time))
        ratio = abs(height) / abs(carrier)
        u = math.hypot(sd * math.sqrt(3), ratio * sd) / abs(carrier)
        return Measured(value=float(ratio), std_uncertainty=float(u), unit="1")


def _odd_share(fit: ripple_fit.Fit, divisor: int) -> tuple[float, bool]:
    """Power of the lines that are no multiple of ``divisor``, over all; and is it real?"""
    powers = np.abs(fit.phasors) ** 2
    odd = np.array([round(m) % divisor != 0 for m in fit.multiples])
    if not odd.any():
        return 0.0, False
    real = any(fit.power(m) > SIGNIFICANT for m, o in zip(fit.multiples, odd, strict=True) if o)
    return float(powers[odd].sum() / powers.sum()), real
