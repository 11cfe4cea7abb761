"""A solenoid's coil and armature: one flux, one travel, and what opposes them.

The state is the flux linkage, the armature's travel and its speed::

    emf = (R_outside + R_winding) * i + dflux/dt
    i   = i_magnetising(flux, travel) + (dflux/dt) / eddy_ohm
    i_magnetising = flux / L(travel) + (flux_sat / L_seat) * (flux / flux_sat)**7
    m * dv/dt = F - spring - damping - friction,   F = -dW/dtravel = flux**2 / 2 * -d(1/L)/dtravel

The force is the derivative of the stored energy, so motion takes exactly the work that the
back-EMF brings. Saturation, eddy currents and motion can each be left out; with a straight iron
and a resting armature the solution is closed and no step is taken.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, inf, log

import numpy as np

from benchrig_sim.segments import Exponential, Floats, Line, Segment, Table

_SETTLED = 2e-5  # share of the drive that the flux may still change by on a plateau
_ARC_FLOOR_A = 1e-9
_LIMIT_OHM = 400.0  # how stiffly a supply's current limit holds the current


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilSpec:
    """The electrical and mechanical make-up of one solenoid."""

    resistance_20c_ohm: float
    inductance_rest_h: float
    inductance_seat_h: float
    saturation_wb: float | None = None  # None: iron that never saturates
    eddy_ohm: float | None = None  # a closed loop round the flux, seen from the coil; None: none
    stroke_m: float = 80e-6
    mass_kg: float = 1.5e-3
    preload_n: float = 2.4
    spring_n_per_m: float = 8_000.0
    damping_ns_per_m: float = 0.15
    friction_n: float = 0.05
    restitution: float = 0.15  # share of the speed kept at an end stop
    stuck: bool = False  # the armature cannot leave its rest

    def moves(self) -> bool:
        """Whether travel is a state at all."""
        return not self.stuck and self.inductance_seat_h > self.inductance_rest_h

    def with_shorted_turns(self, fraction: float) -> CoilSpec:
        """The same coil with a share of its turns bypassed: R by (1-s), L by (1-s) squared."""
        keep = 1.0 - fraction
        return replace(
            self,
            resistance_20c_ohm=self.resistance_20c_ohm * keep,
            inductance_rest_h=self.inductance_rest_h * keep**2,
            inductance_seat_h=self.inductance_seat_h * keep**2,
            saturation_wb=None if self.saturation_wb is None else self.saturation_wb * keep,
            eddy_ohm=None if self.eddy_ohm is None else self.eddy_ohm * keep**2,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What the rest of the circuit does to a part until further notice. Current flows one way."""

    emf_v: float
    outside_ohm: float
    sense_ohm: float
    from_supply: bool
    conducts: bool  # False: no path, so no current
    switched_on: bool  # the switch is really closed
    through_shunt: bool = True
    limit_a: float = inf
    seen_v: float = 0.0  # the sense voltage while no current flows and the path is open
    gap_v: float = 0.0  # across a gap between the sense points, part of what opposes the current
    sense_holds_leads: bool = False  # the sense points lie at the rig's end of the leads
    floats: bool = True  # with the path open the coil's own voltage stands between the sense points


@dataclass(slots=True)
class CoilState:
    """Flux linkage, travel and speed; the armature rests at travel 0."""

    flux: float = 0.0
    travel: float = 0.0
    speed: float = 0.0

    @property
    def at_rest(self) -> bool:
        """Nothing moves and nothing is stored."""
        return self.flux == 0.0 and self.travel == 0.0 and self.speed == 0.0


class Coil:
    """Solves one coil piece by piece."""

    def __init__(self, spec: CoilSpec) -> None:
        self.state = CoilState()
        self.use(spec)

    def use(self, spec: CoilSpec) -> None:
        """Be this coil from now on (turns may short while it runs)."""
        self.spec = spec
        self._a = 1.0 / spec.inductance_rest_h
        moving = spec.moves()
        self._b = (self._a - 1.0 / spec.inductance_seat_h) / spec.stroke_m if moving else 0.0
        sat = spec.saturation_wb
        self._c = 0.0 if sat is None else 1.0 / (spec.inductance_seat_h * sat**6)
        self._g = 0.0 if spec.eddy_ohm is None else 1.0 / spec.eddy_ohm

    def magnetising(self) -> float:
        """The current that the present flux needs."""
        s = self.state
        return s.flux * (self._a - self._b * s.travel) + self._c * s.flux**7

    def current(self, drive: Drive, winding_ohm: float) -> float:
        """The terminal current just after the drive became this one."""
        if not drive.conducts:
            return 0.0
        total = drive.outside_ohm + winding_ohm
        i = self.magnetising()
        if self._g:
            i += self._g * (drive.emf_v - total * i) / (1.0 + total * self._g)
        return min(max(i, 0.0), drive.limit_a)

    def stored_j(self) -> float:
        """Energy in the field."""
        s = self.state
        return 0.5 * s.flux**2 * (self._a - self._b * s.travel) + self._c * s.flux**8 / 8.0

    def held(self) -> bool:
        """The armature is at a stop and stays there at the present flux."""
        if not self._b:
            return True
        s, spec = self.state, self.spec
        if s.speed:
            return False
        pull = 0.5 * self._b * s.flux**2 - spec.preload_n - spec.spring_n_per_m * s.travel
        if s.travel >= spec.stroke_m:
            return pull >= -spec.friction_n
        return s.travel <= 0.0 and pull <= spec.friction_n

    def solve(self, t0: float, t1: float, drive: Drive, winding_ohm: float) -> Segment:
        """The next segment, from t0 to t1 or sooner where the way of solving changes."""
        if not drive.conducts:
            return self._unconnected(t0, t1, drive)
        if drive.emf_v <= 0.0 and self.current(drive, winding_ohm) <= _ARC_FLOOR_A:
            return self._unconnected(t0, t1, drive)
        total = drive.outside_ohm + winding_ohm
        if self._settled(drive, total):
            end = min(drive.emf_v / total, drive.limit_a)
            line = self._line(t0, t1, drive, end, end)
            line.emf_v = end * total  # below the supply's own when its limit holds the current
            return line
        if self._c == 0.0 and not self._b and not (self._g and drive.limit_a * total < drive.emf_v):
            return self._closed_form(t0, t1, drive, total)
        return self._stepped(t0, t1, drive, total)

    def force_current(self, i: float) -> None:
        """Take the flux of a current that a current source imposes (too small to move or fill)."""
        self.state.flux = i / (self._a - self._b * self.state.travel)

    def follow_plateau(self, i0: float, i1: float) -> None:
        """The steady current crept from i0 to i1 while the winding warmed."""
        if i0 > 0.0:
            self.state.flux *= i1 / i0
            self._set_magnetising(i1)

    def _set_magnetising(self, i: float) -> None:
        """Take the flux that needs this current, by Newton's rule from the present flux."""
        s = self.state
        inverse = self._a - self._b * s.travel
        if not self._c:
            s.flux = i / inverse
            return
        for _ in range(20):
            step = (s.flux * inverse + self._c * s.flux**7 - i) / (
                inverse + 7 * self._c * s.flux**6
            )
            s.flux -= step
            if abs(step) <= 1e-15 + 1e-12 * abs(s.flux):
                break

    def _line(self, t0: float, t1: float, drive: Drive, i0: float, i1: float) -> Line:
        return Line(
            t0=t0,
            t1=t1,
            emf_v=drive.emf_v,
            sense_ohm=drive.sense_ohm,
            from_supply=drive.from_supply,
            through_shunt=drive.through_shunt,
            limited=drive.limit_a < inf and i0 >= drive.limit_a,
            i0=i0,
            i1=i1,
        )

    def _settled(self, drive: Drive, total: float) -> bool:
        if drive.emf_v <= 0.0 or not self.held():
            return False
        i = self.magnetising()
        if i >= drive.limit_a * (1.0 - _SETTLED):
            return True
        return abs(drive.emf_v - total * i) <= _SETTLED * drive.emf_v

    def _closed_form(self, t0: float, t1: float, drive: Drive, total: float) -> Segment:
        inductance = 1.0 / self._a
        i0 = self.current(drive, total - drive.outside_ohm)
        end = drive.emf_v / total
        tau = inductance * (1.0 / total + self._g)
        stop = t1
        if end < 0.0:
            stop = min(t1, t0 + tau * log((i0 - end) / -end))
        elif end > drive.limit_a > i0:
            stop = min(t1, t0 + tau * log((end - i0) / (end - drive.limit_a)))
        flux_end = inductance * end
        fade = exp((t0 - stop) / tau)
        self.state.flux = flux_end + (self.state.flux - flux_end) * fade
        if stop < t1 and end < 0.0 and not self._g:
            self.state.flux = 0.0
        return Exponential(
            t0=t0,
            t1=stop,
            emf_v=drive.emf_v,
            sense_ohm=drive.sense_ohm,
            from_supply=drive.from_supply,
            through_shunt=drive.through_shunt,
            i0=i0,
            end=end,
            tau=tau,
        )

    def _unconnected(self, t0: float, t1: float, drive: Drive) -> Segment:
        if not self._g:
            self.state.flux = 0.0
        if abs(self.state.flux) * self._a < 1e-6 and self.held():
            self.state.flux = 0.0
            zero = self._line(t0, t1, drive, 0.0, 0.0)
            zero.emf_v = drive.seen_v
            return zero
        return self._stepped(t0, t1, drive, inf)

    def _stepped(self, t0: float, t1: float, drive: Drive, total: float) -> Table:
        """Heun's rule for the flux, and the armature with it; ends at t1, at rest or at i = 0."""
        spec, s = self.spec, self.state
        a, b, c, g = self._a, self._b, self._c, self._g
        open_path = total == inf
        emf, limit = drive.emf_v, drive.limit_a
        k = 1.0 / (1.0 + total * g) if not open_path else 0.0
        flux, x, u = s.flux, s.travel, s.speed
        fine = min(1e-5, 0.1 / a / total) if not open_path else 1e-5
        if g:
            fine = min(fine, 0.25 * g / a)
        coarse = fine if open_path and g else max(fine, min(1e-4, 0.03 / a / total))
        h, t = fine, t0
        stroke, mass = spec.stroke_m, spec.mass_kg
        preload, spring = spec.preload_n, spec.spring_n_per_m
        damping, friction = spec.damping_ns_per_m, spec.friction_n
        times: list[float] = []
        currents: list[float] = []
        volts: list[float] = []
        settled = _SETTLED * abs(emf) * k
        while True:
            inverse = a - b * x
            square = flux * flux
            fill = c * square * square * square  # of the iron: what saturation adds
            im = flux * (inverse + fill)
            if open_path:
                df = -im / g if g else 0.0
                i = 0.0
            else:
                df = (emf - total * im) * k
                i = im + g * df
                if i > limit:
                    df = min(df, _LIMIT_OHM * (limit - im))
                    i = limit
                elif emf <= 0.0 and i <= 0.0:
                    if currents:  # the true crossing lies inside the last step
                        part = currents[-1] / (currents[-1] - i) if currents[-1] > i else 1.0
                        t -= (1.0 - part) * h
                        flux -= (1.0 - part) * h * df
                    i = 0.0
            times.append(t)
            currents.append(i)
            volts.append(df)
            if t >= t1 or (emf <= 0.0 and i <= 0.0 and not open_path):
                break
            pull = 0.5 * b * square - preload - spring * x
            still = not b or (
                u == 0.0
                and ((x <= 0.0 and pull <= friction) or (x >= stroke and pull >= -friction))
            )
            if still:
                if open_path:
                    if abs(im) < 1e-6:
                        break
                elif abs(df) <= settled or (c == 0.0 and t > t0 and limit == inf and not b):
                    break
                h = h * 1.15 if h * 1.15 < coarse else coarse
            else:
                h = fine
            if c and not open_path:  # stiff where the iron is full, and where a limit pulls
                pulls = _LIMIT_OHM if i >= limit else total * k
                stiff = 0.5 / ((inverse + 7.0 * fill) * pulls)
                if stiff < h:
                    h = stiff
            elif i >= limit:
                h = min(h, 0.5 / (_LIMIT_OHM * inverse))
            if t + h > t1:
                h = max(t1 - t, 1e-12)
            if still:
                x1, u1 = x, u
            else:
                force = (
                    pull - damping * u - (friction if u > 0.0 else -friction if u < 0.0 else 0.0)
                )
                if u == 0.0:
                    force = pull - friction if pull > 0.0 else pull + friction
                u1 = u + h * force / mass
                x1 = x + 0.5 * h * (u + u1)
                over = x1 - stroke if x1 > stroke else x1 if x1 < 0.0 else 0.0
                if over:
                    share = max(0.0, min(1.0, 1.0 - over / (x1 - x)))
                    h = max(h * share, 1e-9)
                    x1 = stroke if over > 0.0 else 0.0
                    u1 = -spec.restitution * (u + share * (u1 - u))
                    if abs(u1) < 0.02:
                        u1 = 0.0
            guess = flux + h * df
            square = guess * guess
            im2 = guess * (a - b * x1 + c * square * square * square)
            if open_path:
                df2 = -im2 / g if g else 0.0
            else:
                df2 = (emf - total * im2) * k
                if im2 + g * df2 > limit:
                    df2 = min(df2, _LIMIT_OHM * (limit - im2))
            flux += 0.5 * h * (df + df2)
            x, u = x1, u1
            t += h
        s.flux, s.travel, s.speed = flux, x, u
        if currents[-1] <= 0.0 and emf <= 0.0 and not open_path:
            self._set_magnetising(-g * emf)  # exactly no current under this drive
        limited = limit < inf and currents[-1] >= limit
        return Table(
            t0=t0,
            t1=t,
            emf_v=emf,
            sense_ohm=drive.sense_ohm,
            from_supply=drive.from_supply,
            through_shunt=drive.through_shunt,
            limited=limited,
            times=np.array(times),
            currents=np.array(currents),
            voltages=np.array(volts) * drive.floats + drive.seen_v
            if open_path
            else _voltages_at_limit(np.array(currents), drive, total),
        )


def _voltages_at_limit(currents: Floats, drive: Drive, total: float) -> Floats | None:
    """Volts at the sense pair where the supply's limit holds the current: what the part drops.

    None where the limit plays no part and the voltage follows from the current alone.
    """
    held = currents >= drive.limit_a * (1.0 - _SETTLED)
    if not held.any():
        return None
    free = drive.emf_v - drive.sense_ohm * currents
    return np.where(held, (total - drive.sense_ohm) * currents, free)
