"""From codes of one input to a mean with the parts of its uncertainty kept apart.

The parts stay apart because they behave differently: noise averages, quantisation does not
(without dither a constant code repeated a thousand times is still one code), an offset goes
away with the reading taken while nothing flows, and a gain cancels in ratios of one input.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.propagation import FloatArray, few_points
from benchrig.measure.samples import InputScale
from benchrig.quantity import Contribution, Measured

Codes = NDArray[np.int16]

SATURATED_SHARE_MAX = 0.001  # more saturated codes than this and the mean is no mean
GAIN_REL_U_MIN = 1e-5  # no gain is known better than this here
BATCHES = 16  # batch means show slow drift that the plain standard error hides


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """The mean of one input over a window, SI, with its uncertainty in parts (standard)."""

    mean: float
    noise_u: float  # of the mean, type A, slow drift included
    quantisation_u: float
    offset_u: float
    gain_rel_u: float
    step: float  # one code, SI
    samples: int
    saturated_share: float

    @property
    def over_range(self) -> bool:
        """The converter stood at its end: the mean is only a bound."""
        return self.saturated_share > SATURATED_SHARE_MAX

    @property
    def std_uncertainty(self) -> float:
        """All parts together."""
        return math.sqrt(
            self.noise_u**2
            + self.quantisation_u**2
            + self.offset_u**2
            + (self.gain_rel_u * self.mean) ** 2
        )


def standard_error(values: FloatArray) -> float:
    """Standard uncertainty of a mean, never less than batch means show (drift, mains hum).

    Widened for few values, see ``few_points``.
    """
    return _mean_and_error(values)[1]


def _mean_and_error(values: FloatArray) -> tuple[float, float]:
    """The mean of values and its standard uncertainty, nan of a single one."""
    n = values.size
    mean = float(np.add.reduce(values)) / n
    if n < 2:
        return mean, math.nan
    plain = _deviation(values, mean) / math.sqrt(n)
    if n < 4 * BATCHES:
        return mean, few_points(n - 1) * plain
    each = n // BATCHES
    batches = np.add.reduce(values[: each * BATCHES].reshape(BATCHES, each), axis=1) / each
    centre = float(np.add.reduce(batches)) / BATCHES
    batched = _deviation(batches, centre) / math.sqrt(BATCHES)
    # Batch means scatter by themselves: only a clear excess (over 1 in 1000) counts as drift.
    return mean, few_points(BATCHES - 1) * batched if batched > 1.6 * plain else plain


def _deviation(values: FloatArray, mean: float) -> float:
    """Standard deviation of single values."""
    apart = values - mean
    return math.sqrt(float(apart @ apart) / (values.size - 1))


def read(scale: InputScale, codes: Codes, off_codes: Codes | None = None) -> Reading:
    """Mean of an input's codes; ``off_codes`` are of the same input while nothing flowed.

    With an off reading the offset is subtracted and what is left of it is the off reading's own
    noise and quantisation. Without one the declared offset uncertainty stands, at least 1/2 step.
    """
    if codes.size == 0:
        raise ValueError("a reading needs at least one sample")
    step = abs(scale.step * scale.gain)
    quantisation = step / math.sqrt(12.0)
    mean, noise = _mean_and_error(scale.to_si(codes))
    if off_codes is not None and off_codes.size >= 2:
        off_mean, off_noise = _mean_and_error(scale.to_si(off_codes))
        mean -= off_mean
        offset = math.hypot(off_noise, quantisation)
    else:
        offset = max(scale.offset_uncertainty, 0.5 * step)
    return Reading(
        mean=mean,
        noise_u=noise if math.isfinite(noise) else quantisation,
        quantisation_u=quantisation,
        offset_u=offset,
        gain_rel_u=max(scale.gain_rel_uncertainty, GAIN_REL_U_MIN),
        step=step,
        samples=codes.size,
        saturated_share=np.count_nonzero(scale.saturated(codes)) / codes.size,
    )


def measured_mean(reading: Reading, unit: str, gain_name: str) -> Measured:
    """A reading with its parts as budget lines."""
    lines = (
        Contribution(source="noise", std_uncertainty=reading.noise_u, evaluation="A"),
        Contribution(
            source="quantisation", std_uncertainty=reading.quantisation_u, note="step / sqrt 12"
        ),
        Contribution(source="offset", std_uncertainty=reading.offset_u),
        Contribution(source=gain_name, std_uncertainty=reading.gain_rel_u * abs(reading.mean)),
    )
    return Measured.from_budget(
        reading.mean, unit, tuple(x for x in lines if x.std_uncertainty > 0)
    )
