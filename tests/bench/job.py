"""Whole simulated jobs, host and rig together through the wire, on one core.

A six-second job with 2 inputs at 10 kS/s at 1, 4 and 16 times 75 s, and brief jobs with the
sample rate turned down, as a search through faults plays them. Everything is real but the
clock and the physics: client, watch, analysis, log, judge. The first job stands by itself, since
it makes the tables that armature movement is assessed with. Beside the job stand (a) a plain script
that steps such a coil by Euler in Python and draws its noise, with no wire, heat, movement, log
or verdict, and (b) the limit of the machine: drawing and rounding the noise of as many samples.
"""

from __future__ import annotations

import json as json_module
import math
import random
import statistics
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from benchrig.record.log import RunLog
from tests.bench._jobs import brief, do_job, six_second
from tests.bench._machine import one_core

CYCLE_S = 12.0
CYCLES = (6, 25, 100)  # 72, 300 and 1,200 s
SCAN_US = 100
BRIEF_SCAN_US = 2_000
BRIEF_JOBS = (5, 20, 80)  # into one log, each after the other
JOB_CPU_S_MAX = 0.5
JOBS_A_SECOND_LEAST = 50.0


def cpu_s(work: Callable[[], object]) -> float:
    """Processor time of one call, all threads of this process."""
    before = time.process_time()
    work()
    return time.process_time() - before


def median_s(work: Callable[[], object], times: int = 3) -> float:
    """Processor time of a typical call."""
    return statistics.median(cpu_s(work) for _ in range(times))


def plain_second() -> list[int]:
    """The physics alone, as a plain script has it: Euler steps and two noisy codes each."""
    current, codes, gauss = 0.0, [], random.Random(1).gauss
    for _ in range(10_000):
        current += 1e-4 * (12.0 - current * 14.5) / 11e-3
        codes.append(int(current * 640.0 + 16.5 + gauss(0.0, 0.45)))
        codes.append(int(614.4 + 16.5 + gauss(0.0, 0.45)))
    return codes


def least(samples: int) -> None:
    """The least a simulation with noise has to do."""
    rng = np.random.Generator(np.random.SFC64(1))
    for _ in range(samples // 60_000):
        (rng.standard_normal(60_000, dtype=np.float32) + np.float32(300.5)).astype(np.uint16)


def run(json: bool) -> int:
    """Print the table; 1 when a target was missed."""
    with (
        one_core(),
        tempfile.TemporaryDirectory(prefix="benchrig-bench-") as name,
        RunLog.open(Path(name) / "runs.db") as log,
    ):
        result = _measure(log)
    targets = (
        ("job_cpu_s", result["job_cpu_s"][1], "<=", JOB_CPU_S_MAX),
        ("brief_jobs_a_cpu_second", result["brief_jobs_a_cpu_second"], ">=", JOBS_A_SECOND_LEAST),
    )
    met = [got <= want if sign == "<=" else got >= want for _, got, sign, want in targets]
    if json:
        print(json_module.dumps(result, indent=2))
        return int(not all(met))
    for key, value in result.items():
        values = value if isinstance(value, list) else [value]
        print(f"{key:36}" + "".join(f"{v:12.4g}" for v in values))
    for (key, got, sign, want), good in zip(targets, met, strict=True):
        print(f"{key}: {got:.3g}, asked {sign} {want:g}: {'met' if good else 'MISSED'}")
    return int(not all(met))


def _measure(log: RunLog) -> dict[str, Any]:
    numbers = iter(range(1, 10_000))

    def six(cycles: int) -> None:
        record = do_job(log, next(numbers), pattern=six_second(cycles), scan_period_us=SCAN_US)
        assert record.verdict.value == "PASS", record.verdict
        assert record.cycles_done == cycles
        assert record.blocks_lost == record.edges_lost == 0

    def brief_job() -> None:
        record = do_job(log, next(numbers), pattern=brief(), scan_period_us=BRIEF_SCAN_US)
        assert record.cycles_done == brief().cycles

    first_s = cpu_s(lambda: six(CYCLES[1]))  # makes the tables of armature movement
    jobs = [median_s(partial(six, c)) for c in CYCLES]
    brief_job()
    briefs = [sum(cpu_s(brief_job) for _ in range(count)) for count in BRIEF_JOBS]
    a_brief = briefs[1] / BRIEF_JOBS[1]
    plain_s = min(cpu_s(plain_second) for _ in range(5))
    lengths = [CYCLE_S * c for c in CYCLES]
    samples = round(2e6 * lengths[1] / SCAN_US)
    least_s = min(cpu_s(lambda: least(samples)) for _ in range(3))
    return {
        "job_length_s": lengths,
        "job_cpu_s": jobs,
        "times_real_time": [length / job for length, job in zip(lengths, jobs, strict=True)],
        "exponent": math.log(jobs[-1] / jobs[0]) / math.log(lengths[-1] / lengths[0]),
        "first_job_with_tables_cpu_s": first_s,
        "plain_euler_times_real_time": 1.0 / plain_s,
        "job_over_plain_euler": lengths[1] / jobs[1] * plain_s,
        "least_over_job": least_s / jobs[1],
        "brief_jobs": list(BRIEF_JOBS),
        "brief_jobs_cpu_s": briefs,
        "brief_jobs_exponent": math.log(briefs[-1] / briefs[0])
        / math.log(BRIEF_JOBS[-1] / BRIEF_JOBS[0]),
        "brief_jobs_a_cpu_second": 1.0 / a_brief,
    }
