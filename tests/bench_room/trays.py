"""Tray files for tests, and whole trays on the simulated rig on virtual time."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

from benchrig.bench.tray import TrayJob, TrayResult, run_tray
from benchrig.bench.trayfile import Tray, read_tray
from benchrig.record.log import RunLog
from benchrig.record.values import RunRecord, Stage
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench_room.jobs import Told

NOW = "2031-05-04T10:00:00.000+00:00"
PATTERN = """\
title = "a fifth of a second on, four times"
repeats = 4
[[steps]]
state = "on"
duration_ms = 200
[[steps]]
state = "off"
duration_ms = 200
"""
HEAD = """\
order = "K-2031"
customer_words = "stalls when warm (invented)"
part = "demo-injector"
pattern = "quick.toml"
position_scheme = "cylinder number"
[temperature]
soaked_c = 22
"""
COIL = """\
[part.coil]
resistance_20c_ohm = {ohm}
inductance_rest_h = 0.0105
inductance_seat_h = 0.0136
saturation_wb = 0.02
eddy_ohm = 250.0
"""
WITHIN_S = 3600.0  # of virtual time; a tray that goes on past it never ends
_numbers = itertools.count(1)


def write_tray(folder: Path, slots: str, *, head: str = HEAD, name: str = "tray") -> Path:
    """A tray file beside its pattern."""
    (folder / "quick.toml").write_text(PATTERN, encoding="utf-8")
    path = folder / f"{name}.toml"
    path.write_text(head + slots, encoding="utf-8")
    return path


def slots_of(count: int, *, tag: str = "K-2031") -> str:
    """Slots 1 to ``count`` on outputs 0 to ``count - 1``, positions in no order."""
    return "".join(
        f'\n[[slot]]\noutput = {n}\ntag = "{tag}-{n + 1:02d}"\nposition = "{n * 3 % 8 + 1}"\n'
        for n in range(count)
    )


def write_scenario(folder: Path, ohms: dict[int, float], name: str = "bench") -> str:
    """A scenario of sound injectors, and its rig address."""
    parts = "".join(
        f'[[part]]\noutput = {n}\nname = "demo injector"\n{COIL.format(ohm=ohm)}'
        for n, ohm in ohms.items()
    )
    path = folder / f"{name}.toml"
    path.write_text(f'title = "invented"\n{parts}', encoding="utf-8")
    return f"sim:{path}"


def make_job(tray: Tray, rig: str, **changes: Any) -> TrayJob:
    """A tray's job in the test world."""
    values: dict[str, Any] = {
        "tray": tray,
        "stage": Stage.INCOMING,
        "rig_url": rig,
        "tell": Told(declare_after=2).tell,
        "stamp": lambda: NOW,
        "new_id": lambda: f"20310504-100000-{next(_numbers):04x}",
        "say": lambda _: None,
        "scan_period_us": 500,
        **changes,
    }
    return TrayJob(**values)


def run(
    path: Path,
    rig: str,
    log_path: Path,
    *,
    meddle: Callable[[asyncio.Task[TrayResult]], None] | None = None,
    **changes: Any,
) -> TrayResult:
    """A tray to its end, or to what ends it early."""

    async def work() -> TrayResult:
        with RunLog.open(log_path) as log:
            task = asyncio.ensure_future(run_tray(make_job(read_tray(path), rig, **changes), log))
            if meddle is not None:
                meddle(task)
            done, _ = await asyncio.wait({task}, timeout=WITHIN_S)
            if not done:
                raise TimeoutError("the tray did not come to an end")
            return task.result()

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(work())


def records(log_path: Path) -> list[RunRecord]:
    """Every finished record of a log, oldest first."""
    with RunLog.open(log_path, read_only=True) as log:
        return [log.record(run.record_id) for run in reversed(log.list_runs(limit=1000))]
