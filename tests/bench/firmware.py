"""The emulated firmware: all 25 cycles of the six-second pattern, sizes, stack, load, latencies.

Emulated figures of one ATmega328P at 16 MHz in libsimavr; nothing here was seen on silicon.
"""

from __future__ import annotations

import json as json_module
import time
from itertools import pairwise
from typing import Any

from avr.emulator import HZ, VECTORS
from benchrig.firmware import build
from benchrig.wire.messages import Finished, Samples, Stream
from tests.firmware.bare_rig import BareRig, schedule

CYCLES = 25
USUAL = Stream(inputs_mask=0b0001010, scan_period_us=200)  # 10 000 conversions a second
FAST = Stream(inputs_mask=0b0011000, scan_period_us=100)  # 20 000
WALL_S_MOST = 60.0


def six_second_pattern() -> dict[str, Any]:
    """300 s of six seconds on, six off, streaming all the time."""
    rig = BareRig()
    began = time.perf_counter()
    rig.start(schedule((1, 6_000_000, 0), (0, 6_000_000, 0), repeats=CYCLES), USUAL)
    rig.run_s(12.0 * CYCLES + 0.1, beating=True)
    wall_s = time.perf_counter() - began
    intervals = {b.cycle - a.cycle for a, b in pairwise(rig.emulator.take_edges())}
    found = {
        "cycles": rig.of(Finished)[0].repeats_done,
        "edge_interval_cycles": sorted(intervals),
        "blocks": len(rig.of(Samples)),
        "blocks_lost": rig.blocks_lost(),
        "frames_bad": rig.decoder.frames_bad,
        "wall_s": round(wall_s, 1),
    }
    rig.close()
    return found


def load(stream: Stream) -> dict[str, Any]:
    """Load and stack while short pulses run under a stream."""
    rig = BareRig()
    rig.start(schedule((4, 2_500, 0), (0, 7_500, 0), repeats=200), stream)
    slept, since = rig.emulator.slept_cycles, rig.emulator.cycle
    rig.run_s(1.0, beating=True)
    busy = 1.0 - (rig.emulator.slept_cycles - slept) / (rig.emulator.cycle - since)
    rig.emulator.watch_stack(True)
    rig.run_s(0.25, beating=True)
    rig.emulator.watch_stack(False)
    found = {
        "busy_percent": round(100 * busy),
        "stack_bytes": rig.emulator.stack_bytes_most,
        "latency_most_us": {
            name: round(rig.emulator.latency_most(name) / HZ * 1e6, 1) for name in VECTORS
        },
    }
    rig.close()
    return found


def run(json: bool) -> int:
    """Print the figures; 0 when every target is met."""
    manifest = build.committed()
    figures: dict[str, Any] = {
        "flash_bytes": manifest.flash_bytes,
        "static_ram_bytes": manifest.ram_bytes,
        "six_second": six_second_pattern(),
        "at_10_000": load(USUAL),
        "at_20_000": load(FAST),
    }
    print(json_module.dumps(figures, indent=None if json else 2))
    six = figures["six_second"]
    stack = max(figures["at_10_000"]["stack_bytes"], figures["at_20_000"]["stack_bytes"])
    met = (
        six["edge_interval_cycles"] == [6 * HZ]
        and six["cycles"] == CYCLES
        and six["blocks_lost"] == six["frames_bad"] == 0
        and six["wall_s"] < WALL_S_MOST
        and manifest.flash_bytes <= build.FLASH_BYTES_MOST
        and manifest.ram_bytes + stack <= build.RAM_BYTES_MOST
    )
    return 0 if met else 1
