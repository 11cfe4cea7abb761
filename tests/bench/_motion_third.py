"""Coils of a third physics, kept for the fair test: nothing was ever tuned to it.

Its iron and its motion are neither those of the product's family nor of ``_motion_physics``:

* the iron is a chain of six layers that the flux soaks through, saturating along Froehlich's
  curve, with excess loss at its skin that grows with the root of the rate of change;
* the armature first makes an idle stroke, then takes the needle with it and loses speed to it;
  pressure holds the needle less the further it has lifted; drag grows with the square of speed;
* the stop is a stiff, lossy spring and not a wall; the supply sinks with the charge drawn.

Integrated with classical Runge-Kutta of order four. Units: winding resistance, supply and
about the open inductance are 1, so time counts in time constants and current in finals.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.bench._motion_physics import Parameters, Waves, runge_kutta

Array = NDArray[np.float64]
STEPS = 500  # integration steps a time constant
KEEP = 5  # every fifth is kept
LAYERS = 6


def draw(rng: np.random.Generator, n: int, *, stuck: bool = False) -> Parameters:
    """Random coils, one value a coil."""
    iron = {
        "leakage": rng.uniform(0.06, 0.32, n),
        "iron": rng.uniform(0.04, 0.22, n),  # low-field share of the reluctance
        "full": rng.uniform(1.8, 4.5, n),  # saturation density over that at full current
        "fringe": rng.uniform(0.75, 1.6, n),
        "skin": np.exp(rng.uniform(np.log(0.02), np.log(0.1), n)),
        "excess": rng.uniform(0.0, 1.0, n),  # loss, over the skin's
        "deep": np.exp(rng.uniform(np.log(0.03), np.log(0.2), n)),
        "sink": rng.uniform(0.0, 0.006, n),
    }
    lift = rng.uniform(0.3, 0.7, n)
    agility = np.exp(rng.uniform(np.log(10.0), np.log(120.0), n))
    idle = rng.uniform(0.0, 0.3, n) * (rng.random(n) < 0.5)
    return iron | {
        "lift": np.full(n, 1e3) if stuck else lift,
        "agility": agility,
        "idle": idle,
        "kept": np.where(idle > 0, rng.uniform(0.6, 0.95, n), 1.0),  # speed after pick-up
        "pressure": rng.uniform(0.0, 0.5, n),
        "opening": rng.uniform(0.15, 0.6, n),  # lift over which the pressure is lost
        "spring": rng.uniform(0.0, 0.2, n),
        "drag": rng.uniform(0.0, 1.2, n),
        "depth": rng.uniform(0.008, 0.03, n),  # to which the stop gives way
        "loss": rng.uniform(0.1, 0.7, n),
    }


class _Iron:
    """Current and flux in layers of many coils, given where their armatures are."""

    def __init__(self, parameters: Parameters, change: Array) -> None:
        self.leakage, self.iron = parameters["leakage"], parameters["iron"]
        self.main = 1 - self.leakage
        self.full, self.fringe = parameters["full"], parameters["fringe"]
        self.open = 1 / self.main - self.iron
        self.seated = 1 / (self.main + change) - self.iron
        self.skin, self.excess = parameters["skin"], parameters["skin"] * parameters["excess"]
        layers = np.arange(1, LAYERS)[:, None] / LAYERS
        self.deep = np.maximum(parameters["deep"][None] * layers, 0.02)
        self.sink = parameters["sink"]
        self.resistance = parameters.get("resistance", np.ones(1))
        self.volts = parameters.get("volts", np.ones(1))

    def gap(self, x: Array) -> Array:
        return self.open + (self.seated - self.open) * (1 - (1 - x) ** self.fringe)

    def gap_slope(self, x: Array) -> Array:
        return self.fringe * np.maximum(1 - x, 0.02) ** (self.fringe - 1)

    def rates(
        self, current: Array, layers: Array, charge: Array, x: Array
    ) -> tuple[Array, Array, Array]:
        flux = layers.mean(axis=0)
        density = np.clip(layers / self.main / self.full, -0.97, 0.97)
        field = self.iron * layers / (1 - np.abs(density))
        drive = current - self.gap(x) * flux - field[0]
        root = np.sqrt(self.excess**2 + 4 * self.skin * np.abs(drive)) - self.excess
        entering = np.sign(drive) * (root / (2 * self.skin)) ** 2
        passing = (field[:-1] - field[1:]) / self.deep
        change = np.empty_like(layers)
        change[0] = entering - passing[0]
        change[1:-1] = passing[:-1] - passing[1:]
        change[-1] = passing[-1]
        supply = self.volts * (1 - self.sink * charge)
        sinking = supply - self.resistance * current - entering
        return sinking / self.leakage, LAYERS * change, current


class _Needle:
    """Armature, idle stroke, needle, pressure, square drag and a springy stop."""

    def __init__(self, parameters: Parameters) -> None:
        self.lift, self.agility = parameters["lift"], parameters["agility"]
        self.idle, self.kept = parameters["idle"], parameters["kept"]
        self.pressure, self.opening = parameters["pressure"], parameters["opening"]
        self.spring, self.drag = parameters["spring"], parameters["drag"]
        self.stiffness = 3 / parameters["depth"]
        self.loss = parameters["loss"]

    def acceleration(self, x: Array, v: Array, flux: Array, slope: Array) -> Array:
        pull = (flux / self.lift) ** 2 * slope
        lifted = x - self.idle
        held = np.where(
            lifted > 0, self.pressure * np.exp(-np.maximum(lifted, 0) / self.opening), 0.0
        )
        with_needle = (self.idle > 0) & (lifted > 0)
        mass = np.where(with_needle, 1 / self.kept, 1.0)
        force = pull - 1 - held - self.spring * x
        deep = np.maximum(x - 1, 0)
        stiff = self.stiffness * self.agility
        contact = np.where(
            x > 1, np.maximum(stiff * deep + 2 * self.loss * np.sqrt(stiff) * v, 0.0), 0.0
        )
        total = (self.agility * force - contact) / mass - self.drag * v * np.abs(v)
        return np.where((x <= 0) & (v <= 0) & (total < 0), 0.0, total)


def simulate(
    rng: np.random.Generator, change: Array, duration: float, *, stuck: bool = False
) -> Waves:
    """Currents after switch-on of ``len(change)`` random coils."""
    return run(draw(rng, len(change), stuck=stuck), change, duration)


def run(parameters: Parameters, change: Array, duration: float) -> Waves:
    """Currents of the coils with these parameters."""
    n = len(change)
    iron, needle = _Iron(parameters, change), _Needle(parameters)
    step = 1 / STEPS
    zero = np.zeros(n)
    state: tuple[Array, ...] = (zero, np.zeros((LAYERS, n)), zero, zero, zero)
    start, end, landing = (np.full(n, np.nan) for _ in range(3))
    kept = [zero]

    def rates(time: float, state: tuple[Array, ...]) -> tuple[Array, ...]:
        current, layers, charge, x, v = state
        along = np.clip(x, 0, 1)
        level = layers.mean(axis=0) / iron.main
        pull = needle.acceleration(x, v, level, iron.gap_slope(along))
        return (*iron.rates(current, layers, charge, along), v, pull)

    for k in range(round(duration * STEPS)):
        before = state[3]
        state = runge_kutta(rates, k * step, state, step)
        current, layers, charge, x, v = state
        start = np.where(np.isnan(start) & (x > 0), k * step, start)
        met = (before <= needle.idle) & (x > needle.idle) & (needle.idle > 0)
        v = np.where(met, needle.kept * v, v)
        first = np.isnan(end) & (x >= 1)
        share = np.clip((1 - before) / np.maximum(x - before, 1e-12), 0, 1)
        end = np.where(first, (k + share) * step, end)
        landing = np.where(first, v * (end - start), landing)
        v = np.where(x <= 0, np.maximum(v, 0), v)
        state = (current, layers, charge, np.maximum(x, 0), v)
        if (k + 1) % KEEP == 0:
            kept.append(current)
    times: Array = np.arange(len(kept), dtype=np.float64) * step * KEEP
    return Waves(times, np.array(kept).T, start, end, landing)


def voltage(parameters: Parameters, time: Array, current: Array) -> Array:
    """At the part, one row a coil."""
    volts = np.broadcast_to(parameters.get("volts", np.ones(1)), len(current))[:, None]
    charge = np.cumsum(current, axis=1) * (time[1] - time[0])
    return np.asarray(volts * (1 - parameters["sink"][:, None] * charge))
