"""The emulated rig as a link: the simulator's physics on its pins, and a true serial path."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from itertools import pairwise

import numpy as np
import pytest

from avr.link import AvrLink, open_avr_link
from avr.plant import SimulatedBench
from avr.serial_port import EmulatedPort
from avr.virtual_time import new_event_loop
from benchrig.errors import LinkError, UsageError
from benchrig.rig.link import Link, open_link
from benchrig.wire.frames import FrameDecoder, encode_frame
from benchrig.wire.messages import (
    UNASKED,
    CloseFeed,
    DescribeInput,
    Fault,
    Heartbeat,
    Hello,
    Identity,
    InputInfo,
    Message,
    OpenFeed,
    Samples,
    ScheduleBegin,
    ScheduleCommit,
    Start,
    Status,
    Stream,
    from_payload,
    to_payload,
)
from benchrig.wire.packing import unpack_codes
from tests.firmware.bare_rig import schedule


class Talk:
    """A small host on a link."""

    def __init__(self, link: Link) -> None:
        self.link = link
        self.decoder = FrameDecoder()
        self.heard: list[Message] = []
        self._sequence = 0
        link.write(b"\x00")

    async def ask(self, request: Message) -> Message:
        sequence, self._sequence = self._sequence, (self._sequence + 1) & 0xFF
        self.link.write(encode_frame(to_payload(request, sequence)))
        answer: Message | None = None
        async with asyncio.timeout(1.0):
            while answer is None:
                for payload in self.decoder.feed(await self.link.read()):
                    message, number = from_payload(payload)
                    self.heard.append(message)
                    if not isinstance(message, UNASKED) and number == sequence:
                        answer = message
        return answer

    async def beat_for(self, seconds: float) -> None:
        end = asyncio.get_running_loop().time() + seconds
        while asyncio.get_running_loop().time() < end:
            await self.ask(Heartbeat())
            await asyncio.sleep(0.05)


@contextlib.asynccontextmanager
async def healthy_rig() -> AsyncIterator[tuple[Talk, AvrLink]]:
    link = open_avr_link("healthy")
    try:
        yield Talk(link), link
    finally:
        await link.close()
        link.power_off()


async def _measure() -> tuple[float, float]:
    """(amperes by the rig's codes, amperes in truth) on the plateau of a long pulse."""
    async with healthy_rig() as (talk, link):
        info = await talk.ask(DescribeInput(input=4))
        assert isinstance(info, InputInfo)
        plan = schedule((1, 700_000, 0), (0, 100_000, 0))
        await talk.ask(ScheduleBegin(schedule_id=7, step_count=2, repeat_count=1))
        for step in plan.steps:
            await talk.ask(step)
        await talk.ask(ScheduleCommit(schedule_id=7, steps_crc=plan.steps_crc))
        await talk.ask(Heartbeat())
        await talk.ask(CloseFeed())
        await talk.ask(Stream(inputs_mask=0b11000, scan_period_us=200))
        await talk.ask(Start(schedule_id=7))
        await talk.beat_for(0.38)
        assert isinstance(link.bench, SimulatedBench)
        assert not [m for m in talk.heard if isinstance(m, Fault)]
        truth = link.bench.plant.truth(0).current_a
        blocks = [m for m in talk.heard if isinstance(m, Samples)][-20:]
        codes = [unpack_codes(b.packed, b.count, 10)[1::2] for b in blocks]
        await talk.ask(OpenFeed())
        await talk.beat_for(0.2)
        status = await talk.ask(Heartbeat())
        assert isinstance(status, Status)
        assert status.outputs_readback == 0
        assert not link.bench.plant.energised()
    mean = float(np.mean(np.concatenate(codes)))
    return (mean - info.zero_code) * info.full_scale * 1e-6 / 1024, truth


def test_the_current_of_the_simulated_part_comes_through_the_firmware() -> None:
    with asyncio.Runner(loop_factory=new_event_loop) as runner:
        read, truth = runner.run(_measure())
    assert truth > 0.3
    assert read == pytest.approx(truth, rel=0.03)


async def _silence() -> tuple[float, bool]:
    async with healthy_rig() as (talk, link):
        await talk.ask(Heartbeat())
        await talk.ask(CloseFeed())
        began = asyncio.get_running_loop().time()
        await asyncio.sleep(0.4)
        return asyncio.get_running_loop().time() - began, link.emulator.feed


def test_the_loop_waits_on_emulated_time() -> None:
    with asyncio.Runner(loop_factory=new_event_loop) as runner:
        waited, feed = runner.run(_silence())
    assert waited == pytest.approx(0.4, abs=1e-3)
    assert not feed


def test_an_ordinary_loop_is_refused_with_advice() -> None:
    async def on_the_wrong_loop() -> None:
        open_avr_link("healthy")

    with pytest.raises(UsageError, match="event loop"):
        asyncio.run(on_the_wrong_loop())


def test_a_closed_link_sends_nothing() -> None:
    async def closed() -> None:
        async with healthy_rig() as (_, link):
            await link.close()
            with pytest.raises(LinkError):
                link.write(b"\x00")

    with asyncio.Runner(loop_factory=new_event_loop) as runner:
        runner.run(closed())


async def _over_the_port(port: EmulatedPort) -> list[Message]:
    """Through the operating system's serial driver, in real time."""
    link = await open_link(port.path)
    try:
        talk = Talk(link)
        identity = await talk.ask(Hello(protocol_major=1, protocol_minor=0))
        assert isinstance(identity, Identity)
        await talk.ask(Stream(inputs_mask=0b11, scan_period_us=200))
        for _ in range(12):
            status = await talk.ask(Heartbeat())
            assert isinstance(status, Status)
            await asyncio.sleep(0.05)
        assert talk.decoder.frames_bad == 0
        return talk.heard
    finally:
        await link.close()


def test_the_firmware_answers_over_a_true_serial_port() -> None:
    with EmulatedPort() as port:
        heard = asyncio.run(_over_the_port(port))
    blocks = [m for m in heard if isinstance(m, Samples)]
    assert len(blocks) > 50
    assert {b.block - a.block for a, b in pairwise(blocks)} == {1}
