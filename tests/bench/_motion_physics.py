"""Coils of a second physics, which the product has never seen.

Written apart from the product's own family on purpose, and never imported by it: what is
tested only on its own simulation flatters itself. Here

* the armature is a mass that magnetic force pulls against preload, spring, drag and a squeeze
  film, sticks before it lifts, and bounces on a stop as often as it likes;
* the iron is three concentric shells, each with its own eddy loop, so that the flux diffuses
  inwards; it saturates shell by shell and has a coercive field;
* the gap reluctance is curved (fringing), the supply sags.

Integrated with classical Runge-Kutta of order four. Units: winding resistance, supply and
open small-signal inductance are 1, so time counts in time constants and current in finals.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Parameters = dict[str, Array]
STEPS = 800  # integration steps a time constant
KEEP = 8  # every eighth is kept


@dataclass(frozen=True)
class Waves:
    """What the simulation gave: currents (coils, times) and the true instants, in tau."""

    time: Array
    current: Array
    start: Array
    end: Array
    landing: Array  # speed at the stop over the mean speed of the travel


def draw(rng: np.random.Generator, n: int, *, stuck: bool = False) -> Parameters:
    """Random coils: one value a coil, or a row for each shell."""
    circuit = {
        "leakage": rng.uniform(0.08, 0.3, n),
        "iron": rng.uniform(0.03, 0.25, n),
        "bend": rng.uniform(0.4, 2.6, n),
        "coercive": rng.uniform(0.0, 0.05, n),
        "curve": rng.uniform(-0.4, 0.8, n),
    }
    eddy = np.exp(rng.uniform(np.log(0.04), np.log(0.25), n))
    split = rng.dirichlet([4.0, 4.0, 4.0], n).T
    circuit["loops"] = np.maximum(eddy * split, 0.02)
    circuit["shares"] = rng.dirichlet([4.0, 4.0, 4.0], n).T
    circuit["sag"] = rng.uniform(0.0, 0.025, n)
    circuit["sag_time"] = rng.uniform(0.5, 6.0, n)
    lift = rng.uniform(0.3, 0.75, n)
    return circuit | {
        "lift": np.full(n, 1e3) if stuck else lift,
        "agility": np.exp(rng.uniform(np.log(8.0), np.log(120.0), n)),
        "spring": rng.uniform(0.0, 0.15, n),
        "drag": rng.uniform(0.0, 3.0, n),
        "film": 0.0006 * rng.uniform(0.0, 1.0, n) * (rng.random(n) < 0.3),
        "stick": rng.uniform(0.0, 0.25, n) * (rng.random(n) < 0.5),
        "give": rng.uniform(0.0, 0.5, n),
    }


class _Circuit:
    """Flux, eddy currents and current of many coils, given where their armatures are."""

    def __init__(self, parameters: Parameters, change: Array) -> None:
        self.leakage, self.iron = parameters["leakage"], parameters["iron"]
        self.bend, self.coercive = parameters["bend"], parameters["coercive"]
        self.open = 1 / (1 - self.leakage) - self.iron
        self.seated = 1 / (1 + change - self.leakage) - self.iron
        self.curve, self.loops = parameters["curve"], parameters["loops"]
        self.shares = parameters["shares"]
        self.sag, self.sag_time = parameters["sag"], parameters["sag_time"]
        self.resistance = parameters.get("resistance", np.ones(1))
        self.volts = parameters.get("volts", np.ones(1))

    def shape(self, x: Array) -> Array:
        return x * (1 + self.curve) / (1 + self.curve * x)

    def shape_slope(self, x: Array) -> Array:
        return (1 + self.curve) / (1 + self.curve * x) ** 2

    def rates(self, time: float, current: Array, flux: Array, x: Array) -> tuple[Array, Array]:
        gap = self.open + (self.seated - self.open) * self.shape(x)
        density = flux / self.shares / (1 - self.leakage)
        bent = np.sinh(np.clip(self.bend * density, -5, 5)) / self.bend
        field = self.iron * bent * (1 - self.leakage) + self.coercive * np.tanh(density / 0.05)
        drive = current - gap * flux.sum(axis=0) - field
        inner = np.empty_like(flux)
        inner[0] = drive[0] / self.loops[0]
        inner[1] = (drive[1] - drive[0]) / self.loops[1]
        inner[2] = (drive[2] - drive[1]) / self.loops[2]
        change = np.empty_like(flux)
        change[0] = inner[0] - inner[1]
        change[1] = inner[1] - inner[2]
        change[2] = inner[2]
        supply = self.volts * (1 - self.sag * (1 - np.exp(-time / self.sag_time)))
        return (supply - self.resistance * current - inner[0]) / self.leakage, change


class _Armature:
    """Mass, spring, drag, squeeze film, sticking and a stop that gives some of it back."""

    def __init__(self, parameters: Parameters) -> None:
        self.lift, self.agility = parameters["lift"], parameters["agility"]
        self.spring, self.drag = parameters["spring"], parameters["drag"]
        self.film, self.stick = parameters["film"], parameters["stick"]
        self.give = parameters["give"]

    def acceleration(self, x: Array, v: Array, flux: Array, slope: Array, level: Array) -> Array:
        pull = (flux / (self.lift * level)) ** 2 * slope
        held = (x <= 0) & (v <= 0) & (pull < 1 + self.stick)
        force = pull - 1 - self.spring * x
        resist = self.drag + self.film * self.agility / np.maximum(1.12 - x, 0.02) ** 3
        acceleration = self.agility * force - resist * v
        return np.where(held | ((x <= 0) & (v <= 0) & (acceleration < 0)), 0.0, acceleration)


def simulate(
    rng: np.random.Generator, change: Array, duration: float, *, stuck: bool = False
) -> Waves:
    """Currents after switch-on of ``len(change)`` random coils."""
    return run(draw(rng, len(change), stuck=stuck), change, duration)


def run(parameters: Parameters, change: Array, duration: float) -> Waves:
    """Currents of the coils with these parameters."""
    n = len(change)
    circuit, armature = _Circuit(parameters, change), _Armature(parameters)
    level = circuit.shape_slope(np.zeros(n)) ** 0.5 * (1 - circuit.leakage)
    step = 1 / STEPS
    state: tuple[Array, ...] = (np.zeros(n), np.zeros((3, n)), np.zeros(n), np.zeros(n))
    start, end, landing = (np.full(n, np.nan) for _ in range(3))
    kept = [state[0]]

    def rates(time: float, state: tuple[Array, ...]) -> tuple[Array, ...]:
        current, flux, x, v = state
        di, dflux = circuit.rates(time, current, flux, np.clip(x, 0, 1))
        slope = circuit.shape_slope(np.clip(x, 0, 1))
        return di, dflux, v, armature.acceleration(x, v, flux.sum(axis=0), slope, level)

    for k in range(round(duration * STEPS)):
        before = state[2]
        state = runge_kutta(rates, k * step, state, step)
        current, flux, x, v = state
        start = np.where(np.isnan(start) & (x > 0), k * step, start)
        hit = x >= 1
        share = np.clip((1 - before) / np.maximum(x - before, 1e-12), 0, 1)
        first = np.isnan(end) & hit
        end = np.where(first, (k + share) * step, end)
        landing = np.where(first, v * (end - start), landing)
        v = np.where(hit, -armature.give * np.abs(v) * (np.abs(v) > 0.02), v)
        v = np.where(x <= 0, np.maximum(v, 0), v)
        state = (current, flux, np.clip(x, 0, 1), v)
        if (k + 1) % KEEP == 0:
            kept.append(state[0])
    times: Array = np.arange(len(kept), dtype=np.float64) * step * KEEP
    return Waves(times, np.array(kept).T, start, end, landing)


def runge_kutta(
    rates: Callable[[float, tuple[Array, ...]], tuple[Array, ...]],
    time: float,
    state: tuple[Array, ...],
    step: float,
) -> tuple[Array, ...]:
    def moved(slopes: tuple[Array, ...], by: float) -> tuple[Array, ...]:
        return tuple(s + by * d for s, d in zip(state, slopes, strict=True))

    k1 = rates(time, state)
    k2 = rates(time + step / 2, moved(k1, step / 2))
    k3 = rates(time + step / 2, moved(k2, step / 2))
    k4 = rates(time + step, moved(k3, step))
    return tuple(
        s + step / 6 * (a + 2 * b + 2 * c + d)
        for s, a, b, c, d in zip(state, k1, k2, k3, k4, strict=True)
    )


def voltage(parameters: Parameters, time: Array, current: Array) -> Array:
    """At the part, one row a coil."""
    volts = np.broadcast_to(parameters.get("volts", np.ones(1)), len(current))[:, None]
    sag, sag_time = parameters["sag"][:, None], parameters["sag_time"][:, None]
    return np.asarray(volts * (1 - sag * (1 - np.exp(-time / sag_time))))
