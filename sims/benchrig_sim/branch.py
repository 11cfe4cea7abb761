"""One clipped part with its leads: its physics, its winding's heat, and what breaks in it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import exp, inf
from typing import Any

import numpy as np

from benchrig_sim.coil import Coil, CoilSpec, Drive
from benchrig_sim.faults import Place
from benchrig_sim.motor import Motor, MotorSpec
from benchrig_sim.segments import Exponential, Floats, Line, Segment

COPPER_K = 234.5  # the winding rule: R2 / R1 = (234.5 + T2) / (234.5 + T1)
ARC_V = 200.0  # what a contact breaking under current opposes it with
ARC_FLOOR_A = 1e-9
PLATEAU_S = 0.5  # the longest piece of a plateau: the winding warms between
SOURCE_TAU_S = 100e-6  # how fast the low-current source settles


def copper_ratio(temperature_c: float) -> float:
    """Resistance of a copper winding over its resistance at 20 °C."""
    return (COPPER_K + temperature_c) / (COPPER_K + 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSpec:
    """A part as clipped in: what it is, its heat, and its standing defects."""

    name: str
    electrical: CoilSpec | MotorSpec
    lead_ohm: float = 0.06  # both leads and clips
    joint_ohm: float = 0.0  # a bad joint between the part's terminals and its winding
    heat_capacity_j_per_k: float = 18.0
    thermal_k_per_w: float = 9.0
    start_c: float | None = None  # None: soaked at ambient
    opens_above_c: float = inf
    closes_below_c: float = inf  # inf: ten kelvin below opens_above_c
    open: bool = False
    insulation_ohm: float = 50e6
    gaps: tuple[tuple[float, float], ...] = ()  # contact gaps, from and to, true time


@dataclass(slots=True)
class Connection:
    """Whether the winding is connected, and why not."""

    open: bool = False
    hot: bool = False
    openings: int = 0  # by heat, so far

    @property
    def broken(self) -> bool:
        """No current can flow in the part."""
        return self.open or self.hot


class Branch:
    """Solves one part through time, piece by piece, and remembers the pieces still wanted."""

    def __init__(self, spec: PartSpec, ambient_c: float) -> None:
        self.spec = spec
        self.ambient_c = ambient_c
        self.temperature_c = ambient_c if spec.start_c is None else spec.start_c
        self.segments: list[Segment] = []
        self.connection = Connection(open=spec.open)
        self.t = 0.0
        self.joint_ohm = spec.joint_ohm
        self.opens_above_c = spec.opens_above_c
        self.heat_j = 0.0
        self.gaps: list[tuple[float, float]] = list(spec.gaps)
        self.gap_place = Place.PART
        self.lead_open = False
        self._gap_at = 0
        electrical = spec.electrical
        self.part: Coil | Motor = (
            Coil(electrical) if isinstance(electrical, CoilSpec) else Motor(electrical)
        )
        self._current = 0.0

    # --- what it is now ----------------------------------------------------------------------

    @property
    def copper_ohm(self) -> float:
        """The winding alone, at its temperature."""
        return self.part.spec.resistance_20c_ohm * copper_ratio(self.temperature_c)

    @property
    def part_ohm(self) -> float:
        """Between the part's terminals."""
        return self.copper_ohm + self.joint_ohm

    @property
    def current_a(self) -> float:
        """The current at the time it is solved to."""
        return self._current

    @property
    def idle(self) -> bool:
        """At rest and without current: costs nothing until driven."""
        return self._current == 0.0 and self.part.state.at_rest

    def short_turns(self, fraction: float) -> None:
        """From now on this share of the turns is bypassed."""
        if isinstance(self.part, Coil):
            self.part.use(self.part.spec.with_shorted_turns(fraction))
            # The iron's flux stays; what of it the turns that are left embrace is their share.
            self.part.state.flux *= 1.0 - fraction

    def block_armature(self) -> None:
        """From now on the armature or the shaft cannot move."""
        if isinstance(self.part, Coil):
            self.part.use(replace(self.part.spec, stuck=True))
            self.part.state.travel = self.part.state.speed = 0.0
        else:
            self.part.spec = replace(self.part.spec, seized=True)
            self.part.state.speed = 0.0

    def set_gaps(self, gaps: list[tuple[float, float]], place: Place = Place.PART) -> None:
        """The contact opens in these spans, in rising order and not before now."""
        self.gaps, self._gap_at, self.gap_place = gaps, 0, place

    def broken(self) -> Place | None:
        """Where the path through part and leads is open at the time it is solved to."""
        if self.connection.broken:
            return Place.PART
        if self.lead_open:
            return Place.LEAD
        return self.gap_place if self.in_gap() else None

    def in_gap(self) -> bool:
        """Whether the contact stands open at the time it is solved to."""
        self._pass_gaps()
        return self._gap_at < len(self.gaps) and self.gaps[self._gap_at][0] <= self.t

    def next_change_s(self) -> float:
        """When a contact gap begins or ends next."""
        self._pass_gaps()
        if self._gap_at >= len(self.gaps):
            return inf
        begin, end = self.gaps[self._gap_at]
        return begin if self.t < begin else end

    def _pass_gaps(self) -> None:
        while self._gap_at < len(self.gaps) and self.gaps[self._gap_at][1] <= self.t:
            self._gap_at += 1

    def keep(self) -> tuple[Any, ...]:
        """Everything that solving changes, to put back with ``back_to``."""
        return (
            self.t,
            self._current,
            self.temperature_c,
            self.heat_j,
            replace(self.connection),
            self._gap_at,
            replace(self.part.state),
            len(self.segments),
        )

    def back_to(self, kept: tuple[Any, ...]) -> None:
        """Be as when ``keep`` was called; nothing may have been forgotten since."""
        (
            self.t,
            self._current,
            self.temperature_c,
            self.heat_j,
            self.connection,
            self._gap_at,
            self.part.state,
            count,
        ) = kept
        del self.segments[count:]

    # --- solving -----------------------------------------------------------------------------

    def advance(self, until: float, drive: Drive) -> None:
        """Solve up to a time, with the circuit as it is."""
        if self.idle and not drive.switched_on and drive.seen_v == 0.0:
            self.cool(until)
            return
        idle_pieces = 0
        while self.t < until:
            stop = min(until, self.next_change_s(), self.t + PLATEAU_S)
            place = self.broken()
            now = drive if place is None else self._broken_drive(drive, place)
            if now is drive and not now.switched_on and self.idle and now.seen_v == 0.0:
                self.cool(until)
                return
            before = self.t
            self._piece(stop, now)
            idle_pieces = idle_pieces + 1 if self.t <= before else 0
            if idle_pieces > 8:
                raise RuntimeError(f"{self.spec.name}: no way of solving moves on at {before} s")

    def cool(self, until: float) -> None:
        """Nothing flows: only the temperature moves."""
        self._relax(until - self.t, 0.0)
        self.t = until

    def _piece(self, stop: float, drive: Drive) -> None:
        winding = self.part_ohm
        segment = self.part.solve(self.t, stop, drive, winding)
        if isinstance(segment, Line) and segment.i0 > 0.0:
            self._warm_plateau(segment, drive)
        else:
            copper = self.copper_ohm
            self._relax(segment.t1 - segment.t0, copper * segment.square_integral())
        if drive.gap_v:
            segment.emf_v += drive.gap_v  # the gap lies between the sense points
        if segment.t1 > segment.t0:
            self.segments.append(segment)
        self.t = segment.t1
        self._current = self.part.current(drive, self.part_ohm)
        self._check_heat()

    def _broken_drive(self, drive: Drive, place: Place) -> Drive:
        """What drives a part whose path is open: first the arc's voltage, then nothing.

        Of a break between the sense points what is left of the drive is seen, the arc's voltage
        and the coil's own cancelling each other; of one outside them the coil alone.
        """
        inside = place is Place.PART or drive.sense_holds_leads
        if self._current > ARC_FLOOR_A:
            gap_v = ARC_V if inside else 0.0
            return replace(drive, emf_v=drive.emf_v - ARC_V, gap_v=gap_v, switched_on=False)
        seen_v = drive.seen_v if inside else 0.0
        return replace(
            drive, conducts=False, switched_on=False, seen_v=seen_v, floats=not inside, gap_v=0.0
        )

    def impose(self, until: float, target_a: float, sense_extra_ohm: float, open_v: float) -> None:
        """The low-current source drives the part: the current goes to target_a and stays."""
        if (place := self.broken()) is not None:
            target_a = 0.0
            seen = open_v if place is Place.PART or sense_extra_ohm else 0.0
        else:
            seen = 0.0
        ohm = self.part_ohm + sense_extra_ohm
        common: dict[str, Any] = {
            "emf_v": seen,
            "sense_ohm": -ohm if not seen else 0.0,
            "from_supply": False,
            "through_shunt": True,
        }
        if abs(self._current - target_a) > 1e-9:
            stop = min(until, self.t + 20.0 * SOURCE_TAU_S)
            rise = Exponential(
                t0=self.t, t1=stop, i0=self._current, end=target_a, tau=SOURCE_TAU_S, **common
            )
            self.segments.append(rise)
            self._current = rise.at(stop) if stop == until else target_a
            self.t = stop
        if self.t < until:
            self.segments.append(Line(t0=self.t, t1=until, i0=target_a, i1=target_a, **common))
            self._relax(until - self.t, self.copper_ohm * target_a**2 * (until - self.t))
            self.t = until
        self.part.force_current(self._current)

    # --- heat --------------------------------------------------------------------------------

    def _relax(self, span: float, heat_j: float) -> None:
        """Cool towards ambient for a time in which this heat came in evenly."""
        spec = self.spec
        if span <= 0.0:
            return
        self.heat_j += heat_j
        x = span / (spec.thermal_k_per_w * spec.heat_capacity_j_per_k)
        fade = exp(-x)
        gained = heat_j / span * spec.thermal_k_per_w * (1.0 - fade)
        self.temperature_c = self.ambient_c + (self.temperature_c - self.ambient_c) * fade + gained

    def _warm_plateau(self, line: Line, drive: Drive) -> None:
        """Let resistance, current and heat settle one another along a plateau."""
        i0, span = line.i0, line.t1 - line.t0
        before, heat_before = self.temperature_c, self.heat_j
        i1 = i0
        for _ in range(2):
            self.temperature_c, self.heat_j = before, heat_before
            ratio0, r20 = copper_ratio(before), self.part.spec.resistance_20c_ohm
            mid = 0.5 * (i0 + i1)
            self._relax(span, mid * mid * r20 * ratio0 * span)
            ratio = 0.5 * (ratio0 + copper_ratio(self.temperature_c))
            self.temperature_c, self.heat_j = before, heat_before
            self._relax(span, mid * mid * r20 * ratio * span)
            if line.limited:
                break
            i1 = line.emf_v / (drive.outside_ohm + self.part_ohm)
        line.i1 = i1
        if isinstance(self.part, Coil):
            self.part.follow_plateau(i0, i1)

    def _check_heat(self) -> None:
        spec = self.spec
        if self.temperature_c >= self.opens_above_c:
            self.connection.openings += not self.connection.hot
            self.connection.hot = True
        elif self.connection.hot:
            again = spec.closes_below_c if spec.closes_below_c < inf else self.opens_above_c - 10.0
            self.connection.hot = self.temperature_c > again

    # --- what can be measured ----------------------------------------------------------------

    def pieces(self, t: Floats) -> Iterator[tuple[Segment, slice]]:
        """The segments that cover these rising times, with the part of the array each covers."""
        for segment in self.segments:
            if segment.t1 < t[0] or segment.t0 > t[-1]:
                continue
            low = int(np.searchsorted(t, segment.t0, side="left"))
            high = int(np.searchsorted(t, segment.t1, side="left"))
            if high > low:
                yield segment, slice(low, high)

    def lines(self, t0: float, t1: float) -> Line | None:
        """One straight line over a span, where nothing but slow warming happens in it."""
        last: Line | None = None
        for segment in reversed(self.segments):
            if segment.t1 <= t0:
                break
            if segment.t0 >= t1:
                continue
            if not isinstance(segment, Line) or segment.limited or not segment.through_shunt:
                return None
            if last is None:
                last = first = segment
                if segment.t1 < t1:
                    return None
            elif segment.emf_v != last.emf_v or abs(segment.i1 - first.i0) > 1e-4:
                return None
            else:
                first = segment
        if last is None or first.t0 > t0:
            return None
        if first is last:
            return last
        return Line(
            t0=first.t0,
            t1=last.t1,
            emf_v=last.emf_v,
            sense_ohm=last.sense_ohm,
            from_supply=last.from_supply,
            through_shunt=last.through_shunt,
            i0=first.i0,
            i1=last.i1,
        )

    def forget(self, before: float) -> None:
        """Let go of what ended before a time."""
        keep = 0
        for segment in self.segments:
            if segment.t1 >= before:
                break
            keep += 1
        if keep:
            del self.segments[:keep]
