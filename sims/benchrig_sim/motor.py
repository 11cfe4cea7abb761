"""A brushed pump motor: armature, inertia, load, and the ripple of its commutator.

``emf = (R_outside + R_armature) i + L di/dt + k w``, ``J dw/dt = k i - T0 - T2 w**2``. The ripple
rides on the mean current: one hump a bar and turn with its harmonics, each bar with its own
height, and a once-per-turn load. It is drawn on the solved current, not fed back into it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf, sqrt

import numpy as np

from benchrig_sim.coil import Drive
from benchrig_sim.segments import Floats, Line, Segment, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorSpec:
    """The make-up of one pump motor."""

    resistance_20c_ohm: float
    inductance_h: float
    k_vs: float  # volt seconds per radian, and newton metres per ampere
    inertia_kgm2: float
    friction_nm: float
    load_nms2: float  # torque per squared speed
    ripples_per_turn: int = 8
    ripple: float = 0.04  # amplitude of the first harmonic, share of the current
    harmonics: tuple[float, ...] = (1.0, 0.35, 0.15)
    unevenness: float = 0.01  # once per turn, share of the current
    bar_heights: tuple[float, ...] = ()  # per hump, around 1; empty: all alike
    seized: bool = False


@dataclass(slots=True)
class MotorState:
    """Current, speed and shaft angle."""

    current: float = 0.0
    speed: float = 0.0
    angle: float = 0.0

    @property
    def at_rest(self) -> bool:
        """Still and without current."""
        return self.current == 0.0 and self.speed == 0.0


@dataclass(slots=True, kw_only=True)
class Turning(Table):
    """A table of the mean current, speed and angle, with the ripple drawn on it."""

    spec: MotorSpec
    angles: Floats = field(default_factory=lambda: np.zeros(0))

    def current(self, t: Floats) -> Floats:
        mean = np.interp(t, self.times, self.currents)
        angle = np.interp(t, self.times, self.angles)
        return np.maximum(mean * (1.0 + ripple(self.spec, angle)), 0.0)


def ripple(spec: MotorSpec, angle: Floats) -> Floats:
    """The relative ripple at these shaft angles."""
    phase = spec.ripples_per_turn * angle
    wave = np.zeros_like(angle)
    for order, share in enumerate(spec.harmonics, 1):
        wave += share * np.cos(order * phase)
    wave *= spec.ripple
    if spec.bar_heights:
        heights = np.asarray(spec.bar_heights)
        turn = angle / (2.0 * np.pi)
        bar = (np.floor(turn * spec.ripples_per_turn)).astype(np.int64) % len(heights)
        wave += (heights[bar] - 1.0) * (0.5 - 0.5 * np.cos(phase))
    return wave + spec.unevenness * np.cos(angle)


class Motor:
    """Solves one motor piece by piece."""

    def __init__(self, spec: MotorSpec) -> None:
        self.spec = spec
        self.state = MotorState()

    def stored_j(self) -> float:
        """Energy in the field and in the turning mass."""
        s = self.state
        return 0.5 * (self.spec.inductance_h * s.current**2 + self.spec.inertia_kgm2 * s.speed**2)

    def force_current(self, i: float) -> None:
        """Take a current that a current source imposes (too small to turn the shaft)."""
        self.state.current = i

    def held(self) -> bool:
        """Whether the speed cannot change any more by itself."""
        return self.state.speed == 0.0

    def current(self, drive: Drive, winding_ohm: float) -> float:
        """The current now."""
        del winding_ohm
        return self.state.current if drive.conducts else 0.0

    def solve(self, t0: float, t1: float, drive: Drive, winding_ohm: float) -> Segment:
        """The next segment: run-up in small steps, then steady turning in long ones."""
        s = self.state
        if not drive.conducts:
            s.current = 0.0
        if s.at_rest and (not drive.conducts or drive.emf_v <= 0.0):
            return Line(
                t0=t0,
                t1=t1,
                emf_v=drive.seen_v,
                sense_ohm=0.0,
                from_supply=drive.from_supply,
                through_shunt=drive.through_shunt,
            )
        return self._stepped(t0, t1, drive, drive.outside_ohm + winding_ohm)

    def _step_s(self, total: float, steady: bool) -> float:
        return 2e-2 if steady else max(2e-5, 0.25 * self.spec.inductance_h / total)

    def _stepped(self, t0: float, t1: float, drive: Drive, total: float) -> Turning:
        spec, s = self.spec, self.state
        i, w, angle = s.current, s.speed, s.angle
        emf = drive.emf_v
        conducts = drive.conducts and not (i <= 0.0 and emf <= 0.0)
        times, currents, angles, speeds = [t0], [i], [angle], [w]
        t = t0
        tau_e = spec.inductance_h / total
        while t < t1:
            back = spec.k_vs * w
            target = (emf - back) / total if conducts else 0.0
            near = abs(target - i) <= 0.02 * abs(target) + 1e-4
            accel = self._acceleration(i, w)
            steady = near and abs(accel) * 0.02 <= 1e-4 * w
            h = self._step_s(total, steady)
            if near and not steady:  # the current follows the speed: only the speed needs steps
                h = max(h, min(1e-3, 0.01 * (w + 1.0) / (abs(accel) + 1e-9)))
            h = min(h, t1 - t)
            if conducts:
                fade = np.exp(-h / tau_e) if h < 40.0 * tau_e else 0.0
                i1 = min(max(target + (i - target) * fade, 0.0), drive.limit_a)
            else:
                i1 = 0.0
            mid = max(w + 0.5 * h * accel, 0.0)
            w1 = max(w + h * self._acceleration(0.5 * (i + i1), mid), 0.0)
            if conducts and near:
                i1 = min(max((emf - spec.k_vs * w1) / total, 0.0), drive.limit_a)
            if w1 < 0.05 and not i1:
                w1 = 0.0
            angle += 0.5 * h * (w + w1)
            i, w, t = i1, w1, t + h
            times.append(t)
            currents.append(i)
            angles.append(angle)
            speeds.append(w)
            if i <= 0.0 and emf <= 0.0 and (conducts or w == 0.0):
                break
        s.current, s.speed = float(i), float(w)
        s.angle = float(angle % (2.0 * np.pi))
        seen = None
        if not conducts:
            seen = spec.k_vs * np.array(speeds) * drive.floats + drive.seen_v
        return Turning(
            t0=t0,
            t1=t,
            emf_v=emf,
            sense_ohm=drive.sense_ohm,
            from_supply=drive.from_supply,
            through_shunt=drive.through_shunt,
            limited=drive.limit_a < inf and i >= drive.limit_a,
            times=np.array(times),
            currents=np.array(currents),
            voltages=seen,
            spec=spec,
            angles=np.array(angles),
        )

    def _acceleration(self, i: float, w: float) -> float:
        spec = self.spec
        if spec.seized:
            return 0.0
        torque = spec.k_vs * i
        if w <= 0.0 and torque <= spec.friction_nm:
            return 0.0
        return (torque - spec.friction_nm - spec.load_nms2 * w * w) / spec.inertia_kgm2

    def steady_speed(self, emf_v: float, total_ohm: float) -> float:
        """The closed form of the running speed, for judging the solver."""
        spec = self.spec
        a = spec.load_nms2
        b = spec.k_vs**2 / total_ohm
        c = spec.friction_nm - spec.k_vs * emf_v / total_ohm
        return (-b + sqrt(b * b - 4.0 * a * c)) / (2.0 * a) if a else -c / b
