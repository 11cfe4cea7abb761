"""The stated uncertainty of a rise beside what simulated records of it scatter.

The fit states its uncertainty to first order. Where records are few, short or noisy that is not
enough, and nothing in the numbers says so. Drawing many records of the same rise with the same
noise and fitting each one does (JCGM 101:2008, clause 8: validation by a Monte Carlo method).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchrig.measure.propagation import NORMAL_95, FloatArray
from benchrig.measure.rise import solve_rise
from benchrig.measure.rise_batch import RiseBank

SEED = 1  # so that an answer can be had again
RECORDS_MIN = 1_000  # 25 records lie beyond each end of an interval of 95 %
POINTS_MAX = 2_000  # of a simulated record; more are simulated as means of neighbours
CHUNK_VALUES = 2_000_000  # simulated at once: 16 MB
REFUSED_SHARE_MAX = 0.01  # of the records: more, and the rest are a choice of the lucky ones


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """One quantity: the interval stated and the one found, both of 95 %, in its own unit.

    Clause 8.1: the two agree when neither end differs by more than ``tolerance``, half a unit
    of the first significant digit of the standard uncertainty.
    """

    std_uncertainty: float  # of the simulated results
    low: float
    high: float
    low_stated: float
    high_stated: float
    tolerance: float

    @property
    def agrees(self) -> bool:
        """Whether the stated interval is good to the tolerance."""
        ends = (self.low - self.low_stated, self.high - self.high_stated)
        return max(abs(end) for end in ends) <= self.tolerance


@dataclass(frozen=True, slots=True, kw_only=True)
class RiseCheck:
    """What simulated records of one rise give; no spreads where they can tell nothing."""

    records: int
    refused: int = 0  # simulated records that the fit gave no numbers for
    reason: str = ""
    current_a: Spread | None = None
    tau_s: Spread | None = None


def check_rise(
    time_s: FloatArray, current_a: FloatArray, *, records: int, seed: int = SEED
) -> RiseCheck:
    """Fit a rise, simulate ``records`` of it with white noise like its own, fit those.

    The intervals are of the fit alone: gain, offset and clock are not simulated.
    """
    if records < RECORDS_MIN:
        raise ValueError(f"{records} records, an interval of 95 % needs {RECORDS_MIN} or more")
    found = solve_rise(time_s, current_a)
    if isinstance(found, str):
        return RiseCheck(records=records, reason=found)
    if found.structured:
        reason = "residuals are not noise only: records with white noise would not be like it"
        return RiseCheck(records=records, reason=reason)
    noise = math.sqrt(found.residual_sum_squares / (found.points - 2))
    time, together = _thinned(time_s)
    clean = -found.current_a * np.expm1(-time / found.tau_s)
    rng = np.random.default_rng(seed)
    results = _simulated(time, clean, noise / math.sqrt(together), records, rng)
    results = results[:, np.isfinite(results[0])]
    refused = records - results.shape[1]
    if refused > REFUSED_SHARE_MAX * records:
        reason = f"{refused} of {records} simulated records do not hold a rise"
        return RiseCheck(records=records, refused=refused, reason=reason)
    return RiseCheck(
        records=records,
        refused=refused,
        current_a=_spread(results[0], found.current_a, found.u_current_a),
        tau_s=_spread(results[1], found.tau_s, found.u_tau_s),
    )


def _thinned(time: FloatArray) -> tuple[FloatArray, int]:
    """Times of at most POINTS_MAX points, and how many of the record's each stands for."""
    together = -(-time.size // POINTS_MAX)
    whole = time.size - time.size % together
    return np.sort(time)[:whole].reshape(-1, together).mean(axis=1), together


def _simulated(
    time: FloatArray, clean: FloatArray, noise: float, records: int, rng: np.random.Generator
) -> FloatArray:
    """Fitted current and time constant of each simulated record, one row each."""
    bank = RiseBank(time)
    at_once = max(1, CHUNK_VALUES // time.size)
    results = []
    for begin in range(0, records, at_once):
        size = (min(at_once, records - begin), time.size)
        fits = bank.fit(clean + noise * rng.standard_normal(size))
        results.append(np.stack((fits.current_a, fits.tau_s)))
    return np.concatenate(results, axis=1)


def _spread(results: FloatArray, value: float, u: float) -> Spread:
    low, high = np.quantile(results, (0.025, 0.975))
    return Spread(
        std_uncertainty=float(results.std(ddof=1)),
        low=float(low),
        high=float(high),
        low_stated=value - NORMAL_95 * u,
        high_stated=value + NORMAL_95 * u,
        tolerance=numerical_tolerance(u),
    )


def numerical_tolerance(u: float) -> float:
    """Half a unit of the first significant digit of ``u`` (JCGM 101:2008, 7.9.2)."""
    _, exponent = f"{u:.0e}".split("e")
    return 0.5 * float(f"1e{exponent}")
