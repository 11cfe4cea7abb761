"""Control chart constants and limits for small samples of a normal distribution.

Everything follows from d2 and d3, mean and standard deviation of the range of n values; the
tests integrate both anew.
"""

from __future__ import annotations

import math

# n -> (d2, d3)
_RANGE: dict[int, tuple[float, float]] = {
    2: (1.12838, 0.85250),
    3: (1.69257, 0.88837),
    4: (2.05875, 0.87981),
    5: (2.32593, 0.86408),
    6: (2.53441, 0.84804),
    7: (2.70436, 0.83321),
    8: (2.84720, 0.81983),
    9: (2.97003, 0.80783),
    10: (3.07751, 0.79705),
}


def d2(n: int) -> float:
    """Mean range of n standard normal values."""
    return _of(n)[0]


def d2_star(n: int, samples: int = 1) -> float:
    """The divisor of a mean range from few samples: sqrt(d2² + d3² / samples)."""
    mean, deviation = _of(n)
    return math.sqrt(mean * mean + deviation * deviation / samples)


def d3_d4(n: int) -> tuple[float, float]:
    """Range chart: limits at D3 and D4 times the mean range."""
    mean, deviation = _of(n)
    return max(0.0, 1 - 3 * deviation / mean), 1 + 3 * deviation / mean


def _of(n: int) -> tuple[float, float]:
    if n not in _RANGE:
        raise ValueError(f"constants are given for 2 to 10 values, not {n}")
    return _RANGE[n]
