"""Stored runs analysed and judged again, as ``benchrig record reanalyse`` does it.

Runs of 72, 300 and 1,200 s with 2 inputs at 10 kS/s, read from the log, unpacked, cut into
cycles, measured and judged. The tables of armature movement are made on first use and depend on
the part: a first run of a process pays for them, and stands by itself. Beside it (a) a plain
script over the same samples in a CSV file, which finds the on-times by a threshold and fits each
rise by least squares, and (b) the limit: reading and unpacking the same chunks.
"""

from __future__ import annotations

import csv
import json as json_module
import math
import tempfile
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from benchrig.bench.replay import analyse_again, judge_again, stored_run
from benchrig.record.log import RunLog
from tests.bench._jobs import do_job, six_second
from tests.bench.job import CYCLE_S, CYCLES, SCAN_US, cpu_s, median_s

TIMES_REAL_TIME_LEAST = 1_000.0


def again(log: RunLog, record_id: str) -> None:
    """One run once more, with the same verdict."""
    stored = stored_run(log, record_id)
    cycles = analyse_again(stored)
    now, _ = judge_again(stored, cycles)
    assert now.verdict is stored.record.verdict, now.verdict
    assert len(cycles) == stored.record.cycles_done


def read(log: RunLog, record_id: str) -> None:
    """Only the samples."""
    for _ in log.samples(record_id, merged=True):
        pass


def to_csv(log: RunLog, record_id: str, path: Path) -> None:
    """The samples of the cycling as a plain logger would have kept them."""
    stored = stored_run(log, record_id)
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        for block in stored.blocks:
            times = (block.tick + np.arange(len(block.codes)) * block.scan_period_ticks) * 5e-7
            writer.writerows(zip(times.round(6).tolist(), *block.codes.T.tolist(), strict=True))


def plain(path: Path) -> int:
    """What a plain script does with the file."""
    from scipy.optimize import curve_fit

    with path.open(newline="") as file:
        rows = np.array([[float(cell) for cell in row] for row in csv.reader(file)])
    time_s, code = rows[:, 0], rows[:, -1] - rows[:, -1].min()
    on = code > 0.3 * code.max()
    found = 0
    for start in np.flatnonzero(np.diff(on.astype(int)) > 0):
        t, y = time_s[start : start + 100] - time_s[start], code[start : start + 100]
        curve_fit(lambda t, i, tau: i * (1 - np.exp(-t / tau)), t, y, p0=(y[-1], 1e-3))
        found += 1
    return found


def run(json: bool) -> int:
    """Print the table; 1 when the target was missed."""
    lengths = [CYCLE_S * cycles for cycles in CYCLES]
    with (
        tempfile.TemporaryDirectory(prefix="benchrig-bench-") as name,
        RunLog.open(Path(name) / "runs.db") as log,
    ):
        ids = [
            do_job(log, n, pattern=six_second(c), scan_period_us=SCAN_US).record_id
            for n, c in enumerate(CYCLES)
        ]
        spent = [median_s(partial(again, log, i), 5) for i in ids]
        reads = [median_s(partial(read, log, i), 5) for i in ids]
        path = Path(name) / "run.csv"
        to_csv(log, ids[0], path)
        plain(path)
        plain_s = cpu_s(lambda: plain(path)) * lengths[1] / lengths[0]
    result: dict[str, Any] = {
        "run_s": lengths,
        "reanalyse_cpu_s": spent,
        "times_real_time": [length / cpu for length, cpu in zip(lengths, spent, strict=True)],
        "exponent": math.log(spent[-1] / spent[0]) / math.log(lengths[-1] / lengths[0]),
        "plain_script_times_real_time": lengths[1] / plain_s,
        "over_plain_script": plain_s / spent[1],
        "reading_alone_cpu_s": reads,
        "share_of_reading": reads[1] / spent[1],
    }
    met = result["times_real_time"][1] >= TIMES_REAL_TIME_LEAST
    if json:
        print(json_module.dumps(result, indent=2))
        return int(not met)
    for key, value in result.items():
        values = value if isinstance(value, list) else [value]
        print(f"{key:36}" + "".join(f"{v:12.4g}" for v in values))
    word = "met" if met else "MISSED"
    print(f"times real time of a 300 s run, asked >= {TIMES_REAL_TIME_LEAST:g}: {word}")
    return int(not met)
