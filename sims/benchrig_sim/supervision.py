"""The part of the rig's firmware that lives by time: states, schedule, supervision.

It knows pins and ticks only; what the contacts and the parts really do is none of its business.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Protocol

from benchrig.wire.messages import (
    Edge,
    EdgeCause,
    Fault,
    FaultReason,
    Finished,
    Identity,
    InputInfo,
    Message,
    OutputInfo,
    OutputKind,
    ResetCause,
    RigState,
)
from benchrig.wire.schedule import Schedule
from benchrig_sim.agenda import Due

HOUSEKEEPING_US = 100
RESET_FAULT = {
    ResetCause.WATCHDOG: FaultReason.WATCHDOG,
    ResetCause.BROWN_OUT: FaultReason.BROWN_OUT,
}


class Board(Protocol):
    """What the firmware's chip gives it."""

    identity: Identity
    outputs: list[OutputInfo]
    inputs: list[InputInfo]
    blocks_counted: int
    blocks_dropped: int

    @property
    def frames_bad(self) -> int:
        """Frames that did not check out since the reset."""

    def tick(self) -> int:
        """Ticks since the reset, never wrapping."""

    def at_tick(self, tick: int, act: Callable[[], None], *, irq: bool = True) -> Due:
        """Run something at a tick (in an interrupt, or in the main loop)."""

    def put_off(self, due: Due, tick: int) -> None:
        """Run it at a later tick than was said before."""

    def say(self, message: Message) -> None:
        """Send an unasked message, stamped now."""

    def pins(self, mask: int) -> None:
        """Drive the gates."""

    def feed(self, closed: bool) -> None:
        """Drive the feed contactor."""

    def readback(self) -> tuple[int, bool]:
        """Gate pins and the feed's auxiliary contact."""

    def stream(self, number: int, inputs: list[int], period_ticks: int, code_bits: int) -> None:
        """Start sampling; no inputs: stop."""


class Supervision:
    """State, outputs, feed and schedule, and what drops them."""

    def __init__(self, board: Board, fault: FaultReason) -> None:
        self.board = board
        self.state = RigState.IDLE if fault is FaultReason.NONE else RigState.FAULT
        self.fault, self.fault_detail, self.fault_tick = fault, 0, 0
        self.mask = 0
        self.feed_closed = False
        self.feed_tick = 0
        self.beat_tick: int | None = None
        self._silence: Due | None = None  # when the host has been silent for too long
        self.schedule: Schedule | None = None
        self.repeats_done = 0
        self.edges = 0
        self._run_number = 0
        self._edges_to_come: Iterator[tuple[int, int, int]] = iter(())
        self._on_since: dict[int, int] = {}

    def ticks(self, us: int) -> int:
        """Ticks in a number of microseconds."""
        return us * 1000 // self.board.identity.tick_ns

    def silence_ticks(self) -> int | None:
        """Ticks since the last heartbeat, or None when it is too long ago."""
        if self.beat_tick is None:
            return None
        age = self.board.tick() - self.beat_tick
        return age if age < self.ticks(self.board.identity.heartbeat_silence_us) else None

    def beat(self) -> None:
        """The host lives."""
        self.beat_tick = self.board.tick()
        over = self.beat_tick + self.ticks(self.board.identity.heartbeat_silence_us)
        if self._silence is None:
            self._silence = self.board.at_tick(over, self._silence_over)
        else:
            self.board.put_off(self._silence, over)

    def _silence_over(self) -> None:
        self._silence = None
        if self.feed_closed or self.state is RigState.RUNNING:
            self.drop(FaultReason.HEARTBEAT_SILENCE)

    def run(self, schedule: Schedule, begin: int) -> None:
        """Run a checked schedule, with its first edge at a tick."""
        self.state, self.repeats_done = RigState.RUNNING, 0
        self._run_number += 1
        self._edges_to_come = self._walk(schedule, begin)
        self._next_edge(self._run_number)

    def _walk(self, schedule: Schedule, begin: int) -> Iterator[tuple[int, int, int]]:
        """(tick, mask, repeats done) of every step's start, and of the end."""
        tick_ns = self.board.identity.tick_ns
        at_us = 0
        for repeat in range(schedule.repeat_count):
            for number, step in enumerate(schedule.steps):
                yield begin + at_us * 1000 // tick_ns, step.outputs_mask, repeat
                at_us += schedule.duration_at(number, repeat)
        yield begin + at_us * 1000 // tick_ns, 0, schedule.repeat_count

    def _next_edge(self, run: int) -> None:
        found = next(self._edges_to_come, None)
        if found is not None:
            tick, mask, done = found
            self.board.at_tick(tick, lambda: self._edge_due(run, mask, done))

    def _edge_due(self, run: int, mask: int, done: int) -> None:
        schedule = self.schedule
        if run != self._run_number or self.state is not RigState.RUNNING or schedule is None:
            return
        self.repeats_done = done
        self.set_mask(mask, EdgeCause.SCHEDULE)
        if done < schedule.repeat_count:
            self._next_edge(run)
            return
        self.state = RigState.IDLE
        self.board.say(
            Finished(
                schedule_id=schedule.schedule_id,
                repeats_done=done,
                tick=self.board.tick() & 0xFFFF_FFFF,
            )
        )

    def end_schedule(self) -> None:
        """No further edge of the schedule happens."""
        self._run_number += 1
        if self.state is RigState.RUNNING:
            self.state = RigState.IDLE

    def stall(self) -> None:
        """Forget the rest of a running schedule without ending it; a fault, never a feature."""
        self._run_number += 1

    def set_mask(self, mask: int, cause: EdgeCause) -> None:
        """Drive the outputs and tell it."""
        if mask == self.mask:
            return
        came_on, self.mask = mask & ~self.mask, mask
        self.board.pins(mask)
        self.tell_edge(cause)
        now = self.board.tick()
        for output in self.board.outputs:
            if came_on >> output.output & 1:
                self._on_since[output.output] = now
                limit = now + self.ticks(output.on_us_max + HOUSEKEEPING_US)
                self.board.at_tick(limit, partial(self._ceiling, output.output, now))

    def _ceiling(self, output: int, since: int) -> None:
        if self.mask >> output & 1 and self._on_since.get(output) == since:
            self.drop(FaultReason.ON_TIME_CEILING, output)

    def drop_feed(self) -> None:
        """Open the feed contactor, if it is closed, and tell it."""
        if self.feed_closed:
            self.feed_closed = False
            self.board.feed(False)
            self.tell_edge(EdgeCause.FEED)

    def tell_edge(self, cause: EdgeCause) -> None:
        """Say what is on now."""
        self.board.say(
            Edge(
                edge=self.edges & 0xFFFF,
                tick=self.board.tick() & 0xFFFF_FFFF,
                outputs_mask=self.mask,
                cause=cause,
            )
        )
        self.edges += 1

    def drop(self, reason: FaultReason, detail: int = 0) -> None:
        """Everything off at once, and remember why."""
        self.end_schedule()
        self.set_mask(0, EdgeCause.FAULT)
        self.drop_feed()
        if self.state is RigState.FAULT:
            return
        self.state, self.fault, self.fault_detail = RigState.FAULT, reason, detail
        self.fault_tick = self.board.tick()
        self.board.say(Fault(fault=reason, detail=detail, tick=self.fault_tick & 0xFFFF_FFFF))

    def serial_break(self) -> None:
        """The line was low for longer than a byte: drop everything."""
        if self.feed_closed or self.state is RigState.RUNNING:
            self.drop(FaultReason.SERIAL_BREAK)
            return
        self.end_schedule()
        self.set_mask(0, EdgeCause.ALL_OFF)
        self.drop_feed()

    def trip_ceiling_a(self) -> tuple[float, int] | None:
        """The lowest trip of the outputs that are on, and whose it is."""
        if self.state is not RigState.RUNNING or not self.mask:
            return None
        on = [
            (o.trip_current_ma * 1e-3, o.output)
            for o in self.board.outputs
            if self.mask >> o.output & 1 and o.kind is not OutputKind.LOW_CURRENT_SOURCE
        ]
        return min(on) if on else None
