"""Promises held against other witnesses: the host's clock, and what is on."""

from __future__ import annotations

import asyncio

from benchrig.bench.conform.probe import NotApplicable, Probe, require
from benchrig.bench.conform.schedules import SCHEDULE_ID, schedule
from benchrig.wire.messages import AllOff, Start

CLOCK_S = 4.0
# The kernel steers a host's monotonic clock by up to 500 ppm (adjtimex(2)); its crystal adds 100.
HOST_CLOCK_PPM = 600.0
HELD_US = 200_000


async def clock(probe: Probe) -> str:
    """The rig's clock keeps time with the host's, within what it declares."""
    loop = asyncio.get_running_loop()

    async def read() -> tuple[int, float, float]:
        tries = []
        for _ in range(5):
            sent_s = loop.time()
            tick = (await probe.beat()).tick
            tries.append((loop.time() - sent_s, tick, sent_s))
        trip_s, tick, sent_s = min(tries)
        return tick, sent_s + 0.5 * trip_s, trip_s

    tick, at_s, trip_s = await read()
    await probe.beating(lambda: False, CLOCK_S)
    later_tick, later_s, later_trip_s = await read()
    host_s = later_s - at_s
    off = probe.seconds_between(tick, later_tick) / host_s - 1.0
    declared = probe.identity.clock_tolerance_ppm * 1e-6
    doubt = HOST_CLOCK_PPM * 1e-6 + 0.5 * (trip_s + later_trip_s) / host_s
    require(
        abs(off) <= declared + doubt,
        f"in {host_s:.1f} s of the host's clock its own ran {100 * off:+.3g} %; it declares "
        f"{declared * 1e6:.0f} ppm",
    )
    return f"{1e6 * off:+.0f} ppm against the host's, ± {1e6 * doubt:.0f} ppm"


async def readback(probe: Probe) -> str:
    """The gates are read back as on while they are on, and as off when they are off."""
    info = probe.switch()
    on_us = min(max(info.on_us_min, HELD_US), info.on_us_max)
    plan = schedule((1 << info.output, on_us, 0), (0, max(info.off_us_min, 50_000), 0))
    await probe.load(plan)
    await probe.close_feed()
    await probe.do(Start(schedule_id=SCHEDULE_ID))
    await asyncio.sleep(0.3e-6 * on_us)
    status = await probe.beat()
    if status.outputs_commanded != 1 << info.output:
        raise NotApplicable(f"output {info.output} cannot be held long enough to be looked at")
    on = status.outputs_readback
    require(on == 1 << info.output, f"output {info.output} is on, its gates are read as {on:#b}")
    await probe.do(AllOff())
    await asyncio.sleep(0.02)
    off = (await probe.beat()).outputs_readback
    require(off == 0, f"all is off, its gates are read as {off:#b}")
    return f"output {info.output} read back as on and as off"
