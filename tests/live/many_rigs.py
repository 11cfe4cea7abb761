"""Simulated rigs behind ports, several in one program; prints one address a line.

``python -m tests.live.many_rigs FIRST_SEED COUNT [SECONDS]``
"""

from __future__ import annotations

import asyncio
import sys

from benchrig_sim.cli import PacedRig, _serve_tcp
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario


async def serve(first_seed: int, count: int, seconds: float) -> None:
    """Serve them for so long at most."""
    for seed in range(first_seed, first_seed + count):
        paced = PacedRig(SimRig(open_scenario(f"healthy?seed={seed}").rig))
        await _serve_tcp(paced, 0)
    await asyncio.sleep(seconds)


if __name__ == "__main__":
    limit_s = float(sys.argv[3]) if len(sys.argv) > 3 else 600.0
    asyncio.run(serve(int(sys.argv[1]), int(sys.argv[2]), limit_s))
