"""The one reader of a rig's news: looks that end when they should, mistakes that end nothing."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

import pytest

from benchrig.bench.observer import Observer
from benchrig.errors import RigError
from benchrig.measure.samples import SampleBlock
from benchrig.rig.client import Rig, open_rig
from benchrig.wire.messages import InputRole, ReadStatus
from benchrig_sim.virtual_time import VirtualTimeLoop

T = TypeVar("T")
SUPPLY = (InputRole.SUPPLY_VOLTAGE,)


def with_rig(work: Callable[[Rig, Observer], Awaitable[T]], scenario: str = "healthy") -> T:
    async def main() -> T:
        async with open_rig(f"sim:{scenario}") as rig, Observer(rig, 0) as observer:
            return await work(rig, observer)

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main())


def test_a_look_ends_as_soon_as_it_is_long_enough_and_says_how_the_rig_stood_then() -> None:
    async def work(rig: Rig, observer: Observer) -> None:
        loop = asyncio.get_running_loop()
        for duration_s in (0.02, 0.1, 0.25):
            begun_s, tick = loop.time(), rig.status.tick
            window = await observer.window(SUPPLY, duration_s)
            took_s = loop.time() - begun_s
            assert duration_s <= took_s <= duration_s + 0.0191, "a block of samples later"
            assert window.readings[InputRole.SUPPLY_VOLTAGE].count == round(duration_s * 1e4)
            assert window.status is rig.status
            assert window.status.tick > tick

    with_rig(work)


def test_a_look_that_is_left_open_holds_all_that_came_until_it_is_ended() -> None:
    async def work(rig: Rig, observer: Observer) -> None:
        look = await observer.begin_look(SUPPLY)
        await asyncio.sleep(0.5)
        window = await observer.end_look(look, 0.02)
        assert 4800 <= window.readings[InputRole.SUPPLY_VOLTAGE].count <= 5000
        after = look.scans
        await asyncio.sleep(0.3)  # its stream goes on
        assert look.scans == after, "ended is ended"

    with_rig(work)


def test_samples_that_do_not_come_end_a_look() -> None:
    async def work(rig: Rig, observer: Observer) -> None:
        look = await observer.begin_look(SUPPLY)
        await rig.stop_stream()
        with pytest.raises(RigError, match="stopped coming"):
            await observer.end_look(look, 0.5)

    with_rig(work)


def test_what_was_told_before_it_listened_is_heard() -> None:
    async def main() -> int:
        async with open_rig("sim:healthy") as rig:
            await rig.stream([0], 100)
            await asyncio.sleep(0.3)
            seen: list[SampleBlock] = []
            async with Observer(rig, 0, on_raw=seen.append):
                before = sum(len(block.codes) for block in seen)
            await asyncio.sleep(0.3)
            assert sum(len(block.codes) for block in seen) == before, "nobody listens any more"
            return before

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        assert runner.run(main()) > 1000


def test_a_mistake_in_one_piece_of_news_is_kept_and_the_next_is_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async def work(rig: Rig, observer: Observer) -> None:
        with monkeypatch.context() as patch:
            patch.setattr(Observer, "_take_joined", lambda *_: 1 / 0)
            await rig.stream([0], 100)
            await asyncio.sleep(0.2)
        assert isinstance(observer.mistake, ZeroDivisionError)
        assert observer.stopped
        assert await rig.request(ReadStatus()) is rig.status, "the conversation goes on"
        assert (await observer.window(SUPPLY, 0.02)).mean(InputRole.SUPPLY_VOLTAGE) is not None

    with_rig(work)


def test_waiting_for_a_turn_ends_with_the_time_the_schedule_or_a_call() -> None:
    async def work(_: Rig, observer: Observer) -> None:
        loop = asyncio.get_running_loop()
        begun_s = loop.time()
        await observer.wait_turn(0.7)
        assert loop.time() - begun_s == pytest.approx(0.7)
        loop.call_later(0.1, observer.wake)
        await observer.wait_turn(5.0)
        assert loop.time() - begun_s == pytest.approx(0.8)
        observer.finished = True
        await observer.wait_turn(5.0)
        assert loop.time() - begun_s == pytest.approx(0.8)

    with_rig(work)
