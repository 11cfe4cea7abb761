"""``benchrig rig`` meets a run that was left open: it switches nothing before that is settled."""

from __future__ import annotations

import asyncio
import signal
import subprocess
import time

import pytest

from benchrig.bench.equipment import Equipment
from benchrig.errors import ExitCode
from benchrig.record.log import RunLog
from benchrig.rig.client import open_rig
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench_room.jobs import plan_for
from tests.cli.shell import Shell
from tests.judge.gage_sheet import READINGS


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


def calibrating(shell: Shell) -> subprocess.Popen[str]:
    """``rig calibrate`` that waits for somebody to read the meter."""
    words = ("--resistor-ohm", "22", "--resistor-u-ohm", "0.01")
    process = shell.start("rig", "calibrate", "--yes", "--rig", "sim:known-resistor", *words)
    assert process.stderr is not None
    for line in process.stderr:
        if "Read the meter" in line:
            return process
    raise AssertionError("it never asked for the meter")


def test_an_interrupt_while_the_meter_is_awaited_is_heeded_at_once(shell: Shell) -> None:
    with calibrating(shell) as process:
        process.send_signal(signal.SIGINT)
        try:
            code = process.wait(timeout=20)  # standard input is still open
        finally:
            process.kill()
        assert process.stderr is not None
        said = process.stderr.read()
    assert code == ExitCode.INTERRUPTED, said
    assert "interrupted" in said
    assert "Traceback" not in said
    assert "Fatal" not in said


def test_the_meter_is_read_while_the_simulated_clock_stands_still(shell: Shell) -> None:
    process = calibrating(shell)
    time.sleep(1.0)  # the output's ceiling is far nearer in simulated time
    _, said = process.communicate("13,20\n", timeout=60)
    assert "went off before the meter was read" not in said
    assert process.returncode == ExitCode.PASS, said


def test_a_closed_input_is_no_reading(shell: Shell) -> None:
    process = calibrating(shell)
    _, said = process.communicate("", timeout=60)
    assert process.returncode == ExitCode.USAGE
    assert "'' is no number of volts" in said


@pytest.mark.parametrize(("awg", "doubted"), [(18, False), (36, True)])
def test_a_lead_null_is_doubted_by_the_gauge_of_its_wire(
    awg: int, doubted: bool, shell: Shell
) -> None:
    """A metre out and back is 0.042 ohm of AWG 18, and 2.7 ohm of AWG 36."""
    words = ("--rig", "sim:clips-shorted", "--awg", str(awg), "--json")
    done = shell("rig", "null", *words)
    if doubted:
        assert done.code == ExitCode.RIG
        assert "below" in done.error["message"]
    else:
        assert done.code == ExitCode.PASS, done.stderr
        assert done.json["resistance_ohm"] < 0.25


def test_a_gage_study_out_of_a_file(shell: Shell) -> None:
    """The readings and results of the measurement systems analysis' data sheet."""
    people = dict(zip(("Ada", "Ben", "Cas"), READINGS, strict=True))
    rows = [
        f"{person};{part};{value}".replace(".", ",")
        for person, parts in people.items()
        for part, values in enumerate(parts)
        for value in values
    ]
    file = shell.file("study.csv", "\n".join(["person;part;value", *rows]))
    done = shell("rig", "gage", file, "--json")
    assert done.code == ExitCode.PASS, done.stderr
    ranges, variance = done.json["studies"]
    assert ranges["percent_gage"] == pytest.approx(26.68, abs=0.05)
    assert variance["distinct_categories"] == 4
    assert "conditional" in shell("rig", "gage", file).stdout
    uneven = shell.file("uneven.csv", "\n".join(["person;part;value", *rows[1:], "Ada;9;x"]))
    refused = shell("rig", "gage", uneven)
    assert refused.code == ExitCode.INPUT_FILE
    assert f"uneven.csv:{len(rows) + 1}" in refused.stderr
    missing = shell.file("missing.csv", "\n".join(["person;part;value", *rows[1:]]))
    short = shell("rig", "gage", missing)
    assert short.code == ExitCode.INPUT_FILE
    assert "Ada measured 0 2 times; 3 readings" in short.stderr
