"""The client against a scripted rig: what it does when things go wrong."""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from benchrig.errors import LinkError, ProtocolViolation, RigRefused
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.rig.client import (
    Rig,
    RigClientState,
    VersionNotSpoken,
    rig_on,
)
from benchrig.rig.clock import ClockComparison, ClockPoint
from benchrig.rig.events import (
    EdgeEvent,
    FaultEvent,
    FinishedEvent,
    LinkLost,
    RigEvent,
    RigRestarted,
)
from benchrig.rig.heartbeat import BEFORE_LOOK_S, PERIOD_S, next_beat_s
from benchrig.wire.messages import (
    Accepted,
    AllOff,
    ClearFault,
    DescribeInput,
    Edge,
    EdgeCause,
    Fault,
    FaultReason,
    Finished,
    Heartbeat,
    Hello,
    Message,
    OpenFeed,
    RefusalReason,
    Refused,
    RigState,
    Samples,
    ScheduleBegin,
    ScheduleCommit,
    ScheduleStep,
    Start,
    Stream,
    Streaming,
)
from benchrig.wire.packing import pack_codes
from benchrig.wire.schedule import Schedule
from tests.rig.hearing import every_event, next_events
from tests.rig.scripted_rig import IDENTITY, ScriptedRig

pytestmark = pytest.mark.asyncio


def edge(number: int, tick: int = 0) -> Edge:
    return Edge(edge=number, tick=tick, outputs_mask=1, cause=EdgeCause.SCHEDULE)


def block(number: int, codes: list[int], stream: int = 1) -> Samples:
    return Samples(
        stream=stream, block=number, tick=7, count=len(codes), packed=pack_codes(codes, 10)
    )


def refuse(reason: RefusalReason, detail: int) -> Callable[[Message], Message]:
    return lambda request: Refused(request=request.ID, reason=reason, detail=detail)


async def collect(rig: Rig, count: int) -> list[RigEvent]:
    events: list[RigEvent] = []
    async with asyncio.timeout(5):
        while len(events) < count:
            batch = await next_events(rig)
            if not batch:
                break
            events += batch
    return events


async def test_opening_learns_who_the_rig_is() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        assert rig.state is RigClientState.OPEN
        assert rig.identity == IDENTITY
        assert [o.output for o in rig.outputs] == [0, 1]
        assert [s.step for s in rig.scales] == [10 / 1024] * 2
        assert rig.status.boot_count == 3
    assert rig.state.value == "closed"
    assert type(link.asked[0]) is Hello
    assert type(link.asked[-1]) is OpenFeed  # the last thing asked
    with pytest.raises(LinkError, match="closed"):
        await rig.all_off()


async def test_a_calibration_corrects_the_scales() -> None:
    class Gain:
        def correct(self, unique_id: int, scale: InputScale) -> InputScale:
            assert unique_id == IDENTITY.unique_id
            return replace(scale, gain=1.02, calibrated=True)

    async with rig_on(ScriptedRig(), Gain()) as rig:
        assert all(s.gain == 1.02 and s.calibrated for s in rig.scales)


async def test_the_heartbeat_keeps_its_pace_beside_requests() -> None:
    link = ScriptedRig()
    loop = asyncio.get_running_loop()
    beats: list[float] = []

    def beat(_: Message) -> Message:
        beats.append(loop.time())
        return link.status

    link.answers[Heartbeat] = beat
    async with rig_on(link) as rig:
        until = loop.time() + 0.75
        longest, last = 0.0, loop.time()
        while last < until:
            await rig.read_status()  # back to back: as hard as one caller can press
            longest, last = max(longest, loop.time() - last), loop.time()
    gaps = np.diff(beats)
    assert len(gaps) >= 6
    assert gaps.max() < 0.15 + longest  # a machine that stands still for a while is no fault


@pytest.mark.parametrize("late_s", [0.0, -1e-9, 0.0004, 0.006])
async def test_beats_of_rigs_come_together_and_never_later_than_a_period(late_s: float) -> None:
    for hundredth in range(100):
        sent_s = 7.0 + hundredth / 1000
        sends = [sent_s]
        for _ in range(20):
            due_s = next_beat_s(sends[-1])
            assert sends[-1] < due_s <= sends[-1] + PERIOD_S
            sends.append(due_s + late_s)
        phases = np.mod(np.array(sends[10:]) + BEFORE_LOOK_S - late_s + 0.01, PERIOD_S) - 0.01
        assert np.all(np.abs(phases) < 0.0021 + abs(late_s)), hundredth
        gaps = np.diff(sends[10:])
        assert np.all(np.abs(gaps - PERIOD_S) < 1e-6)


async def test_a_lost_answer_is_asked_for_again_and_done_once() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        link.lose_answers = 2
        await rig.start(9)
        assert link.asked.count(Start(schedule_id=9)) == 1
        assert link.session.repeats_seen == 2


async def test_a_silent_rig_ends_it_for_everybody() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        link.deaf = True
        results = await asyncio.gather(
            rig.read_status(), rig.all_off(), collect(rig, 1), return_exceptions=True
        )
        assert isinstance(results[0], LinkError)
        assert isinstance(results[1], LinkError)
        assert results[0] is not results[1]
        assert isinstance(results[2], list)
        assert isinstance(results[2][-1], LinkLost)
        assert rig.state is RigClientState.LOST
        assert [e async for e in every_event(rig)] == []
        writes = link.writes
        with pytest.raises(LinkError, match="no answer"):
            await rig.all_off()
        assert link.writes == writes  # lost is lost: nothing is sent any more


async def test_an_unplugged_link_wakes_a_pending_request_at_once() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        link.deaf = True
        loop = asyncio.get_running_loop()
        begun = loop.time()
        loop.call_later(0.02, link.unplug)
        with pytest.raises(LinkError, match="unplugged"):
            await rig.read_status()
        assert loop.time() - begun < 0.5


async def test_an_error_of_the_caller_passes_unchanged_and_the_feed_is_opened() -> None:
    link = ScriptedRig()
    with pytest.raises(KeyError, match="mine"):
        async with rig_on(link):
            raise KeyError("mine")
    assert type(link.asked[-1]) is OpenFeed


async def test_another_major_version_is_a_named_error() -> None:
    link = ScriptedRig()
    link.answers[Hello] = refuse(RefusalReason.VERSION_NOT_SPOKEN, 2)
    with pytest.raises(VersionNotSpoken, match="speaks protocol version 2"):
        async with rig_on(link):
            pass
    link = ScriptedRig()
    link.answers[Hello] = lambda _: replace(IDENTITY, protocol_major=3)
    with pytest.raises(VersionNotSpoken, match="version 3"):
        async with rig_on(link):
            pass


async def test_a_refusal_says_why_and_what_would_do() -> None:
    link = ScriptedRig()
    link.answers[ScheduleCommit] = refuse(RefusalReason.ON_TIME_OVER_CEILING, 6_500_000)
    step = ScheduleStep(schedule_id=1, step=0, outputs_mask=0, duration_us=5, change_us=0)
    async with rig_on(link) as rig:
        with pytest.raises(RigRefused, match="ceiling of 6500 ms") as caught:
            await rig.load(Schedule(schedule_id=1, steps=(step,), repeat_count=4))
        assert (caught.value.reason, caught.value.detail) == ("ON_TIME_OVER_CEILING", 6_500_000)
        assert "at most 6500 ms" in caught.value.advice
        assert ScheduleBegin(schedule_id=1, step_count=1, repeat_count=4) in link.asked
        assert await rig.all_off() == 0  # a refusal ends nothing


async def test_blocks_edges_and_their_loss() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        info = await rig.stream([0, 1], 100)
        assert (info.inputs, info.code_bits) == ((0, 1), 10)
        link.say(block(0, [1, 2, 3, 4]), edge(0), block(3, [5, 1023]), edge(2, tick=2**32 - 1))
        link.say(edge(3, tick=1))
        events = await collect(rig, 5)
    first, _, second, *edges = events
    assert isinstance(first, SampleBlock)
    assert isinstance(second, SampleBlock)
    assert first.codes.dtype == np.int16
    assert first.codes.tolist() == [[1, 2], [3, 4]]
    assert second.codes.tolist() == [[5, 1023]]
    assert (second.block, second.scan_period_ticks) == (3, 200)
    assert rig.blocks_lost == 2
    assert rig.edges_lost == 1
    assert [e.tick for e in edges if isinstance(e, EdgeEvent)] == [-1, 1]


async def test_blocks_that_come_before_the_answer_to_stream_are_kept() -> None:
    link = ScriptedRig()

    def stream(request: Message) -> Message:
        assert isinstance(request, Stream)
        link.say(block(0, [1, 2]), block(1, [3, 4]))
        return Streaming(stream=1, inputs_mask=3, code_bits=10, scan_period_ticks=200)

    link.answers[Stream] = stream
    async with rig_on(link) as rig:
        await rig.stream([0, 1], 100)
        events = await collect(rig, 2)
        assert [e.block for e in events if isinstance(e, SampleBlock)] == [0, 1]
        link.say(block(2, [9, 9], stream=0), block(2, [5, 6]))  # one of an older stream
        (event,) = await collect(rig, 1)
        assert isinstance(event, SampleBlock)
        assert event.codes.tolist() == [[5, 6]]
        assert rig.blocks_lost == 0


async def test_a_damaged_block_before_the_answer_to_stream_costs_nothing_else() -> None:
    link = ScriptedRig()

    def stream(request: Message) -> Message:
        assert isinstance(request, Stream)
        link.say(block(0, [1, 2, 3]))  # no whole scans
        return Streaming(stream=1, inputs_mask=3, code_bits=10, scan_period_ticks=200)

    link.answers[Stream] = stream
    async with rig_on(link) as rig:
        await rig.stream([0, 1], 100)
        assert (rig.violations, rig.state) == (1, RigClientState.OPEN)


@pytest.mark.parametrize("answer", [{"inputs_mask": 5}, {"scan_period_ticks": 0}])
async def test_a_stream_that_nobody_asked_for_is_never_taken_for_one(
    answer: dict[str, int],
) -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        await rig.stream([0, 1], 100)
        whole = Streaming(stream=2, inputs_mask=3, code_bits=10, scan_period_ticks=200)
        link.answers[Stream] = lambda _: replace(whole, **answer)
        with pytest.raises(ProtocolViolation, match="asked"):
            await rig.stream([0, 1], 100)
        link.say(block(0, [1, 2], stream=2), block(0, [1, 2]))
        await rig.read_status()
        assert rig.take_events() == []


async def test_a_fault_is_told_once_whether_by_message_or_by_status() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        link.status = replace(
            link.status,
            state=RigState.FAULT,
            fault=FaultReason.OVER_CURRENT,
            fault_detail=1,
            fault_tick=90,
            tick=100,
        )
        await rig.read_status()
        link.say(Fault(fault=FaultReason.OVER_CURRENT, detail=1, tick=90))
        await rig.read_status()
        assert rig.take_events() == [FaultEvent(fault=FaultReason.OVER_CURRENT, detail=1, tick=90)]
        await rig.clear_fault(FaultReason.OVER_CURRENT)
        assert ClearFault(fault=FaultReason.OVER_CURRENT) in link.asked


async def test_a_lost_finished_is_found_in_the_status() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        await rig.start(5)
        link.status = replace(link.status, schedule_id=5, repeats_done=25, tick=44)
        (event,) = await collect(rig, 1)
        assert event == FinishedEvent(schedule_id=5, repeats_done=25, tick=44, seen_in_status=True)
        link.say(Finished(schedule_id=5, repeats_done=25, tick=44))
        await rig.read_status()
        assert rig.take_events() == []


async def test_a_late_word_of_an_earlier_schedule_ends_no_other() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        await rig.start(5)
        await rig.start(6)
        link.say(Finished(schedule_id=5, repeats_done=1, tick=9))
        link.say(Finished(schedule_id=6, repeats_done=2, tick=44))
        (event,) = await collect(rig, 1)
        assert event == FinishedEvent(schedule_id=6, repeats_done=2, tick=44)


async def test_finished_in_the_same_breath_as_the_answer_to_start() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:

        def start(request: Message) -> Message:
            loop = asyncio.get_running_loop()
            finished = Finished(schedule_id=5, repeats_done=1, tick=9)
            loop.call_soon(loop.call_soon, link.say, finished)  # right behind the answer
            return Accepted(request=request.ID, tick=0)

        link.answers[Start] = start
        await rig.start(5)
        (event,) = await collect(rig, 1)
        assert event == FinishedEvent(schedule_id=5, repeats_done=1, tick=9)


async def test_a_rig_that_restarted_is_told() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        link.status = replace(link.status, boot_count=4, fault=FaultReason.WATCHDOG)
        await rig.read_status()
        assert rig.take_events() == [RigRestarted(boot_count=4, fault=FaultReason.WATCHDOG)]


async def test_the_clocks_are_compared_from_a_restart_on() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        clock = rig._exchange.clock = ClockComparison(rig.tick_s)
        at_s = asyncio.get_running_loop().time() - 100.0
        clock.add(ClockPoint(sent_s=at_s, answered_s=at_s, tick=-200_000_000))
        await rig.read_status()
        assert rig.clock_ratio is not None
        link.status = replace(link.status, boot_count=4, tick=5)
        await rig.read_status()
        assert rig.clock_ratio is None, "its ticks began anew"


async def test_a_rig_that_talks_nonsense_ends_as_a_protocol_violation() -> None:
    link = ScriptedRig()
    link.answers[AllOff] = lambda _: edge(0)
    async with rig_on(link) as rig:
        await rig.stream([0, 1], 100)
        link.say(block(0, [1, 2, 3]))  # no whole scans: counted, not believed
        await rig.read_status()
        assert (rig.violations, rig.take_events()) == (1, [])
        with pytest.raises(ProtocolViolation):
            await rig.all_off()


async def test_events_nobody_hears_are_bounded_and_counted() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        for number in range(10_000):
            link.say(edge(number))
        await rig.read_status()
        assert len(rig.take_events()) == 8192
        assert rig.edges_lost == 10_000 - 8192


async def test_rubbish_on_the_line_is_counted_and_survived() -> None:
    generator = random.Random(4)
    link = ScriptedRig()
    async with rig_on(link) as rig:
        for _ in range(50):
            link.inbox.put(generator.randbytes(200) + b"\0")
            await rig.read_status()
        assert rig.frames_bad >= 50


async def test_a_cancelled_request_leaves_the_session_usable() -> None:
    link = ScriptedRig()
    async with rig_on(link) as rig:
        link.lose_answers = 1
        task = asyncio.create_task(rig.all_off())
        await asyncio.sleep(0)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert task.cancelled()
        await rig.open_feed()


async def test_a_rig_that_cannot_be_described_is_refused_in_words() -> None:
    link = ScriptedRig()
    link.answers[DescribeInput] = refuse(RefusalReason.NO_SUCH_INPUT, 1)
    with pytest.raises(RigRefused, match="only 1 inputs"):
        async with rig_on(link):
            pass
