"""A whole job on the simulated rig, on virtual time, in this process."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchrig.bench.job import Job, run_job
from benchrig.bench.safety import Declaration, Shortfall
from benchrig.bench.sinks import Sink
from benchrig.errors import NotProvenSafe
from benchrig.parts import library as parts
from benchrig.patterns.pattern import Pattern, Step
from benchrig.record.log import RunLog
from benchrig.record.values import PartTemperature, RunPlan, RunRecord, TemperatureBasis
from benchrig_sim.virtual_time import VirtualTimeLoop

ROOM = PartTemperature(value_c=22.0, std_uncertainty_c=1.0, basis=TemperatureBasis.SOAKED)
SHORT = Pattern(
    name="short",
    title="one second on, one off, six times",
    steps=(Step(on=True, duration_us=1_000_000), Step(on=False, duration_us=1_000_000)),
    repeats=6,
)
_numbers = itertools.count(1)


@dataclass
class Told:
    """Somebody at the bench: remembers every alarm, declares after ``declare_after`` of them."""

    declare_after: int | None = None
    alarms: list[tuple[NotProvenSafe, Shortfall]] = field(default_factory=list)
    give_up_after: int | None = None

    async def tell(self, alarm: NotProvenSafe, shortfall: Shortfall) -> Declaration | None:
        self.alarms.append((alarm, shortfall))
        if self.give_up_after is not None and len(self.alarms) >= self.give_up_after:
            raise alarm
        if self.declare_after is not None and len(self.alarms) >= self.declare_after:
            return Declaration(text="supply disconnected")
        return None


def plan_for(part: str = "demo-injector", pattern: Pattern = SHORT, **changes: Any) -> RunPlan:
    """A plan in the invented demo world."""
    values: dict[str, Any] = {
        "part": parts.load(part),
        "pattern": pattern,
        "output": 0,
        "temperature": ROOM,
        **changes,
    }
    return RunPlan(**values)


def sim_job(
    scenario: str,
    *,
    plan: RunPlan | None = None,
    told: Told | None = None,
    sinks: Sequence[Sink] = (),
    scan_period_us: int | None = None,
) -> Job:
    """A job on a simulated rig, with an id that no other job of this process has."""
    return Job(
        rig_url=f"sim:{scenario}",
        plan=plan or plan_for(),
        tell=(told or Told()).tell,
        stamp=lambda: "2031-05-04T10:00:00.000+00:00",
        record_id=f"20310504-100000-{next(_numbers):04x}",
        sinks=sinks,
        scan_period_us=scan_period_us,
    )


def run_sim(
    scenario: str,
    log_path: Path,
    *,
    plan: RunPlan | None = None,
    told: Told | None = None,
    sinks: Sequence[Sink] = (),
    scan_period_us: int | None = None,
    within_s: float = 3600.0,
    meddle: Callable[[asyncio.Task[RunRecord]], None] | None = None,
) -> RunRecord:
    """Run to the end and return the record; TimeoutError after ``within_s`` of virtual time."""

    async def work() -> RunRecord:
        with RunLog.open(log_path) as log:
            job = sim_job(
                scenario, plan=plan, told=told, sinks=sinks, scan_period_us=scan_period_us
            )
            task = asyncio.ensure_future(run_job(job, log))
            if meddle is not None:
                meddle(task)
            done, _ = await asyncio.wait({task}, timeout=within_s)
            if not done:
                raise TimeoutError("the run did not finish")
            return task.result()

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(work())
