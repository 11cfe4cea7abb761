"""Promises about talking: who the rig is, what it does with wrong bytes, and repeats."""

from __future__ import annotations

from itertools import pairwise

from benchrig.bench.conform.probe import Probe, describe, require
from benchrig.wire.frames import encode_frame
from benchrig.wire.messages import (
    HEARTBEAT_SILENCE_US,
    HOST_MESSAGES,
    PROTOCOL_MAJOR,
    Accepted,
    AllOff,
    ClearFault,
    DescribeInput,
    DescribeOutput,
    FaultReason,
    Heartbeat,
    Hello,
    Identity,
    InputRole,
    OpenFeed,
    OutputKind,
    RefusalReason,
    Refused,
    ScheduleBegin,
    ScheduleStep,
    StopStream,
    Stream,
    Streaming,
    to_payload,
)
from benchrig.wire.schedule import DURATION_US_MIN

LIVE_ZERO_ROLES = (
    InputRole.PART_VOLTAGE,
    InputRole.PART_VOLTAGE_FINE,
    InputRole.CURRENT_COARSE,
    InputRole.CURRENT_FINE,
)


async def identity(probe: Probe) -> str:
    """Hello is answered by an Identity within the protocol's limits."""
    who = probe.identity
    require(who.protocol_major == PROTOCOL_MAJOR, f"it says protocol {who.protocol_major}")
    require(1 <= who.output_count <= 16, f"it says {who.output_count} outputs")
    require(who.input_count <= 16, f"it says {who.input_count} inputs")
    require(who.steps_max >= 2, f"it holds {who.steps_max} steps; a pulse takes two")
    require(who.tick_ns > 0, "its tick has no length")
    require(
        0 < who.heartbeat_silence_us <= HEARTBEAT_SILENCE_US,
        f"it bears {who.heartbeat_silence_us} µs of silence",
    )
    again = await probe.get(Hello(protocol_major=PROTOCOL_MAJOR, protocol_minor=0), Identity)
    require(again.unique_id == who.unique_id, "its unique id changed")
    require(again.boot_count == who.boot_count, "it was reset in between")
    return f"rig {who.unique_id:016x}, {who.output_count} outputs, {who.input_count} inputs"


async def descriptions(probe: Probe) -> str:
    """Every output and input is described, within limits, and with live zeros."""
    for place, output in enumerate(probe.outputs):
        require(output.output == place, f"output {place} calls itself {output.output}")
        require(
            DURATION_US_MIN <= output.on_us_min <= output.on_us_max <= 60_000_000,
            f"output {place}: on-times from {output.on_us_min} to {output.on_us_max} µs",
        )
        require(output.resolution_ns > 0, f"output {place} states no resolution")
        is_switch = output.kind is not OutputKind.LOW_CURRENT_SOURCE
        require(not is_switch or output.trip_current_ma > 0, f"output {place} states no trip")
    for place, info in enumerate(probe.inputs):
        require(info.input == place, f"input {place} calls itself {info.input}")
        require(1 <= info.bits <= 15, f"input {place}: {info.bits} bits")
        require(info.full_scale > 0, f"input {place} states no full scale")
        require(
            not info.outputs_mask >> probe.identity.output_count,
            f"input {place} measures an output that is not there",
        )
        require(
            info.role not in LIVE_ZERO_ROLES or info.zero_code > 0,
            f"input {place} ({info.role.name}) has no live zero",
        )
    return f"{len(probe.outputs)} outputs and {len(probe.inputs)} inputs described"


async def beyond(probe: Probe) -> str:
    """Outputs and inputs that are not there are refused with their number."""
    outputs, inputs = probe.identity.output_count, probe.identity.input_count
    for number in (outputs, 255):
        request = DescribeOutput(output=number)
        await probe.must_refuse(request, RefusalReason.NO_SUCH_OUTPUT, outputs)
    for number in (inputs, 255):
        await probe.must_refuse(DescribeInput(input=number), RefusalReason.NO_SUCH_INPUT, inputs)
    return "numbers beyond the last are refused"


async def version(probe: Probe) -> str:
    """Another major version is refused, another minor one is not."""
    for major in (0, PROTOCOL_MAJOR + 1, 255):
        await probe.must_refuse(
            Hello(protocol_major=major, protocol_minor=0),
            RefusalReason.VERSION_NOT_SPOKEN,
            PROTOCOL_MAJOR,
        )
    await probe.get(Hello(protocol_major=PROTOCOL_MAJOR, protocol_minor=250), Identity)
    return "other major versions are refused, minor ones spoken to"


async def unknown(probe: Probe) -> str:
    """A request id that does not exist is refused by its id."""
    for identifier in (0x10, 0x2A, 0x3F):
        for body in (b"", bytes(30)):
            answer = await probe.send(probe.raw_frame(identifier, body))
            wanted = Refused(
                request=identifier, reason=RefusalReason.UNKNOWN_MESSAGE, detail=identifier
            )
            require(answer == wanted, f"id 0x{identifier:02X} was answered by {describe(answer)}")
    return "unknown ids are refused"


async def lengths(probe: Probe) -> str:
    """Every request with a body too long or too short is refused with the right length."""
    for kind in HOST_MESSAGES:
        right = kind.body_bytes()
        for length in {max(right - 1, 0), right + 1, 30} - {right}:
            answer = await probe.send(probe.raw_frame(kind.ID, bytes(length)))
            wanted = Refused(request=kind.ID, reason=RefusalReason.BAD_LENGTH, detail=right)
            require(
                answer == wanted,
                f"{kind.__name__} with {length} bytes was answered by {describe(answer)}",
            )
    return f"all {len(HOST_MESSAGES)} requests"


async def values(probe: Probe) -> str:
    """Values that cannot be are refused with the place of their field."""
    await probe.do(ScheduleBegin(schedule_id=7, step_count=2, repeat_count=1))
    bad = RefusalReason.BAD_VALUE
    step = ScheduleStep(schedule_id=7, step=2, outputs_mask=0, duration_us=1, change_us=0)
    await probe.must_refuse(step, bad, 1)
    for field, begin in enumerate(((0, 1, 1), (7, 0, 1), (7, 1, 0))):
        named = dict(zip(("schedule_id", "step_count", "repeat_count"), begin, strict=True))
        await probe.must_refuse(ScheduleBegin(**named), bad, field)
    await probe.must_refuse(Stream(inputs_mask=0, scan_period_us=1000), bad, 0)
    if probe.inputs:
        await probe.must_refuse(Stream(inputs_mask=1, scan_period_us=1_000_001), bad, 1)
    await probe.must_refuse(ClearFault(fault=FaultReason.NONE), bad, 0)
    await probe.must_refuse(ClearFault(fault=FaultReason.INTERNAL), bad, 0)
    answer = await probe.send(probe.raw_frame(ClearFault.ID, b"\xc8"))
    wanted = Refused(request=ClearFault.ID, reason=bad, detail=0)
    require(answer == wanted, f"a fault that does not exist was answered by {describe(answer)}")
    return "zeros, impossible faults and periods are refused by field"


async def bad_frames(probe: Probe) -> str:
    """Damaged, short and overlong frames are not answered, are counted, and do no harm."""
    before = (await probe.status()).frames_bad
    good = encode_frame(to_payload(Heartbeat(), 200))
    damaged = (
        good[:3] + bytes((good[3] ^ 0x10,)) + good[4:],  # CRC
        b"\x20" + good[1:],  # COBS points beyond the end
        b"\x02\x04\x00",  # one byte
        encode_frame(b"\x04\xc8" + b"\x11" * 31),  # too long for a rig
        b"\x55" * 500 + b"\x00",
    )
    for number, frame in enumerate(damaged):
        answer = await probe.send_to_nobody(frame)
        require(answer is None, f"bad frame {number} was answered by {describe(answer)}")
    await probe.send_to_nobody(b"\x00\x00\x00")
    counted = ((await probe.status()).frames_bad - before) & 0xFFFF
    require(counted == len(damaged), f"it counted {counted} bad frames of {len(damaged)}")
    return f"{counted} bad frames counted, none answered, empty frames ignored"


async def echo(probe: Probe) -> str:
    """Messages that only a rig says are not answered, so that an echoing line falls silent."""
    before = (await probe.status()).frames_bad
    for identifier in (0x00, 0x40, 0x80, 0xC1, 0xFF):
        frame = probe.raw_frame(identifier, bytes(5))
        answer = await probe.send_to_nobody(frame)
        require(answer is None, f"id 0x{identifier:02X} was answered by {describe(answer)}")
    counted = ((await probe.status()).frames_bad - before) & 0xFFFF
    require(counted == 5, f"it counted {counted} of 5")
    return "ids that are no request are counted and not answered"


async def repeats(probe: Probe) -> str:
    """The same bytes again get the same answer and are not carried out; Hello clears that."""
    period_us = max(1000, probe.identity.conversion_period_us_min)
    request = Stream(inputs_mask=1, scan_period_us=period_us)
    frame = probe.frame(request)
    first = await probe.send(frame)
    require(isinstance(first, Streaming), f"Stream was answered by {describe(first)}")
    for _ in range(3):
        again = await probe.send(frame)
        require(again == first, f"a repeat was answered by {again}, first it was {first}")
    anew = await probe.get(request, Streaming)
    assert isinstance(first, Streaming)
    require(anew.stream == (first.stream + 1) & 0xFF, "a new number was taken as a repeat")
    frame = probe.frame(request)
    await probe.send(frame)
    hello = encode_frame(to_payload(Hello(protocol_major=PROTOCOL_MAJOR, protocol_minor=0), 9))
    await probe.send_to_nobody(hello)
    later = await probe.send(frame)
    require(
        isinstance(later, Streaming) and later.stream == (first.stream + 3) & 0xFF,
        "Hello did not clear the memory of the last request",
    )
    return "repeats are answered alike and done once"


async def answers_name_their_request(probe: Probe) -> str:
    """Accepted carries the request's id and a tick that moves on."""
    ticks = []
    for request in (AllOff(), OpenFeed(), StopStream(), AllOff(), OpenFeed(), StopStream()):
        answer = await probe.get(request, Accepted)
        require(answer.request == request.ID, f"it named request 0x{answer.request:02X}")
        ticks.append(answer.tick)
    steps = [probe.seconds_between(a, b) for a, b in pairwise(ticks)]
    require(all(0 <= step < 60 for step in steps), "its ticks run backwards")
    return "answers name their request, ticks run forward"
