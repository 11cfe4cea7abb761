"""What a count of clean cycles proves, and what stands out from a tray."""

from __future__ import annotations

import math
import statistics as st
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from benchrig.judge.distributions import beta_quantile, t_quantile
from benchrig.judge.words import written

GRUBBS_LEAST = 7  # for six or fewer the test has almost no room, and two bad parts hide each other
ROBUST_Z_FLAG = 3.5  # Iglewicz and Hoaglin
_MAD_TO_SIGMA = 0.6745  # a normal distribution's median deviation, in sigma
_MEAN_AD_TO_SIGMA = 1.253314  # sigma over the mean deviation of a normal distribution


def upper_bound_95(cycles: int, failures: int = 0) -> float | None:
    """One-sided 95 % upper bound on the fault rate a cycle; None when no cycle was seen."""
    if not 0 <= failures <= cycles:
        raise ValueError(f"{failures} failures in {cycles} cycles")
    if cycles == 0:
        return None
    if failures == cycles:
        return 1.0
    if failures == 0:
        return -math.expm1(math.log(0.05) / cycles)  # 1 - 0.05^(1/n)
    return beta_quantile(failures + 1, cycles - failures, 0.95)


def cycles_needed(fault_rate: float, confidence: float = 0.95) -> int:
    """Cycles until a fault of this rate shows at least once with this confidence."""
    if not (0 < fault_rate < 1 and 0 < confidence < 1):
        raise ValueError("rate and confidence must lie between 0 and 1")
    return math.ceil(math.log1p(-confidence) / math.log1p(-fault_rate) - 1e-9)


def proof_of_clean_cycles(cycles: int) -> str:
    """What so many cycles without a fault prove, in a sentence."""
    bound = upper_bound_95(cycles)
    if bound is None:
        return "no cycle was seen, so nothing is proven about intermittent faults"
    return (
        f"{cycles} clean cycles prove only that fewer than {written(100 * bound, 3)} % of cycles "
        "fail (95 % upper bound, for cycles like these)"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Grubbs:
    """The most deviating value of a sample against Grubbs' critical value."""

    assessed: bool
    reason: str
    index: int | None = None
    statistic: float | None = None
    critical: float | None = None
    outlier: bool = False


def grubbs_critical(n: int, alpha: float = 0.05, *, two_sided: bool = True) -> float:
    """Critical value of Grubbs' test for one outlier among ``n`` normal values."""
    if n < 3:
        raise ValueError(f"Grubbs' test needs three values, not {n}")
    t = t_quantile(1 - alpha / (2 * n if two_sided else n), n - 2)
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def grubbs(values: Sequence[float], alpha: float = 0.05, *, two_sided: bool = True) -> Grubbs:
    """Grubbs' test; refuses small sets, where it cannot see what it is asked for.

    An outlier is a question to ask about a part; its published limit is the verdict.
    """
    n = len(values)
    if n < GRUBBS_LEAST:
        reason = f"{n} values are too few: below {GRUBBS_LEAST} the test has almost no room"
        return Grubbs(assessed=False, reason=reason)
    mean, sd = st.fmean(values), st.stdev(values)
    if sd <= 1e-12 * abs(mean):
        return Grubbs(assessed=False, reason="all values are equal")
    index = max(range(n), key=lambda i: abs(values[i] - mean))
    statistic = abs(values[index] - mean) / sd
    critical = grubbs_critical(n, alpha, two_sided=two_sided)
    outlier = statistic > critical
    word = "stands out" if outlier else "does not stand out"
    return Grubbs(
        assessed=True,
        reason=f"value {index + 1} of {n} {word} (G {statistic:.3f}, critical {critical:.3f})",
        index=index,
        statistic=statistic,
        critical=critical,
        outlier=outlier,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RobustZ:
    """Robust z of each value, and by which scale."""

    z: tuple[float, ...]
    scale: str

    @property
    def flagged(self) -> tuple[int, ...]:
        """Indices of the values worth a question."""
        return tuple(i for i, z in enumerate(self.z) if abs(z) > ROBUST_Z_FLAG)


def robust_z(values: Sequence[float]) -> RobustZ:
    """Distance from the median in robust sigmas; falls back where half the values are equal."""
    if not values:
        return RobustZ(z=(), scale="no values")
    median = st.median(values)
    deviations = [abs(v - median) for v in values]
    least = 1e-9 * max(abs(median), max(deviations))  # rounding of equal values is no spread
    if (mad := st.median(deviations)) > least:
        z = [_MAD_TO_SIGMA * (v - median) / mad for v in values]
        return RobustZ(z=tuple(z), scale="median absolute deviation")
    if (mean_ad := st.fmean(deviations)) > least:
        z = [(v - median) / (_MEAN_AD_TO_SIGMA * mean_ad) for v in values]
        return RobustZ(z=tuple(z), scale="mean absolute deviation (most values are equal)")
    return RobustZ(z=(0.0,) * len(values), scale="all values are equal")


def stands_apart(values: Sequence[float]) -> dict[int, str]:
    """Places of values worth a question, and by which measure.

    The robust one sees several at once; Grubbs' test says how rare the farthest one is.
    """
    found = robust_z(values)
    apart = {place: f"robust z {found.z[place]:+.1f}" for place in found.flagged}
    most = grubbs(values)
    if most.outlier and most.index is not None:
        apart[most.index] = f"Grubbs {most.statistic:.2f}, 5 % limit {most.critical:.2f}"
    return dict(sorted(apart.items()))


class Spread(StrEnum):
    """Definitions of a set's spread; two shops that say 2 % may mean different ones."""

    RANGE = "(max - min) / mean"
    HALF_RANGE = "(max - min) / 2 / mean"
    DEVIATION = "sample standard deviation / mean"


def spread(values: Sequence[float], definition: Spread = Spread.RANGE) -> float:
    """The spread of positive values as a ratio."""
    if not values or min(values) <= 0:
        raise ValueError("a spread needs values above zero")
    mean = st.fmean(values)
    match definition:
        case Spread.RANGE:
            return (max(values) - min(values)) / mean
        case Spread.HALF_RANGE:
            return (max(values) - min(values)) / 2 / mean
        case Spread.DEVIATION:
            return st.stdev(values) / mean if len(values) > 1 else 0.0
