"""Frequency of a periodic current by variable projection and Gauss-Newton.

The current is a slow polynomial plus sinusoids at fixed multiples of one frequency, which may
drift evenly. Amplitudes are linear and projected out, so that only the frequency at the
middle of the record and its drift are searched. Lines that belong to no multiple (a load, a
supply) can be given as free lines, so that their leakage does not pull the frequency.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TREND = 3  # polynomial terms: level, slope, curvature
ITERATIONS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """One fit; frequencies in hertz, time zero in the middle of the record."""

    frequency: float
    drift: float  # hertz a second
    frequency_sd: float  # at the Cramér-Rao bound for the noise found
    drift_sd: float
    multiples: tuple[float, ...]
    phasors: NDArray[np.complex128]  # one for each multiple: real part of p exp(j phase)
    noise: float
    residual: Array
    converged: bool

    def power(self, multiple: float) -> float:
        """Squared amplitude over the variance it has from noise alone (2 degrees)."""
        amplitude = abs(self.phasors[self.multiples.index(multiple)])
        return float(amplitude**2 * len(self.residual) / (2 * self.noise**2))


def _basis(time: Array, phase: Array, multiples: Sequence[float], free: Sequence[float]) -> Array:
    scaled = 2 * time / (time[-1] - time[0])
    columns = [scaled**power for power in range(TREND)]
    for line in free:
        angle = 2 * np.pi * line * time
        columns += [np.cos(angle), np.sin(angle)]
    for multiple in multiples:
        angle = multiple * phase
        columns += [np.cos(angle), np.sin(angle)]
    return np.stack(columns, axis=1)


def fit(
    time: Array,
    current: Array,
    frequency: float,
    multiples: Sequence[float],
    *,
    drift: float = 0.0,
    free: Sequence[float] = (),
) -> Fit:
    """Fit from a start within half a resolution cell; ``time`` is centred on zero."""
    lead = TREND + 2 * len(free)
    converged = False
    limit = 1.0 / (time[-1] - time[0])
    for _ in range(ITERATIONS):
        basis, weights, residual, slopes = _project(
            time, current, frequency, drift, multiples, free, lead
        )
        step, *_ = np.linalg.lstsq(slopes, residual, rcond=None)
        largest = np.array([limit, 4 * limit**2])
        step = step * min(1.0, float(np.min(largest / np.maximum(np.abs(step), 1e-300))))
        frequency += float(step[0])
        drift += float(step[1])
        if abs(step[0]) < 1e-6 * limit and abs(step[1]) < 1e-5 * limit**2:
            converged = True
            break
    basis, weights, residual, slopes = _project(
        time, current, frequency, drift, multiples, free, lead
    )
    degrees = max(len(time) - basis.shape[1] - 2, 1)
    noise = float(np.sqrt(np.sum(residual**2) / degrees))
    covariance = np.linalg.pinv(slopes.T @ slopes) * noise**2
    pairs = weights[lead:].reshape(-1, 2)
    return Fit(
        frequency=frequency,
        drift=drift,
        frequency_sd=float(np.sqrt(max(covariance[0, 0], 0.0))),
        drift_sd=float(np.sqrt(max(covariance[1, 1], 0.0))),
        multiples=tuple(multiples),
        phasors=np.asarray(pairs[:, 0] - 1j * pairs[:, 1], dtype=np.complex128),
        noise=max(noise, 1e-12),
        residual=residual,
        converged=converged,
    )


def _project(
    time: Array,
    current: Array,
    frequency: float,
    drift: float,
    multiples: Sequence[float],
    free: Sequence[float],
    lead: int,
) -> tuple[Array, Array, Array, Array]:
    """Basis, amplitudes, residual, and its slopes with respect to frequency and drift."""
    phase = 2 * np.pi * (frequency * time + 0.5 * drift * time**2)
    basis = _basis(time, phase, multiples, free)
    q, r = np.linalg.qr(basis)
    weights = np.linalg.solve(r, q.T @ current)
    residual = current - q @ (q.T @ current)
    pairs = weights[lead:].reshape(-1, 2)
    ripple = basis[:, lead:].reshape(len(time), -1, 2)
    factor = np.asarray(multiples)
    turned = (ripple[:, :, 0] * pairs[:, 1] - ripple[:, :, 1] * pairs[:, 0]) @ factor
    slopes = np.stack([2 * np.pi * time * turned, np.pi * time**2 * turned], axis=1)
    slopes -= q @ (q.T @ slopes)
    return basis, weights, residual, slopes


def spectrum(time: Array, current: Array, padding: int = 4) -> tuple[Array, Array]:
    """Frequencies and squared amplitudes, Hann window, zero-padded, trend removed."""
    scaled = 2 * time / (time[-1] - time[0])
    trend = np.polynomial.polynomial.polyfit(scaled, current, TREND - 1)
    rest = current - np.polynomial.polynomial.polyval(scaled, trend)
    window = np.hanning(len(rest))
    size = 1 << int(np.ceil(np.log2(padding * len(rest))))
    lines = np.fft.rfft(rest * window, size)
    amplitude = 2 * np.abs(lines) / np.sum(window)
    frequencies: Array = np.asarray(np.fft.rfftfreq(size, float(time[1] - time[0])), np.float64)
    return frequencies, amplitude**2


def dechirped_peak(time: Array, current: Array, near: float, drifts: Array) -> tuple[float, float]:
    """Frequency and drift of the strongest line near ``near``, over trial drifts."""
    span = float(time[-1] - time[0])
    width = max(3.0 / span, float(np.max(np.abs(drifts))) * span / 2 + 2.0 / span)
    offsets = np.arange(-width, width, 0.25 / span)
    window = np.hanning(len(time)) * (current - current.mean())
    turn = np.exp(-2j * np.pi * np.outer(near + offsets, time))
    power = np.abs(turn @ (window[:, None] * np.exp(-1j * np.pi * np.outer(time**2, drifts))))
    at, which = np.unravel_index(int(np.argmax(power)), power.shape)
    return near + float(offsets[at]), float(drifts[which])
