"""``benchrig run`` as a person or a script runs it: verdicts, endings, signals, refusals."""

from __future__ import annotations

import signal
import time

import pytest

from benchrig.errors import ExitCode
from tests.cli.shell import QUICK, ROOT, Shell, watched


@pytest.mark.parametrize(
    ("scenario", "verdict", "code"),
    [
        ("healthy", "PASS", 0),
        ("open", "FAIL", 1),
        ("shorted-turns", "FAIL", 1),
        ("stuck-armature", "INCONCLUSIVE", 6),
        ("welded-output", "INCONCLUSIVE", 3),
    ],
)
def test_a_scenario_ends_with_its_verdict_exit_code_and_evidence(
    scenario: str, verdict: str, code: int, shell: Shell
) -> None:
    # Movement needs the full rate; everything else is quicker without it.
    rate = ("--scan-period-us", "50") if scenario == "stuck-armature" else ()
    done = shell.run(scenario, "--json", *rate)
    assert done.code == code, done.stderr
    record = done.json
    assert record["verdict"] == verdict
    assert record["made_safe"]["proven"] is True
    assert abs(record["made_safe"]["residual_current_a"]) < 0.02
    assert record["made_safe"]["feed_opened"] is (scenario == "welded-output")


@pytest.mark.slow
def test_a_coil_that_opens_when_hot_fails_on_the_whole_six_second_pattern(shell: Shell) -> None:
    done = shell.run("opens-when-hot", "--json", "-p", "six-second")
    assert done.code == ExitCode.PART_FAILED, done.stderr
    record = done.json
    judged = {c["name"]: c["verdict"] for c in record["characteristics"]}
    assert judged["resistance_20c_ohm"] == "PASS"  # cold, nothing is wrong with it
    assert judged["drop_outs"] == "FAIL"
    assert record["made_safe"]["proven"] is True


def test_the_card_of_a_person_says_that_the_part_is_off_and_what_was_found(shell: Shell) -> None:
    done = shell.run("healthy", "--tag", "K-0007")
    assert done.code == ExitCode.PASS
    assert "PART IS OFF" in done.stdout
    assert "measured residual" in done.stdout
    assert "PASS" in done.stdout
    assert "INVENTED" in done.stdout
    assert "K-0007" in done.stdout
    assert str(shell.log) in done.stdout.replace("\n", "")
    assert "Fuel vapour" in done.stderr  # the cautions come before anything is switched on
    assert done.stderr.index("Fuel vapour") < done.stderr.index("cycling")
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


# --- what refuses to finish -----------------------------------------------------------------------


def test_with_output_and_feed_welded_the_run_never_ends_by_itself(shell: Shell) -> None:
    with watched(shell.start(*shell.words("welded-output-and-feed"))) as run:
        run.until("THE PART MAY BE LIVE")
        run.until("type disconnected")
        run.type("off")
        run.until('"off" is not it: type disconnected')
        run.type("disconnected")  # said, but the rig still answers and still sees a current
        run.until("the rig still answers")
        run.process.send_signal(signal.SIGTERM)
        run.process.send_signal(signal.SIGINT)
        time.sleep(4.0)
        assert "please wait" not in run.stderr  # waiting is wrong while the part may be live
        assert "an interrupt does not switch it off" in run.stderr
        assert run.process.poll() is None
        assert "NOT FINISHED" in run.stderr
        order = [run.stderr.index(word) for word in ("supply", "clips", "USB")]
        assert all(order)
        run.process.kill()  # a power cut; nothing else ends it
        assert run.process.wait() == -signal.SIGKILL
    listed = shell("record", "list", "--json").json
    assert listed["records"] == []  # not finished, so no record

    after = shell.run("healthy", "--json")  # the same rig, repaired: evidence comes first
    assert after.code == ExitCode.PASS, after.stderr
    endings = {
        r["record_id"]: shell("record", "show", r["record_id"], "--json").json["ending"]
        for r in shell("record", "list", "--json").json["records"]
    }
    assert sorted(endings.values()) == ["complete", "found open at the next start"]


def test_a_lost_link_ends_not_proven_once_somebody_declares_the_supply_off(shell: Shell) -> None:
    done = shell.run("link-lost", "--json", typed="disconnected\n")
    assert done.code == ExitCode.NOT_PROVEN_SAFE
    record = done.json
    assert record["made_safe"]["proven"] is False
    assert record["made_safe"]["declared"]
    assert record["verdict"] != "PASS"
    assert "THE PART MAY BE LIVE" in done.stderr


# --- interrupted ----------------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_an_interrupt_while_cycling_ends_made_safe(number: signal.Signals, shell: Shell) -> None:
    words = shell.words("healthy", "-p", "six-second", "--scan-period-us", "25")
    with watched(shell.start(*words)) as run:
        run.until("cycling")
        for _ in range(3):  # as an impatient person would
            run.process.send_signal(number)
        done = run.end()
    assert done.code == ExitCode.INTERRUPTED, done.stderr
    assert "PART IS OFF" in done.stdout
    record = shell("record", "show", "last", "--json").json
    assert record["ending"] == "interrupted"
    assert record["made_safe"]["proven"] is True
    assert record["cycles_planned"] == 25
    assert len(record["cycles"]) < 25
    assert record["verdict"] == "INCONCLUSIVE"


def test_an_interrupted_golden_part_is_no_fault_of_the_rig(shell: Shell) -> None:
    words = ("rig", "golden", "GOLD", "--part", "demo-injector", "-p", "six-second", "--yes")
    with watched(shell.start(*words, "--rig", "sim:healthy", "--soaked", "22")) as run:
        run.until("cycling")
        run.process.send_signal(signal.SIGINT)
        done = run.end()
    assert done.code == ExitCode.INTERRUPTED, done.stderr
    assert "PART IS OFF" in done.stdout


# --- before anything is switched on ---------------------------------------------------------------


def test_a_dry_run_switches_nothing_and_keeps_nothing(shell: Shell) -> None:
    done = shell.run("healthy", "--dry-run", "--json")
    assert done.code == ExitCode.PASS
    assert done.json["cycles"] == 6
    assert done.json["objections"] == []
    assert done.json["nearest_pattern"] is None
    assert not shell.log.exists()
    said = shell.run("healthy", "--dry-run").stdout
    assert "299 cycles" in said  # log 0.05 / log 0.99
    assert "nothing was switched on" in said


def test_a_packaged_file_can_be_begun_from(shell: Shell) -> None:
    for kind, name in (("part", "demo-injector"), ("pattern", "six-second")):
        shown = shell(kind, "show", name, "--toml")
        assert shown.code == ExitCode.PASS, shown.stderr
        own = shell.file(f"own-{kind}.toml", shown.stdout)
        assert shell(kind, "check", own).code == ExitCode.PASS
        before, after = (shell(kind, "show", x, "--json").json for x in (name, own))
        for changed in ("name", "file", "digest"):
            before.pop(changed, None), after.pop(changed, None)
        assert after == before


def test_a_dry_run_says_what_the_part_cannot_take_and_what_it_could(shell: Shell) -> None:
    greedy = QUICK.replace("duration_s = 0.2", "duration_s = 9", 1)
    pattern = shell.file("greedy.toml", greedy)
    done = shell.run("healthy", "--dry-run", "--json", "-p", pattern)
    assert done.code == ExitCode.USAGE
    (objection,) = done.json["objections"]
    assert "50 %" in objection["reason"]
    assert objection["nearest"]
    refused = shell.run("healthy", "--json", "-p", pattern)
    assert refused.code == ExitCode.USAGE
    assert refused.error["advice"] == objection["nearest"]
    # The nearest pattern that fits is given as a file, which the same rig then takes.
    fitting = shell.file("fitting.toml", done.json["nearest_pattern"])
    assert shell.run("healthy", "--dry-run", "-p", fitting).code == ExitCode.PASS


def test_without_a_terminal_energising_needs_yes(shell: Shell) -> None:
    words = [word for word in shell.words("healthy", "--json") if word != "--yes"]
    done = shell(*words, typed="yes\n")  # a pipe is nobody
    assert done.code == ExitCode.USAGE
    assert "nobody to ask" in done.error["message"]
    assert "--yes" in done.error["advice"]
    assert not shell.log.exists()


def test_a_forbidden_part_is_refused(shell: Shell) -> None:
    part = (ROOT / "benchrig" / "parts" / "data" / "demo-injector.toml").read_text("utf-8")
    path = shell.file("piezo.toml", part.replace('"fuel injector"', '"piezo injector"'))
    done = shell("run", path, "--rig", "sim:healthy", "--yes", "--json")
    assert done.code in (ExitCode.USAGE, ExitCode.INPUT_FILE)
    assert "piezo" in done.stdout
    assert not shell.log.exists()


def test_a_pipe_that_is_closed_early_does_not_say_that_the_part_failed(shell: Shell) -> None:
    process = shell.start(*shell.words("healthy", "--json"))
    assert process.stdout is not None
    process.stdout.close()
    with watched(process) as run:
        assert run.process.wait(60) == ExitCode.PASS, run.stderr
