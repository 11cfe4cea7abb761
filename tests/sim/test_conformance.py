"""The simulated rig against the conformance checks that any rig is held to."""

from __future__ import annotations

import asyncio

import pytest

from benchrig.bench.conform import ConformanceReport, run_conformance
from benchrig.rig.link import open_link
from benchrig_sim.virtual_time import VirtualTimeLoop


async def report_on(url: str) -> ConformanceReport:
    link = await open_link(url)
    try:
        return await run_conformance(link)
    finally:
        await link.close()


def broken_promises(url: str) -> list[str]:
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        report = runner.run(report_on(url))
    assert len(report.checks) > 30
    return [f"{c.name}: {c.sentence}" for c in report.checks if c.outcome.name == "FAIL"]


@pytest.mark.parametrize("url", ["sim:linear", "sim:healthy?bits=12", "sim:tray-of-eight?seed=5"])
def test_it_keeps_every_promise(url: str) -> None:
    assert broken_promises(url) == []


def test_a_rig_that_lies_is_found_out() -> None:
    assert broken_promises("sim:linear?fault=readback-lies") != []
