"""Many simulated rigs on one host: whole runs at 10 kS/s each on the wall clock, all published.

One process runs all of them in one loop, as ``benchrig`` does for one: observer, live analysis,
one run log, one publisher each. The simulated rigs live in programs of their own behind TCP.
``BENCHRIG_RIGS`` and ``BENCHRIG_SECONDS`` choose how many and how long; 20 and 60 is the target.
"""

from __future__ import annotations

import asyncio
import json as json_module
import math
import os
import resource
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

from benchrig.bench.job import Job, run_job
from benchrig.live.publisher import Publisher
from benchrig.record.log import RunLog
from benchrig.record.outbox import Outbox
from benchrig.record.values import Ending, RunRecord
from tests.live import told
from tests.live.benches import a_plan, nobody, pattern_file
from tests.live.receiver import Receiver
from tests.live.server import Broker

RIGS_A_PROGRAM = 5
SCAN_PERIOD_US = 200  # two inputs a scan: 10 kS/s
CYCLE_S = 2.0
STAGGER_S = 0.5  # nobody clips twenty parts on in one second
# Forty threads beside the loop: with Python's usual 5 ms it would wait for its turn too long.
SWITCH_S = 0.0005
RSS_MB_MAX = 1024


def run(json: bool) -> int:
    """Print the figures; 1 when a block was lost or a verdict is missing."""
    sys.setswitchinterval(SWITCH_S)
    rigs = int(os.environ.get("BENCHRIG_RIGS", "4"))
    seconds = float(os.environ.get("BENCHRIG_SECONDS", "10"))
    with ExitStack() as stack:
        directory = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="benchrig-rigs-")))
        (directory / "broker").mkdir()
        broker = Broker(directory / "broker")
        broker.start()
        stack.callback(broker.stop)
        programs, addresses = _start_rigs(rigs, 2 * seconds + 120)
        for program in programs:
            stack.callback(program.wait, 10)
            stack.callback(program.kill)
            if program.stdout is not None:
                stack.callback(program.stdout.close)
        shop = stack.enter_context(Receiver(broker.to("watcher")))
        shop.wait_ready()
        figures = asyncio.run(_run_all(directory, broker, addresses, seconds, shop))
        figures["simulator_cpu_s"] = round(sum(_cpu_s(program.pid) for program in programs), 1)
    print(
        json_module.dumps(figures) if json else "\n".join(f"{k:32}{v}" for k, v in figures.items())
    )
    return 0 if figures["met"] else 1


def _start_rigs(rigs: int, seconds: float) -> tuple[list[subprocess.Popen[str]], list[str]]:
    programs, addresses = [], []
    for first in range(1, rigs + 1, RIGS_A_PROGRAM):
        count = min(RIGS_A_PROGRAM, rigs + 1 - first)
        program = subprocess.Popen(
            [sys.executable, "-m", "tests.live.many_rigs", str(first), str(count), str(seconds)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert program.stdout is not None
        addresses += [program.stdout.readline().strip() for _ in range(count)]
        programs.append(program)
    return programs, addresses


async def _run_all(
    directory: Path, broker: Broker, addresses: list[str], seconds: float, shop: Receiver
) -> dict[str, object]:
    # The first keeps on until the last has run for the time that was asked.
    cycling_s = seconds + STAGGER_S * (len(addresses) - 1)
    plan = a_plan(pattern_file(directory, math.ceil(cycling_s / CYCLE_S), CYCLE_S / 2))
    lags: list[float] = []
    meter = asyncio.create_task(_measure_lag(lags))
    began_s, cpu_s = time.perf_counter(), time.process_time()
    with RunLog.open(directory / "runs.db") as log:
        jobs = [
            asyncio.create_task(_one(number, address, plan, log, directory, broker))
            for number, address in enumerate(addresses)
        ]
        records = await asyncio.gather(*jobs)
    wall_s, cpu_s = time.perf_counter() - began_s, time.process_time() - cpu_s
    meter.cancel()
    told_all = await asyncio.to_thread(
        shop.wait, lambda: len(shop.verdicts) == len(addresses), 30.0
    )
    lags.sort()
    rss_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    lost = sum(r.blocks_lost for r in records)
    complete = sum(r.ending is Ending.COMPLETE for r in records)
    return {
        "rigs": len(addresses),
        "samples_a_second_each": round(2e6 / SCAN_PERIOD_US),
        "all_together_s": seconds,
        "blocks_lost": lost,
        "edges_lost": sum(r.edges_lost for r in records),
        "runs_complete": complete,
        "other_endings": sorted(
            {f"{r.ending.value}: {r.ending_reason}" for r in records} - {"complete: "}
        ),
        "verdicts_published": len(shop.verdicts),
        "cycles_published": len({(p["rig"], p["cycle"]) for p in shop.of("cycle")}),
        "cycles_done": sum(r.cycles_done for r in records),
        "wall_s": round(wall_s, 1),
        "cpu_s": round(cpu_s, 1),
        "cpu_share_of_one_core": round(cpu_s / wall_s, 2),
        "rss_mb_max": round(rss_mb),
        "loop_lag_p50_ms": round(1e3 * lags[len(lags) // 2], 1),
        "loop_lag_p99_ms": round(1e3 * lags[math.floor(0.99 * len(lags))], 1),
        "loop_lag_max_ms": round(1e3 * lags[-1], 1),
        "met": lost == 0 and complete == len(addresses) and told_all and rss_mb <= RSS_MB_MAX,
    }


async def _one(
    number: int, address: str, plan: object, log: RunLog, directory: Path, broker: Broker
) -> RunRecord:
    from benchrig.record.values import RunPlan

    assert isinstance(plan, RunPlan)
    await asyncio.sleep(STAGGER_S * number)
    sink = Publisher(
        broker.to("bench-1"), "bench-1", outbox=Outbox(directory / "outbox.db"), stamp=told.stamp
    )
    sink.__enter__()
    try:
        job = Job(
            rig_url=address,
            plan=plan,
            tell=nobody,
            stamp=told.stamp,
            record_id=f"20260102-030405-{number:04x}",
            sinks=(sink,),
            scan_period_us=SCAN_PERIOD_US,
        )
        record = await run_job(job, log)
        await asyncio.to_thread(sink.verdict, record)
        await asyncio.to_thread(sink.flush, 20.0)
    finally:
        await asyncio.to_thread(sink.close)  # as every wait here: other rigs are in the loop
    return record


async def _measure_lag(lags: list[float]) -> None:
    """How late the loop gives a task its turn."""
    loop = asyncio.get_running_loop()
    while True:
        due_s = loop.time() + 0.01
        await asyncio.sleep(0.01)
        lags.append(max(0.0, loop.time() - due_s))


def _cpu_s(pid: int) -> float:
    """Processor time of a running program; 0 where the system does not say."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
