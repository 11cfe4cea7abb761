"""The client against the simulated rig, on virtual time: long runs, bad lines, a pulled cable."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

import numpy as np
import pytest

from benchrig.errors import LinkError, RigRefused
from benchrig.measure.samples import SampleBlock
from benchrig.rig.client import Rig, RigClientState, open_rig
from benchrig.rig.events import EdgeEvent, FaultEvent, FinishedEvent, LinkLost, RigEvent
from benchrig.wire.messages import FaultReason, InputRole, RigState, ScheduleStep, StatusFlag
from benchrig.wire.schedule import Schedule
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.rig.hearing import every_event

T = TypeVar("T")


def on_virtual_time(work: Callable[[], Awaitable[T]]) -> T:
    async def main() -> T:
        return await work()

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main())


def schedule(*steps: tuple[int, int], repeats: int = 1) -> Schedule:
    return Schedule(
        schedule_id=7,
        steps=tuple(
            ScheduleStep(schedule_id=7, step=n, outputs_mask=mask, duration_us=us, change_us=0)
            for n, (mask, us) in enumerate(steps)
        ),
        repeat_count=repeats,
    )


SIX_SECOND = schedule((1, 6_000_000), (0, 6_000_000), repeats=25)


async def run(rig: Rig, plan: Schedule) -> tuple[int, list[RigEvent]]:
    await rig.load(plan)
    await asyncio.sleep(0.15)  # a heartbeat has gone by
    await rig.close_feed()
    tick = await rig.start(plan.schedule_id)
    events: list[RigEvent] = []
    async for event in every_event(rig):
        events.append(event)
        if isinstance(event, (FinishedEvent, FaultEvent, LinkLost)):
            break
    return tick, events


def test_five_minutes_lose_nothing_and_come_in_order() -> None:
    async def work() -> None:
        async with open_rig("sim:healthy") as rig:
            loop = asyncio.get_running_loop()
            currents = [s.input for s in rig.scales if s.role is InputRole.CURRENT_COARSE]
            info = await rig.stream([0, *currents], 1000)
            begun_s = loop.time()
            tick, events = await run(rig, SIX_SECOND)
            assert 299 < loop.time() - begun_s < 302
            assert isinstance(events[-1], FinishedEvent)
            assert not events[-1].seen_in_status
            edges = [e for e in events if isinstance(e, EdgeEvent) and e.cause.name == "SCHEDULE"]
            assert [e.outputs_mask for e in edges] == [1, 0] * 25
            at_s = np.array([e.tick - tick for e in edges]) * rig.tick_s
            assert np.allclose(at_s, 6.0 * np.arange(50), atol=0.001)
            assert np.allclose(np.diff(at_s), 6.0, atol=2e-6)
            blocks = [e for e in events if isinstance(e, SampleBlock)]
            held = [b.blocks for b in blocks]
            assert [b.block for b in blocks] == [sum(held[:n]) for n in range(len(blocks))]
            assert sum(held) > len(blocks)  # what came together was read together
            ticks = np.array([b.tick for b in blocks])
            scans = np.cumsum([0, *(len(b.codes) for b in blocks[:-1])])
            assert np.abs(ticks - ticks[0] - scans * info.scan_period_ticks).max() <= 2
            assert scans[-1] > 290_000
            assert (rig.blocks_lost, rig.edges_lost, rig.unasked_lost) == (0, 0, 0)
            assert (rig.frames_bad, rig.violations) == (0, 0)
            ratio = rig.clock_ratio
            assert ratio is not None
            assert ratio.uncertainty_ppm < 100
            assert (await rig.read_status()).state is RigState.IDLE

    on_virtual_time(work)


def test_the_current_is_seen_at_its_scale() -> None:
    async def work() -> None:
        async with open_rig("sim:healthy") as rig:
            (scale,) = (s for s in rig.scales if s.role is InputRole.CURRENT_COARSE)
            await rig.stream([scale.input], 200)
            _, events = await run(rig, schedule((1, 500_000), (0, 200_000)))
            amperes = np.concatenate(
                [scale.to_si(e.codes[:, 0]) for e in events if isinstance(e, SampleBlock)]
            )
            assert 0.3 < np.percentile(amperes, 95) < 8
            assert abs(np.percentile(amperes, 5)) < 0.1

    on_virtual_time(work)


def test_without_the_client_the_rig_drops_everything() -> None:
    async def work() -> None:
        async with open_rig("sim:healthy") as rig:
            await rig.load(SIX_SECOND)
            await asyncio.sleep(0.15)
            await rig.close_feed()
            await rig.start(7)
            await asyncio.sleep(1.0)
            assert rig.status.state is RigState.RUNNING
            assert rig._heartbeat is not None
            rig._heartbeat.stop()
            await asyncio.sleep(0.5)
            status = await rig.read_status()
            assert status.fault is FaultReason.HEARTBEAT_SILENCE
            assert status.outputs_readback == 0
            assert not status.flags & StatusFlag.FEED_READBACK
            assert [e.fault for e in rig.take_events() if isinstance(e, FaultEvent)] == [
                FaultReason.HEARTBEAT_SILENCE
            ]
            with pytest.raises(RigRefused, match="no heartbeat"):
                await rig.start(7)
            await rig.clear_fault(FaultReason.HEARTBEAT_SILENCE)

    on_virtual_time(work)


@pytest.mark.parametrize("number", range(1, 12))
@pytest.mark.parametrize("kind", ["byte-lost", "bit-flipped", "frame-lost", "frame-doubled"])
@pytest.mark.parametrize("way", ["in", "out"])
def test_any_frame_may_be_hurt_on_the_way(kind: str, way: str, number: int) -> None:
    """Frames of the load and start: hurt one, and everything still happens, once."""
    number += 20  # beyond Hello and the descriptions

    async def work() -> None:
        async with open_rig(f"sim:healthy?fault={kind}@{way}{number}") as rig:
            _, events = await run(rig, schedule((1, 20_000), (0, 20_000), repeats=3))
            assert isinstance(events[-1], FinishedEvent)
            masks = [
                e.outputs_mask
                for e in events
                if isinstance(e, EdgeEvent) and e.cause.name == "SCHEDULE"
            ]
            assert len(masks) + rig.edges_lost >= 6
            assert rig.status.fault is FaultReason.NONE

    on_virtual_time(work)


def test_a_pulled_cable_ends_it_for_good() -> None:
    async def work() -> None:
        async with open_rig("sim:healthy?fault=unplug@3s") as rig:
            _, events = await run(rig, SIX_SECOND)
            assert isinstance(events[-1], LinkLost)
            assert rig.state is RigClientState.LOST
            for request in (rig.all_off, rig.read_status, rig.open_feed):
                with pytest.raises(LinkError):
                    await request()

    on_virtual_time(work)


def test_a_reset_in_the_middle_is_told() -> None:
    async def work() -> list[str]:
        async with open_rig("sim:healthy?fault=brown-out@3s") as rig:
            await rig.load(SIX_SECOND)
            await asyncio.sleep(0.15)
            await rig.close_feed()
            await rig.start(7)
            await asyncio.sleep(5)
            return [type(event).__name__ for event in rig.take_events()]

    assert "RigRestarted" in on_virtual_time(work)
