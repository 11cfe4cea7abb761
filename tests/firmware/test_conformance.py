"""The same promises that are asked of any rig, asked of the emulated firmware."""

from __future__ import annotations

import asyncio

from avr.link import open_bench_link
from avr.plant import PlainBench
from avr.virtual_time import new_event_loop
from benchrig.bench.conform import ConformanceReport, Outcome, run_conformance

LIVE_ZEROS = {0: 600, 1: 16, 2: 8, 3: 16, 4: 16, 5: 8, 6: 300}
UNPROVOKED = {"on-time-timer", "over-current-trip", "watchdog"}  # provoked in test_safety.py


async def _conform() -> ConformanceReport:
    link = open_bench_link(PlainBench(LIVE_ZEROS))
    try:
        return await run_conformance(link)
    finally:
        link.power_off()


def test_every_promise_of_the_protocol_is_kept() -> None:
    with asyncio.Runner(loop_factory=new_event_loop) as runner:
        report = runner.run(_conform())
    broken = [f"{c.name}: {c.sentence}" for c in report.checks if c.outcome is Outcome.FAIL]
    assert broken == []
    passed = {c.name for c in report.checks if c.outcome is Outcome.PASS}
    assert {c.name for c in report.checks} - passed == UNPROVOKED
    assert len(passed) >= 30
