"""The scale on which all coils are alike: final current 1, time in fitted time constants."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FIT_WINDOW = 3.0  # time constants that are fitted, whatever the record's length
LAST = 5.3  # last time of the family, in fitted time constants
TIME_STEP = 0.02
TAU_GRID = np.geomspace(0.4, 2.5, 128)


def fit_rise(u: Array, currents: Array) -> tuple[Array, Array]:
    """Time constant (in units of u) and final current of one exponential, per row."""
    shapes = 1 - np.exp(-u / TAU_GRID[:, None])
    score = (currents @ shapes.T) ** 2 / np.sum(shapes * shapes, axis=1)
    at = np.clip(np.argmax(score, axis=1), 1, len(TAU_GRID) - 2)
    row = np.arange(len(score))
    left, mid, right = score[row, at - 1], score[row, at], score[row, at + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1), 0.0)
    ratio = np.log(TAU_GRID[1] / TAU_GRID[0])
    tau = TAU_GRID[at] * np.exp(np.clip(shift, -1, 1) * ratio)
    shape = 1 - np.exp(-u / tau[:, None])
    return tau, np.sum(currents * shape, axis=1) / np.sum(shape * shape, axis=1)
