"""The emulated firmware: all 25 cycles of the six-second pattern, sizes, stack, load, latencies.

Emulated figures of one ATmega328P at 16 MHz in libsimavr; nothing here was seen on silicon.
"""

from __future__ import annotations

import json as json_module
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

from avr.emulator import HZ, VECTORS
from avr.virtual_time import new_event_loop
from benchrig.firmware import build
from benchrig.patterns import library
from benchrig.wire.messages import Finished, Samples, Stream
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.firmware.bare_rig import BareRig, schedule
from tests.firmware.test_scenarios import BY_LUCK, as_fast_as_the_firmware
from tests.firmware.test_scenarios import run as run_job

CYCLES = 25
USUAL = Stream(inputs_mask=0b0001010, scan_period_us=200)  # 10 000 conversions a second
FAST = Stream(inputs_mask=0b0011000, scan_period_us=100)  # 20 000
CPU_S_MOST = 60.0  # on a core of its own, this is wall time
SCENARIOS = (
    "healthy",
    "open",
    "shorted-turns",
    "opens-when-hot",
    "stuck-armature",
    "welded-output",
)


def six_second_pattern() -> dict[str, Any]:
    """300 s of six seconds on, six off, streaming all the time."""
    rig = BareRig(held=True)
    began, worked = time.perf_counter(), time.process_time()
    rig.start(schedule((1, 6_000_000, 0), (0, 6_000_000, 0), repeats=CYCLES), USUAL)
    rig.run_s(12.0 * CYCLES + 0.1, beating=True)
    wall_s, cpu_s = time.perf_counter() - began, time.process_time() - worked
    intervals = {b.cycle - a.cycle for a, b in pairwise(rig.emulator.take_edges())}
    found = {
        "cycles": rig.of(Finished)[0].repeats_done,
        "edge_interval_cycles": sorted(intervals),
        "blocks": len(rig.of(Samples)),
        "blocks_lost": rig.blocks_lost(),
        "frames_bad": rig.decoder.frames_bad,
        "wall_s": round(wall_s, 1),
        "cpu_s": round(cpu_s, 1),
    }
    rig.close()
    return found


def whole_jobs() -> dict[str, Any]:
    """Every scenario with all 25 cycles on both rigs: how each ended, and what it took."""
    found: dict[str, Any] = {}
    pattern = library.load("six-second")
    with tempfile.TemporaryDirectory() as folder:
        for name in SCENARIOS:
            ends, luck = [], BY_LUCK.get(name, ())
            scenario = as_fast_as_the_firmware(name, Path(folder))
            for scheme, loop in (("sim", VirtualTimeLoop), ("avr", new_event_loop)):
                began, worked = time.perf_counter(), time.process_time()
                log = Path(folder) / f"{scheme}-{name}.db"
                ends.append(
                    run_job(f"{scheme}:{scenario}", log, loop, pattern=pattern, within_s=3600.0)
                )
            found[name] = {
                "verdict": str(ends[1].verdict),
                "exit_code": int(ends[1].exit_code),
                "as_simulated": ends[0].without(luck) == ends[1].without(luck),
                "wall_s": round(time.perf_counter() - began, 1),
                "cpu_s": round(time.process_time() - worked, 1),
            }
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
        "whole_jobs": whole_jobs(),
        "at_10_000": load(USUAL),
        "at_20_000": load(FAST),
    }
    print(json_module.dumps(figures, indent=None if json else 2))
    six, jobs = figures["six_second"], figures["whole_jobs"]
    stack = max(figures["at_10_000"]["stack_bytes"], figures["at_20_000"]["stack_bytes"])
    met = (
        six["edge_interval_cycles"] == [6 * HZ]
        and six["cycles"] == CYCLES
        and six["blocks_lost"] == six["frames_bad"] == 0
        and six["cpu_s"] < CPU_S_MOST
        and all(job["as_simulated"] and job["cpu_s"] < CPU_S_MOST for job in jobs.values())
        and manifest.flash_bytes <= build.FLASH_BYTES_MOST
        and manifest.ram_bytes + stack <= build.RAM_BYTES_MOST
    )
    return 0 if met else 1
