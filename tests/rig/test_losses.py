"""Every lost message is counted, and a line that loses one frame in a hundred does no harm."""

from __future__ import annotations

import random
from collections import Counter

import pytest

from benchrig.measure.samples import SampleBlock
from benchrig.rig.client import rig_on
from benchrig.rig.events import EdgeEvent, FinishedEvent
from benchrig.wire.frames import FrameDecoder
from benchrig.wire.messages import UNASKED, Edge, Samples, from_payload
from benchrig_sim.link import SimLink, open_sim_link
from tests.rig.hearing import next_events
from tests.rig.test_client_on_sim import SIX_SECOND, on_virtual_time, run


class LossyLink:
    """A link that loses whole frames, either way, and remembers which."""

    def __init__(self, link: SimLink, share: float, seed: int) -> None:
        self._link = link
        self._share = share
        self._generator = random.Random(seed)
        self.lost_requests = 0
        self.lost: Counter[type] = Counter()
        self.lossless = True  # while the session is being opened

    @property
    def name(self) -> str:
        return self._link.name

    async def read(self) -> bytes:
        while data := await self._link.read():
            kept = b"".join(self._filter(data))
            if kept:
                return kept
        return b""

    def _filter(self, data: bytes) -> list[bytes]:
        kept = []
        for frame in data.split(b"\x00")[:-1]:
            if self.lossless or self._generator.random() >= self._share:
                kept.append(frame + b"\x00")
            else:
                (payload,) = FrameDecoder().feed(frame + b"\x00")
                self.lost[type(from_payload(payload)[0])] += 1
        return kept

    def write(self, data: bytes) -> None:
        if self.lossless or self._generator.random() >= self._share:
            self._link.write(data)
        else:
            self.lost_requests += 1

    async def send_break(self) -> None:
        await self._link.send_break()

    async def close(self) -> None:
        await self._link.close()


@pytest.mark.parametrize("seed", range(2))
def test_a_line_that_loses_one_frame_in_a_hundred(seed: int) -> None:
    async def work() -> None:
        link = LossyLink(open_sim_link("healthy"), 0.01, seed)
        async with rig_on(link) as rig:
            await rig.stream([0, 3], 1000)
            link.lossless = False
            _, events = await run(rig, SIX_SECOND)
            link.lossless = True
            await rig.read_status()
            events += await next_events(rig)
            assert any(isinstance(event, FinishedEvent) for event in events)
            assert link.lost_requests > 10
            assert link.lost[Samples] > 10
            assert rig.blocks_lost == link.lost[Samples]
            assert rig.edges_lost == link.lost[Edge]
            unasked = sum(n for kind, n in link.lost.items() if issubclass(kind, UNASKED))
            assert rig.unasked_lost == unasked
            heard = [e for e in events if isinstance(e, (EdgeEvent, SampleBlock))]
            assert sum(getattr(e, "blocks", 1) for e in heard) > 5000
            assert (rig.frames_bad, rig.violations) == (0, 0)

    on_virtual_time(work)
