"""What nobody can do better: the end of travel, told by one who knows the physics.

The limit is given to an observer who knows the physics, how its coils are spread, and of the
very coil whatever is not named unknown; not its time constant and final current either. From
the record Bayes' answer is then as near as one can come: an observer that knows less, as the
product does, must lie above it. Currents are linear in the unknown about each coil; the spread
is sampled as it is, its bounds and the choice of coils included. The limit owes nothing to the
product's own family or method.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from tests.bench._motion_physics import Parameters, Waves

Array = NDArray[np.float64]

SMALL = 0.02  # of its range: how far a parameter is moved
SCALE_RANGE = 0.6  # of the time constant and of the final current, in the logarithm
TESTED = 150
TOGETHER = 8  # variants of all tested coils simulated at once
SAMPLES = 15_000
TRIALS = 4  # records of each coil
# How far the winding and the supply may have differed when the coil was recorded blocked.
OTHERWISE = {"resistance": 0.04, "volts": 0.02}
EVEN = 6.0  # inverse variance of the proposal, for a range of 1; 12 would be that of the spread
FEW = 20.0  # samples that count: a record on which fewer do is left out


@dataclass(frozen=True)
class Limit:
    """Some coils, and what each unknown parameter does to them, over its whole range."""

    time: Array
    current: Array  # (coils, times)
    moved: Array  # (unknown, coils, times): change of the current
    instants: Array  # (start, end, landing; coils)
    change: Array  # (unknown; start, end, landing; coils)
    place: Array  # (unknown, coils): where in its range the coil is, 0 to 1
    chosen: Callable[[Waves], NDArray[np.bool_]]
    blocked: Array | None = None  # as ``moved``, of the coils recorded blocked; two unknown more

    def p95(self, at: Array, noise: float, blocked_noise: float | None = None) -> float:
        """95 % of |error| of the end, in time constants; ``noise`` over the final current.

        ``blocked_noise``: that of a recording of the very coil blocked, which the observer has.
        """
        rng = np.random.default_rng(1)
        coils = range(self.place.shape[1])
        errors = [self._errors(coil, at, noise, blocked_noise, rng) for coil in coils]
        return float(np.quantile(np.abs(np.concatenate(errors)), 0.95))

    def _errors(
        self,
        coil: int,
        at: Array,
        noise: float,
        blocked_noise: float | None,
        rng: np.random.Generator,
    ) -> Array:
        """Errors of the mean after the record, for some records of one coil."""
        rows = [self.current[coil], -self.time * np.gradient(self.current[coil], self.time)]
        all_moved = np.concatenate([self.moved[:, coil], SCALE_RANGE * np.array(rows)])
        slopes = np.array([np.interp(at, self.time, wave) for wave in all_moved]) / noise
        # A longer time constant makes start and end later, and leaves the landing's shape.
        change = np.concatenate([self.change[..., coil], np.zeros((2, 3))])
        change[-1, :2] = SCALE_RANGE * self.instants[:2, coil]
        here = np.append(self.place[:, coil], [0.5, 0.5])
        if blocked_noise is not None and self.blocked is not None:
            beside = np.array([np.interp(at, self.time, w) for w in self.blocked[:, coil]])
            none = np.zeros((len(beside) - len(slopes), slopes.shape[1]))
            slopes = np.hstack([np.vstack([slopes, none]), beside / blocked_noise])
            change = np.vstack([change, np.zeros((len(none), 3))])
            here = np.append(here, np.full(len(none), 0.5))
        known = slopes @ slopes.T
        power = known + EVEN * np.eye(len(known))
        spread = np.linalg.cholesky(np.linalg.inv(power))
        found = []
        for _ in range(TRIALS):
            push = slopes @ rng.normal(size=slopes.shape[1])
            centre = here + np.linalg.solve(power, push + EVEN * (0.5 - here))
            place = centre + rng.normal(size=(SAMPLES, len(here))) @ spread.T
            place = place[((place > 0) & (place < 1)).all(axis=1)]
            later = (place - here) @ change
            start, end, landing = (self.instants[:, coil] + later).T
            fit = self.chosen(Waves(self.time, place, start, end, landing))
            # The proposal is the likelihood times a broad bell about the middle; the bell goes.
            weight = np.exp(0.5 * EVEN * np.sum((place[fit] - 0.5) ** 2, axis=1))
            total = float(weight.sum())
            if total**2 >= FEW * float(weight @ weight) > 0:
                found.append(float(weight @ later[fit, 1]) / total)
        return np.array(found)


def limit_of(
    drawn: Parameters,
    run: Callable[[Parameters, Array, float], Waves],
    unknown: Mapping[str, bool],
    chosen: Callable[[Waves], NDArray[np.bool_]],
    change: float,
    duration: float,
    held: Parameters | None = None,
) -> Limit:
    """The limit for the ``chosen`` of the coils drawn.

    ``unknown`` parameters are drawn evenly, in the logarithm where it says true. ``held``
    are the parameters that hold an armature: with them the blocked recordings are made.
    """
    first = run(drawn, np.full(len(next(iter(drawn.values()))), change), duration)
    some = np.flatnonzero(chosen(first))[:TESTED]
    coils = {name: value[..., some] for name, value in drawn.items()}
    sides, places = [], []
    for name, log in unknown.items():
        values = np.log(drawn[name]) if log else drawn[name]
        low, span = float(values.min()), float(np.ptp(values))
        places.append((values[some] - low) / span)
        for value in (values[some] + SMALL * span, values[some] - SMALL * span):
            sides.append({**coils, name: np.exp(value) if log else value})
    sampled = partial(_run_together, run, change=change, duration=duration)
    waves = sampled(sides)
    shape = (len(unknown), 2, len(some), -1)
    current = np.concatenate([w.current for w in waves]).reshape(shape)
    instants = np.concatenate([_instants(w) for w in waves], axis=1).T.reshape(shape)
    moved = (current[:, 0] - current[:, 1]) / (2 * SMALL)
    changes = ((instants[:, 0] - instants[:, 1]) / (2 * SMALL)).transpose(0, 2, 1)
    whole = np.isfinite(changes).all(axis=(0, 1))
    blocked = None
    if held is not None:
        still = {name: np.full(len(some), float(value[0])) for name, value in held.items()}
        one = np.ones(len(some))
        for name, span in OTHERWISE.items():
            sides += [{**coils, name: one + SMALL * side * span} for side in (1, -1)]
        now = np.concatenate(
            [w.current for w in sampled([{**s, **still} for s in [*sides, coils]])]
        )
        now = now.reshape(len(sides) + 1, len(some), -1)
        slopes = (now[:-1:2] - now[1:-1:2]) / (2 * SMALL)
        scales = SCALE_RANGE * np.stack(
            [now[-1], -first.time * np.gradient(now[-1], first.time, axis=1)]
        )
        count = len(unknown)
        blocked = np.concatenate([slopes[:count], scales, slopes[count:]])[:, whole]
    return Limit(
        first.time,
        first.current[some[whole]],
        moved[:, whole],
        _instants(first)[:, some[whole]],
        changes[..., whole],
        np.array(places)[:, whole],
        chosen,
        blocked,
    )


def _run_together(
    run: Callable[[Parameters, Array, float], Waves],
    sides: list[Parameters],
    *,
    change: float,
    duration: float,
) -> list[Waves]:
    waves = []
    for k in range(0, len(sides), TOGETHER):
        part = sides[k : k + TOGETHER]
        names = {name for one in part for name in one}
        count = len(next(iter(part[0].values())).T)
        full = [{name: one.get(name, np.ones(count)) for name in names} for one in part]
        joined = {name: np.concatenate([one[name] for one in full], axis=-1) for name in names}
        waves.append(run(joined, np.full(len(part) * count, change), duration))
    return waves


def _instants(waves: Waves) -> Array:
    return np.stack([waves.start, waves.end, waves.landing])
