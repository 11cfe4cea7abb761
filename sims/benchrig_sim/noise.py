"""Gaussian noise in bulk: a simulated rig needs more of it than of anything else.

The normal distribution is cut into 65,536 parts of one probability. Sixteen random bits choose a
part, and a table gives its mean, which takes a fraction of the time of a generator that works for
each number. All but the two outermost parts are so narrow that nothing is lost by it; a number in
one of those is drawn for itself (Marsaglia's way for the tail), so that outliers are as frequent
as they should be.
"""

from __future__ import annotations

from functools import cache
from math import log

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

PARTS = 1 << 16
AHEAD = 1 << 13  # numbers drawn at once, at least
_TAIL_SEED = 0x7A11


class Noise:
    """A row of numbers with mean 0 and deviation 1, the same however it is taken."""

    def __init__(self, seed: int) -> None:
        self._bits = np.random.SFC64(seed)
        self._tails = np.random.Generator(np.random.SFC64((seed, _TAIL_SEED)))
        self._drawn = np.zeros(0, dtype=np.float32)
        self._at = 0

    def take(self, count: int) -> Floats:
        """The next numbers."""
        left = self._drawn[self._at :]
        if count > len(left):
            self._drawn, self._at = np.concatenate((left, self._draw(count - len(left)))), 0
        self._at += count
        return self._drawn[self._at - count : self._at]

    def give_back(self, count: int) -> None:
        """So many numbers, the last that were taken, are still to come."""
        self._at -= count

    def _draw(self, least: int) -> Floats:
        table, tail = _parts()
        blocks = -(-least // AHEAD)
        chosen = self._bits.random_raw(blocks * AHEAD // 4).view(np.uint16)
        drawn = table.take(chosen, mode="wrap")
        for place in np.flatnonzero(np.abs(drawn) > tail):
            drawn[place] = np.copysign(self._beyond(tail), drawn[place])
        return drawn

    def _beyond(self, least: float) -> float:
        """The size of a number that is known to be greater than this."""
        while True:
            one, other = 1.0 - self._tails.random(2)
            more, second = -log(one) / least, -log(other)
            if 2.0 * second > more * more:
                return least + more


@cache
def _parts() -> tuple[Floats, float]:
    """The mean of each part, from the lowest, and where the highest begins."""
    x = np.linspace(-7.0, 7.0, 140_001)
    density = np.exp(-0.5 * x * x) / np.sqrt(2.0 * np.pi)
    below = np.concatenate(([0.0], np.cumsum(0.5 * (density[1:] + density[:-1])) * (x[1] - x[0])))
    edges = np.interp(np.arange(1, PARTS) / PARTS, below, x)
    heights = np.exp(-0.5 * edges * edges) / np.sqrt(2.0 * np.pi)
    means = PARTS * np.diff(np.concatenate(([0.0], heights, [0.0])))
    return (-means).astype(np.float32), float(edges[-1])
