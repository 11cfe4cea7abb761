"""Runs on simulated rigs as a bench makes them, in this process or as programs of their own."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from benchrig.bench.job import Job, run_job
from benchrig.bench.safety import Declaration, Shortfall
from benchrig.bench.sinks import Sink
from benchrig.errors import NotProvenSafe
from benchrig.live.broker import PASSWORD_VARIABLE
from benchrig.parts import library as part_library
from benchrig.patterns import library as pattern_library
from benchrig.record.log import RunLog
from benchrig.record.values import (
    EventKind,
    PartTemperature,
    RunPlan,
    RunRecord,
    TemperatureBasis,
)
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.live import told
from tests.live.server import PASSWORDS, Broker

Edge = tuple[float, int, int]  # seconds since the run began, tick, outputs


def pattern_file(directory: Path, repeats: int, seconds: float = 0.3) -> Path:
    """A short pattern, on and off for the same time."""
    path = directory / f"short-{repeats}.toml"
    steps = "".join(
        f'[[steps]]\nstate = "{state}"\nduration_s = {seconds}\n' for state in ("on", "off")
    )
    path.write_text(
        f'title = "short, for a test"\nsource = "common practice, no source"\n'
        f"repeats = {repeats}\n{steps}"
    )
    return path


def a_plan(pattern: Path, tag: str = "T-1") -> RunPlan:
    """An injector of the demonstration, soaked at 20 °C."""
    return RunPlan(
        part=part_library.load("demo-injector"),
        pattern=pattern_library.load(str(pattern)),
        output=0,
        temperature=PartTemperature(
            value_c=20.0, std_uncertainty_c=1.0, basis=TemperatureBasis.SOAKED
        ),
        tag=tag,
    )


async def nobody(alarm: NotProvenSafe, shortfall: Shortfall) -> Declaration | None:
    """Nobody is there to declare anything; with the link gone there is nothing to wait for."""
    if shortfall.link_gone:
        raise alarm
    return None


def job(rig: str, plan: RunPlan, record_id: str, sinks: Sequence[Sink]) -> Job:
    """A job for a rig."""
    return Job(
        rig_url=rig, plan=plan, tell=nobody, stamp=told.stamp, record_id=record_id, sinks=sinks
    )


def run_on_virtual_time(
    log: Path, plan: RunPlan, sinks: Sequence[Sink], rig: str = "sim:healthy?seed=5"
) -> tuple[RunRecord, list[Edge]]:
    """A run on the simulated rig, and its edges as the log has them."""
    record_id = "20260102-030405-0001"
    with RunLog.open(log) as run_log:
        with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
            record = runner.run(run_job(job(rig, plan, record_id, sinks), run_log))
        edges = [
            (event.at_s, event.data["tick"], event.data["outputs_mask"])
            for event in run_log.events(record_id)
            if event.kind is EventKind.EDGE
        ]
    return record, edges


@contextmanager
def rig_on_tcp(scenario: str = "healthy") -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """A simulated rig behind a port, on the wall clock; its address and its process."""
    with subprocess.Popen(
        [sys.executable, "-m", "benchrig_sim", scenario, "--tcp", "0"],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline().strip(), process
        finally:
            process.kill()


def command(*arguments: str, user: str = "bench-1") -> list[str]:
    """``benchrig`` as a program of its own."""
    del user
    return [sys.executable, "-m", "benchrig", *arguments]


def environment(user: str = "bench-1", **more: str) -> dict[str, str]:
    """The environment of a bench: its password, nothing of the tester's own."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith("BENCHRIG_")}
    return {**kept, PASSWORD_VARIABLE: PASSWORDS[user], "OPENBLAS_NUM_THREADS": "1", **more}


def to_broker(broker: Broker, user: str = "bench-1") -> list[str]:
    """The options that name a broker."""
    return ["--broker", broker.url, "--broker-ca", str(broker.ca), "--broker-user", user]
