"""Whole jobs on the simulated rig, in process: the real client, watch, log and judge."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from functools import cache

from benchrig.bench.job import Job, run_job
from benchrig.bench.safety import Declaration, Shortfall
from benchrig.errors import NotProvenSafe
from benchrig.parts import library as parts
from benchrig.parts.part import Part
from benchrig.patterns import library as patterns
from benchrig.patterns.pattern import Pattern, Step
from benchrig.record.log import RunLog
from benchrig.record.values import PartTemperature, RunPlan, RunRecord, TemperatureBasis
from benchrig_sim.virtual_time import UnthreadedTimeLoop

STAMP = "2031-05-04T10:00:00.000+00:00"
ROOM = PartTemperature(value_c=22.0, std_uncertainty_c=1.0, basis=TemperatureBasis.SOAKED)


async def nobody(alarm: NotProvenSafe, shortfall: Shortfall) -> Declaration | None:
    """A bench without a person: an alarm ends the job."""
    del shortfall
    raise alarm


def six_second(cycles: int = 25) -> Pattern:
    """Six seconds on, six off."""
    return replace(patterns.load("six-second"), repeats=cycles)


def brief() -> Pattern:
    """Two short cycles: a job that is mostly its checks."""
    on, off = Step(on=True, duration_us=100_000), Step(on=False, duration_us=200_000)
    return Pattern(name="brief", title="Two short cycles", steps=(on, off), repeats=2)


@cache
def _part(name: str) -> Part:
    """Read once, as for a tray of equal parts."""
    return parts.load(name)


def do_job(
    log: RunLog,
    number: int,
    *,
    pattern: Pattern,
    rig: str = "sim:healthy",
    part: str = "demo-injector",
    scan_period_us: int = 100,
) -> RunRecord:
    """One job on virtual time; its record is in the log."""
    job = Job(
        rig_url=rig,
        plan=RunPlan(part=_part(part), pattern=pattern, output=0, temperature=ROOM),
        tell=nobody,
        stamp=lambda: STAMP,
        record_id=f"20310504-100000-{number:04x}",
        scan_period_us=scan_period_us,
    )
    with asyncio.Runner(loop_factory=UnthreadedTimeLoop) as runner:
        return runner.get_loop().run_until_complete(run_job(job, log))
