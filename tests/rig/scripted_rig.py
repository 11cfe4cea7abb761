"""A rig that says what a test tells it to: for the error paths of link and client only."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from benchrig.errors import LinkError
from benchrig.rig.link import Inbox
from benchrig.wire.messages import (
    Accepted,
    ClampKind,
    DescribeInput,
    DescribeOutput,
    FaultReason,
    Hello,
    Identity,
    InputFlag,
    InputInfo,
    InputRole,
    Message,
    OutputInfo,
    OutputKind,
    ResetCause,
    RigState,
    Status,
    StatusFlag,
    Stream,
    Streaming,
)
from benchrig.wire.session import ANSWER_OF, RigSession

TICK_NS = 500

IDENTITY = Identity(
    protocol_major=1,
    protocol_minor=0,
    firmware_major=0,
    firmware_minor=1,
    firmware_patch=0,
    unique_id=0x0123_4567_89AB_CDEF,
    boot_count=3,
    reset_cause=ResetCause.POWER_ON,
    fault=FaultReason.NONE,
    output_count=2,
    input_count=2,
    steps_max=32,
    tick_ns=TICK_NS,
    clock_tolerance_ppm=100,
    heartbeat_silence_us=250_000,
    feed_settle_us=20_000,
    conversion_period_us_min=25,
    reference_resistor_mohm=33_000,
    source_current_ua=30_000,
)


def output_info(number: int) -> OutputInfo:
    return OutputInfo(
        output=number,
        kind=OutputKind.SOLID_STATE,
        on_us_min=500,
        off_us_min=500,
        on_us_max=10_000_000,
        resolution_ns=500,
        trip_current_ma=9000,
        clamp=ClampKind.LOW_SIDE_CLAMP,
        clamp_mv=36_000,
        rated_operations=0,
    )


def input_info(number: int) -> InputInfo:
    return InputInfo(
        input=number,
        role=InputRole.CURRENT_COARSE,
        bits=10,
        flags=InputFlag.SEES_TURN_OFF,
        full_scale=10_000_000,
        zero_code=16,
        outputs_mask=0b11,
    )


class ScriptedRig:
    """A link whose other end answers from a table; ``answers`` and ``status`` may be changed."""

    name = "scripted"

    def __init__(self) -> None:
        self.session = RigSession()
        self.inbox = Inbox()
        self.asked: list[Message] = []
        self.writes = 0
        self.breaks = 0
        self.answers: dict[type[Message], Callable[[Message], Message]] = {}
        self.lose_answers = 0
        self.deaf = False
        self.status = Status(
            state=RigState.IDLE,
            fault=FaultReason.NONE,
            fault_detail=0,
            fault_tick=0,
            flags=StatusFlag(0),
            outputs_commanded=0,
            outputs_readback=0,
            tick=0,
            boot_count=3,
            schedule_id=0,
            repeats_done=0,
            edges_counted=0,
            blocks_counted=0,
            blocks_dropped=0,
            frames_bad=0,
        )

    def say(self, *messages: Message) -> None:
        self.inbox.put(b"".join(self.session.unasked(message) for message in messages))

    def unplug(self) -> None:
        self.inbox.close(LinkError("scripted: unplugged"))

    async def read(self) -> bytes:
        return await self.inbox.read()

    def write(self, data: bytes) -> None:
        self.inbox.check()
        self.writes += 1
        reply = self.session.receive(data, self._carry_out)
        if reply and self.lose_answers:
            self.lose_answers -= 1
        elif reply and not self.deaf:
            asyncio.get_running_loop().call_soon(self.inbox.put, reply)

    async def send_break(self) -> None:
        self.breaks += 1

    async def close(self) -> None:
        self.inbox.close()

    def _carry_out(self, request: Message) -> Message:
        self.asked.append(request)
        special = self.answers.get(type(request))
        if special is not None:
            return special(request)
        match request:
            case Hello():
                return IDENTITY
            case DescribeOutput(output=number):
                return output_info(number)
            case DescribeInput(input=number):
                return input_info(number)
            case Stream(inputs_mask=mask):
                return Streaming(stream=1, inputs_mask=mask, code_bits=10, scan_period_ticks=200)
        if ANSWER_OF[type(request)] is Status:
            return self.status
        return Accepted(request=request.ID, tick=self.status.tick)
