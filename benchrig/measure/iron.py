"""What a coil's iron alone can do to its current, and whether a movement is seen beyond that.

The iron is not simulated. Only what every iron has in common is asked of it, as a cone of
shapes of the current against flux linkage lambda (``linkage``):

* saturation: current is a convex function of lambda whose curvature grows with lambda;
* hysteresis and the lower bend of the magnetisation curve: concave at the begin, and there only;
* eddy currents in any number of branches: the emf through first-order lags, each positive.

An armature that closes a gap lowers the current at a given lambda: a concave bend that comes
later than the begin, which no sum of the above has. Its size m is the part of the reluctance
that the travel takes away, i(lambda) = iron - m * lambda * s(t) with the travel s from 0 to 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.least_squares import nonnegative
from benchrig.measure.linkage import Linkage

Array = NDArray[np.float64]

BENDS_AT = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.78, 0.86, 0.92, 0.96)  # of lambda's end
BEGINS = (0.03, 0.06, 0.12)  # reach of the concave begin, of lambda's end
LAGS = (0.05, 0.1, 0.2, 0.4, 0.8)  # eddy branches, in time constants
STARTS = np.arange(0.15, 2.3, 0.1)  # of a travel, in time constants
LASTS = (0.12, 0.2, 0.3, 0.45, 0.65, 0.9)
LATEST = 3.2  # end of travel
POWERS = (1.5, 2.0, 3.0, 0.0)
MODEL_U = 7e-4  # of the final current: what the cone of shapes is worth, however low the noise
TRIED = 8  # best travels that are fitted in full
GRID_U = 0.01


@dataclass(frozen=True, slots=True)
class Travel:
    """A course of the armature, in time constants from switch-on."""

    start: float
    last: float
    power: float  # of time; 0: smooth at both ends

    @property
    def end(self) -> float:
        """When the armature first touches its stop."""
        return self.start + self.last


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scaled:
    """One linkage on the scale that all of them share."""

    taus: Array
    level: Array  # lambda
    current: Array
    emf: Array
    charge: Array
    noise: float
    resistance_rel_u: float


def _scaled(links: Sequence[Linkage], tau: float) -> list[_Scaled]:
    # What the cone is not worth is the same in all of them: more records make it no less.
    model_u = MODEL_U * float(np.sqrt(len(links)))
    flux = max(float(np.max(link.linkage_wb)) for link in links)
    amps = max(link.final_a for link in links)
    volts = amps * links[0].resistance_ohm
    return [
        _Scaled(
            taus=link.time_s / tau,
            level=link.linkage_wb / flux,
            current=link.current_a / amps,
            emf=link.emf_v / volts,
            charge=link.charge_c * link.resistance_ohm / flux,
            noise=float(np.hypot(link.noise_a / amps, model_u)),
            resistance_rel_u=link.resistance_rel_u,
        )
        for link in links
    ]


def _iron_columns(one: _Scaled) -> Array:
    x = one.level
    bends = [(np.clip(x - at, 0, None)) ** 2 / (1 - at) for at in BENDS_AT]
    begins = [1 - np.exp(-np.clip(x, 0, None) / reach) for reach in BEGINS]
    lags = [one.emf, *(_lagged(one.taus, one.emf, lag) for lag in LAGS)]
    return np.stack([*bends, *begins, *lags], axis=1)


def _lagged(taus: Array, emf: Array, lag: float) -> Array:
    out = np.empty_like(emf)
    keep = np.exp(-np.diff(taus, prepend=0.0) / lag)
    last, before = 0.0, float(emf[0])
    for k, (share, value) in enumerate(zip(keep.tolist(), emf.tolist(), strict=True)):
        last = share * last + (1 - share) * 0.5 * (value + before)
        before = value
        out[k] = last
    return out


def travel(taus: Array, motion: Travel) -> Array:
    """Share of the travel that lies behind, 0 to 1."""
    z = np.clip((taus - motion.start) / motion.last, 0, 1)
    return np.asarray(z * z * (3 - 2 * z) if motion.power == 0.0 else z**motion.power)


TRAVELS = tuple(
    Travel(float(start), last, power)
    for start in STARTS
    for last in LASTS
    for power in POWERS
    if start + last <= LATEST
)
# Courses that an ordinary armature may take: one that none of these could hide is not there.
ORDINARY = tuple(
    Travel(start, last, 2.0)
    for start, last in ((0.4, 0.3), (0.6, 0.45), (0.8, 0.3), (1.0, 0.45), (1.2, 0.65), (1.5, 0.45))
)


class Examined:
    """The records of one coil, and how well iron alone and a movement besides explain them."""

    def __init__(self, links: Sequence[Linkage], held: Sequence[Linkage] = ()) -> None:
        """``held``: records of the same coil whose armature could not move."""
        self.tau_s = float(np.median([link.tau_s for link in (*links, *held)]))
        scaled = _scaled([*links, *held], self.tau_s)
        self._weights = np.concatenate([np.full(len(one.level), 1 / one.noise) for one in scaled])
        self._taus = np.concatenate([one.taus for one in scaled])
        moves = np.repeat(
            np.arange(len(scaled)) < len(links), [len(one.level) for one in scaled]
        ).astype(np.float64)
        self._level = moves * np.concatenate([one.level for one in scaled])
        free = _free_columns(scaled) * self._weights[:, None]
        self._extra = len(scaled)  # rows that hold each resistance to what is known of it
        self._base, _ = np.linalg.qr(np.concatenate([free, _ridge(scaled, free.shape[1])]))
        self._free = free.shape[1]
        current = np.concatenate([one.current for one in scaled])
        self.points = len(current)
        self._y = self._cleared((current * self._weights)[:, None])[:, 0]
        columns = np.concatenate([_iron_columns(one) for one in scaled])
        self._iron = self._cleared(columns * self._weights[:, None])
        self._gram = self._iron.T @ self._iron
        still = nonnegative(self._gram, self._iron.T @ self._y)
        self._active = still > 0
        rest = self._y - self._iron @ still
        self.stuck = float(rest @ rest)  # sum of squares over noise, iron alone
        self._rest = rest
        self._search()

    def _cleared(self, columns: Array) -> Array:
        """What of some columns the free ones cannot take."""
        columns = np.concatenate([columns, np.zeros((self._extra, columns.shape[1]))])
        return np.asarray(columns - self._base @ (self._base.T @ columns))

    def _bends(self, travels: Sequence[Travel]) -> Array:
        """What each travel of size 1 does to the records."""
        shapes = np.stack([travel(self._taus, t) for t in travels], axis=1)
        return self._cleared(-shapes * (self._level * self._weights)[:, None])

    def _search(self) -> None:
        bends = self._bends(TRAVELS)
        gain, _ = _gains(self._iron[:, self._active], self._rest, bends)
        self.moving, self.change, self.best = self.stuck, 0.0, TRAVELS[0]
        used = self._active
        for at in np.argsort(-gain)[:TRIED]:
            left, change, active = self._with(bends[:, at])
            if left < self.moving:
                self.moving, self.change, self.best = left, change, TRAVELS[at]
                used = active
        self._used = used
        freedom = max(self.points - int(used.sum()) - self._free, 4)
        self.misfit = max(1.0, self.moving / freedom)  # of the best explanation, over noise
        # A misfit is the same in all records alike, so more of them are no more evidence.
        self._scale = 1 + (self.misfit - 1) * self._extra
        self.evidence = (self.stuck - self.moving) / self._scale
        self.explained = 1 - self.moving / max(self.stuck, 1e-12)  # by the movement

    def _with(self, bend: Array) -> tuple[float, float, NDArray[np.bool_]]:
        """Sum of squares left by iron and one movement, its size, and the iron in use."""
        more = self._iron.T @ bend
        gram = np.block([[self._gram, more[:, None]], [more[None], bend[None] @ bend[:, None]]])
        moment = np.append(self._iron.T @ self._y, bend @ self._y)
        found = nonnegative(gram, moment, np.append(self._active, True))
        left = float(self._y @ self._y - 2 * moment @ found + found @ gram @ found)
        return left, float(found[-1]), found[:-1] > 0

    def cost_of(self, change: float) -> float:
        """How much worse a movement of this size fits than none, were it there: the least.

        Over the misfit. The iron may take back what it can.
        """
        bends = self._bends(ORDINARY)
        least = np.inf
        for bend in bends.T:
            without = self._y - change * bend
            moment = self._iron.T @ without
            found = nonnegative(self._gram, moment, self._active)
            left = float(without @ without - 2 * moment @ found + found @ self._gram @ found)
            least = min(least, left - self.stuck)
        return float(least / self._scale)

    def size_of(self, motion: Travel) -> tuple[float, float]:
        """Size of a movement that is known but for its size, and its standard uncertainty."""
        bend = self._bends([motion])
        _, size, active = self._with(bend[:, 0])
        _, norm = _gains(self._iron[:, active], self._rest, bend)
        return size, float(np.sqrt(self._scale / max(float(norm[0]), 1e-12)))

    def instants(self) -> tuple[float, float, float, float]:
        """Begin and end of travel with their standard uncertainties, in seconds.

        Posterior over travels about the best, the iron in use left free.
        """
        about = [
            Travel(start=end - last, last=last, power=power)
            for end in self.best.end + np.arange(-0.2, 0.21, 0.02)
            for last in self.best.last * np.array([0.5, 0.65, 0.8, 1.0, 1.25, 1.5])
            for power in POWERS
            if end - last > 0.02
        ]
        iron = self._iron[:, self._used]
        still, *_ = np.linalg.lstsq(iron, self._y, rcond=None)
        gain, _ = _gains(iron, self._y - iron @ still, self._bends(about))
        weight = np.exp((gain - gain.max()) / (2 * self._scale))
        weight /= weight.sum()
        found = []
        for values in (np.array([t.start for t in about]), np.array([t.end for t in about])):
            mean = float(weight @ values)
            spread = float(weight @ (values - mean) ** 2) + GRID_U**2
            found += [mean * self.tau_s, float(np.sqrt(spread)) * self.tau_s]
        return found[0], found[1], found[2], found[3]


def _gains(iron: Array, rest: Array, bends: Array) -> tuple[Array, Array]:
    """By how much each movement lowers the sum of squares beside this iron; its own square."""
    if iron.shape[1]:
        q, _ = np.linalg.qr(iron)
        bends = bends - q @ (q.T @ bends)
    reach, norm = bends.T @ rest, np.maximum(np.sum(bends**2, axis=0), 1e-9)
    return np.where(reach > 0, reach**2 / norm, 0.0), norm


def _free_columns(scaled: Sequence[_Scaled]) -> Array:
    """Offset, slope, and of each record what an error of its resistance does."""
    sizes = [len(one.level) for one in scaled]
    columns = [np.ones(sum(sizes)), np.concatenate([one.level for one in scaled])]
    for one, end in zip(scaled, np.cumsum(sizes).tolist(), strict=True):
        column = np.zeros(sum(sizes))
        column[end - len(one.level) : end] = one.charge
        columns.append(column)
    return np.stack(columns, axis=1)


def _ridge(scaled: Sequence[_Scaled], count: int) -> Array:
    rows = np.zeros((len(scaled), count))
    for k, one in enumerate(scaled):
        rows[k, count - len(scaled) + k] = 1 / one.resistance_rel_u
    return rows
