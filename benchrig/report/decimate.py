"""Millions of samples into one line of some hundred pixel columns, without hiding anything.

Each pixel column keeps its first, last, least and greatest sample, in the order of time: the
line drawn through them covers the same pixels as the line through every sample. A drop-out
of a single sample is the least of its column and therefore always drawn.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
GAP_FACTOR = 3.0  # an interval longer than this many usual ones is a gap, and is not bridged


def decimate(
    time_s: Floats, values: Floats, start_s: float, end_s: float, columns: int
) -> NDArray[np.intp]:
    """Indices of the first, least, greatest and last sample of each column of a time range.

    ``time_s`` rises. Samples outside the range are left out; values that are not finite too.
    """
    if time_s.size != values.size:
        raise ValueError("times and values must be of one length")
    if columns < 1 or not end_s > start_s:
        raise ValueError("a time range and at least one column are needed")
    bounds = np.searchsorted(time_s, np.linspace(start_s, end_s, columns + 1))
    bounds[-1] = np.searchsorted(time_s, end_s, side="right")
    if bounds[-1] - bounds[0] <= 4 * columns:
        kept = np.arange(bounds[0], bounds[-1])
        return kept[np.isfinite(values[kept])]
    found: list[int] = []
    for first, end in pairwise(bounds.tolist()):
        found += _corners(values[first:end], first)
    return np.asarray(found, dtype=np.intp)


def _corners(column: Floats, first: int) -> list[int]:
    if not column.size:
        return []
    if not np.isfinite(column).all():
        finite = np.flatnonzero(np.isfinite(column))
        return sorted({first + int(finite[k]) for k in _corners(column[finite], 0)})
    return sorted(
        {
            first,
            first + int(column.argmin()),
            first + int(column.argmax()),
            first + column.size - 1,
        }
    )


def gap_numbers(
    time_s: Floats, kept: NDArray[np.intp], step_s: float | None = None
) -> NDArray[np.intp]:
    """For each kept sample the number of gaps before it: a line breaks where it rises.

    A line must not be drawn over what was not measured. ``step_s`` is the usual interval; by
    default the median one, which says nothing once samples were thinned.
    """
    if time_s.size < 3:
        return np.zeros(kept.size, dtype=np.intp)
    steps = np.diff(time_s)
    usual = float(np.median(steps[:: max(1, steps.size // 10_000)])) if step_s is None else step_s
    breaks = np.flatnonzero(steps > GAP_FACTOR * usual) + 1
    return np.searchsorted(breaks, kept, side="right")


def thin(values: Floats, group: int) -> NDArray[np.intp]:
    """Indices of the first, least, greatest and last sample of each ``group`` in a row."""
    if group <= 4 or values.size <= group:
        return np.arange(values.size)
    whole = values.size // group * group
    rows = values[:whole].reshape(-1, group)
    starts = np.arange(0, whole, group)
    kept = np.concatenate(
        (
            starts,
            starts + rows.argmin(axis=1),
            starts + rows.argmax(axis=1),
            starts + group - 1,
            np.arange(whole, values.size),
        )
    )
    return np.unique(kept)
