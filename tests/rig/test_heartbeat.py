"""The heartbeat: its pace, and what becomes of an answer that does not come."""

from __future__ import annotations

import asyncio

import pytest

from benchrig.errors import LinkError
from benchrig.rig.client import rig_on
from benchrig.rig.events import LinkLost
from benchrig.wire.messages import AllOff, Heartbeat, Message, OpenFeed, Status
from tests.rig.hearing import every_event
from tests.rig.scripted_rig import ScriptedRig
from tests.rig.test_client_on_sim import on_virtual_time


def test_a_beat_that_is_never_answered_ends_it_in_the_time_of_any_request() -> None:
    async def work() -> None:
        link = ScriptedRig()
        loop = asyncio.get_running_loop()
        async with rig_on(link) as rig:
            await asyncio.sleep(1.05)
            link.deaf, link.writes = True, 0
            begun_s = loop.time()
            events = [event async for event in every_event(rig)]
            assert isinstance(events[-1], LinkLost)
            assert "no answer to Heartbeat within 0.75 s" in events[-1].reason
            assert link.writes == 4, "said once and repeated three times"
            assert loop.time() - begun_s == pytest.approx(0.75, abs=0.1001)
            with pytest.raises(LinkError):
                await rig.all_off()

    on_virtual_time(work)


def test_a_lost_answer_to_a_beat_is_asked_for_again_and_beats_go_on() -> None:
    async def work() -> None:
        link = ScriptedRig()
        async with rig_on(link):
            await asyncio.sleep(0.5)
            before = link.asked.count(Heartbeat())
            link.lose_answers = 3
            await asyncio.sleep(1.0)
            assert link.session.repeats_seen == 3
            assert link.asked.count(Heartbeat()) - before >= 9

    on_virtual_time(work)


def test_a_request_waits_for_the_answer_to_a_beat_and_a_beat_for_a_request() -> None:
    async def work() -> None:
        link = ScriptedRig()
        async with rig_on(link) as rig:
            link.lose_answers = 1
            beaten = asyncio.Event()

            def beat(_: Message) -> Message:
                beaten.set()
                return link.status

            link.answers[Heartbeat] = beat
            await beaten.wait()
            await rig.all_off()  # asked while the beat is not answered
            assert link.session.repeats_seen == 1
            assert link.asked[-2:] == [Heartbeat(), AllOff()]
            link.lose_answers = 3
            count = len(link.asked)
            await rig.all_off()  # takes longer than a beat's period
            await asyncio.sleep(0.01)
            assert link.asked[count:] == [AllOff(), Heartbeat()]

    on_virtual_time(work)


def test_a_mistake_in_a_beat_is_told_to_whoever_opened_the_rig() -> None:
    class Mistake(Exception):
        pass

    def mistaken(_: Message) -> Status:
        raise Mistake

    async def work() -> None:
        link = ScriptedRig()
        async with rig_on(link):
            link.answers[Heartbeat] = mistaken
            await asyncio.sleep(0.3)

    with pytest.raises(Mistake):
        on_virtual_time(work)


def test_a_mistake_in_a_beat_leaves_the_rig_to_those_who_make_it_safe() -> None:
    class Mistake(Exception):
        pass

    def mistaken(_: Message) -> Status:
        raise Mistake

    link = ScriptedRig()

    async def work() -> None:
        async with rig_on(link) as rig:
            link.answers[Heartbeat] = mistaken
            await asyncio.sleep(0.3)
            async with asyncio.timeout(1.0):
                await rig.all_off()
            await asyncio.sleep(1.0)

    with pytest.raises(Mistake):
        on_virtual_time(work)
    said = [type(message) for message in link.asked[link.asked.index(AllOff()) :]]
    assert said == [AllOff, OpenFeed], "without beats the rig drops everything"


def test_a_mistake_as_something_is_said_again_is_told_and_hangs_nobody() -> None:
    class Mistake(Exception):
        pass

    class Stumbling(ScriptedRig):
        said = b""

        def write(self, data: bytes) -> None:
            if data == self.said:
                raise Mistake
            self.said = data
            super().write(data)

    async def in_a_request() -> None:
        link = Stumbling()
        async with rig_on(link) as rig, asyncio.timeout(2.0):
            link.lose_answers = 1
            with pytest.raises(Mistake):
                await rig.all_off()
            await rig.all_off()

    link = Stumbling()

    async def in_a_beat() -> None:
        async with rig_on(link) as rig, asyncio.timeout(2.0):
            await asyncio.sleep(0.01)
            link.lose_answers = 1
            await asyncio.sleep(0.3)
            await rig.all_off()

    on_virtual_time(in_a_request)
    with pytest.raises(Mistake):
        on_virtual_time(in_a_beat)
    assert link.asked[-2:] == [AllOff(), OpenFeed()]
