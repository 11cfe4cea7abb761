"""Generates ``motion_family.npz``: what two simulations say about coils, as moments.

``python -m benchrig.measure.motion_family`` writes the file; it takes about a minute. Many
coils of ``motion_bank`` and ``motion_shells`` are simulated, scaled to the final current and
time constant that a fit of one exponential finds, and put on one fine grid of times. Kept is
not one of the coils but

* a basis for all currents;
* *stuck* coils sorted into a few clusters, each with mean and covariance, and some coils
  themselves, from which thresholds come;
* *signatures*: what a movement adds to the current of the same coil stuck;
* *moving* coils sorted into groups (size of the inductance change, end of travel, kind of
  motion, and what the current says about the end), each with the joint moments of current,
  start and end.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchrig.measure import motion_bank as bank
from benchrig.measure import motion_shells as shells
from benchrig.measure.motion_scale import FIT_WINDOW, LAST, TIME_STEP, fit_rise

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

PATH = Path(__file__).with_suffix(".npz")
SEED = 20011
DURATION = 6.5  # simulated, in time constants of the open coil
STRETCH = 0.045  # the time constant of a grid is rounded this much
LEVEL_SPREAD = 0.004  # of the fitted final current
CHUNK = 2000
# Coils of each class of inductance change: motion by law or free, typical or wide, shells.
BANK_COILS = (
    (bank.TYPICAL, False, 12000),
    (bank.WIDE, False, 5000),
    (bank.TYPICAL, True, 12000),
    (bank.WIDE, True, 5000),
)
SHELL_COILS = ((False, 14000), (True, 12000))  # creeping?
STUCK = 5000  # of each simulation
SIGNATURES = 2000  # of each simulation and kind of motion
KEPT_SIGNATURES = 600
KEPT_SLOW = 150  # of them
KEPT_STUCK = 1500
WARMED = 600  # of each simulation
WARMER, WARMER_VOLTS = 0.05, 0.01  # of the resistance, and of the supply
WARM_RANK = 6
CLUSTERS = 8
BASIS = 72
RANK, STUCK_RANK = 16, 30
FIRST_END = 0.4
# Widths of a group in its end for each manner of motion, and into how many it is sliced along
# the current's own forecast of the end. Small movements drown in noise before that bends.
SMALL_CELLS, SMALL_SLICES = (0.06, 0.06, 0.09, 0.12), 1
LARGE_CELLS, LARGE_SLICES = (0.09, 0.09, 0.09, 0.12), 3
LARGE = 2  # first class of inductance change that is called so
SLICE_NOISE = 8e-4  # of a coefficient of the basis, at which that forecast is made
BRISK, ORDINARY, SOFT_TRAVEL = 0.42, 0.72, 0.9  # longest travels
SOFT = 1.15  # a landing slower than this, over the mean speed, is a soft one
GROUP_MIN = 30


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """Coils on the fine grid; times in fitted time constants."""

    currents: Floats
    start: Array
    end: Array
    kind: NDArray[np.intp]  # class of inductance change
    manner: NDArray[np.intp]  # 0 brisk, 1 ordinary, 2 soft landing, 3 long


def _read(currents: Floats, times: Array) -> Array:
    """Each simulated current at its own times, by linear interpolation."""
    place = np.clip(times * bank.STEPS_PER_TAU, 0, currents.shape[1] - 1.001)
    index = place.astype(np.intp)
    share = place - index
    low = np.take_along_axis(currents, index, 1)
    high = np.take_along_axis(currents, index + 1, 1)
    return np.asarray(low * (1 - share) + high * share)


def fine_times() -> Array:
    """The grid on which the family is kept, in fitted time constants."""
    return np.arange(round(LAST / TIME_STEP) + 1, dtype=np.float64) * TIME_STEP


def _scaled(
    currents: Floats, rng: np.random.Generator, twins: Floats | None = None
) -> tuple[Floats, Array, Floats | None]:
    """On the fine grid at final current 1; the time constants; the twins scaled alike."""
    u: Array = np.arange(1, 51, dtype=np.float64) * (FIT_WINDOW / 50)
    tau: Array = np.ones(len(currents))
    final: Array = np.ones(len(currents))
    for _ in range(4):
        factor, final = fit_rise(u, _read(currents, u * tau[:, None]))
        tau = tau * factor
    tau = tau * (1 + rng.uniform(-STRETCH, STRETCH, len(tau)))
    final = final * (1 + LEVEL_SPREAD * rng.normal(size=len(tau)))
    times = fine_times() * tau[:, None]
    scaled = (_read(currents, times) / final[:, None]).astype(np.float32)
    if twins is None:
        return scaled, tau, None
    return scaled, tau, (_read(twins, times) / final[:, None]).astype(np.float32)


def _changes(rng: np.random.Generator, kind: int, count: int) -> Array:
    low, high = bank.INDUCTANCE_CHANGES[kind]
    return np.asarray(np.exp(rng.uniform(np.log(low), np.log(high), count)))


def _chunks(total: int) -> Iterator[int]:
    for begin in range(0, total, CHUNK):
        yield min(CHUNK, total - begin)


def moving_chunk(kind: int, source: int, chunk: int, count: int) -> Sample:
    """One chunk of moving coils; the same numbers give the same coils."""
    rng = np.random.default_rng((SEED, kind, source, chunk))
    change = _changes(rng, kind, count)
    if source < len(BANK_COILS):
        ranges, free, _ = BANK_COILS[source]
        coils = bank.draw_coils(rng, change, rng.uniform(0.35, 4.9, count), ranges, free=free)
        currents, start, end, landing = bank.simulate_motion(coils, DURATION)
    else:
        creeping = SHELL_COILS[source - len(BANK_COILS)][0]
        drawn = shells.draw_shell_coils(rng, change, creeping=creeping)
        currents, start, end, landing = shells.simulate_shells(drawn, DURATION)
    landed = np.isfinite(end) & np.isfinite(currents).all(axis=1)
    scaled, tau, _ = _scaled(currents[landed], rng)
    begun, ended = start[landed] / tau, end[landed] / tau
    manner = _manner(ended - begun, landing[landed])
    return Sample(scaled, begun, ended, np.full(len(ended), kind), manner)


def _manner(travel: Array, landing: Floats) -> NDArray[np.intp]:
    swift = np.where(travel > BRISK, 1, 0)
    slow = np.where((landing < SOFT) & (travel <= SOFT_TRAVEL), 2, 3)
    return np.where((landing < SOFT) | (travel > ORDINARY), slow, swift)


def _sources() -> list[int]:
    return [n for *_, n in BANK_COILS] + [n for _, n in SHELL_COILS]


def stuck_coils() -> Floats:
    """Coils whose armature never moves, of both simulations."""
    rng = np.random.default_rng((SEED, 77))
    never = np.full(STUCK, 1e3)
    coils = bank.draw_coils(rng, np.zeros(STUCK), never, bank.WIDE)
    parts = [_scaled(bank.simulate_motion(coils, DURATION)[0], rng)[0]]
    for count in _chunks(STUCK):
        drawn = shells.draw_shell_coils(rng, np.zeros(count), stuck=True)
        parts.append(_scaled(shells.simulate_shells(drawn, DURATION)[0], rng)[0])
    return np.concatenate(parts)


def warm_shapes() -> tuple[Array, float]:
    """How a stuck coil differs from itself warmer, past a scaling of current and time.

    Factors for a resistance that is 1 higher, from one that is WARMER higher or lower.
    """
    rng = np.random.default_rng((SEED, 78))
    count = WARMED
    resistance = (1 + WARMER * rng.choice([-1.0, 1.0], count)).astype(np.float32)
    volts = (1 + WARMER_VOLTS * rng.normal(size=count)).astype(np.float32)
    coils = bank.draw_coils(rng, np.zeros(count), np.full(count, 1e3), bank.WIDE)
    other = shells.draw_shell_coils(rng, np.zeros(count), stuck=True)
    pairs = (
        (
            bank.simulate(c, DURATION + 0.5)[1]
            for c in (coils, bank.warmed(coils, resistance, volts))
        ),
        (
            shells.simulate_shells(c, DURATION + 0.5)[0]
            for c in (other, shells.warmed(other, resistance, volts))
        ),
    )
    rest = np.concatenate([_warm_rest(*pair) for pair in pairs]) / WARMER
    return _factors(rest, WARM_RANK)


def _warm_rest(cold: Floats, warm: Floats) -> Array:
    """The warm current in its own units, less the cold one fitted to it in level and time."""
    times = fine_times()
    fit = times < FIT_WINDOW + 2
    level, tau = np.ones(len(cold)), np.ones(len(cold))
    aim = _read(warm, np.broadcast_to(times, (len(warm), len(times))))
    rest = aim
    for _ in range(4):
        one = _read(cold, times * tau[:, None])
        rest = aim - level[:, None] * one
        slope = level[:, None] * times * np.gradient(one, TIME_STEP, axis=1)
        for row in range(len(cold)):
            shapes = np.stack([one[row], slope[row]], axis=1)[fit]
            more = np.linalg.lstsq(shapes, rest[row, fit], rcond=None)[0]
            level[row] += more[0]
            tau[row] *= 1 + more[1]
    return rest


def signatures(rng: np.random.Generator) -> Floats:
    """What movement of 2 to 6 % adds to the current: some of each manner and end of travel."""
    found, ends, manners = [], [], []
    for source in range(5):
        change = _changes(rng, 1, SIGNATURES)
        if source < 3:
            end = rng.uniform(0.45, 4.8, SIGNATURES)
            ranges = bank.WIDE if source == 2 else bank.TYPICAL
            one = bank.draw_coils(rng, change, end, ranges, free=source > 0)
            moving, begun, ended, landing = bank.simulate_motion(one, DURATION)
            _, twins = bank.simulate(replace(one, change=0 * one.change), DURATION)
        else:
            other = shells.draw_shell_coils(rng, change, creeping=source == 4)
            moving, begun, ended, landing = shells.simulate_shells(other, DURATION)
            twins = shells.simulate_shells(replace(other, change=0 * other.change), DURATION)[0]
        clear = np.isfinite(ended) & np.isfinite(moving).all(1) & np.isfinite(twins).all(1)
        scaled, tau, still = _scaled(moving[clear], rng, twins[clear])
        assert still is not None
        found.append(scaled - still)
        ends.append(ended[clear] / tau)
        manners.append(_manner((ended - begun)[clear] / tau, landing[clear]))
    all_found, end, slow = np.concatenate(found), np.concatenate(ends), np.concatenate(manners) > 1
    swift, creeping = np.flatnonzero(~slow), np.flatnonzero(slow)
    chosen = (
        swift[_spread(end[swift], KEPT_SIGNATURES - KEPT_SLOW, rng)],
        creeping[_spread(end[creeping], KEPT_SLOW, rng)],
    )
    return all_found[np.concatenate(chosen)]


def _factors(rest: Array, rank: int) -> tuple[Array, float]:
    """Leading factors of rows about zero, and the power a fine sample that they leave."""
    power = rest.T @ rest / max(len(rest) - 1, 1)
    values, vectors = np.linalg.eigh(power)
    values = np.maximum(values[::-1], 0)
    left = float(values[rank:].sum()) / len(fine_times())
    return np.sqrt(values[:rank])[:, None] * vectors[:, ::-1][:, :rank].T, left


def _clusters(rows: Array, rng: np.random.Generator) -> NDArray[np.intp]:
    """k-means in the units of the rows' own smaller variations."""
    power = np.cov(rows.T) * 0.05 + (1.2e-3 / TIME_STEP * 0.12) ** 2 * np.eye(rows.shape[1])
    white = (rows - rows.mean(axis=0)) @ np.linalg.cholesky(np.linalg.inv(power))
    centres = white[rng.choice(len(white), CLUSTERS, replace=False)]
    nearest = np.zeros(len(white), np.intp)
    for _ in range(15):
        far = -2 * white @ centres.T + np.sum(centres**2, axis=1)
        nearest = np.argmin(far, axis=1)
        centres = np.array([white[nearest == j].mean(axis=0) for j in range(CLUSTERS)])
    return nearest


def _spread(ends: Array, count: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Some of the rows, evenly over the ends of travel."""
    inside = np.flatnonzero((ends > FIRST_END) & (ends < LAST - 0.5))
    inside = rng.permutation(inside)
    weight = 1 / np.maximum(np.histogram(ends[inside], 20, (FIRST_END, LAST - 0.5))[0], 1)
    cell = np.minimum(((ends[inside] - FIRST_END) / (LAST - 0.5 - FIRST_END) * 20).astype(int), 19)
    share = weight[cell] / weight[cell].sum()
    return np.asarray(rng.choice(inside, count, replace=False, p=share))


def _group_rows(
    kind: NDArray[np.intp], manner: NDArray[np.intp], end: Array, at: Array
) -> Iterator[tuple[int, int, NDArray[np.intp]]]:
    for which in range(len(bank.INDUCTANCE_CHANGES)):
        cells, count = (
            (LARGE_CELLS, LARGE_SLICES) if which >= LARGE else (SMALL_CELLS, SMALL_SLICES)
        )
        for how, width in enumerate(cells):
            rows = np.flatnonzero((kind == which) & (manner == how))
            cell = np.floor((end[rows] - FIRST_END) / width).astype(int)
            for number in range(int((LAST - FIRST_END) / width)):
                for inside in _slices(rows[cell == number], count, end, at):
                    if len(inside) >= GROUP_MIN:
                        yield which, how, inside


def _slices(rows: NDArray[np.intp], count: int, end: Array, at: Array) -> list[NDArray[np.intp]]:
    """Equal parts along the direction of the current that best tells the end."""
    if count == 1 or len(rows) < count * GROUP_MIN:
        return [rows]
    rest = at[rows] - at[rows].mean(axis=0)
    power = rest.T @ rest / len(rows) + SLICE_NOISE**2 * np.eye(rest.shape[1])
    forecast = rest @ np.linalg.solve(power, rest.T @ (end[rows] - end[rows].mean()))
    edges = np.quantile(forecast, np.arange(1, count) / count)
    part = np.searchsorted(edges, forecast)
    return [rows[part == n] for n in range(count)]


def generate() -> dict[str, NDArray[Any]]:
    """Everything that the file holds."""
    rng = np.random.default_rng((SEED, 79))
    stuck, signature = stuck_coils(), signatures(rng)
    middle = stuck.mean(axis=0)
    pilot = [moving_chunk(k, s, 0, 600).currents for k in range(4) for s in range(len(_sources()))]
    pool = np.concatenate([*pilot, stuck[::5]]) - middle
    _, vectors = np.linalg.eigh(pool.T @ pool)
    basis = np.ascontiguousarray(vectors[:, ::-1][:, :BASIS].T)
    held: dict[str, list[Array]] = {name: [] for name in ("at", "start", "end", "kind", "manner")}
    for kind in range(len(bank.INDUCTANCE_CHANGES)):
        for source, total in enumerate(_sources()):
            for chunk, count in enumerate(_chunks(total)):
                one = moving_chunk(kind, source, chunk, count)
                held["at"].append((one.currents - middle) @ basis.T)
                for name in ("start", "end", "kind", "manner"):
                    held[name].append(getattr(one, name))
    at, start, end = (np.concatenate(held[name]) for name in ("at", "start", "end"))
    kinds, manners = (np.concatenate(held[name]).astype(np.intp) for name in ("kind", "manner"))
    groups: dict[str, list[object]] = {}

    def note(**values: object) -> None:
        for name, value in values.items():
            groups.setdefault(name, []).append(value)

    for which, how, rows in _group_rows(kinds, manners, end, at):
        mean = at[rows].mean(axis=0)
        rest = at[rows] - mean
        factors, left = _factors(rest, RANK)
        times = np.stack([end[rows], start[rows]])
        score = rest @ factors.T / np.maximum(np.sum(factors**2, axis=1), 1e-12)
        about = times - times.mean(axis=1, keepdims=True)
        cross = about @ score / (len(rows) - 1)
        # A regression on so many factors explains some of any few coils by chance.
        free = max(len(rows) - 1 - RANK, 5) / (len(rows) - 1)
        unexplained = np.maximum(about.var(axis=1) - np.sum(cross**2, axis=1), 1e-6) / free
        note(kind=which, manner=how, share=len(rows) / len(at))
        note(mean=mean, factors=factors, left=left)
        note(instant=times.mean(axis=1), cross=cross, unexplained=unexplained)
    still = (stuck - middle) @ basis.T
    nearest = _clusters(still, rng)
    cluster = [
        _factors(still[nearest == j] - still[nearest == j].mean(0), STUCK_RANK)
        for j in range(CLUSTERS)
    ]
    half, single = np.float16, np.float32
    return {
        "basis": basis.astype(single),
        "middle": middle.astype(single),
        "stuck": still[rng.choice(len(still), KEPT_STUCK, replace=False)].astype(half),
        "cluster_share": np.bincount(nearest, minlength=CLUSTERS).astype(single) / len(still),
        "cluster_mean": np.array(
            [still[nearest == j].mean(axis=0) for j in range(CLUSTERS)], single
        ),
        "cluster_factors": np.array([f for f, _ in cluster], half),
        "warm_factors": warm_shapes()[0].astype(single) @ basis.T.astype(single),
        "signature": (signature @ basis.T).astype(half),
        "group_kind": np.array(groups["kind"], np.int8),
        "group_manner": np.array(groups["manner"], np.int8),
        "group_share": np.array(groups["share"], single),
        "group_mean": np.array(groups["mean"], half),
        "group_factors": np.array(groups["factors"], half),
        "group_left": np.array(groups["left"], single),
        "group_instant": np.array(groups["instant"], single),
        "group_cross": np.array(groups["cross"], single),
        "group_unexplained": np.array(groups["unexplained"], single),
    }


if __name__ == "__main__":
    made = generate()
    with Path(sys.argv[1] if len(sys.argv) > 1 else PATH).open("wb") as file:
        np.savez_compressed(file, allow_pickle=False, **made)
