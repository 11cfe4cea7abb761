"""The simulated rig as a program of its own, over the real serial path and over TCP, in real time.

The only real-time runs against it; whatever does not need them runs on virtual time.
"""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import pytest

from benchrig.errors import LinkError
from benchrig.measure.samples import SampleBlock
from benchrig.rig.client import open_rig
from benchrig.rig.events import EdgeEvent, FinishedEvent
from benchrig.wire.messages import RigState
from tests.rig.test_client_on_sim import run, schedule

pytestmark = [
    pytest.mark.asyncio,
    pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals"),
]
ROOT = Path(__file__).parents[2]


@asynccontextmanager
async def served(*options: str) -> AsyncIterator[str]:
    """A simulator's own process; the port it says."""
    paths = [str(ROOT), str(ROOT / "sims"), os.environ.get("PYTHONPATH", "")]
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "benchrig_sim",
        "healthy",
        *options,
        stdout=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
    )
    assert process.stdout is not None
    try:
        async with asyncio.timeout(30):
            yield (await process.stdout.readline()).decode().strip()
    finally:
        if process.returncode is None:
            process.terminate()
        await process.wait()


async def until_free(url: str) -> None:
    async with asyncio.timeout(10):
        while True:
            try:
                async with open_rig(url) as rig:
                    assert rig.status.state is RigState.IDLE
                    return
            except LinkError:
                await asyncio.sleep(0.05)


@pytest.mark.parametrize("option", [("--pty",), ("--tcp", "0")], ids=["pty", "tcp"])
async def test_a_run_over_a_real_link(option: tuple[str, ...]) -> None:
    async with served(*option) as url:
        async with open_rig(url) as rig:
            info = await rig.stream([0, 3], 200)
            plan = schedule((1, 2_500), (0, 7_500), repeats=40)
            tick, events = await run(rig, plan)
            assert isinstance(events[-1], FinishedEvent)
            edges = [e for e in events if isinstance(e, EdgeEvent) and e.cause.name == "SCHEDULE"]
            offsets_us = np.array([e.tick - edges[0].tick for e in edges]) * rig.tick_s * 1e6
            wanted_us = np.add.outer(10_000 * np.arange(40), [0, 2_500]).ravel()
            assert np.abs(offsets_us - wanted_us).max() <= 1.0  # the rig's clock, not the host's
            assert 0 <= (edges[0].tick - tick) * rig.tick_s <= 0.001
            blocks = [e for e in events if isinstance(e, SampleBlock)]
            assert sum(len(b.codes) for b in blocks) * info.scan_period_ticks * rig.tick_s > 0.3
            assert (rig.blocks_lost, rig.edges_lost, rig.unasked_lost) == (0, 0, 0)
            assert (rig.frames_bad, rig.violations) == (0, 0)
            with pytest.raises(LinkError, match=r"in use|without a word"):
                async with open_rig(url):
                    pass
        # Let go, and taken again once the far end has noticed.
        await until_free(url)
