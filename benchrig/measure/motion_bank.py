"""A family of simulated coils, stuck and moving, in normalised units.

One family serves every part: resistance and supply are 1, so the final current is 1, and
time is counted in time constants of the open coil. A coil is

* a resistance and a leakage inductance in series with
* a magnetising branch (air gap, iron that saturates and is poor at low field), shunted by
* an eddy-current resistance and a second, slower eddy-current branch.

The armature follows a power law from its start to the stop, and may bounce. The iron, the
eddy currents, the law and the bounce are all drawn at random, wide, so that what is learned
from the family is what coils have in common and not one coil.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

STEPS_PER_TAU = 50
INDUCTANCE_CHANGES = ((0.004, 0.02), (0.02, 0.06), (0.06, 0.17), (0.17, 0.5))  # classes


@dataclass(frozen=True, slots=True, kw_only=True)
class Coils:
    """Parameters of many coils; each array one value a coil."""

    leakage: Floats  # share of the inductance that no eddy current sees
    eddy_resistance: Floats  # over the winding resistance
    slow_resistance: Floats
    slow_inductance: Floats
    saturation: Floats  # extra magnetising current at full flux, relative
    knee: Floats  # 0: cubic saturation, 1: sharp
    poor: Floats  # extra magnetising current at low field
    poor_flux: Floats
    sag: Floats  # drop of the supply that recovers ...
    sag_tau: Floats  # ... with this time constant
    change: Floats  # inductance change over the travel, 0 for a stuck armature
    start: Floats
    end: Floats
    power: Floats  # of the law of motion at its beginning
    brake: Floats  # how much of it a later, higher power takes back
    late: Floats
    restitution: Floats
    bounce_time: Floats
    lift: Floats  # flux at which a free armature lifts, of the full one; 0: it follows the law
    agility: Floats  # force of the preload over the mass
    drag: Floats
    spring: Floats  # rise of the preload over the travel

    def __len__(self) -> int:
        return len(self.leakage)


def join(sets: Sequence[Coils]) -> Coils:
    """All coils of several sets in one."""
    names = [field.name for field in fields(Coils)]
    return Coils(**{name: np.concatenate([getattr(one, name) for one in sets]) for name in names})


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranges:
    """From where coils are drawn: (low, high), even in the logarithm unless noted."""

    travel: tuple[float, float]
    power: tuple[float, float]
    brake: tuple[float, float]  # even; 1 lands at zero speed
    restitution: float  # even up to here, for half of the coils
    leakage: tuple[float, float]  # even
    eddy_resistance: tuple[float, float]
    slow_resistance: tuple[float, float]
    slow_inductance: tuple[float, float]
    saturation: tuple[float, float]
    poor: float  # even up to here, for half of the coils
    sag: float  # standard deviation


# Fast valves that land on their stop with speed: what port injectors do.
TYPICAL = Ranges(
    travel=(0.22, 0.65),
    power=(1.7, 3.3),
    brake=(-0.4, 0.6),
    restitution=0.3,
    leakage=(0.08, 0.35),
    eddy_resistance=(9.0, 45.0),
    slow_resistance=(14.0, 80.0),
    slow_inductance=(0.5, 5.0),
    saturation=(0.03, 0.5),
    poor=0.2,
    sag=0.005,
)
# Everything slower, softer, leakier, with heavier eddy currents.
WIDE = Ranges(
    travel=(0.18, 1.1),
    power=(1.5, 3.6),
    brake=(-0.6, 1.0),
    restitution=0.45,
    leakage=(0.03, 0.4),
    eddy_resistance=(5.0, 60.0),
    slow_resistance=(8.0, 80.0),
    slow_inductance=(0.3, 6.0),
    saturation=(0.02, 0.9),
    poor=0.3,
    sag=0.008,
)


def draw_coils(
    rng: np.random.Generator,
    change: NDArray[np.float64],
    end: NDArray[np.float64],
    ranges: Ranges = TYPICAL,
    *,
    free: bool = False,
) -> Coils:
    """Random coils with the given inductance change and end of travel.

    A ``free`` armature is pulled by the flux against its preload instead of following a law:
    when its travel starts and ends, ``simulate`` finds out.
    """
    count = len(change)

    def even(low: float, high: float) -> NDArray[np.float64]:
        return rng.uniform(low, high, count)

    def log_even(bounds: tuple[float, float]) -> NDArray[np.float64]:
        return np.exp(rng.uniform(np.log(bounds[0]), np.log(bounds[1]), count))

    def half(high: float) -> NDArray[np.float64]:
        return even(0.0, high) * (rng.random(count) < 0.5)

    travel = np.minimum(log_even(ranges.travel), 0.85 * end)
    power = log_even(ranges.power)
    late = even(1.0, 3.0)
    values = {
        "leakage": even(*ranges.leakage),
        "eddy_resistance": log_even(ranges.eddy_resistance),
        "slow_resistance": log_even(ranges.slow_resistance),
        "slow_inductance": log_even(ranges.slow_inductance),
        "saturation": log_even(ranges.saturation),
        "knee": even(0.0, 1.0),
        "poor": half(ranges.poor),
        "poor_flux": log_even((0.05, 0.4)),
        "sag": rng.normal(0.0, ranges.sag, count),
        "sag_tau": log_even((0.5, 5.0)),
        "change": change,
        "start": end - travel,
        "end": end,
        "power": power,
        "brake": 0.95 * np.maximum(even(*ranges.brake), -0.4) * power / (power + late),
        "late": late,
        "restitution": half(ranges.restitution),
        "bounce_time": travel * log_even((0.15, 0.8)),
        "lift": even(0.25, 0.8) if free else np.zeros(count),
        "agility": log_even((8.0, 140.0)),
        "drag": even(0.0, 3.0),
        "spring": even(0.0, 0.3),
    }
    return Coils(**{name: value.astype(np.float32) for name, value in values.items()})


def warmed(coils: Coils, resistance: Floats, volts: Floats) -> Coils:
    """The same coils with another winding resistance and supply, in their own new units.

    Time is then counted in ``1 / resistance`` and current in ``volts / resistance``.
    """
    flux = volts / resistance
    soft = coils.saturation * (1 - coils.knee) * flux**2
    sharp = coils.saturation * coils.knee * flux**6
    return replace(
        coils,
        saturation=soft + sharp,
        knee=sharp / (soft + sharp),
        eddy_resistance=coils.eddy_resistance / resistance,
        slow_resistance=coils.slow_resistance / resistance,
        poor_flux=coils.poor_flux / flux,
        sag_tau=coils.sag_tau * resistance,
    )


def _position(coils: Coils, time: float) -> Floats:
    """Share of the travel made, 0 to 1."""
    travel = coils.end - coils.start
    along = np.clip((time - coils.start) / travel, 0.0, 1.0)
    late = coils.power + coils.late
    position = (along**coils.power - coils.brake * along**late) / (1 - coils.brake)
    after = (time - coils.end) / coils.bounce_time
    if np.any(after > 0):
        landing = (coils.power - coils.brake * late) / (1 - coils.brake) / travel
        rebound = coils.restitution * landing * coils.bounce_time
        inside = (after > 0) & (after < 1)
        height = rebound * after * (1 - after)
        position = np.where(inside, 1 - np.minimum(height, 1.0), position)
    return np.asarray(position, dtype=np.float32)


class _Free:
    """Armatures that the flux pulls; nan until they have lifted, and until they landed."""

    def __init__(self, coils: Coils, step: float) -> None:
        self.coils = coils
        self.step = np.float32(step)
        self.place = np.zeros(len(coils), np.float32)
        self.speed = np.zeros(len(coils), np.float32)
        self.start = np.full(len(coils), np.nan, np.float32)
        self.end = np.full(len(coils), np.nan, np.float32)
        self.landing = np.full(len(coils), np.nan, np.float32)

    def middle(self) -> Floats:
        """Positions half a step on."""
        return np.clip(self.place + np.float32(0.5) * self.step * self.speed, 0, 1)

    def advance(self, level: Floats, time: float) -> None:
        """One step to ``time`` with the flux density at its end."""
        preload = 1 + self.coils.spring * self.place
        pull = self.coils.agility * ((level / self.coils.lift) ** 2 - preload)
        speed = (self.speed + self.step * pull) / (1 + self.step * self.coils.drag)
        speed = np.where((self.place <= 0) & (speed < 0), 0, speed)
        place = self.place + np.float32(0.5) * self.step * (self.speed + speed)
        lifted = np.isnan(self.start) & (place > 0)
        self.start[lifted] = time - self.step
        landed = place >= 1
        share = (1 - self.place) / np.maximum(place - self.place, np.float32(1e-9))
        first = np.isnan(self.end) & landed
        self.end[first] = (time - (1 - share) * self.step)[first]
        self.landing[first] = (speed * (self.end - self.start))[first]
        speed = np.where(landed, -self.coils.restitution * np.abs(speed), speed)
        self.place = np.clip(place, 0, 1).astype(np.float32)
        self.speed = speed.astype(np.float32)


def simulate(coils: Coils, duration: float) -> tuple[NDArray[np.float64], Floats]:
    """Currents after switch-on: times (points,) and currents (coils, points)."""
    currents, _, _, _ = simulate_motion(coils, duration)
    times: NDArray[np.float64] = np.arange(currents.shape[1], dtype=np.float64) / STEPS_PER_TAU
    return times, currents


def simulate_motion(coils: Coils, duration: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Currents, start and end of each travel, and the speed of landing over the mean one.

    All but the currents are nan where a free armature never landed.
    """
    step = 1.0 / STEPS_PER_TAU
    points = round(duration * STEPS_PER_TAU) + 1
    c = coils
    magnetising = 1.0 - c.leakage
    # Reluctance falls linearly with the gap: at the stop the whole inductance has grown by
    # ``change``, so the magnetising branch has by more.
    closing = 1.0 - 1.0 / (1.0 + c.change / magnetising)
    branch = 1.0 + c.eddy_resistance
    rate = branch / c.leakage
    decay = np.exp(-step * rate)
    mean_decay = (1.0 - decay) / (step * rate)
    slow_decay = np.exp(-step * c.slow_resistance / c.slow_inductance)
    # What a steady voltage across the magnetising branch does to the current in one step.
    share = (1 - mean_decay) / branch
    give = 1 - c.eddy_resistance * share
    slow_gain = (1 - slow_decay) / c.slow_resistance
    half = np.float32(0.5 * step)
    flux = np.zeros(len(c), np.float32)
    current = np.zeros_like(flux)
    slow = np.zeros_like(flux)
    free = _Free(c, step) if np.any(c.lift > 0) else None
    out = np.zeros((points, len(c)), np.float32)
    for n in range(1, points):
        middle = np.float32((n - 0.5) * step)
        place = free.middle() if free is not None else _position(c, float(middle))
        open_part = 1 - closing * place
        level = flux / magnetising
        square = level * level
        sharp = square * square * square
        field = np.exp(-np.abs(level) / c.poor_flux)
        drive = level * (
            open_part + c.saturation * ((1 - c.knee) * square + c.knee * sharp) + c.poor * field
        )
        slope = (
            open_part
            + c.saturation * (3 * (1 - c.knee) * square + 7 * c.knee * sharp)
            + c.poor * field * (1 - level / c.poor_flux)
        ) / magnetising
        # Linearly implicit midpoint: the voltage that fits the flux and the slow current
        # halfway through the step, so that stiff eddy currents stay stable.
        stiffness = half * slope + 0.5 * slow_gain
        drive = drive + 0.5 * slow * (1 + slow_decay)
        supply = 1 + c.sag * (1 - np.exp(-middle / c.sag_tau))
        voltage = (
            c.eddy_resistance
            * (supply * share + current * mean_decay - drive * give)
            / (1 + c.eddy_resistance * stiffness * give)
        )
        drive = drive + stiffness * voltage
        settled = (supply + c.eddy_resistance * drive) / branch
        current = settled + (current - settled) * decay
        flux = flux + np.float32(step) * voltage
        slow = slow * slow_decay + slow_gain * voltage
        out[n] = current
        if free is not None:
            free.advance(flux / magnetising, n * step)
    currents = np.ascontiguousarray(out.T)
    if free is None:
        landing = (c.power - c.brake * (c.power + c.late)) / (1 - c.brake)
        return currents, c.start, c.end, landing
    return currents, free.start, free.end, free.landing
