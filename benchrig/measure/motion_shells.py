"""Coils whose flux soaks into the iron shell by shell, with armatures that the flux pulls.

The second half of the family of simulated coils, beside ``motion_bank``: the iron is a chain
of shells, each with its eddy loop, its own saturation and a coercive field, the reluctance of
the gap is curved, and the armature is a mass with preload, spring, drag, a squeeze film at the
stop, and sticking before it lifts. Units are those of ``motion_bank``. Explicit midpoint rule
with small steps, since it only runs when the family is generated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.motion_bank import STEPS_PER_TAU

Floats = NDArray[np.float32]

SUBSTEPS = 10
SHELLS = 3
LAST_LIFT = 1e3  # flux at which a stuck armature would lift


@dataclass(frozen=True, slots=True, kw_only=True)
class ShellCoils:
    """Parameters of many coils; each array one value a coil, or one row a shell."""

    leakage: Floats
    iron: Floats  # reluctance at low field
    bend: Floats  # extra field at full density, relative ...
    order: Floats  # ... growing with this power
    coercive: Floats
    soft: Floats  # density over which the coercive field builds up
    curve: Floats  # of the gap's reluctance over the travel
    loops: Floats  # (shells, coils): resistance of the eddy loops
    shares: Floats  # (shells, coils): of the section
    sag: Floats
    sag_tau: Floats
    change: Floats
    lift: Floats
    agility: Floats
    spring: Floats
    drag: Floats
    film: Floats
    stick: Floats
    give: Floats

    def __len__(self) -> int:
        return len(self.leakage)


def draw_shell_coils(
    rng: np.random.Generator,
    change: NDArray[np.float64],
    *,
    stuck: bool = False,
    creeping: bool = False,
) -> ShellCoils:
    """Random coils with the given inductance changes.

    ``creeping`` ones are slow, or a film of fluid brakes them long before the stop.
    """
    count = len(change)

    def even(low: float, high: float) -> NDArray[np.float64]:
        return rng.uniform(low, high, count)

    def log_even(low: float, high: float) -> NDArray[np.float64]:
        return np.exp(rng.uniform(np.log(low), np.log(high), count))

    def some(high: float, part: float) -> NDArray[np.float64]:
        return even(0.0, high) * (rng.random(count) < part)

    order = log_even(2.0, 7.0)
    eddy = log_even(0.03, 0.3)
    values = {
        "leakage": even(0.06, 0.34),
        "iron": even(0.02, 0.25),
        "bend": np.minimum(log_even(0.05, 4.0), 7 / (order + 1)),
        "order": order,
        "coercive": some(0.05, 0.7),
        "soft": log_even(0.05, 0.2),
        "curve": even(-0.4, 0.8),
        "loops": np.maximum(eddy * rng.dirichlet([3.0] * SHELLS, count).T, 0.035),
        "shares": np.maximum(rng.dirichlet([4.0] * SHELLS, count).T, 0.2),
        "sag": rng.normal(0.006, 0.01, count),
        "sag_tau": log_even(0.5, 6.0),
        "change": change,
        "lift": np.full(count, LAST_LIFT) if stuck else even(0.27, 0.78),
        "agility": log_even(5.0, 60.0) if creeping else log_even(8.0, 140.0),
        "spring": even(0.0, 0.25),
        "drag": even(0.0, 5.0 if creeping else 3.0),
        "film": 0.0012 * even(0.0, 1.0) if creeping else 0.0008 * some(1.0, 0.25),
        "stick": some(0.25, 0.5),
        "give": even(0.0, 0.5),
    }
    return ShellCoils(**{name: value.astype(np.float32) for name, value in values.items()})


def warmed(coils: ShellCoils, resistance: Floats, volts: Floats) -> ShellCoils:
    """The same stuck coils with another resistance and supply, as ``motion_bank.warmed``."""
    flux = volts / resistance
    return replace(
        coils,
        bend=coils.bend * flux**coils.order,
        coercive=coils.coercive / flux,
        soft=coils.soft / flux,
        loops=coils.loops / resistance,
        sag_tau=coils.sag_tau * resistance,
    )


class _Motion:
    """Where the armatures are and how fast; nan until they have lifted, and until landed."""

    def __init__(self, coils: ShellCoils, step: np.float32) -> None:
        self.coils, self.step = coils, step
        self.place = np.zeros(len(coils), np.float32)
        self.speed = np.zeros(len(coils), np.float32)
        self.start, self.end, self.landing = (
            np.full(len(coils), np.nan, np.float32) for _ in range(3)
        )
        self.level = np.sqrt(1 + coils.curve) * (1 - coils.leakage)

    def advance(self, flux: Floats, time: float) -> None:
        """One step to ``time`` under the flux halfway through it."""
        c, step = self.coils, self.step
        slope = (1 + c.curve) / (1 + c.curve * self.place) ** 2
        pull = (flux / (c.lift * self.level)) ** 2 * slope
        force = pull - 1 - c.spring * self.place
        resist = c.drag + c.film * c.agility / np.maximum(1.12 - self.place, 0.02) ** 3
        speed = (self.speed + step * c.agility * force) / (1 + step * resist)
        resting = self.place <= 0
        held = resting & ((pull < 1 + c.stick) | (speed < 0))
        speed = np.where(held, 0, speed)
        place = self.place + np.float32(0.5) * step * (self.speed + speed)
        lifted = np.isnan(self.start) & (place > 0)
        self.start[lifted] = time - step
        landed = place >= 1
        share = (1 - self.place) / np.maximum(place - self.place, np.float32(1e-9))
        first = np.isnan(self.end) & landed
        self.end[first] = (time - (1 - share) * step)[first]
        self.landing[first] = (speed * (self.end - self.start))[first]
        speed = np.where(landed, -c.give * np.abs(speed), speed)
        self.place = np.clip(place, 0, 1).astype(np.float32)
        self.speed = speed.astype(np.float32)


def simulate_shells(coils: ShellCoils, duration: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Currents (coils, points) on the steps of ``motion_bank``; start, end, landing speed.

    A few draws are too stiff for the step and end as nan; leave them out.
    """
    with np.errstate(over="ignore", invalid="ignore"):
        return _simulate(coils, duration)


def _simulate(coils: ShellCoils, duration: float) -> tuple[Floats, Floats, Floats, Floats]:
    c = coils
    step = np.float32(1 / (STEPS_PER_TAU * SUBSTEPS))
    half = np.float32(0.5) * step
    points = round(duration * STEPS_PER_TAU) + 1
    magnetising = 1 - c.leakage
    gap_open = 1 / magnetising - c.iron
    gap_seated = 1 / (magnetising + c.change) - c.iron
    motion = _Motion(c, step)
    current = np.zeros(len(c), np.float32)
    flux = np.zeros((SHELLS, len(c)), np.float32)
    out = np.zeros((points, len(c)), np.float32)
    scale = 1 / (c.shares * magnetising)
    field_scale = c.iron * magnetising

    def rates(time: float, current: Floats, flux: Floats) -> tuple[Floats, Floats]:
        x = motion.place
        gap = gap_open + (gap_seated - gap_open) * x * (1 + c.curve) / (1 + c.curve * x)
        density = flux * scale
        size = np.abs(density)
        field = field_scale * density * (1 + c.bend * np.minimum(size, 1.5) ** c.order)
        field = field + c.coercive * density / (size + c.soft)
        loops = np.empty_like(flux)
        loops[0] = (current - gap * flux.sum(axis=0) - field[0]) / c.loops[0]
        loops[1:] = (field[:-1] - field[1:]) / c.loops[1:]
        change = loops.copy()
        change[:-1] -= loops[1:]
        supply = 1 - c.sag * (1 - np.exp(-np.float32(time) / c.sag_tau))
        return (supply - current - loops[0]) / c.leakage, change

    for n in range((points - 1) * SUBSTEPS):
        time = n * float(step)
        slope, soak = rates(time, current, flux)
        middle = flux + half * soak
        slope, soak = rates(time + float(half), current + half * slope, middle)
        current = current + step * slope
        flux = flux + step * soak
        motion.advance(middle.sum(axis=0), time + float(step))
        if (n + 1) % SUBSTEPS == 0:
            out[(n + 1) // SUBSTEPS] = current
    return np.ascontiguousarray(out.T), motion.start, motion.end, motion.landing
