"""``benchrig rig`` meets a run that was left open: it switches nothing before that is settled."""

from __future__ import annotations

import asyncio

import pytest

from benchrig.bench.equipment import Equipment
from benchrig.errors import ExitCode
from benchrig.record.log import RunLog
from benchrig.rig.client import open_rig
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench_room.jobs import plan_for
from tests.cli.shell import Shell


def leave_a_run_open(shell: Shell) -> None:
    async def work() -> None:
        async with open_rig("sim:known-resistor") as rig:
            with RunLog.open(shell.log) as log:
                now = "2031-05-04T09:00:00.000+00:00"
                identity = Equipment.load(log, rig, 0, now).identity(rig, "", 0)
                log.begin_run("20310504-090000-0001", plan_for(), identity)

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        runner.run(work())


@pytest.mark.parametrize(
    "words",
    [
        ("conform", "--yes"),
        ("calibrate", "--yes", "--resistor-ohm", "22", "--resistor-u-ohm", "0.01"),
        ("null",),
        ("check",),
    ],
    ids=lambda words: words[0],
)
def test_nothing_is_switched_while_a_run_of_the_rig_is_open(
    words: tuple[str, ...], shell: Shell
) -> None:
    leave_a_run_open(shell)
    done = shell("rig", words[0], "--rig", "sim:known-resistor", *words[1:])
    assert done.code == ExitCode.USAGE, done.stderr
    assert "20310504-090000-0001" in done.stderr
    assert "never closed" in done.stderr
