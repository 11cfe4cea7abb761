"""Plays a case: the real ``run_job`` against the watched bench, on virtual time, real log."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any
from unittest import mock

from benchrig.bench.job import Job, run_job
from benchrig.bench.safety import Declaration, Shortfall
from benchrig.errors import NotProvenSafe
from benchrig.measure.samples import SampleBlock
from benchrig.parts import library as parts
from benchrig.parts.part import Part
from benchrig.patterns.pattern import Pattern, Step
from benchrig.record.log import RunLog
from benchrig.record.values import (
    PartTemperature,
    RigIdentity,
    RunEvent,
    RunPlan,
    RunRecord,
    TemperatureBasis,
)
from benchrig.rig import client
from benchrig.rig.link import Link
from benchrig_sim.faults import Fault, FaultKind
from benchrig_sim.link import SimLink
from benchrig_sim.virtual_time import UnthreadedTimeLoop
from fault_search.bench import WatchedRig, rig_spec
from fault_search.case import Case, Person
from fault_search.hostile import HostTrouble

LIMIT_S = 45.0  # virtual; a job that has not ended by then has not finished
STAMP = "2031-05-04T10:00:00.000+00:00"
STALE_ID = "20310503-090000-0001"
RECORD_ID = "20310504-100000-0002"
ROOM = PartTemperature(value_c=22.0, std_uncertainty_c=1.0, basis=TemperatureBasis.SOAKED)
ALARMS_BEFORE_HANDS = 3
ALARMS_BEFORE_DECLARING = 5
ALARMS_BEFORE_THE_PLUG = 8
ABSENT_TRIES = 10


class WatchSink:
    """Not essential: keeps what the run told."""

    essential = False

    def __init__(self) -> None:
        self.events: list[RunEvent] = []
        self.blocks: list[SampleBlock] = []

    def accept(self, event: RunEvent) -> None:
        """Keep an event."""
        self.events.append(event)

    def add_block(self, block: SampleBlock) -> None:
        """Keep samples."""
        self.blocks.append(block)

    @property
    def failure(self) -> Exception | None:
        """Never fails."""
        return None


@dataclass(slots=True, kw_only=True)
class Played:
    """What came of a case, from the host's side and from the physics'."""

    case: Case
    rig: WatchedRig
    log_path: Path
    sink: WatchSink
    record: RunRecord | None = None
    error: BaseException | None = None
    finished: bool = False
    ended_s: float = 0.0
    begun_s: float | None = None  # when the run was begun in the log
    stale_closed_s: float | None = None
    energised: bool = False  # for real, at the end
    feed_closed: bool = False
    alarms: list[tuple[NotProvenSafe, Shortfall]] = field(default_factory=list)
    declared: bool = False
    disconnected: bool = False
    accepted: int = 0  # by the log's writer
    committed: int = 0
    log_failed: bool = False
    energised_later: bool = False  # half a second after the host has gone


class _Scene:
    """One play under way."""

    def __init__(self, case: Case, log_path: Path) -> None:
        self.case = case
        self.rig = WatchedRig(rig_spec(case))
        self.sink = WatchSink()
        self.played = Played(case=case, rig=self.rig, log_path=log_path, sink=self.sink)
        self._alarms_raised = 0

    async def link(self, url: str) -> Link:
        """The bench's link instead of one made from a url."""
        return SimLink(self.rig, url)

    async def tell(self, alarm: NotProvenSafe, shortfall: Shortfall) -> Declaration | None:
        """The person of the case."""
        self.played.alarms.append((alarm, shortfall))
        count, person = len(self.played.alarms), self.case.person
        if person is Person.SCREEN_BROKEN and count <= ALARMS_BEFORE_HANDS - 1:
            raise RuntimeError("the screen is broken")
        if person is Person.ABSENT:
            if shortfall.link_gone and count >= ABSENT_TRIES:
                raise alarm
            return None
        if person is not Person.DECLARES:
            if count < ALARMS_BEFORE_HANDS:
                return None
            self._follow_the_alarm(count)
            if count < ALARMS_BEFORE_DECLARING:
                return None
        self.played.declared = True
        return Declaration(text="the supply is declared disconnected")

    def _follow_the_alarm(self, count: int) -> None:
        """Supply off first; the clips cannot be taken off here; then the plug."""
        rig = self.rig
        if not self.played.disconnected:
            self.played.disconnected = True
            self._now(lambda: rig.plant.set_supply(rig.now_s, on=False))
        if count >= ALARMS_BEFORE_THE_PLUG and not rig.unplugged:
            self._now(lambda: rig.striker.strike(Fault(kind=FaultKind.UNPLUG)))

    def _now(self, act: Callable[[], None]) -> None:
        self.rig.later(self.rig.now_s, act, boot=None, irq=True)

    async def run(self, log: RunLog) -> None:
        loop = asyncio.get_running_loop()
        played, rig = self.played, self.rig
        trouble = HostTrouble(self.case.host_faults, log)
        self._watch_log(log, loop)
        job = Job(
            rig_url="sim:fault-search",
            plan=_plan(self.case),
            tell=self.tell,
            stamp=lambda: STAMP,
            record_id=RECORD_ID,
            sinks=(self.sink, *trouble.sinks),
        )
        task = asyncio.ensure_future(run_job(job, log))
        trouble.begin(task)
        await asyncio.wait({task}, timeout=LIMIT_S)
        trouble.end()
        played.ended_s = loop.time()
        rig.advance(played.ended_s)
        played.energised, played.feed_closed = rig.plant.energised(), rig.plant.feed_closed
        played.finished = task.done()
        if trouble.writer is not None:
            played.log_failed = trouble.threw or trouble.writer.failure is not None
        if not task.done():
            return
        if task.cancelled():
            played.error = asyncio.CancelledError()
        else:
            played.error = task.exception()
            played.record = None if played.error else task.result()
        rig.advance(played.ended_s + 0.5)
        played.energised_later = rig.plant.energised()

    def _watch_log(self, log: RunLog, loop: asyncio.AbstractEventLoop) -> None:
        begin_run, close_found_open = log.begin_run, log.close_found_open

        def begin(*args: Any, **named: Any) -> None:
            begin_run(*args, **named)
            self.played.begun_s = loop.time()

        def close(*args: Any, **named: Any) -> RunRecord:
            record = close_found_open(*args, **named)
            self.played.stale_closed_s = loop.time()
            return record

        log.begin_run, log.close_found_open = begin, close  # type: ignore[method-assign]


def _plan(case: Case) -> RunPlan:
    pattern = Pattern(
        name="search",
        title="a pattern of the search",
        steps=(
            Step(on=True, duration_us=case.on_us),
            Step(on=False, duration_us=case.off_us),
        ),
        repeats=case.repeats,
    )
    return RunPlan(part=_part(), pattern=pattern, output=0, temperature=ROOM)


@cache
def _part() -> Part:
    return parts.load("demo-injector")


class Stage:
    """A place to play cases in: an empty log to copy from, and the link's door."""

    def __init__(self) -> None:
        base = Path("/dev/shm")
        self._folder = Path(tempfile.mkdtemp(dir=base if base.is_dir() else None))
        self._empty = self._folder / "empty.db"
        RunLog.open(self._empty).close()
        self._log = self._folder / "run.db"

    def close(self) -> None:
        """Leave nothing behind."""
        shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> Stage:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def play(self, case: Case) -> Played:
        """Play one case to its end; the log stays until the next."""
        for old in self._folder.glob("run.db*"):
            old.unlink()
        shutil.copyfile(self._empty, self._log)
        if case.stale:
            self._leave_open(case)

        async def work() -> Played:
            scene = _Scene(case, self._log)
            with _door(scene), RunLog.open(self._log) as log:
                await scene.run(log)
            return scene.played

        with asyncio.Runner(loop_factory=UnthreadedTimeLoop) as runner:
            # Not by ``run``, which takes over the interrupt key for each job anew.
            return runner.get_loop().run_until_complete(work())

    def _leave_open(self, case: Case) -> None:
        unique_id = f"{rig_spec(case).identity.unique_id:016x}"
        rig = RigIdentity(
            url="sim:fault-search",
            unique_id=unique_id,
            firmware="1.0.0",
            protocol="1.0",
            reset_cause="power on",
            boot_count=1,
            clock_ratio_ppm=None,
            calibration_date=None,
            calibration_expired=True,
            lead_null_ohm=None,
            lead_null_date=None,
            clamp="low side clamp 36 V",
        )
        with RunLog.open(self._log) as log:
            log.begin_run(STALE_ID, _plan(case), rig, STAMP)


@contextlib.contextmanager
def _door(scene: _Scene) -> Iterator[None]:
    """Inside, every rig address leads to the bench of the scene."""
    with mock.patch.object(client, "open_link", scene.link):
        yield
