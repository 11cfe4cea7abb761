"""What the rig's firmware does with each request.

One ``Firmware`` lives from one reset to the next.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchrig.wire.messages import (
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    Accepted,
    AllOff,
    ClearFault,
    CloseFeed,
    DescribeInput,
    DescribeOutput,
    EdgeCause,
    FaultReason,
    Heartbeat,
    Hello,
    Identity,
    Message,
    OpenFeed,
    ReadStatus,
    RefusalReason,
    Refused,
    RigState,
    ScheduleBegin,
    ScheduleCommit,
    ScheduleStep,
    Start,
    Status,
    StatusFlag,
    StopStream,
    Stream,
    Streaming,
)
from benchrig.wire.schedule import Schedule, check_schedule, uses_source
from benchrig.wire.session import refusal_by_state
from benchrig_sim.supervision import Board, Supervision

START_LEAD_US = 200
_U16 = 0xFFFF


SCAN_PERIOD_US_MAX = 1_000_000
NO_BEAT_YET = 0xFFFF_FFFF
_FEED_CLOSED, _FEED_READBACK, _SCHEDULE_COMMITTED, _STREAMING, _HEARTBEAT_ALIVE = (
    flag.value for flag in StatusFlag
)


@dataclass(slots=True)
class _Loading:
    schedule_id: int
    step_count: int
    repeat_count: int
    steps: dict[int, ScheduleStep]


class Firmware(Supervision):
    """One life of the firmware."""

    def __init__(self, board: Board, fault: FaultReason) -> None:
        super().__init__(board, fault)
        self.loading: _Loading | None = None
        self.stream_number = 0
        self.streaming = False

    # --- requests ----------------------------------------------------------------------------

    def carry_out(self, request: Message) -> Message:
        """Do a request and give its answer."""
        refusal = refusal_by_state(request, self.state, self.fault)
        if refusal is not None:
            return refusal
        return _HANDLERS[type(request)](self, request)

    def _accept(self, request: Message, tick: int | None = None) -> Accepted:
        when = self.board.tick() if tick is None else tick
        return Accepted(request=request.ID, tick=when & 0xFFFF_FFFF)

    @staticmethod
    def _refuse(request: Message, reason: RefusalReason, detail: int = 0) -> Refused:
        return Refused(request=request.ID, reason=reason, detail=detail & 0xFFFF_FFFF)

    def hello(self, request: Hello) -> Message:
        """Who is there?"""
        if request.protocol_major != PROTOCOL_MAJOR:
            return self._refuse(request, RefusalReason.VERSION_NOT_SPOKEN, PROTOCOL_MAJOR)
        fields = {name: getattr(self.board.identity, name) for name, _ in Identity.LAYOUT}
        fields |= {"fault": self.fault, "protocol_minor": PROTOCOL_MINOR}
        return Identity(**fields)

    def describe_output(self, request: DescribeOutput) -> Message:
        """One output's abilities."""
        if request.output >= len(self.board.outputs):
            return self._refuse(request, RefusalReason.NO_SUCH_OUTPUT, len(self.board.outputs))
        return self.board.outputs[request.output]

    def describe_input(self, request: DescribeInput) -> Message:
        """One input's scale."""
        if request.input >= len(self.board.inputs):
            return self._refuse(request, RefusalReason.NO_SUCH_INPUT, len(self.board.inputs))
        return self.board.inputs[request.input]

    def heartbeat(self, request: Heartbeat) -> Message:
        """The host lives."""
        del request
        self.beat()
        return self.status()

    def read_status(self, request: ReadStatus) -> Message:
        """The whole state."""
        del request
        return self.status()

    def status(self) -> Status:
        """The whole state, with what is commanded and what is read back."""
        readback, feed_readback = self.board.readback()
        flags = (
            self.feed_closed * _FEED_CLOSED
            | feed_readback * _FEED_READBACK
            | (self.schedule is not None) * _SCHEDULE_COMMITTED
            | self.streaming * _STREAMING
            | (self.silence_ticks() is not None) * _HEARTBEAT_ALIVE
        )
        return Status(
            state=self.state,
            fault=self.fault,
            fault_detail=self.fault_detail,
            fault_tick=self.fault_tick & 0xFFFF_FFFF,
            flags=StatusFlag(flags),
            outputs_commanded=self.mask,
            outputs_readback=readback,
            tick=self.board.tick() & 0xFFFF_FFFF,
            boot_count=self.board.identity.boot_count,
            schedule_id=0 if self.schedule is None else self.schedule.schedule_id,
            repeats_done=self.repeats_done,
            edges_counted=self.edges & _U16,
            blocks_counted=self.board.blocks_counted & _U16,
            blocks_dropped=self.board.blocks_dropped & _U16,
            frames_bad=self.board.frames_bad & _U16,
        )

    def begin(self, request: ScheduleBegin) -> Message:
        """Start to load a schedule."""
        for field, value in enumerate(
            (request.schedule_id, request.step_count, request.repeat_count)
        ):
            if value == 0:
                return self._refuse(request, RefusalReason.BAD_VALUE, field)
        most = self.board.identity.steps_max
        if request.step_count > most:
            return self._refuse(request, RefusalReason.TOO_MANY_STEPS, most)
        self.schedule = None
        self.loading = _Loading(request.schedule_id, request.step_count, request.repeat_count, {})
        return self._accept(request)

    def step(self, request: ScheduleStep) -> Message:
        """Take one step, in any order."""
        loading = self.loading
        if loading is None or request.schedule_id != loading.schedule_id:
            return self._no_schedule(request)
        if request.step >= loading.step_count:
            return self._refuse(request, RefusalReason.BAD_VALUE, 1)
        loading.steps[request.step] = request
        return self._accept(request)

    def commit(self, request: ScheduleCommit) -> Message:
        """Check the whole schedule."""
        loading = self.loading
        if loading is None or request.schedule_id != loading.schedule_id:
            return self._no_schedule(request)
        for number in range(loading.step_count):
            if number not in loading.steps:
                return self._refuse(request, RefusalReason.SCHEDULE_INCOMPLETE, number)
        schedule = Schedule(
            schedule_id=loading.schedule_id,
            steps=tuple(loading.steps[n] for n in range(loading.step_count)),
            repeat_count=loading.repeat_count,
        )
        if schedule.steps_crc != request.steps_crc:
            return self._refuse(request, RefusalReason.STEPS_CRC_MISMATCH, schedule.steps_crc)
        found = check_schedule(schedule, self.board.outputs, self.board.inputs)
        if found is not None:
            return self._refuse(request, found.reason, found.detail)
        self.schedule, self.loading = schedule, None
        return self._accept(request)

    def close_feed(self, request: CloseFeed) -> Message:
        """Close the contactor."""
        if self.mask:
            return self._refuse(request, RefusalReason.WRONG_STATE, self.state)
        missing = self._heartbeat_missing(request)
        if missing is not None:
            return missing
        if not self.feed_closed:
            self.feed_closed, self.feed_tick = True, self.board.tick()
            self.board.feed(True)
            self.tell_edge(EdgeCause.FEED)
        return self._accept(request)

    def open_feed(self, request: OpenFeed) -> Message:
        """All off, and the contactor open."""
        self.end_schedule()
        self.set_mask(0, EdgeCause.ALL_OFF)
        self.drop_feed()
        return self._accept(request)

    def all_off(self, request: AllOff) -> Message:
        """All off; the contactor stays."""
        self.end_schedule()
        self.set_mask(0, EdgeCause.ALL_OFF)
        return self._accept(request)

    def start(self, request: Start) -> Message:
        """Run the committed schedule."""
        schedule = self.schedule
        if schedule is None or schedule.schedule_id != request.schedule_id:
            known = 0 if schedule is None else schedule.schedule_id
            return self._refuse(request, RefusalReason.NO_SCHEDULE, known)
        missing = self._heartbeat_missing(request)
        if missing is not None:
            return missing
        source = uses_source(schedule, self.board.outputs)
        if source and (self.feed_closed or self.board.readback()[1]):
            return self._refuse(request, RefusalReason.FEED_MUST_BE_OPEN)
        if not source and not self.feed_closed:
            return self._refuse(request, RefusalReason.FEED_MUST_BE_CLOSED)
        begin = self.board.tick() + self.ticks(START_LEAD_US)
        if not source:
            settle = self.ticks(self.board.identity.feed_settle_us)
            begin = max(begin, self.feed_tick + settle)
        self.run(schedule, begin)
        return self._accept(request, begin)

    def stream(self, request: Stream) -> Message:
        """Begin to sample."""
        inputs = [n for n in range(16) if request.inputs_mask >> n & 1]
        if not inputs:
            return self._refuse(request, RefusalReason.BAD_VALUE, 0)
        if request.scan_period_us > SCAN_PERIOD_US_MAX:
            return self._refuse(request, RefusalReason.BAD_VALUE, 1)
        if inputs[-1] >= len(self.board.inputs):
            return self._refuse(request, RefusalReason.NO_SUCH_INPUT, len(self.board.inputs))
        least = len(inputs) * self.board.identity.conversion_period_us_min
        if request.scan_period_us < least:
            return self._refuse(request, RefusalReason.RATE_TOO_HIGH, least)
        self.stream_number = (self.stream_number + 1) & 0xFF
        bits = max(self.board.inputs[n].bits for n in inputs)
        period = self.ticks(request.scan_period_us)
        self.streaming = True
        self.board.stream(self.stream_number, inputs, period, bits)
        return Streaming(
            stream=self.stream_number,
            inputs_mask=request.inputs_mask,
            code_bits=bits,
            scan_period_ticks=period,
        )

    def stop_stream(self, request: StopStream) -> Message:
        """Stop sampling."""
        self.streaming = False
        self.board.stream(0, [], 0, 0)
        return self._accept(request)

    def clear_fault(self, request: ClearFault) -> Message:
        """Clear the fault that was read."""
        if request.fault is not self.fault or self.state is not RigState.FAULT:
            return self._refuse(request, RefusalReason.BAD_VALUE, 0)
        self.state, self.fault = RigState.IDLE, FaultReason.NONE
        self.fault_detail = self.fault_tick = 0
        return self._accept(request)

    def _no_schedule(self, request: Message) -> Refused:
        known = 0 if self.schedule is None else self.schedule.schedule_id
        return self._refuse(request, RefusalReason.NO_SCHEDULE, known)

    def _heartbeat_missing(self, request: Message) -> Refused | None:
        if self.silence_ticks() is not None:
            return None
        silent_us = NO_BEAT_YET
        if self.beat_tick is not None:
            age = self.board.tick() - self.beat_tick
            silent_us = min(age * self.board.identity.tick_ns // 1000, NO_BEAT_YET)
        return self._refuse(request, RefusalReason.HEARTBEAT_MISSING, silent_us)


_HANDLERS: dict[type[Message], Callable[..., Message]] = {
    Hello: Firmware.hello,
    DescribeOutput: Firmware.describe_output,
    DescribeInput: Firmware.describe_input,
    Heartbeat: Firmware.heartbeat,
    ReadStatus: Firmware.read_status,
    ScheduleBegin: Firmware.begin,
    ScheduleStep: Firmware.step,
    ScheduleCommit: Firmware.commit,
    CloseFeed: Firmware.close_feed,
    OpenFeed: Firmware.open_feed,
    Start: Firmware.start,
    AllOff: Firmware.all_off,
    Stream: Firmware.stream,
    StopStream: Firmware.stop_stream,
    ClearFault: Firmware.clear_fault,
}
