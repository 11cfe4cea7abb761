"""A part page with three panels from 3 million samples, side by side with the plain way.

Beside the page stand (a) what a competent user's script does with a plotting library: the same
three panels as SVG from every sample, and (b) the limit of the machine: one pass over the
samples for the least and the greatest. Columns wrong by over a pixel are counted against the
line through every sample, for our points and for evenly picked ones of the same number.
"""

from __future__ import annotations

import io
import json as json_module
import math
import statistics
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchrig.report.charts import CycleTrace, RunTrace, Samples, cycles_to_show
from benchrig.report.decimate import decimate
from benchrig.report.html import part_page
from tests.report import sample_records
from tests.report.test_charts import HEIGHT, WIDTH, columns_wrong

SAMPLES = 3_000_000
FACTORS = (1, 4, 16)
Floats = NDArray[np.float64]


def _seconds(work: Callable[[], object], times: int = 5) -> float:
    taken = []
    for _ in range(times):
        before = time.perf_counter()
        work()
        taken.append(time.perf_counter() - before)
    return statistics.median(taken)


def _logged(count: int) -> Samples:
    """A whole run of ``count`` samples, and three rises of a tenth of it each."""
    record = sample_records.failing()
    length_s = 12.0 * record.cycles_done
    time_s, current_a = sample_records.run_samples(record, rate_hz=count / length_s)
    each = max(count // 10, 100)
    traces = []
    for cycle in cycles_to_show(record):
        at_s, rise_a = sample_records.rise_samples(cycle, rate_hz=each / 0.02, on_s=0.02)
        traces.append(CycleTrace(cycle=cycle, time_s=at_s, current_a=rise_a))
    return Samples(cycles=tuple(traces), run=RunTrace(time_s=time_s, current_a=current_a))


def _plain(samples: Samples) -> bytes:
    """Three panels with a plotting library, every sample handed over."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10, 9))
    panels = figure.subplots(3, 1)
    for trace in samples.cycles:
        panels[0].plot(trace.time_s, trace.current_a)
    record = sample_records.failing()
    hot = [c.resistance_ohm.value for c in record.cycles if c.resistance_ohm]
    panels[1].plot([c.start_s for c in record.cycles], hot)
    if samples.run is not None:
        panels[2].plot(samples.run.time_s, samples.run.current_a)
    out = io.BytesIO()
    figure.savefig(out, format="svg")
    return out.getvalue()


def _one_pass(samples: Samples) -> None:
    arrays = [t.current_a for t in samples.cycles]
    if samples.run is not None:
        arrays.append(samples.run.current_a)
    for values in arrays:
        values.min()
        values.max()


def _wrong(samples: Samples) -> dict[str, int]:
    run = samples.run
    assert run is not None
    end_s = float(run.time_s[-1])
    xs, ys = run.time_s / end_s * WIDTH, (1.0 - run.current_a) * HEIGHT
    kept = decimate(run.time_s, run.current_a, 0.0, end_s, WIDTH)
    picked = np.linspace(0, run.time_s.size - 1, kept.size).astype(np.intp)
    return {
        "columns": WIDTH,
        "wrong_ours": columns_wrong(xs, ys, xs[kept], ys[kept]),
        "wrong_evenly_picked": columns_wrong(xs, ys, xs[picked], ys[picked]),
    }


def measure(count: int) -> dict[str, float]:
    """Seconds and bytes of the page from so many samples of the run."""
    samples, record = _logged(count), sample_records.failing()
    page = part_page(record, samples=samples, digest=sample_records.DIGEST)
    return {
        "samples": count,
        "page_s": _seconds(lambda: part_page(record, samples=samples)),
        "one_pass_s": _seconds(lambda: _one_pass(samples)),
        "page_bytes": len(page.encode()),
    }


def run(json: bool) -> int:
    """Print the figures; 1 when a column is wrong, since that is no matter of speed."""
    part_page(sample_records.healthy())  # templates are read once
    rows = [measure(SAMPLES * factor // FACTORS[-1]) for factor in FACTORS]
    samples = _logged(SAMPLES)
    plain_bytes = len(_plain(samples))
    first, last = rows[0], rows[-1]
    result: dict[str, Any] = {
        "page": rows,
        "plain_script_s": _seconds(lambda: _plain(samples), 3),
        "plain_script_bytes": plain_bytes,
        "exponent": math.log(last["page_s"] / first["page_s"]) / math.log(FACTORS[-1]),
        **_wrong(samples),
    }
    result["times_faster_than_plain"] = result["plain_script_s"] / last["page_s"]
    result["times_one_pass"] = last["page_s"] / last["one_pass_s"]
    if json:
        print(json_module.dumps(result, indent=2))
    else:
        for figure in rows[0]:
            print(f"{figure:28}" + "".join(f"{row[figure]:14,.4g}" for row in rows))
        for figure, value in result.items():
            if figure != "page":
                print(f"{figure:28}{value:14,.4g}")
    return 1 if result["wrong_ours"] else 0
