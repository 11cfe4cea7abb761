"""Streams into features: seconds of run read in a second of processor time.

The six-second pattern (6 s on, 6 s off) and short pulses (2.5 ms in 10 ms), two inputs at
10 kS/s in blocks of 63 scans, as a rig sends them. Motion is timed by its own benchmark.
"""

from __future__ import annotations

import json as json_module
import time

from benchrig.measure.cycles import CycleAnalyser
from tests.measure.streams import CoilStream

TARGET_SIX_SECOND = 1000.0
ROUNDS = 5


def once(stream: CoilStream) -> tuple[float, float]:
    """Seconds of stream, and the least processor time to read them."""
    blocks = stream.blocks()
    seconds = stream.lead_in_s + stream.cycles * (stream.on_s + stream.off_s)
    least = float("inf")
    for _ in range(ROUNDS):
        edges = list(stream.edges)
        analyser = CycleAnalyser(stream.context())
        done = 0
        begin = time.process_time()
        for block in blocks:
            while edges and edges[0][0] <= block.tick:
                done += len(analyser.add_edge(*edges.pop(0)))
            done += len(analyser.add_block(block))
        while edges:
            done += len(analyser.add_edge(*edges.pop(0)))
        done += len(analyser.finish())
        least = min(least, time.process_time() - begin)
        if done != stream.cycles:
            raise RuntimeError(f"{done} cycles of {stream.cycles}")
    return seconds, least


def run(json: bool) -> int:
    """Print the table; 1 when the six-second pattern is read too slowly."""
    cases = {
        "six-second": CoilStream(on_s=6.0, off_s=6.0, cycles=10, block_scans=63),
        "short pulses": CoilStream(on_s=2.5e-3, off_s=7.5e-3, cycles=500, block_scans=63),
    }
    rows = []
    for name, stream in cases.items():
        seconds, least = once(stream)
        rows.append(
            {
                "pattern": name,
                "cycles": stream.cycles,
                "stream_s": seconds,
                "ms_a_cycle": least / stream.cycles * 1e3,
                "times_real_time": seconds / least,
            }
        )
    met = float(str(rows[0]["times_real_time"])) >= TARGET_SIX_SECOND
    if json:
        print(json_module.dumps({"bench": "cycles", "rows": rows, "targets_met": met}, indent=2))
        return 0 if met else 1
    print("edges and blocks into features, two inputs at 10 kS/s, one core")
    for r in rows:
        print(
            f"{r['pattern']:>12}: {r['cycles']:4} cycles, {r['stream_s']:6.1f} s of stream, "
            f"{r['ms_a_cycle']:6.2f} ms a cycle, {r['times_real_time']:7.0f} times real time"
        )
    print(f"target for six-second: {TARGET_SIX_SECOND:.0f} times real time")
    return 0 if met else 1
