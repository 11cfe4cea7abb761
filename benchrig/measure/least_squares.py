"""Least squares with coefficients that must not be negative (Lawson and Hanson 1974, ch. 23).

In the form of Bro and de Jong (J. Chemometrics 11, 1997), on the normal equations.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TOLERANCE = 1e-10
RIDGE = 1e-11  # of the greatest diagonal: columns that say the same share a coefficient


def nonnegative(gram: Array, moment: Array, start: NDArray[np.bool_] | None = None) -> Array:
    """Coefficients c >= 0 that minimise c' gram c / 2 - moment' c; ``start``: likely active."""
    count = len(moment)
    scale = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    gram = gram / np.outer(scale, scale) + RIDGE * np.eye(count)
    moment = moment / scale
    active = np.zeros(count, np.bool_)
    found = np.zeros(count)
    if start is not None and start.any():
        active = start.copy()
        found, active = _feasible(gram, moment, found, active)
    limit = TOLERANCE * max(float(np.abs(moment).max()), 1e-300)
    for _ in range(3 * count):
        slope = moment - gram @ found
        slope[active] = -np.inf
        best = int(np.argmax(slope))
        if slope[best] <= limit:
            break
        active[best] = True
        found, active = _feasible(gram, moment, found, active)
    return np.asarray(found / scale)


def _feasible(
    gram: Array, moment: Array, found: Array, active: NDArray[np.bool_]
) -> tuple[Array, NDArray[np.bool_]]:
    """The least squares on the active ones, less those that would turn negative."""
    while active.any():
        trial = np.zeros(len(moment))
        at = np.flatnonzero(active)
        trial[at] = np.linalg.solve(gram[np.ix_(at, at)], moment[at])
        below = active & (trial <= 0)
        if not below.any():
            return trial, active
        gap = found[below] - trial[below]
        share = float(np.min(np.where(gap > 0, found[below] / np.where(gap > 0, gap, 1), 0.0)))
        found = found + share * (trial - found)
        active = active & ~(below & (found <= TOLERANCE * max(1.0, float(np.abs(found).max()))))
        found = np.where(active, found, 0.0)
        if share == 0.0:
            active = active & ~below
    return found, active
