"""The portable core under address and undefined-behaviour sanitizers: vectors and random trials."""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest

from benchrig.wire.frames import FrameDecoder, crc16, encode_frame
from benchrig.wire.messages import (
    HOST_MESSAGES,
    HOST_PAYLOAD_BYTES_MAX,
    Accepted,
    CloseFeed,
    DescribeInput,
    DescribeOutput,
    Edge,
    Fault,
    FaultReason,
    Finished,
    Heartbeat,
    Hello,
    Identity,
    InputInfo,
    Message,
    OutputInfo,
    ReadStatus,
    RefusalReason,
    Refused,
    RigState,
    Samples,
    ScheduleBegin,
    ScheduleCommit,
    ScheduleStep,
    Start,
    Status,
    StatusFlag,
    StopStream,
    Stream,
    from_payload,
    to_payload,
)
from benchrig.wire.packing import unpack_codes
from benchrig.wire.schedule import Schedule, check_schedule
from tests.firmware.host_core import HostCore, SanitizerStopped
from tests.wire.spec_document import VECTORS, Vector, decode, vectors_of

BREAK = "break"
BAD_FOR_A_RIG = [v for v in VECTORS if v.kind == "bad" and v.one("to") == "rig"]
REQUESTS = [
    v for v in VECTORS if v.kind == "valid" and v.title in {kind.__name__ for kind in HOST_MESSAGES}
]


@pytest.fixture
def core() -> Iterator[HostCore]:
    core = HostCore()
    yield core
    core.close()


def described(core: HostCore) -> tuple[Identity, list[OutputInfo], list[InputInfo]]:
    identity = core.ask(Hello(protocol_major=1, protocol_minor=0))
    assert isinstance(identity, Identity)
    outputs = [core.ask(DescribeOutput(output=n)) for n in range(identity.output_count)]
    inputs = [core.ask(DescribeInput(input=n)) for n in range(identity.input_count)]
    return (
        identity,
        [o for o in outputs if isinstance(o, OutputInfo)],
        [i for i in inputs if isinstance(i, InputInfo)],
    )


# --- the document's vectors ---


@vectors_of("refused")
def test_requests_are_refused_as_the_document_says(core: HostCore, vector: Vector) -> None:
    for line in vector.values.get("setup", []):
        if line == BREAK:
            core.serial_break()
        else:
            core.receive(bytes.fromhex(line))
    answered = core.receive(vector.frame("request"))
    assert vector.frame("answer") in answered


@pytest.mark.parametrize("vector", BAD_FOR_A_RIG, ids=lambda v: v.title)
def test_bad_frames_are_counted_and_not_answered(core: HostCore, vector: Vector) -> None:
    assert core.receive(vector.frame()) == b""
    status = core.ask(ReadStatus())
    assert isinstance(status, Status)
    assert status.frames_bad == int(vector.one("counts"))


@pytest.mark.parametrize("vector", REQUESTS, ids=lambda v: v.title)
def test_valid_requests_are_answered_with_their_sequence(core: HostCore, vector: Vector) -> None:
    (payload,) = decode(vector.frame())
    (answer,) = decode(core.receive(vector.frame()))
    assert answer[1] == payload[1]


def test_the_document_has_vectors_for_a_rig() -> None:
    assert sum(v.kind == "refused" for v in VECTORS) > 30
    assert len(BAD_FOR_A_RIG) > 5
    assert {v.title for v in REQUESTS} == {kind.__name__ for kind in HOST_MESSAGES}


# --- frames against the host's codec ---


def test_noise_and_frames_in_any_pieces_are_taken_as_the_host_would(core: HostCore) -> None:
    chance = random.Random(5)
    mirror = FrameDecoder(HOST_PAYLOAD_BYTES_MAX)
    for _ in range(3_000):
        data = bytearray(encode_frame(bytes([0x05, chance.randrange(256)])))
        if chance.random() < 0.5:
            length = chance.choice([0, 1, 2, 3, 8, 33, 34, 35, 36, 60])
            data = bytearray(encode_frame(bytes(chance.randrange(256) for _ in range(length + 2))))
        for _ in range(chance.choice([0, 0, 1, 3])):
            data[chance.randrange(len(data))] = chance.choice([0, 1, 2, 255, chance.randrange(256)])
        expected = [p for p in mirror.feed(bytes(data)) if 0x01 <= p[0] <= 0x3F]
        answers = FrameDecoder().feed(core.receive(bytes(data)))
        told = [answer[1] for answer in answers]
        assert told == [p[1] for p in expected]


def test_a_repeat_is_answered_from_memory_and_not_carried_out(core: HostCore) -> None:
    begin = encode_frame(to_payload(ScheduleBegin(schedule_id=7, step_count=1, repeat_count=1), 1))
    step = encode_frame(
        to_payload(
            ScheduleStep(schedule_id=7, step=0, outputs_mask=0, duration_us=100, change_us=0), 2
        )
    )
    first = core.receive(begin)
    core.advance(200)
    assert core.receive(begin) == first
    core.receive(step)
    again = core.receive(begin)  # no longer the last one: carried out, and forgets the step
    assert again != first
    crc = crc16(bytes.fromhex("0700") + bytes(9))
    refused = core.ask(ScheduleCommit(schedule_id=7, steps_crc=crc))
    assert isinstance(refused, Refused)
    assert refused.reason.name == "SCHEDULE_INCOMPLETE"


# --- schedules against the host's check ---


def random_schedule(chance: random.Random, number: int) -> Schedule:
    """Mostly nearly right, since what is plainly wrong is refused by the first rule."""
    count = chance.choice([1, 2, 2, 3, 4, 6, 32])
    repeats = chance.choice([1, 1, 2, 3, 50, 1_000, 65_535])
    masks = [0, 0, 1, 2, 4, 128, 0x101, 0x102]
    steps = []
    for n in range(count):
        mask = chance.choice(masks) if chance.random() < 0.95 else chance.randrange(0x400)
        if n == count - 1 and chance.random() < 0.95:
            mask = 0
        duration = chance.choice([49, 50, 51, 99, 100, 101, 5_000, 9_999_950, 10_000_001])
        if chance.random() < 0.3:
            duration = chance.choice([0, 1, 0xFFFF_FFFF, chance.randrange(1 << 32)])
        change = chance.choice([0, 0, 0, 1, -1, 20, -20, 32_767, -32_768])
        steps.append(
            ScheduleStep(
                schedule_id=number,
                step=n,
                outputs_mask=mask,
                duration_us=duration,
                change_us=change,
            )
        )
    return Schedule(schedule_id=number, steps=tuple(steps), repeat_count=repeats)


def commit(core: HostCore, plan: Schedule) -> Message:
    begun = core.ask(
        ScheduleBegin(
            schedule_id=plan.schedule_id,
            step_count=len(plan.steps),
            repeat_count=plan.repeat_count,
        )
    )
    assert isinstance(begun, Accepted)
    for step in plan.steps:
        assert isinstance(core.ask(step), Accepted)
    return core.ask(ScheduleCommit(schedule_id=plan.schedule_id, steps_crc=plan.steps_crc))


def test_schedules_are_judged_as_the_host_judges_them(core: HostCore) -> None:
    _, outputs, inputs = described(core)
    chance = random.Random(11)
    seen = {"accepted": 0}
    for number in range(1, 4_001):
        plan = random_schedule(chance, number)
        expected = check_schedule(plan, outputs, inputs)
        answer = commit(core, plan)
        if expected is None:
            assert isinstance(answer, Accepted), (plan, answer)
            seen["accepted"] += 1
        else:
            assert isinstance(answer, Refused), (plan, expected)
            assert (answer.reason, answer.detail) == (expected.reason, expected.detail), plan
            seen[expected.reason.name] = seen.get(expected.reason.name, 0) + 1
    assert len(seen) >= 7, seen
    assert min(seen.values()) >= 5, seen


def expected_edges(plan: Schedule) -> list[tuple[int, int]]:
    """(µs from the first step, mask) of each change."""
    at_us, mask, edges = 0, 0, []
    for repeat in range(plan.repeat_count):
        for n, step in enumerate(plan.steps):
            if step.outputs_mask != mask:
                mask = step.outputs_mask
                edges.append((at_us, mask))
            at_us += plan.duration_at(n, repeat)
    return edges


def test_accepted_schedules_are_played_as_they_stand(core: HostCore) -> None:
    _, outputs, inputs = described(core)
    chance = random.Random(12)
    played = 0
    for number in range(1, 3_000):
        plan = random_schedule(chance, number)
        if check_schedule(plan, outputs, inputs) or plan.outputs_mask & 0x100:
            continue
        if plan.duration_us > 30_000_000 or len(expected_edges(plan)) > 2_000:
            continue
        commit(core, plan)
        core.ask(Heartbeat())
        core.receive(encode_frame(to_payload(CloseFeed(), 0xA5)))
        core.unasked.clear()
        core.ask(Heartbeat())
        started = core.ask(Start(schedule_id=number))
        assert isinstance(started, Accepted)
        left = 2 * plan.duration_us + 200_000
        while left > 0:
            core.wait(min(left, 200_000))
            left -= 200_000
            core.ask(Heartbeat())
        edges = [e for e in core.unasked if isinstance(e, Edge)]
        zero = started.tick
        wanted = expected_edges(plan)
        assert [(e.tick - zero, e.outputs_mask) for e in edges] == [(2 * t, m) for t, m in wanted]
        (finished,) = (m for m in core.unasked if isinstance(m, Finished))
        assert finished.tick - zero == 2 * plan.duration_us
        assert finished.repeats_done == plan.repeat_count
        played += 1
    assert played >= 20


# --- streams, room, faults ---


def test_blocks_are_numbered_at_capture_and_dropped_whole_when_the_line_is_stuck(
    core: HostCore,
) -> None:
    for channel in range(7):
        core.set_code(channel, 100 + channel)
    core.ask(Stream(inputs_mask=0b1010, scan_period_us=100))
    core.wait(50_000)
    core.line_stuck(True)
    core.advance(100_000)
    core.messages(core.line_stuck(False))
    core.wait(50_000)
    blocks = [m for m in core.unasked if isinstance(m, Samples)]
    numbers = [b.block for b in blocks]
    assert numbers == sorted(set(numbers))
    lost = numbers[-1] + 1 - len(numbers)
    status = core.ask(ReadStatus())
    assert isinstance(status, Status)
    assert status.blocks_dropped == lost > 5
    first = blocks[0]
    for block in blocks:
        assert unpack_codes(block.packed, block.count, 10) == [101, 103] * (block.count // 2)
        assert block.tick - first.tick == 40 * 100 * block.block


def test_what_was_captured_is_still_sent_when_the_stream_stops(core: HostCore) -> None:
    core.ask(Stream(inputs_mask=0b11, scan_period_us=1_000))
    core.wait(2 * 7_300)
    core.ask(StopStream())
    core.wait(1_000)
    assert sum(m.count for m in core.unasked if isinstance(m, Samples)) == 14


def test_an_answer_that_has_no_room_waits_and_is_not_lost(core: HostCore) -> None:
    core.ask(Stream(inputs_mask=0b1010, scan_period_us=100))
    core.line_stuck(True)
    core.advance(40_000)
    asked = encode_frame(to_payload(ReadStatus(), 77))
    assert core.receive(asked * 6) == b""  # repeats of one request
    said = core.messages(core.line_stuck(False) + core.advance(1_000))
    assert len(said) == 6
    assert len(set(map(repr, said))) == 1


def test_the_first_fault_stays_and_is_told_once(core: HostCore) -> None:
    core.ask(Heartbeat())
    core.receive(encode_frame(to_payload(CloseFeed(), 0xA5)))
    core.messages(core.serial_break())
    core.wait(600_000)
    assert [m.fault for m in core.unasked if isinstance(m, Fault)] == [FaultReason.SERIAL_BREAK]


def test_a_fault_found_just_before_a_request_is_carried_out_refuses_it(core: HostCore) -> None:
    """The state is judged where the guard can no longer change it: the feed stays open."""
    core.ask(Heartbeat())
    core.ask(CloseFeed())
    core.break_before_hold()
    refused = Refused(
        request=CloseFeed.ID, reason=RefusalReason.FAULT_LATCHED, detail=FaultReason.SERIAL_BREAK
    )
    assert core.ask(CloseFeed()) == refused
    status = core.ask(ReadStatus())
    assert isinstance(status, Status)
    assert status.state is RigState.FAULT
    assert not status.flags & StatusFlag.FEED_CLOSED


def test_the_sanitizers_and_checks_are_really_on() -> None:
    """The board's own check stops a core whose outputs may be on together."""
    broken = HostCore(("-DSHARED_MASK=0u",))
    plan = Schedule(
        schedule_id=1,
        steps=(
            ScheduleStep(schedule_id=1, step=0, outputs_mask=3, duration_us=900, change_us=0),
            ScheduleStep(schedule_id=1, step=1, outputs_mask=0, duration_us=900, change_us=0),
        ),
        repeat_count=1,
    )
    assert isinstance(commit(broken, plan), Accepted)
    broken.ask(Heartbeat())
    broken.receive(encode_frame(to_payload(CloseFeed(), 0xA5)))
    broken.ask(Start(schedule_id=1))
    with pytest.raises(SanitizerStopped, match="two outputs on one shunt"):
        broken.advance(100_000)
    broken.close()


def test_from_payload_agrees_on_every_answer_of_a_long_session(core: HostCore) -> None:
    """Random whole requests of any kind: every byte the rig says is a message of the protocol."""
    chance = random.Random(3)
    for _ in range(4_000):
        body = bytes(chance.choice([0, 1, 7, 255, chance.randrange(256)]) for _ in range(11))
        identity = chance.randrange(1, 0x12)
        lengths = [0, 2, 1, 1, 0, 0, 5, 11, 4, 0, 0, 2, 0, 6, 0, 1, 3, 4]
        payload = bytes([identity, chance.randrange(256)]) + body[: lengths[identity]]
        data = core.receive(encode_frame(payload)) + core.advance(chance.randrange(400))
        for said in FrameDecoder().feed(data):
            from_payload(said)
