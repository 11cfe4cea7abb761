"""What a count of clean cycles proves, and what stands out from a tray."""

from __future__ import annotations

import math
import statistics as st
from collections.abc import Hashable, Mapping, Sequence
from enum import StrEnum
from functools import cache
from typing import TypeVar

from benchrig.judge.distributions import beta_quantile, t_quantile
from benchrig.judge.words import written

GRUBBS_LEAST = 7  # for six or fewer the test has almost no room, and two bad parts hide each other
APART_LEAST = 5  # below, nothing is far from the others
ROSNER_EXACT = 25  # values from which on Rosner's critical values hold
TRAY_ALPHA = 0.05  # of clean trays in which a part is named nevertheless


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


@cache
def grubbs_critical(n: int, alpha: float = 0.05) -> float:
    """Two-sided critical value of Grubbs' test for one outlier among ``n`` normal values."""
    if n < 3:
        raise ValueError(f"Grubbs' test needs three values, not {n}")
    t = t_quantile(1 - alpha / (2 * n), n - 2)
    return (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))


def stands_apart(values: Sequence[float], alpha: float = TRAY_ALPHA) -> tuple[int, ...]:
    """Places of values farther from the others than chance explains, in order.

    Args:
        values: one a part, any order, one unit; fewer than five are not enough and give none.
        alpha: share of trays without any such value in which one is named nevertheless.

    Generalised extreme studentised deviates (Rosner, Technometrics 25, 1983; NIST/SEMATECH
    handbook, section 1.3.5.17.3): the farthest value is tested and taken out, up to a quarter of
    them, and all up to the last that was too far stand apart, so that two do not hide each
    other. Its critical values are for 25 values and more; below, half of ``alpha`` is asked, since
    without that up to 9 % of trays are flagged at 5 % (simulated in the tests). The values are
    taken as normal: what stands apart is a question to ask about a part, never its verdict.
    """
    n = len(values)
    if n < APART_LEAST:
        return ()
    step_alpha = alpha if n >= ROSNER_EXACT else alpha / 2
    left, taken, apart = list(range(n)), [], 0
    for _ in range(1 if n < GRUBBS_LEAST else max(2, n // 4)):
        mean, sd = st.fmean(values[i] for i in left), st.stdev(values[i] for i in left)
        if sd <= 1e-12 * abs(mean):
            break
        place = max(left, key=lambda i: abs(values[i] - mean))
        statistic, critical = abs(values[place] - mean) / sd, grubbs_critical(len(left), step_alpha)
        left.remove(place)
        taken.append(place)
        if statistic > critical:
            apart = len(taken)
    return tuple(sorted(taken[:apart]))


K = TypeVar("K", bound=Hashable)
P = TypeVar("P", bound=Hashable)


def parts_apart(
    tray: Mapping[K, Mapping[P, float]], alpha: float = TRAY_ALPHA
) -> dict[P, tuple[K, ...]]:
    """Parts of a tray that stand apart, each with the characteristics in which it does.

    Args:
        tray: by characteristic the values by part; a part may lack some.
        alpha: share of clean trays with any part named, all characteristics together (Bonferroni).
    """
    assessed = {name: of for name, of in tray.items() if len(of) >= APART_LEAST}
    found: dict[P, tuple[K, ...]] = {}
    for name, of in assessed.items():
        parts = list(of)
        for place in stands_apart(list(of.values()), alpha / len(assessed)):
            found[parts[place]] = (*found.get(parts[place], ()), name)
    return found


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
