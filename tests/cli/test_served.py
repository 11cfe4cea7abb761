"""The same job over real links: the simulated rig as its own program, on the wall clock.

Over a pseudo-terminal everything goes through pyserial, its lock and its reader thread. A
serial break cannot be tried there: a pseudo-terminal has none to show to the other side.
"""

from __future__ import annotations

import os
import signal

import pytest

from benchrig.errors import ExitCode
from tests.cli.shell import QUICK, Done, Shell, watched

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
PTY, TCP = ("--pty",), ("--tcp", "0")
LINKS = pytest.mark.parametrize("link", [PTY, TCP], ids=["pty", "tcp"])


def over(shell: Shell, link: tuple[str, ...], scenario: str, *arguments: str) -> tuple[str, Done]:
    """A run on a served scenario; the rig's address and how it ended."""
    pattern = shell.file("quick.toml", QUICK)
    with watched(shell.start(scenario, *link, module="benchrig_sim")) as sim:
        assert sim.process.stdout is not None
        url = sim.process.stdout.readline().strip()
        return url, shell.run(url, "-p", pattern, *arguments)


def shape(done: Done) -> dict[str, str]:
    """The verdicts, whole and single."""
    return {
        "": done.json["verdict"],
        **{c["name"]: c["verdict"] for c in done.json["characteristics"]},
    }


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scenario", "link"),
    [
        ("healthy", PTY),
        ("healthy", TCP),
        ("shorted-turns", PTY),
        ("welded-output", PTY),
        ("open", TCP),
    ],
)
def test_a_real_link_brings_the_same_verdicts(
    scenario: str, link: tuple[str, ...], shell: Shell
) -> None:
    url, served = over(shell, link, scenario, "--json")
    simulated = shell.run(scenario, "--json", "-p", shell.file("quick.toml", QUICK))
    assert served.code == simulated.code, served.stderr
    told, expected = shape(served), shape(simulated)
    if scenario == "welded-output":
        # How many cycles end before the weld is noticed is a matter of pace.
        del told["drop_outs"], expected["drop_outs"]
    assert told == expected
    record = served.json
    assert record["rig"]["url"] == url
    assert record["made_safe"]["proven"] is True
    assert record["made_safe"]["feed_opened"] is (scenario == "welded-output")
    assert (record["edges_lost"], record["blocks_lost"]) == (0, 0)
    cold, then = (r.json["cold"]["resistance_20c_ohm"] for r in (served, simulated))
    if cold is not None:
        assert cold["value"] == pytest.approx(then["value"], abs=2 * then["std_uncertainty"])


@LINKS
def test_a_rig_that_dies_in_the_middle_is_told_as_not_proven(
    link: tuple[str, ...], shell: Shell
) -> None:
    with watched(shell.start("healthy", *link, module="benchrig_sim")) as sim:
        assert sim.process.stdout is not None
        url = sim.process.stdout.readline().strip()
        with watched(shell.start(*shell.words(url))) as run:
            run.until("cycling")
            sim.process.kill()
            run.until("THE PART MAY BE LIVE")
            run.type("disconnected")
            done = run.end()
    assert done.code == ExitCode.NOT_PROVEN_SAFE, done.stderr
    assert "NOT PROVEN SAFE" in done.stdout


@LINKS
def test_an_interrupt_on_a_real_link_ends_made_safe(link: tuple[str, ...], shell: Shell) -> None:
    with watched(shell.start("healthy", *link, module="benchrig_sim")) as sim:
        assert sim.process.stdout is not None
        url = sim.process.stdout.readline().strip()
        with watched(shell.start(*shell.words(url))) as run:
            run.until("cycling")
            run.process.send_signal(signal.SIGINT)
            done = run.end()
        assert done.code == ExitCode.INTERRUPTED, done.stderr
        assert "PART IS OFF" in done.stdout
