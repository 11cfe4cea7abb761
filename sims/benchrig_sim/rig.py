"""The simulated rig behind its serial port: bytes in, bytes out, true time from outside.

Sans-IO: whoever owns the clock calls ``on_bytes``, ``on_break`` and ``advance`` with true time
in seconds and asks ``next_event_s`` when to come again. The rig's own tick may run fast or slow.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil, inf

from benchrig.wire.messages import (
    FaultReason,
    Heartbeat,
    Identity,
    InputRole,
    Message,
    OutputInfo,
    OutputKind,
    ReadStatus,
    RefusalReason,
    Refused,
    ResetCause,
    RigState,
    ScheduleCommit,
)
from benchrig.wire.session import RigSession
from benchrig_sim.agenda import Agenda, Due
from benchrig_sim.branch import PartSpec
from benchrig_sim.circuit import CircuitSpec
from benchrig_sim.faults import Fault
from benchrig_sim.firmware import Firmware
from benchrig_sim.frontend import FrontEnd, InputModel
from benchrig_sim.hardware import Hardware
from benchrig_sim.outbox import Outbox
from benchrig_sim.plant import Plant
from benchrig_sim.stream import Sampler
from benchrig_sim.supervision import RESET_FAULT

BOOT_S = 5e-3
WATCHDOG_S = 0.25
TRIP_CONVERSIONS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class RigSpec:
    """The rig as built."""

    identity: Identity
    outputs: tuple[OutputInfo, ...]
    inputs: tuple[InputModel, ...]
    circuit: CircuitSpec
    parts: dict[int, PartSpec]
    clock_drift: float = 0.0  # 0.02: its clock runs 2 % fast
    seed: int = 1
    faults: tuple[Fault, ...] = ()

    def tick_s(self, drift: float) -> float:
        """True seconds a tick of its clock."""
        return self.identity.tick_ns * 1e-9 / (1.0 + drift)


class SimRig:
    """One rig with its bench, from power-on."""

    def __init__(self, spec: RigSpec) -> None:
        from benchrig_sim.strike import Striker

        self.spec = spec
        self.outputs = list(spec.outputs)
        self.inputs = [model.info for model in spec.inputs]
        self._plant = Plant(spec.circuit, spec.parts)
        self.front = FrontEnd(self._plant, [replace(m) for m in spec.inputs], spec.seed)
        self.hardware = Hardware(self._plant, self.outputs, self._plant.at, spec.seed + 1)
        self.now_s = 0.0
        self._cannot_trip = False  # found so, and nothing has happened since
        self.tick_s = spec.tick_s(spec.clock_drift)
        self.identity = spec.identity
        self.powered = True
        self.unplugged = False
        self.plugged_in = 0  # times it was plugged in again: an old handle stays dead
        self.hung = ""  # "on" or "off": interrupts while the main loop hangs
        self.readback_lies = False
        self.refuses_schedules = False
        self.sampler: Sampler | None = None
        self.blocks_counted = self.blocks_dropped = 0
        self._agenda = Agenda()
        self._boot_s = 0.0
        self._alive_s = 0.0
        self._flushed_s = -inf
        self.striker = Striker(self)
        self._outbox = Outbox(self.striker)
        self.firmware = Firmware(self, FaultReason.NONE)
        self.session = RigSession()
        self.striker.from_start()

    @property
    def plant(self) -> Plant:
        """The bench, solved up to now."""
        self._plant.advance(self.now_s)
        return self._plant

    # --- from outside ------------------------------------------------------------------------

    def on_bytes(self, data: bytes, now_s: float) -> None:
        """Bytes from the host have arrived."""
        self._run(now_s)
        if self.unplugged:
            return
        line = self.striker.line_in
        *frames, rest = data.split(b"\x00")
        if line.spoil or self.striker.waits_for_frames_in:
            pieces = [piece for f in frames for piece in self._frame_in(f + b"\x00", now_s)]
            line.queue([*pieces, (now_s, rest)] if rest else pieces)
        else:
            line.frames += sum(map(bool, frames))
            line.queue([(now_s, data)])
        self._take_in(now_s)

    def on_break(self, now_s: float) -> None:
        """The line was held low for longer than a byte."""
        self._run(now_s)
        self._overtake()
        if self._interrupts():
            self.firmware.serial_break()

    def advance(self, now_s: float) -> bytes:
        """Everything the host has received by this time and not yet been given."""
        self._run(now_s)
        self._take_in(now_s)
        if now_s > self._flushed_s or not self._outbox.empty:
            self._flush()
        if self.unplugged:
            return b""
        return b"".join([data for _, data in self.striker.line_out.arrived(now_s)])

    def has_said(self, now_s: float) -> bool:
        """Whether, up to this time, it has said more than samples, or is no longer there."""
        self._run(now_s)
        said = bool(self.striker.line_out.held) or not self._outbox.empty
        return said or self.unplugged

    def next_event_s(self) -> float:
        """When something will happen by itself that the host could notice; inf: nothing."""
        times = [self._agenda.next_s()]
        if self.striker.line_out.held or not self._outbox.empty:
            times.append(self.striker.line_out.next_arrival_s() or self.now_s)
        arrival = self.striker.line_in.next_arrival_s()
        if arrival is not None:
            times.append(arrival)
        return max(min(times), self.now_s)

    # --- running -----------------------------------------------------------------------------

    def later(self, t: float, act: Callable[[], None], *, boot: int | None, irq: bool) -> Due:
        """Do something at a true time."""
        return self._agenda.put(t, act, boot=boot, irq=irq)

    def _run(self, now_s: float) -> None:
        if now_s <= self.now_s and self._agenda.next_s() > now_s:
            return
        while (t := self._agenda.next_s()) <= now_s:
            if self._solve(t):
                continue
            event = self._agenda.take()
            if event.boot is not None and (event.boot != self._boot or not self._alive()):
                continue
            if event.boot is not None and (self.hung == "off" or (self.hung and not event.irq)):
                continue
            self._overtake()
            event.act()
        while self._solve(now_s):
            pass

    def _solve(self, until: float) -> bool:
        """Let time come; True when the over-current trip came before that.

        Where none can come, the plant is solved only when somebody looks or a contact moves.
        """
        if self._cannot_trip:
            self.now_s = max(self.now_s, until)
            if self._plant.next_move_s() <= until:
                self._plant.advance(until)
            return False
        trip = self.firmware.trip_ceiling_a() if self._interrupts() else None
        ceiling = inf if trip is None else self.front.trips(self._trip_input(), trip[0])
        if trip is None or ceiling > self._plant.most_a():
            self._cannot_trip = True
            return self._solve(until)
        react = TRIP_CONVERSIONS * self.identity.conversion_period_us_min * 1e-6
        if ceiling < 0.0:
            at = min(until, self.now_s + react)
            self._plant.advance(at)
        else:
            passed = self.plant.advance(until, ceiling, react)
            if passed is None:
                self.now_s = max(self.now_s, until)
                return False
            at = passed
        self.now_s = max(self.now_s, at)
        self._overtake()
        self.firmware.drop(FaultReason.OVER_CURRENT, trip[1])
        return True

    def _trip_input(self) -> InputModel:
        return next(m for m in self.front.inputs if m.info.role is InputRole.CURRENT_COARSE)

    def _alive(self) -> bool:
        return self.powered and self.now_s >= self._alive_s

    @property
    def _boot(self) -> int:
        return self.identity.boot_count

    def reset(self, cause: ResetCause) -> None:
        """The chip starts anew; the pull-downs hold everything off meanwhile."""
        self.flush_samples()
        was_live = self.firmware.feed_closed or self.firmware.state is RigState.RUNNING
        self.hardware.pull_down(self.now_s)
        self.sampler = None
        self.hung = ""
        self.powered = True
        self._boot_s = self.now_s
        self._alive_s = self.now_s + BOOT_S
        self.blocks_counted = self.blocks_dropped = 0
        self._outbox.restart()
        self.identity = replace(
            self.identity, boot_count=(self._boot + 1) & 0xFFFF, reset_cause=cause
        )
        before = self.firmware
        kept = cause in RESET_FAULT and before.fault is not FaultReason.NONE
        fault = RESET_FAULT.get(cause, FaultReason.NONE) if was_live else FaultReason.NONE
        self.session = RigSession()
        self.firmware = Firmware(self, before.fault if kept else fault)
        if kept:
            self.firmware.fault_detail, self.firmware.fault_tick = (
                before.fault_detail,
                before.fault_tick,
            )

    def set_drift(self, drift: float) -> None:
        """Its clock runs at another rate from now on; ticks go on from where they are."""
        tick = (self.now_s - self._boot_s) / self.tick_s
        self.tick_s = self.spec.tick_s(drift)
        self._boot_s = self.now_s - tick * self.tick_s
        if self.sampler is not None:
            self.sampler.tick_s, self.sampler.boot_s = self.tick_s, self._boot_s

    def power_off(self) -> None:
        """The port's power is gone."""
        self.flush_samples()
        self.powered = False
        self.sampler = None
        self.hardware.pull_down(self.now_s)

    # --- requests ----------------------------------------------------------------------------

    def _frame_in(self, frame: bytes, now_s: float) -> list[tuple[float, bytes]]:
        if len(frame) > 1:
            self.striker.frame_in(self.striker.line_in.frames + 1)
            return self.striker.line_in.frame(frame, now_s)
        return [(now_s, frame)]

    def _take_in(self, now_s: float) -> None:
        for _, data in self.striker.line_in.arrived(now_s):
            if not self._alive() or self.hung:
                continue
            self._flush()  # what was said before; an answer goes before what its request causes
            answers = self.session.receive(data, self._carry_out)
            for frame in answers.split(b"\x00")[:-1]:
                self._outbox.answer(frame + b"\x00", self.now_s)

    def _carry_out(self, request: Message) -> Message:
        if self.refuses_schedules and isinstance(request, ScheduleCommit):
            return Refused(request=request.ID, reason=RefusalReason.NO_SUCH_OUTPUT, detail=0)
        if not isinstance(request, (Heartbeat, ReadStatus)):
            self._overtake()
        return self.firmware.carry_out(request)

    # --- the firmware's board ----------------------------------------------------------------

    @property
    def frames_bad(self) -> int:
        """Frames that did not check out since the reset."""
        return self.session.frames_bad

    def tick(self) -> int:
        """Ticks since the reset."""
        return int((self.now_s - self._boot_s) / self.tick_s + 1e-6)

    def at_tick(self, tick: int, act: Callable[[], None], *, irq: bool = True) -> Due:
        """Run something of this boot at a tick."""
        return self.later(self._boot_s + tick * self.tick_s, act, boot=self._boot, irq=irq)

    def put_off(self, due: Due, tick: int) -> None:
        """Run it at a later tick than was said before."""
        due.put_off(self._boot_s + tick * self.tick_s)

    def say(self, message: Message) -> None:
        """Send an unasked message, stamped now."""
        self._outbox.say(self.now_s, message.ID, message.body())

    def pins(self, mask: int) -> None:
        """Drive the gates."""
        before = self.hardware.mask
        self.hardware.set_mask(mask, self.now_s)
        driven = sum(
            1 << o.output for o in self.outputs if o.kind is not OutputKind.LOW_CURRENT_SOURCE
        )
        if mask & ~before & driven and self.hardware.feed:
            self.striker.switched_on()

    def feed(self, closed: bool) -> None:
        """Drive the feed contactor."""
        self.hardware.set_feed(closed, self.now_s)

    def readback(self) -> tuple[int, bool]:
        """Gate pins and the feed's auxiliary contact."""
        if self.readback_lies:
            return 0, False
        return self.hardware.mask, self.hardware.feed_real

    def stream(self, number: int, inputs: list[int], period_ticks: int, code_bits: int) -> None:
        """Start sampling; no inputs: stop."""
        self.flush_samples()
        self._take_rest()
        if not inputs:
            self.sampler = None
            return
        self.blocks_counted = self.blocks_dropped = 0
        conversion = self.identity.conversion_period_us_min * 1000 // self.identity.tick_ns
        self.sampler = Sampler(
            number=number,
            inputs=inputs,
            code_bits=code_bits,
            period_ticks=period_ticks,
            conversion_ticks=conversion,
            start_tick=self.tick() + ceil(50e-6 / self.tick_s),
            tick_s=self.tick_s,
            boot_s=self._boot_s,
        )

    # --- sending -----------------------------------------------------------------------------

    def flush_samples(self) -> None:
        """Take the blocks captured so far; call before anything changes what is sampled."""
        sampler = self.sampler
        if sampler is None or not self._interrupts():
            self._plant.forget(self.now_s)
            return
        ready, bodies = sampler.blocks_until(self.now_s, self.front)
        if bodies:
            self._capture(ready, sampler.block_s, bodies)

    def _overtake(self) -> None:
        """Something happens, planned or not: what was drawn ahead of it is not to be."""
        self._cannot_trip = False
        if self.sampler is not None:
            self.sampler.overtaken(self.front)

    def _take_rest(self) -> None:
        """Take the whole scans of the block that was being filled; the stream ends here."""
        if self.sampler is not None and self._interrupts():
            self._capture(self.now_s, 0.0, self.sampler.rest_until(self.now_s, self.front))

    def _interrupts(self) -> bool:
        """Whether the chip answers its interrupts: conversions, edges, a break."""
        return self._alive() and self.hung != "off"

    def _capture(self, ready_s: float, apart_s: float, bodies: list[bytes]) -> None:
        """Blocks are full: they wait to be sent."""
        self.blocks_counted += len(bodies)
        self._outbox.say_blocks(ready_s, apart_s, bodies)

    def _flush(self) -> None:
        """Send all that is to be said by now."""
        self._flushed_s = self.now_s
        self.flush_samples()
        self.blocks_dropped += self._outbox.send_all(self.firmware.stream_number)


__all__ = ["RigSpec", "SimRig"]
