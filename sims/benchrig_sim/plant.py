"""The bench behind the rig: supply, feed contactor, switches, clipped parts, one shared shunt.

Everything here is true time and true contacts, welded ones included. It knows nothing of the
protocol. ``advance`` solves up to a time; ``shunt_current`` and its sisters say what an
electronics front end would see; ``edge_log``, ``energised`` and ``truth`` are for whoever checks.

Parts that are on together share the supply's and the feed's resistance: each is solved with
the others' current as it stood at the start of the piece.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Mapping
from dataclasses import replace
from math import inf
from typing import Any

import numpy as np

from benchrig.wire.messages import InputRole
from benchrig_sim.branch import Branch, PartSpec
from benchrig_sim.circuit import CircuitSpec, PartTruth, PlantEdge
from benchrig_sim.coil import Drive
from benchrig_sim.faults import Place
from benchrig_sim.segments import Floats

Levels = dict[InputRole, tuple[float, float]]  # at both ends of a span
_FLOWS = (InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE)
_SENSED = (InputRole.PART_VOLTAGE, InputRole.PART_VOLTAGE_FINE)
CATCH_DIODE_V = 0.7  # carries the coils' current once the feed is open
ENERGISED_A = 1e-3


class Plant:
    """Parts, supply and contacts in true time."""

    def __init__(self, circuit: CircuitSpec, parts: Mapping[int, PartSpec]) -> None:
        self.circuit = circuit
        self.branches = {k: Branch(spec, circuit.ambient_c) for k, spec in sorted(parts.items())}
        self.t = 0.0
        self.supply_v = circuit.supply_v
        self.supply_limit_a = circuit.supply_limit_a
        self.supply_on = True
        self.feed_closed = False
        self.feed_broken = False  # open inside, whatever its coil and its read-back say
        self.switch_broken: set[int] = set()
        self.source_on = False
        self.closed: set[int] = set()
        self.edge_log: list[PlantEdge] = []
        self._supply_steps: list[tuple[float, float]] = [(0.0, self._supply_volts())]
        self._sense: list[tuple[float, int]] = [(-inf, 0)]
        self._source_span: list[tuple[float, bool]] = [(-inf, False)]
        self._events: list[tuple[float, int, Callable[[], None]]] = []
        self._event_count = 0

    # --- contacts ----------------------------------------------------------------------------

    def set_output(self, output: int, closed: bool, t: float) -> None:
        """A switch really closes or opens."""
        self.advance(t)
        if closed:
            self.closed.add(output)
        else:
            self.closed.discard(output)
        self._log()

    def set_feed(self, closed: bool, t: float) -> None:
        """The feed contactor really closes or opens."""
        self.advance(t)
        self.feed_closed = closed
        self._log()

    def set_source(self, on: bool, t: float) -> None:
        """The low-current source really goes on or off."""
        self.advance(t)
        self.source_on = on
        self._source_span.append((t, on and not self.feed_closed))
        self._log()

    def set_sense(self, output: int, t: float) -> None:
        """The sense pair follows this output from now on."""
        self._sense.append((t, output))

    def set_supply(
        self,
        t: float,
        *,
        volts: float | None = None,
        on: bool | None = None,
        limit_a: float | None = None,
    ) -> None:
        """The supply changes."""
        self.advance(t)
        self.supply_v = self.supply_v if volts is None else volts
        self.supply_on = self.supply_on if on is None else on
        self.supply_limit_a = self.supply_limit_a if limit_a is None else limit_a
        self._supply_steps.append((t, self._supply_volts()))
        self._log()

    def set_broken(self, place: Place, output: int, broken: bool, t: float) -> None:
        """The path opens somewhere, or is whole there again; contacts and read-backs stay."""
        self.advance(t)
        if place is Place.PART:
            self.branches[output].connection.open = broken
        elif place is Place.LEAD:
            self.branches[output].lead_open = broken
        elif place is Place.SUPPLY:
            self.set_supply(t, on=not broken)
        elif place is Place.FEED:
            self.feed_broken = broken
        elif broken:
            self.switch_broken.add(output)
        else:
            self.switch_broken.discard(output)

    def at(self, t: float, act: Callable[[], None]) -> None:
        """Do something to the plant at a true time, when it has been solved up to there."""
        self._event_count += 1
        heapq.heappush(self._events, (t, self._event_count, act))

    def next_move_s(self) -> float:
        """When something that was put off until then is done: a contact's move, a fault."""
        return self._events[0][0] if self._events else inf

    def next_change_s(self) -> float:
        """When something is to happen by itself: a contact's move, a gap, a fault."""
        times = [branch.next_change_s() for branch in self.branches.values()]
        return min(self.next_move_s(), *times, inf)

    def _supply_volts(self) -> float:
        return self.supply_v if self.supply_on else 0.0

    def _log(self) -> None:
        mask = sum(1 << k for k in self.closed)
        edge = PlantEdge(
            t=self.t, outputs_mask=mask, feed_closed=self.feed_closed, source_on=self.source_on
        )
        last = self.edge_log[-1] if self.edge_log else None
        if last is None or replace(last, t=self.t) != edge:
            self.edge_log.append(edge)

    # --- solving -----------------------------------------------------------------------------

    def advance(self, until: float, ceiling_a: float = inf, react_s: float = 0.0) -> float | None:
        """Solve up to a time. With a ceiling: stop react_s after the shunt's current passed it.

        Returns the time it stopped at for that reason, or None.
        """
        while self.t < until:
            while self._events and self._events[0][0] <= self.t:
                heapq.heappop(self._events)[2]()
            stop = min(until, self._events[0][0]) if self._events else until
            tripped = self._span(max(stop, self.t), ceiling_a, react_s)
            if tripped is not None:
                return tripped
        return None

    def most_a(self) -> float:
        """What the shunt's current stays below while nothing but contacts changes.

        Twice what resistance alone allows: a moving armature or shaft adds less than that.
        """
        volts = self.supply_v
        allowed = (max(b.current_a, volts / max(b.part_ohm, 1e-9)) for b in self.branches.values())
        return 2.0 * sum(allowed)

    def _span(self, stop: float, ceiling_a: float, react_s: float) -> float | None:
        while self.t < stop:
            active = [k for k, b in self.branches.items() if self._active(k, b)]
            horizon = stop if len(active) < 2 else min(stop, self.t + self._together_s(active))
            kept = {k: self.branches[k].keep() for k in active} if ceiling_a < inf else {}
            start = self.t
            self._solve(active, horizon)
            if ceiling_a < inf and active:
                passed = self._passed(active, start, ceiling_a)
                if passed is not None and passed + react_s <= horizon:
                    for k, state in kept.items():
                        self.branches[k].back_to(state)
                    self.t = start
                    self._solve(active, max(passed + react_s, start))
                    total = sum(self.branches[k].current_a for k in active)
                    if total > ceiling_a:
                        return self.t
                    ceiling_a = inf  # a shorter peak: solve the rest of the span without it
        return None

    def _active(self, k: int, branch: Branch) -> bool:
        if branch.idle and branch.t < self.t:
            branch.cool(self.t)
        return k in self.closed or not branch.idle

    def _together_s(self, active: list[int]) -> float:
        moving = any(not self.branches[k].part.held() for k in active)
        return 2e-4 if moving else 2e-3

    def _solve(self, active: list[int], until: float) -> None:
        if self.source_on and not self.feed_closed:
            self._source(active, until)
        else:
            currents = {k: self.branches[k].current_a for k in active}
            total = sum(currents.values())
            for k in active:
                self.branches[k].advance(until, self._drive(k, total - currents[k]))
        self.t = until

    def _drive(self, k: int, others_a: float) -> Drive:
        c = self.circuit
        lead = self.branches[k].spec.lead_ohm
        series = 0.0
        high = -CATCH_DIODE_V
        live = self.feed_closed and self.supply_on and not self.feed_broken
        if live:
            series = c.supply_ohm + c.feed_ohm
            high = self.supply_v - series * others_a
        sensed_lead = lead if c.four_wire else 0.0
        if k in self.closed and k not in self.switch_broken:
            ground = c.switch_ohm + c.shunt_ohm
            return Drive(
                emf_v=high,
                outside_ohm=series + lead + ground,
                sense_ohm=series + sensed_lead + ground,
                from_supply=live,
                conducts=True,
                switched_on=True,
                limit_a=max(self.supply_limit_a - others_a, 0.0) if live else inf,
                seen_v=max(high, 0.0),
                sense_holds_leads=not c.four_wire,
            )
        if c.freewheel_v is not None:
            return Drive(
                emf_v=-c.freewheel_v,
                outside_ohm=lead,
                sense_ohm=sensed_lead,
                from_supply=False,
                conducts=True,
                switched_on=False,
                through_shunt=False,
            )
        return Drive(
            emf_v=high - c.clamp_v,
            outside_ohm=series + lead + c.shunt_ohm,
            sense_ohm=series + sensed_lead + c.shunt_ohm,
            from_supply=live,
            conducts=True,
            switched_on=False,
        )

    def _source(self, active: list[int], until: float) -> None:
        c = self.circuit
        paths = {
            k: self.branches[k].part_ohm + self.branches[k].spec.lead_ohm + c.switch_ohm
            for k in active
            if k in self.closed
            and k not in self.switch_broken
            and self.branches[k].broken() is None
        }
        conductance = sum(1.0 / ohm for ohm in paths.values())
        node_v = 0.0
        if conductance:
            whole = 1.0 / conductance + c.shunt_ohm + c.reference_ohm
            node_v = min(c.source_a, c.source_compliance_v / whole) / conductance
        for k in active:
            branch = self.branches[k]
            extra = 0.0 if c.four_wire else branch.spec.lead_ohm
            if k in self.closed:
                target = node_v / paths[k] if k in paths else 0.0
                seen = node_v if conductance else c.source_compliance_v
                branch.impose(until, target, extra, seen)
            else:
                branch.advance(until, self._drive(k, 0.0))

    def _passed(self, active: list[int], start: float, ceiling_a: float) -> float | None:
        """When the shunt's current first passed a ceiling in the span just solved."""
        pieces = [
            s for k in active for s in self.branches[k].segments if s.t1 > start and s.through_shunt
        ]
        if sum(max((p.peak() for p in pieces), default=0.0) for _ in active) <= ceiling_a:
            return None
        if len(active) == 1:
            times = (p.first_above(ceiling_a) for p in pieces)
            return next((t for t in times if t is not None), None)
        grid = np.linspace(start, self.t, 64)
        above = self.shunt_current(grid) > ceiling_a
        return float(grid[int(above.argmax())]) if above.any() else None

    # --- what a front end sees ---------------------------------------------------------------

    def shunt_current(self, t: Floats) -> Floats:
        """Amperes through the shared shunt."""
        total = np.zeros(len(t))
        for branch in self.branches.values():
            for segment, span in branch.pieces(t):
                if segment.through_shunt:
                    total[span] += segment.current(t[span])
        return total

    def sense_voltage(self, t: Floats) -> Floats:
        """Volts between the sense pair, wherever it was switched to at the time."""
        volts = np.zeros(len(t))
        for n, (since, output) in enumerate(self._sense):
            low = int(np.searchsorted(t, since)) if since > -inf else 0
            ends = self._sense[n + 1][0] if n + 1 < len(self._sense) else inf
            high = int(np.searchsorted(t, ends)) if ends < inf else len(t)
            branch = self.branches.get(output)
            if branch is None or high <= low:
                continue
            part = t[low:high]
            for segment, span in branch.pieces(part):
                volts[low:high][span] = segment.voltage(part[span])
        return volts

    def supply_voltage(self, t: Floats) -> Floats:
        """Volts at the supply's terminals, before the feed."""
        volts = np.zeros(len(t))
        for since, level in self._supply_steps:
            volts[t >= since] = level
        if not self.feed_closed and not any(b.segments for b in self.branches.values()):
            return volts
        ohm = self.circuit.supply_ohm
        for branch in self.branches.values():
            for segment, span in branch.pieces(t):
                if segment.from_supply:
                    drop = ohm * segment.current(t[span])
                    held = segment.emf_v - drop if segment.limited else volts[span] - drop
                    volts[span] = np.minimum(volts[span] - drop, held)
        return volts

    def reference_voltage(self, t: Floats) -> Floats:
        """Volts across the reference resistor of the low-current source."""
        on = np.zeros(len(t), dtype=bool)
        for since, state in self._source_span:
            on[t >= since] = state
        if not on.any():
            return np.zeros(len(t))
        return np.where(on, self.circuit.reference_ohm * self.shunt_current(t), 0.0)

    def insulation_current(self, t: Floats) -> Floats:
        """Amperes from the sensed part's winding to its body, with the supply across them."""
        output = self._sense[-1][1]
        branch = self.branches.get(output)
        if branch is None or not self.feed_closed:
            return np.zeros(len(t))
        return self.supply_voltage(t) / branch.spec.insulation_ohm

    def levels_to_come(self, t0: float, t1: float) -> Levels | None:
        """``straight_levels`` of a span that has begun, if nothing is done until its end.

        None too where something is to happen by itself, or parts that share a supply carry.
        """
        active = [k for k, b in self.branches.items() if k in self.closed or not b.idle]
        if len(active) > 1 or self.next_change_s() <= t1:
            return None
        self.forget(t0)
        here, kept = self.t, [self.branches[k].keep() for k in active]
        self._solve(active, t1)
        levels = self.straight_levels(t0, t1)
        for k, state in zip(active, kept, strict=True):
            self.branches[k].back_to(state)
        self.t = here
        return levels

    def straight_levels(self, t0: float, t1: float) -> Levels | None:
        """Values at both ends of a span in which everything is a straight line, else None."""
        if len(self._supply_steps) > 1 or len(self._sense) > 1 or len(self._source_span) > 1:
            self.forget(t0)
            if len(self._supply_steps) > 1 or len(self._sense) > 1 or len(self._source_span) > 1:
                return None
        volts = self._supply_steps[0][1]
        carrying = [
            (k, b) for k, b in self.branches.items() if b.segments and b.segments[-1].t1 > t0
        ]
        if len(carrying) > 1:
            return None
        k, branch = carrying[0] if carrying else (-1, None)
        line = None if branch is None else branch.lines(t0, t1)
        if line is None and branch is not None:
            return None
        i0, i1 = (0.0, 0.0) if line is None else line.flat(t0, t1)
        drop_ohm = self.circuit.supply_ohm if line is not None and line.from_supply else 0.0
        source_ohm = self.circuit.reference_ohm if self._source_span[0][1] else 0.0
        levels = {
            InputRole.TEMPERATURE: (self.circuit.ambient_c, self.circuit.ambient_c),
            InputRole.SUPPLY_VOLTAGE: (volts - drop_ohm * i0, volts - drop_ohm * i1),
            InputRole.REFERENCE_VOLTAGE: (source_ohm * i0, source_ohm * i1),
            **dict.fromkeys(_FLOWS, (i0, i1)),
        }
        if line is None:
            levels.update(dict.fromkeys(_SENSED, (0.0, 0.0)))
        elif self._sense[0][1] == k:
            sensed = line.emf_v - line.sense_ohm * i0, line.emf_v - line.sense_ohm * i1
            levels.update(dict.fromkeys(_SENSED, sensed))
        return levels

    def forget(self, before: float) -> None:
        """Let go of what nobody will ask for any more."""
        for branch in self.branches.values():
            branch.forget(before)
        for row in (self._sense, self._supply_steps, self._source_span):
            self._trim(row, before)

    @staticmethod
    def _trim(row: list[tuple[float, Any]], before: float) -> None:
        while len(row) > 1 and row[1][0] < before:
            del row[0]

    # --- for whoever checks ------------------------------------------------------------------

    def energised(self) -> bool:
        """Whether any part has the supply across it or carries a current, for real, now."""
        if self.feed_closed and self.supply_on and any(k in self.branches for k in self.closed):
            return True
        return any(abs(b.current_a) > ENERGISED_A for b in self.branches.values())

    def truth(self, output: int) -> PartTruth:
        """The part on an output as it truly is."""
        branch = self.branches[output]
        return PartTruth(
            resistance_20c_ohm=branch.part.spec.resistance_20c_ohm + branch.joint_ohm,
            resistance_ohm=branch.part_ohm,
            temperature_c=branch.temperature_c,
            current_a=branch.current_a,
            connected=not branch.connection.broken,
        )
