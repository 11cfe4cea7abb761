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

    def p95(self, at: Array, noise: float) -> float:
        """95 % of |error| of the end, in time constants; ``noise`` over the final current."""
        rng = np.random.default_rng(1)
        errors = [self._errors(coil, at, noise, rng) for coil in range(self.place.shape[1])]
        return float(np.quantile(np.abs(np.concatenate(errors)), 0.95))

    def _errors(self, coil: int, at: Array, noise: float, rng: np.random.Generator) -> Array:
        """Errors of the mean after the record, for some records of one coil."""
        rows = [self.current[coil], -self.time * np.gradient(self.current[coil], self.time)]
        all_moved = np.concatenate([self.moved[:, coil], SCALE_RANGE * np.array(rows)])
        slopes = np.array([np.interp(at, self.time, wave) for wave in all_moved]) / noise
        # A longer time constant makes start and end later, and leaves the landing's shape.
        change = np.concatenate([self.change[..., coil], np.zeros((2, 3))])
        change[-1, :2] = SCALE_RANGE * self.instants[:2, coil]
        here = np.append(self.place[:, coil], [0.5, 0.5])
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
) -> Limit:
    """The limit for the ``chosen`` of the coils drawn.

    ``unknown`` parameters are drawn evenly, in the logarithm where it says true.
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
    waves = []
    for k in range(0, len(sides), TOGETHER):
        part = sides[k : k + TOGETHER]
        joined = {name: np.concatenate([one[name] for one in part], axis=-1) for name in coils}
        waves.append(run(joined, np.full(len(part) * len(some), change), duration))
    shape = (len(unknown), 2, len(some), -1)
    current = np.concatenate([w.current for w in waves]).reshape(shape)
    instants = np.concatenate([_instants(w) for w in waves], axis=1).T.reshape(shape)
    moved = (current[:, 0] - current[:, 1]) / (2 * SMALL)
    changes = ((instants[:, 0] - instants[:, 1]) / (2 * SMALL)).transpose(0, 2, 1)
    whole = np.isfinite(changes).all(axis=(0, 1))
    return Limit(
        first.time,
        first.current[some[whole]],
        moved[:, whole],
        _instants(first)[:, some[whole]],
        changes[..., whole],
        np.array(places)[:, whole],
        chosen,
    )


def _instants(waves: Waves) -> Array:
    return np.stack([waves.start, waves.end, waves.landing])
