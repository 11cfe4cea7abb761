"""The few distributions that judging needs, without a statistics library.

The regularised incomplete beta function by Lentz's continued fraction; its quantile by
bisection, which cannot diverge. Tests hold them against a reference library.
"""

from __future__ import annotations

import math
from statistics import NormalDist

_TERMS_MAX = 10_000
_TINY = 1e-300
_SIGMA_MOST = 38.0


def normal_cdf(z: float) -> float:
    """Probability of a standard normal value up to ``z``; accurate in both tails."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """The standard normal value below which the share ``p`` lies; the least and greatest held at
    38 sigma, where a share can no longer be told from 0 or 1."""
    return NormalDist().inv_cdf(p) if 0 < p < 1 else math.copysign(_SIGMA_MOST, p - 0.5)


def t_cdf(t: float, degrees: float) -> float:
    """Probability of a Student's value of so many degrees of freedom up to ``t``."""
    tail = 0.5 * beta_cdf(degrees / 2, 0.5, degrees / (degrees + t * t))
    return tail if t < 0 else 1.0 - tail


def beta_cdf(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b)."""
    if not (a > 0 and b > 0 and 0 <= x <= 1):
        raise ValueError(f"beta distribution: a={a}, b={b}, x={x}")
    if x in (0.0, 1.0):
        return x
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    if x < (a + 1) / (a + b + 2):
        return front * _continued_fraction(a, b, x) / a
    return 1.0 - front * _continued_fraction(b, a, 1.0 - x) / b


def _continued_fraction(a: float, b: float, x: float) -> float:
    c, d = 1.0, 1.0 / _away_from_zero(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, _TERMS_MAX):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        d = 1.0 / _away_from_zero(1.0 + even * d)
        c = _away_from_zero(1.0 + even / c)
        value *= d * c
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        d = 1.0 / _away_from_zero(1.0 + odd * d)
        c = _away_from_zero(1.0 + odd / c)
        value *= d * c
        if abs(d * c - 1.0) < 1e-15:
            return value
    raise ArithmeticError(f"incomplete beta function did not converge: a={a}, b={b}, x={x}")


def _away_from_zero(x: float) -> float:
    return x if abs(x) > _TINY else _TINY


def beta_quantile(a: float, b: float, p: float) -> float:
    """The x with I_x(a, b) = p."""
    if not 0 <= p <= 1:
        raise ValueError(f"a probability must be 0 to 1, not {p}")
    low, high = 0.0, 1.0
    while (middle := 0.5 * (low + high)) not in (low, high):
        if beta_cdf(a, b, middle) < p:
            low = middle
        else:
            high = middle
    return middle


def t_quantile(p: float, degrees: float) -> float:
    """Student's value below which the share ``p`` lies."""
    if not 0 < p < 1:
        raise ValueError(f"a probability must be above 0 and below 1, not {p}")
    if p == 0.5:
        return 0.0
    if abs(p - 0.5) < 0.25:
        # Near the middle x is 1 but for rounding, and so would t be: ask for 1 - x instead.
        y = beta_quantile(0.5, degrees / 2, abs(2 * p - 1))
        return math.copysign(math.sqrt(degrees * y / (1 - y)), p - 0.5)
    x = beta_quantile(degrees / 2, 0.5, 2 * min(p, 1 - p))
    return math.copysign(math.sqrt(degrees * (1 - x) / x), p - 0.5)
