"""Whether a value typed in may be a slip: asked again, never refused, and no verdict.

Beside the order's other values and the part's limits. A factor of ``FACTOR`` is a slip of the
point or of the unit. Among ``MANY`` or more, so is standing apart by ``APART`` robust standard
deviations (1.4826 of the median distance from the median, as in ISO 13528:2022) and by
``LEAST_SHARE``: digits that changed places. The numbers are common practice, no source.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence

from benchrig.judge.words import written
from benchrig.parts.part import Limit

FACTOR = 3.0
MANY = 5
APART = 6.0
LEAST_SHARE = 0.15
_MAD_TO_STD = 1.4826


def doubts(value: float, others: Sequence[float], limit: Limit | None, unit: str) -> list[str]:
    """Why a value should be typed again; empty where nothing is odd. All in one unit."""
    found = []
    middle = statistics.median(others) if others else None
    if limit is not None and _far_from_limit(value, limit):
        ends = [written(end) for end in (limit.low, limit.high) if end is not None]
        found.append(f"more than a factor of three from the limit {' to '.join(ends)} {unit}")
    if middle is not None and middle > 0:
        if not middle / FACTOR < value < middle * FACTOR:
            found.append(
                f"more than a factor of three from the others' {written(middle, 4)} {unit}"
            )
        elif len(others) >= MANY and _apart(value, others, middle):
            found.append(f"{100 * (value / middle - 1):+.0f} % from the others, who lie closer")
    return found


def _far_from_limit(value: float, limit: Limit) -> bool:
    low = limit.low if limit.low is not None else None
    high = limit.high if limit.high is not None else None
    below = low is not None and low > 0 and value <= low / FACTOR
    above = high is not None and high > 0 and value >= high * FACTOR
    return below or above


def _apart(value: float, others: Sequence[float], middle: float) -> bool:
    spread = _MAD_TO_STD * statistics.median(abs(x - middle) for x in others)
    return abs(value - middle) > max(APART * spread, LEAST_SHARE * middle)
