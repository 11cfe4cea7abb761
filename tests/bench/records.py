"""Ten thousand records in one log: a tag's history, a list, a report, a tray's look for work done.

What is timed is what the commands call, in a log a sixteenth and a quarter as full too. Beside it
the limit of the machine: the bare read of the same index range. One of the records is a real
simulated run with all of its samples, since that is what a report draws; a part's five minutes at
10 kS/s.
"""

from __future__ import annotations

import asyncio
import json as json_module
import math
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from benchrig.bench.job import Job, run_job
from benchrig.bench.known import look_up
from benchrig.bench.trayfile import part_temperature
from benchrig.cli.pages import page_of
from benchrig.parts import library as parts
from benchrig.patterns import library as patterns
from benchrig.record.log import RunLog
from benchrig.record.values import RunPlan, RunRecord
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench.log import RUNS_A_TAG, fill
from tests.record.made import RIG_ID

RUNS = 10_240  # whole tens of runs a tag at a sixteenth and a quarter, too
FACTORS = (1, 4, 16)
SCAN_PERIOD_US = 100
LIMITS_MS = {
    "history of a tag": 50.0,
    "list of 50": 200.0,
    "report": 2000.0,
    "look-up": 50.0,
    "relay wear": 200.0,
}


def _median_ms(work: Callable[[], object], times: int) -> float:
    taken = []
    for _ in range(times):
        before = time.perf_counter()
        work()
        taken.append(1e3 * (time.perf_counter() - before))
    return statistics.median(taken)


def _plan(tag: str = "") -> RunPlan:
    return RunPlan(
        part=parts.load("demo-injector"),
        pattern=patterns.load("six-second"),
        output=0,
        temperature=part_temperature(soaked_c=22.0),
        tag=tag,
    )


async def _nobody(*_: object) -> None:
    return None


def _simulated(log: RunLog, number: int) -> RunRecord:
    job = Job(
        rig_url="sim:healthy",
        plan=_plan(),
        tell=_nobody,
        stamp=lambda: "2031-05-04T10:00:00.000+00:00",
        record_id=f"20310504-100000-{number:04x}",
        scan_period_us=SCAN_PERIOD_US,
    )
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(run_job(job, log))


def _plain_ms(path: Path, tag: str) -> float:
    """The same index range by a bare prepared statement."""
    with closing(sqlite3.connect(path)) as connection:
        query = "SELECT record_id, verdict FROM run_end WHERE tag = ? ORDER BY begun_at"
        return _median_ms(lambda: connection.execute(query, (tag,)).fetchall(), 50)


def _found(path: Path, runs: int, before: int) -> dict[str, float]:
    """The figures of a log that is filled up to so many runs."""
    with RunLog.open(path) as log:
        fill(log, before, runs)
        record = _simulated(log, runs)
        tag = next(run.tag for run in log.list_runs(limit=50) if run.tag)
        assert len(log.history(tag)) == RUNS_A_TAG
        rig = record.rig.unique_id
        return {
            "history of a tag": _median_ms(lambda: log.history(tag), 50),
            "list of 50": _median_ms(lambda: log.list_runs(limit=50), 50),
            "report": _median_ms(lambda: page_of(log, log.record(record.record_id)), 5),
            "look-up": _median_ms(lambda: look_up(log, _plan(tag), rig_unique_id=rig), 20),
            "relay wear": _median_ms(lambda: log.operations(RIG_ID, 0), 20),
            "bare index range": _plain_ms(path, tag),
        }


def run(json: bool) -> int:
    """Fill a log, take the medians, hold the last to their limits."""
    sizes = [RUNS * factor // FACTORS[-1] for factor in FACTORS]
    with tempfile.TemporaryDirectory(prefix="benchrig-bench-") as folder:
        path, before, rows = Path(folder) / "log.db", 0, []
        for runs in sizes:
            rows.append(_found(path, runs, before))
            before = runs
        size_mb = path.stat().st_size * 1e-6
    last = rows[-1]
    exponents = {
        name: math.log(last[name] / rows[0][name]) / math.log(sizes[-1] / sizes[0]) for name in last
    }
    ok = all(last[name] <= most for name, most in LIMITS_MS.items())
    report: dict[str, Any] = {
        "schema": "benchrig.bench.records/1",
        "runs": sizes,
        "log_mb": size_mb,
        "found_ms": {name: [row[name] for row in rows] for name in last},
        "exponents": exponents,
        "limits_ms": LIMITS_MS,
        "ok": ok,
    }
    if json:
        print(json_module.dumps(report, indent=2))
        return int(not ok)
    print(f"{'ms; the log ends with ' + f'{size_mb:.1f} MB':34}", end="")
    print("".join(f"{runs:>10,}" for runs in sizes) + "  exponent   at most")
    for name in last:
        line = f"{name:34}" + "".join(f"{row[name]:10.3f}" for row in rows)
        line += f"{exponents[name]:10.2f}"
        most = LIMITS_MS.get(name)
        if most is not None:
            line += f"{most:10.0f}{'' if last[name] <= most else '  ABOVE'}"
        print(line)
    return int(not ok)
