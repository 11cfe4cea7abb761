"""Width of a 2.5 ms pulse every 10 ms: the emulated firmware's against two host-timed scripts'.

Plain scripts time the edges on the host: (a) asyncio with relative sleeps, as most would write
it, and (b) the best a host does: absolute deadlines in a thread, the last stretch spun. Both
take the time of each edge by the host's own clock, which flatters them: a command still has to
cross USB. The limit is the clock itself, and the firmware's edges are counted in its cycles of
62.5 ns; emulated, nothing here was seen on silicon. An error of no cycle at all counts as half
a cycle in the ratio. The errors are taken over a short, a longer and a long train, since one that
adds up would show there.
"""

from __future__ import annotations

import asyncio
import json as json_module
import math
import threading
import time
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np

from avr.emulator import HZ
from benchrig.wire.messages import Stream
from tests.firmware.bare_rig import BareRig, schedule

ON_US, OFF_US = 2_500, 7_500
PULSES = (25, 100, 400)
RATIO_LEAST = 1_000.0


def firmware(pulses: int) -> list[float]:
    """Errors of the widths under a stream of 20,000 conversions a second, in seconds."""
    rig = BareRig()
    stream = Stream(inputs_mask=0b0011000, scan_period_us=100)
    rig.start(schedule((1, ON_US, 0), (0, OFF_US, 0), repeats=pulses), stream)
    rig.run_s(pulses * (ON_US + OFF_US) * 1e-6 + 0.05, beating=True)
    edges = rig.emulator.take_edges()
    rig.close()
    widths = [(b.cycle - a.cycle) / HZ for a, b in list(pairwise(edges))[::2]]
    assert len(widths) == pulses
    return [abs(width - ON_US * 1e-6) for width in widths]


def relative_sleeps(pulses: int) -> list[float]:
    """A task that sleeps from edge to edge."""

    async def work() -> list[float]:
        errors = []
        for _ in range(pulses):
            begun = time.perf_counter()
            await asyncio.sleep(ON_US * 1e-6)
            errors.append(abs(time.perf_counter() - begun - ON_US * 1e-6))
            await asyncio.sleep(OFF_US * 1e-6)
        return errors

    return asyncio.run(work())


def absolute_deadlines(pulses: int) -> list[float]:
    """A thread that waits for absolute times."""
    errors: list[float] = []

    def until(due: float) -> float:
        time.sleep(max(0.0, due - time.perf_counter() - 2e-4))
        while (now := time.perf_counter()) < due:
            pass
        return now

    def work() -> None:
        start = time.perf_counter() + 0.01
        for n in range(pulses):
            begun = until(start + n * (ON_US + OFF_US) * 1e-6)
            ended = until(start + (n * (ON_US + OFF_US) + ON_US) * 1e-6)
            errors.append(abs(ended - begun - ON_US * 1e-6))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    return errors


SIDES: dict[str, Callable[[int], list[float]]] = {
    "firmware": firmware,
    "asyncio_relative_sleeps": relative_sleeps,
    "thread_absolute_deadlines": absolute_deadlines,
}
LEAST_US = 0.5e6 / HZ


def _figures(errors: list[float]) -> dict[str, float]:
    quantiles = (float(q) * 1e6 for q in np.quantile(errors, (0.5, 0.99, 1.0)))
    return dict(zip(("p50_us", "p99_us", "max_us"), quantiles, strict=True))


def run(json: bool) -> int:
    """Print the table; 1 when the target was missed."""
    found = {name: [_figures(side(count)) for count in PULSES] for name, side in SIDES.items()}
    result: dict[str, Any] = {"pulses": list(PULSES), "errors": found, "p99_exponents": {}}
    for name, rows in found.items():
        first, last = (max(row["p99_us"], LEAST_US) for row in (rows[0], rows[-1]))
        growth = math.log(last / first) / math.log(PULSES[-1] / PULSES[0])
        result["p99_exponents"][name] = growth
    own = max(found["firmware"][-1]["p99_us"], LEAST_US)
    result["p99_ratio_to_asyncio"] = found["asyncio_relative_sleeps"][-1]["p99_us"] / own
    result["p99_ratio_to_thread"] = found["thread_absolute_deadlines"][-1]["p99_us"] / own
    met = result["p99_ratio_to_asyncio"] >= RATIO_LEAST
    if json:
        print(json_module.dumps(result, indent=2))
        return int(not met)
    for name, rows in found.items():
        print(f"{name}, error of the width, us; p99 grows with {result['p99_exponents'][name]:.2f}")
        for count, row in zip(PULSES, rows, strict=True):
            shown = "".join(f"{key[:3]:>8}{value:12.3f}" for key, value in row.items())
            print(f"  {count:5} pulses{shown}")
    for name in ("p99_ratio_to_asyncio", "p99_ratio_to_thread"):
        print(f"{name:32}{result[name]:12.0f}")
    print(f"p99 ratio to asyncio, asked >= {RATIO_LEAST:g}: {'met' if met else 'MISSED'}")
    return int(not met)
