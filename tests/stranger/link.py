"""The rig built from the document alone, as a link on the running loop's time.

``tests/stranger/built`` was written by somebody who had ``firmware_protocol.md`` and nothing
else of this project: other codec, other physics, and a catalogue of lies. It is kept as it came,
but for its layout; what it found unclear is ``GAPS.md``.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

from benchrig.bench.conform import ConformanceReport, run_conformance
from benchrig.bench.job import run_job
from benchrig.patterns.pattern import Pattern, Step
from benchrig.record.log import RunLog
from benchrig.record.values import PartTemperature, RunPlan, RunRecord, TemperatureBasis
from benchrig.rig.link import Link
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench_room.jobs import Told, plan_for, sim_job
from tests.stranger.built.config import KINDS, RigConfig
from tests.stranger.built.rig import StrangerRig

LOOK_US = 5_000
AMBIENT = PartTemperature(value_c=21.7, std_uncertainty_c=1.0, basis=TemperatureBasis.SOAKED)
CLICKS = Pattern(
    name="clicks",
    title="three tenths of a second on and off, twelve times",
    steps=(Step(on=True, duration_us=300_000), Step(on=False, duration_us=300_000)),
    repeats=12,
)


class StrangerLink:
    """One host's handle on the rig; it has the shape of ``benchrig.rig.link.Link``."""

    def __init__(self, rig: StrangerRig, name: str = "stranger") -> None:
        self.rig = rig
        self._name = name
        self._loop = asyncio.get_running_loop()
        self._data = bytearray()
        self._ready = asyncio.Event()
        self._closed = False
        self._timer: asyncio.TimerHandle | None = None
        self._plan()

    @property
    def name(self) -> str:
        return self._name

    def _now_us(self) -> int:
        return int(self._loop.time() * 1e6)

    async def read(self) -> bytes:
        while not self._data and not self._closed:
            self._ready.clear()
            await self._ready.wait()
        data = bytes(self._data)
        self._data.clear()
        return data

    def write(self, data: bytes) -> None:
        self._take(self.rig.receive(data, self._now_us()))

    async def send_break(self) -> None:
        self._take(self.rig.break_condition(self._now_us()))

    async def close(self) -> None:
        self._closed = True
        if self._timer is not None:
            self._timer.cancel()
        self._ready.set()

    def again(self) -> StrangerLink:
        """The same rig through a new link."""
        return StrangerLink(self.rig, self._name)

    def _take(self, data: bytes) -> None:
        if data:
            self._data += data
            self._ready.set()
        self._plan()

    def _plan(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        due_us = self.rig.next_due_us()
        if due_us is not None and not self._closed:
            at_us = max(due_us + 1, self._now_us() + LOOK_US)
            self._timer = self._loop.call_at(at_us * 1e-6, self._look)

    def _look(self) -> None:
        self._timer = None
        self._take(self.rig.advance(self._now_us()))


def config_of(*sins: str, kind: str = "document") -> RigConfig:
    """A kind of rig with these sins."""
    return KINDS[kind]().sinning(*sins)


@contextmanager
def offered(config: RigConfig) -> Iterator[list[StrangerRig]]:
    """Every rig that is opened is one of these; the list holds them."""
    made: list[StrangerRig] = []

    async def open_stranger(url: str) -> Link:
        made.append(StrangerRig(config))
        return StrangerLink(made[-1], url)

    with patch("benchrig.rig.client.open_link", open_stranger):
        yield made


def conform(*sins: str, kind: str = "document") -> ConformanceReport:
    """What ``rig conform`` finds on it."""

    async def main() -> ConformanceReport:
        link = StrangerLink(StrangerRig(config_of(*sins, kind=kind)))
        try:
            return await run_conformance(link)
        finally:
            await link.close()

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main())


def run_on(
    *sins: str,
    log_path: Path,
    plan: RunPlan | None = None,
    told: Told | None = None,
    config: RigConfig | None = None,
) -> tuple[RunRecord, StrangerRig]:
    """A whole run on it: the record, and the rig to look behind the record."""
    plan = plan or plan_for(pattern=CLICKS, temperature=AMBIENT)
    config = config or config_of(*sins)
    if config.sins != sins:
        config = replace(config, sins=sins)

    async def work() -> RunRecord:
        with RunLog.open(log_path) as log:
            job = sim_job("stranger", plan=plan, told=told or Told(give_up_after=2))
            async with asyncio.timeout(60):
                return await run_job(job, log)

    with (
        offered(config) as made,
        asyncio.Runner(loop_factory=VirtualTimeLoop) as runner,
    ):
        record = runner.run(work())
    return record, made[-1]
