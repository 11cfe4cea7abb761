"""What the family of simulated coils says about one sampling grid.

Two questions, two models, both linear algebra on the same family:

* *Did it move?* Templates of moving coils, each with the subspace that stuck coils span taken
  out (a subspace matched filter). The threshold comes from simulated stuck coils with noise.
* *When did it stop?* A mixture of Gaussians: coils are sorted by end of travel and by size of
  the inductance change, and each group gives mean and covariance of current, start and end
  together. The posterior over all groups is the answer, with its own standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchrig.measure import motion_bank as bank

Array = NDArray[np.float64]

SEED = 20011
DURATION = 6.5  # simulated, in time constants of the open coil
WINDOW_MAX = 5.0  # analysed, in fitted time constants
FIRST_END, LAST_END = 0.4, 4.7
MOVING = 6000  # coils of each class of inductance change
# Laws of motion and free armatures, typical and wide: ranges, free, share of the coils.
MIXTURE = (
    (bank.TYPICAL, False, 0.4),
    (bank.WIDE, False, 0.2),
    (bank.TYPICAL, True, 0.4),
    (bank.WIDE, True, 0.2),
)
STUCK = 3000
STUCK_SLACK = 3.0  # variance of stuck coils unlike the family, over the family's
LEARNED_SPREAD = 0.03  # how far a part strays from its own record, of the family's spread
RATE_RESERVE = 0.9  # the threshold is set for this share of the stated rate
CELL = 0.06  # width of a group, in time constants
GROUP_MIN = 30
RANK = 28
JITTER = 0.01  # the grid's time constant is rounded this much
MISMATCH = 0.004  # share of the inductance change that no family gets right, of the current
TEMPLATE_STEP = 0.05
TEMPLATES_A_STEP = 12
TRIALS = 4000
TAU_GRID = np.geomspace(0.4, 2.5, 128)


def fit_rise(u: Array, currents: Array) -> tuple[Array, Array]:
    """Time constant (in units of u) and final current of one exponential, per row."""
    shapes = 1 - np.exp(-u / TAU_GRID[:, None])
    score = (currents @ shapes.T) ** 2 / np.sum(shapes * shapes, axis=1)
    at = np.clip(np.argmax(score, axis=1), 1, len(TAU_GRID) - 2)
    left, mid, right = (np.take_along_axis(score, (at + d)[:, None], 1)[:, 0] for d in (-1, 0, 1))
    bend = left - 2 * mid + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, 1), 0.0)
    ratio = np.log(TAU_GRID[1] / TAU_GRID[0])
    tau = TAU_GRID[at] * np.exp(np.clip(shift, -1, 1) * ratio)
    shape = 1 - np.exp(-u / tau[:, None])
    return tau, np.sum(currents * shape, axis=1) / np.sum(shape * shape, axis=1)


def _read(currents: NDArray[np.float32], times: Array) -> Array:
    """Each simulated current at its own times, by linear interpolation."""
    place = np.clip(times * bank.STEPS_PER_TAU, 0, currents.shape[1] - 1.001)
    index = place.astype(np.intp)
    share = place - index
    low = np.take_along_axis(currents, index, 1)
    high = np.take_along_axis(currents, index + 1, 1)
    return low * (1 - share) + high * share


@dataclass(frozen=True, slots=True, eq=False)
class _Family:
    """Simulated coils with the final current and time constant that a fit finds in them."""

    currents: NDArray[np.float32]
    tau: Array
    start: Array  # in fitted time constants, as end
    end: Array
    kind: NDArray[np.intp]  # class of inductance change

    def sampled(self, u: Array, rng: np.random.Generator) -> tuple[Array, Array, Array]:
        """Currents on a grid, starts and ends, the time constant a little off for each."""
        jitter = 1 + rng.uniform(-JITTER, JITTER, len(self.tau))
        times = u * (self.tau * jitter)[:, None]
        return _read(self.currents, times), self.start / jitter, self.end / jitter


def _normalise(coils: bank.Coils, kind: NDArray[np.intp], window: float) -> _Family:
    _, currents, start, end = bank.simulate_motion(coils, DURATION)
    landed = np.isfinite(end)
    currents, start, end, kind = currents[landed], start[landed], end[landed], kind[landed]
    u: Array = np.arange(1, 51, dtype=np.float64) * (window / 50)
    tau: Array = np.ones(len(currents))
    for _ in range(3):
        factor, final = fit_rise(u, _read(currents, u * tau[:, None]))
        tau = tau * factor
    scaled = np.asarray(currents / final[:, None], dtype=np.float32)
    return _Family(scaled, tau, start / tau, end / tau, kind)


@lru_cache(maxsize=4)
def moving_family(window: float) -> _Family:
    """Moving coils of all classes, normalised by a fit over ``window`` time constants."""
    rng = np.random.default_rng(SEED)
    parts = []
    for ranges, free, share in MIXTURE:
        sets, kinds = [], []
        for kind, (low, high) in enumerate(bank.INDUCTANCE_CHANGES):
            count = round(MOVING * share)
            change = np.exp(rng.uniform(np.log(low), np.log(high), count))
            end = rng.uniform(FIRST_END, min(LAST_END, window), count)
            sets.append(bank.draw_coils(rng, change, end, ranges, free=free))
            kinds.append(np.full(count, kind))
        parts.append(_normalise(bank.join(sets), np.concatenate(kinds), window))
    return _Family(
        np.concatenate([p.currents for p in parts]),
        np.concatenate([p.tau for p in parts]),
        np.concatenate([p.start for p in parts]),
        np.concatenate([p.end for p in parts]),
        np.concatenate([p.kind for p in parts]),
    )


@lru_cache(maxsize=4)
def stuck_family(window: float) -> _Family:
    """Coils whose armature never moves, wide."""
    rng = np.random.default_rng(SEED + 1)
    never = np.full(STUCK, 1e3)
    coils = bank.draw_coils(rng, np.zeros(STUCK), never, bank.WIDE)
    return _normalise(coils, np.zeros(STUCK, np.intp), window)


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """The family on one sampling grid."""

    u: Array  # sample times in time constants
    window: float
    stuck: Array  # currents of stuck coils
    learned: Array | None  # shapes recorded with the armature blocked
    moving: Array  # currents of moving coils
    start: Array
    end: Array
    kind: NDArray[np.intp]


def make_grid(u: Array, window: float, learned: Array | None = None) -> Grid:
    """The grid of sample times ``u`` in time constants; ``learned`` adds blocked shapes."""
    rng = np.random.default_rng(SEED + 2)
    stuck, _, _ = stuck_family(window).sampled(u, rng)
    family = moving_family(window)
    moving, start, end = family.sampled(u, rng)
    return Grid(u, window, stuck, learned, moving, start, end, family.kind)


@dataclass(frozen=True, slots=True, eq=False)
class Detector:
    """The subspace matched filter on one grid, at one noise and false-alarm rate."""

    templates: Array  # (templates, points): their product with a current is the response
    threshold: float  # of the largest response, both in units of the noise
    typical: float  # response of an ordinary coil of about 5 % inductance change

    def strength(self, currents: Array, relative_noise: Array | float) -> Array:
        """Largest response over the threshold; above 1 the armature has moved."""
        largest = np.max(currents @ self.templates.T, axis=1)
        return np.asarray(largest / relative_noise / self.threshold)


def make_detector(grid: Grid, relative_noise: float, false_alarm_rate: float) -> Detector:
    """Templates with the stuck coils taken out, softly, and the threshold for the rate.

    A direction in which stuck coils vary much is taken out whole, one in which they vary
    less than the noise hardly at all. ``STUCK_SLACK`` allows coils unlike the family.
    """
    rng = np.random.default_rng(SEED + 3)
    whiten = stuck_filter(grid, relative_noise)
    chosen = _template_choice(grid)
    shapes = grid.moving[chosen] @ whiten
    size = np.linalg.norm(shapes, axis=1)
    templates = shapes / size[:, None] @ whiten
    noise = rng.normal(size=(TRIALS, len(grid.u)))
    stuck = grid.stuck if grid.learned is None else _near_learned(grid, grid.learned)
    noise += stuck[rng.integers(0, len(stuck), TRIALS)] / relative_noise
    largest = np.max(noise @ templates.T, axis=1)
    rate = RATE_RESERVE * false_alarm_rate
    tail = max(rate, 20 / TRIALS)
    level = float(np.quantile(largest, 1 - tail))
    level += _quantile(rate) - _quantile(tail)  # past the trials: a Gaussian tail
    return Detector(templates, level, float(np.median(size)) / relative_noise)


def stuck_filter(grid: Grid, relative_noise: float) -> Array:
    """Symmetric (points, points): whitens noise and what stuck coils do together."""
    power = grid.stuck.T @ grid.stuck / len(grid.stuck)
    if grid.learned is not None:
        around = grid.stuck - grid.stuck.mean(axis=0)
        power = LEARNED_SPREAD**2 * around.T @ around / len(around)
        power = power + grid.learned.T @ grid.learned / STUCK_SLACK
    values, vectors = np.linalg.eigh(STUCK_SLACK * power)
    keep = 1 / np.sqrt(np.maximum(values, 0) / relative_noise**2 + 1)
    return np.asarray((vectors * keep) @ vectors.T)


def _near_learned(grid: Grid, learned: Array) -> Array:
    """Stuck coils that differ from the learned shape as one part does from day to day."""
    return np.asarray(learned[0] + LEARNED_SPREAD * (grid.stuck - grid.stuck.mean(axis=0)))


def _template_choice(grid: Grid) -> NDArray[np.intp]:
    """For every step of the end of travel some typical and some wide coils, middle class."""
    middle = np.flatnonzero(grid.kind == 1)
    cell = np.floor(grid.end[middle] / TEMPLATE_STEP).astype(int)
    order = np.argsort(cell, kind="stable")
    ranked = cell[order]
    first = np.searchsorted(ranked, ranked, side="left")
    last = np.searchsorted(ranked, ranked, side="right") - 1
    place = np.arange(len(order))
    half = TEMPLATES_A_STEP // 2
    return middle[order[(place - first < half) | (last - place < half)]]


def _quantile(rate: float) -> float:
    """Upper normal quantile, good to 5e-4 (Abramowitz and Stegun 26.2.23)."""
    t = float(np.sqrt(-2 * np.log(min(rate, 1 - rate))))
    top = 2.515517 + 0.802853 * t + 0.010328 * t * t
    low = 1 + 1.432788 * t + 0.189269 * t * t + 0.001308 * t**3
    value = t - top / low
    return value if rate <= 0.5 else -value


@dataclass(frozen=True, slots=True, eq=False)
class Timing:
    """The mixture of Gaussians on one grid at one noise."""

    mean: Array  # (groups, points)
    factors: Array  # (groups, rank, points), orthonormal
    offset: Array  # factors @ mean
    gain: Array  # (groups, rank): share of the variance that is coil, not noise
    noise: Array  # (groups,)
    level: Array  # log determinant part
    ends: Array
    starts: Array
    end_slope: Array  # (groups, rank)
    start_slope: Array
    end_variance: Array
    start_variance: Array

    def assess(self, currents: Array) -> tuple[Array, Array, Array, Array, Array]:
        """Ends, their deviations, starts, theirs (in time constants), and the misfit (rms)."""
        groups, rank, points = self.factors.shape
        z = (currents @ self.factors.reshape(-1, points).T).reshape(-1, groups, rank)
        z -= self.offset
        square = (
            np.sum(currents**2, axis=1)[:, None]
            - 2 * currents @ self.mean.T
            + np.sum(self.mean**2, axis=1)
        )
        misfit = square - np.einsum("bgr,gr->bg", z * z, self.gain)
        log = -0.5 * misfit / self.noise**2 + self.level
        weight = np.exp(log - log.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        ends = self.ends + np.einsum("bgr,gr->bg", z, self.end_slope)
        starts = self.starts + np.einsum("bgr,gr->bg", z, self.start_slope)
        best = np.min(square - np.sum(z * z, axis=2), axis=1)
        rms = np.sqrt(np.maximum(best, 0) / max(points - rank, 1))
        return (
            *_mixed(weight, ends, self.end_variance),
            *_mixed(weight, starts, self.start_variance),
            rms,
        )


def _mixed(weight: Array, values: Array, variance: Array) -> tuple[Array, Array]:
    mean = np.sum(weight * values, axis=1)
    spread = np.sum(weight * (variance + (values - mean[:, None]) ** 2), axis=1)
    return mean, np.sqrt(spread)


def make_timing(grid: Grid, relative_noise: float) -> Timing:
    """Group the moving coils by end of travel and class, and take each group's moments."""
    currents, start, end, kind = grid.moving, grid.start, grid.end, grid.kind
    rank = min(RANK, len(grid.u) - 4)
    last = grid.window - 0.3
    groups: list[tuple[NDArray[np.bool_], float]] = []
    for which, (low, high) in enumerate(bank.INDUCTANCE_CHANGES):
        noise = float(np.hypot(relative_noise, MISMATCH * np.sqrt(low * high)))
        for edge in np.arange(FIRST_END, last, CELL):
            inside = (kind == which) & (end >= edge) & (end < edge + CELL)
            if np.count_nonzero(inside) >= GROUP_MIN:
                groups.append((inside, noise))
    # One call for all groups: for a small matrix at a time, threads cost more than they bring.
    spectra = np.linalg.eigh(np.array([_covariance(currents[inside]) for inside, _ in groups]))
    columns = [
        _group(
            currents[inside],
            start[inside],
            end[inside],
            noise,
            np.maximum(values[::-1][:rank], 0),
            vectors[:, ::-1][:, :rank].T,
        )
        for (inside, noise), values, vectors in zip(groups, *spectra, strict=True)
    ]
    return Timing(*(np.array(column) for column in zip(*columns, strict=True)))


def _covariance(currents: Array) -> Array:
    rest = currents - currents.mean(axis=0)
    return np.asarray(rest.T @ rest / (len(currents) - 1))


def _group(
    currents: Array, start: Array, end: Array, noise: float, power: Array, factors: Array
) -> tuple[Array | float, ...]:
    count = len(end) - 1
    mean = currents.mean(axis=0)
    rest = currents - mean
    z = rest @ factors.T
    total = power + noise**2
    cross_end = (end - end.mean()) @ z / count
    cross_start = (start - start.mean()) @ z / count
    return (
        mean,
        factors,
        factors @ mean,
        power / total,
        noise,
        -0.5 * float(np.sum(np.log(total / noise**2))) - len(mean) * float(np.log(noise)),
        float(end.mean()),
        float(start.mean()),
        cross_end / total,
        cross_start / total,
        max(float(end.var() - np.sum(cross_end**2 / total)), 1e-6),
        max(float(start.var() - np.sum(cross_start**2 / total)), 1e-6),
    )
