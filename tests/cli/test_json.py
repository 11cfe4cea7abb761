"""The contract of ``--json``: its keys and types are pinned, and errors keep to it too."""

from __future__ import annotations

import subprocess
import sys
from typing import Any, Literal

import pytest
from pydantic import ConfigDict, TypeAdapter, with_config
from typing_extensions import TypedDict  # pydantic takes no other before Python 3.12

from benchrig.errors import ExitCode
from tests.cli.shell import QUICK, ROOT, Done, Shell, watched

EXACT = ConfigDict(extra="forbid", strict=True)
VerdictWord = Literal["PASS", "FAIL", "INCONCLUSIVE", "NOT ASSESSED"]


@with_config(EXACT)
class LimitsJson(TypedDict):
    low: float | None
    high: float | None
    rule: str
    at_voltage_v: float | None


@with_config(EXACT)
class CharacteristicJson(TypedDict):
    name: str
    value: float | None
    unit: str
    std_uncertainty: float | None
    limits: LimitsJson | None
    source: str | None
    verdict: VerdictWord
    reason: str
    zone: str | None
    guard_band: float | None
    conformance_probability: float | None
    does_not_prove: str


@with_config(EXACT)
class SafeReadingJson(TypedDict):
    at_s: float
    current_a: float
    part_voltage_v: float
    outputs_readback: int


@with_config(EXACT)
class LifeSignJson(TypedDict):
    input: str
    off: float
    on: float
    unit: str


@with_config(EXACT)
class MadeSafeJson(TypedDict):
    proven: Literal[True]
    residual_current_a: float
    feed_opened: bool
    readings: list[SafeReadingJson]
    inputs_alive: str
    life: list[LifeSignJson]
    waited_s: float


@with_config(EXACT)
class RunJson(TypedDict):
    schema: Literal["benchrig.run/1"]
    record: str
    digest: str
    log: str
    part: str
    part_title: str
    invented: bool
    simulated: bool
    pattern: str
    tag: str
    part_number: str
    order: str
    position: str
    position_scheme: str
    operator: str
    stage: str
    note: str
    begun_at: str
    ended_at: str
    ending: str
    ending_reason: str
    verdict: VerdictWord
    verdict_reason: str
    headline: str
    characteristics: list[CharacteristicJson]
    temperature: dict[str, Any] | None
    cold: dict[str, Any]
    cycles_planned: int
    cycles: list[dict[str, Any]]
    drop_outs: list[dict[str, Any]]
    fault_rate_upper_95: float | None
    made_safe: MadeSafeJson
    rig: dict[str, Any]
    edges_lost: int
    blocks_lost: int
    warnings: list[str]
    analysis_version: int


def test_a_run_prints_one_document_of_the_pinned_shape(shell: Shell) -> None:
    done = shell.run("healthy", "--json", "-p", shell.file("quick.toml", QUICK))
    assert done.code == ExitCode.PASS, done.stderr
    run = TypeAdapter(RunJson).validate_json(done.stdout)
    assert run["part"] == "demo-injector"
    assert [c["cycle"] for c in run["cycles"]] == [1, 2, 3]
    resistance = run["characteristics"][0]
    assert resistance["name"] == "resistance_20c_ohm"
    assert resistance["value"] == pytest.approx(14.5, abs=0.5)
    assert resistance["std_uncertainty"]
    assert resistance["limits"] == {
        "low": 13.8,
        "high": 15.2,
        "rule": "guard band",
        "at_voltage_v": None,
    }
    assert len(run["made_safe"]["readings"]) >= 3
    # The same again from the log.
    shown = shell("record", "show", run["record"], "--json")
    assert shown.json == done.json


def test_nothing_but_the_document_goes_to_standard_output_and_no_progress_anywhere(
    shell: Shell,
) -> None:
    done = shell.run("healthy", "--json", "-p", shell.file("quick.toml", QUICK))
    assert done.stdout.startswith("{")
    assert done.stdout.endswith("}\n")
    assert "cycling" not in done.stderr
    quiet = shell.run("healthy", "-p", shell.file("quick.toml", QUICK))
    assert "cycling" in quiet.stderr
    assert "cycling" not in quiet.stdout


# --- errors ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("run", "demo-injector", "--json"), "--rig"),
        (("run", "demo-injector", "--rig", "sim:healthy", "--nonsense", "--json"), "--nonsense"),
        (("run", "demo-injector", "--rig", "sim:nowhere", "--yes", "--json"), "nowhere"),
        (("run", "demo-injector", "--rig", "http:x", "--yes", "--json"), "http"),
        (("nonsense", "--json"), "nonsense"),
        (("record", "show", "--json"), "RECORD"),
    ],
)
def test_a_wrong_command_is_told_in_json(
    arguments: tuple[str, ...], words: str, shell: Shell
) -> None:
    done = shell(*arguments)
    assert done.code == ExitCode.USAGE
    assert words.lower() in done.error["message"].lower()


def test_a_bad_part_file_is_told_with_every_fault_and_its_line(shell: Shell) -> None:
    text = (ROOT / "benchrig" / "parts" / "data" / "demo-injector.toml").read_text("utf-8")
    lines = text.replace("on_s_max = 10.0", 'on_s_max = "long"').replace(
        "duty_max = 0.5", "dutty_max = 0.5"
    )
    path = shell.file("bad.toml", lines)
    done = shell("run", path, "--rig", "sim:healthy", "--yes", "--json")
    assert done.code == ExitCode.INPUT_FILE
    error = done.error
    assert error["kind"] == "InputFileError"
    wrong = {finding["line"]: finding["message"] for finding in error["findings"]}
    numbered = dict(enumerate(lines.splitlines(), 1))
    at = {name: n for n, line in numbered.items() for name in ("long", "dutty_max") if name in line}
    assert "on_s_max" in wrong[at["long"]]
    assert "duty_max" in wrong[at["dutty_max"]]  # and what was meant
    assert all(finding["file"] == path for finding in error["findings"])
    # The same for a person: file:line in front of each.
    plain = shell("run", path, "--rig", "sim:healthy", "--yes")
    assert f"{path}:{at['long']}:" in plain.stderr
    assert plain.stdout == ""


def test_a_missing_rig_is_told_in_json(shell: Shell) -> None:
    done = shell.run(str(shell.folder / "no-such-port"), "--json")
    assert done.code == ExitCode.RIG
    assert "no-such-port" in done.error["message"]
    nobody = shell.run("socket://127.0.0.1:1", "--json")
    assert nobody.code == ExitCode.RIG
    assert nobody.error["kind"] == "LinkError"


def test_a_busy_rig_is_told_in_json(shell: Shell) -> None:
    served = shell.start("healthy", "--tcp", "0", module="benchrig_sim")
    with watched(served) as sim:
        assert sim.process.stdout is not None
        url = sim.process.stdout.readline().strip()
        # The first must outlast the second's start, which takes seconds on a loaded machine.
        with watched(shell.start(*shell.words(url))) as first:
            first.until("checking")
            second = shell.run(url, "--json", "-p", shell.file("q.toml", QUICK))
            assert second.code == ExitCode.RIG
            assert second.error["advice"]
            assert first.end().code == ExitCode.PASS, first.stderr  # undisturbed


def test_a_bad_log_is_told_in_json(shell: Shell) -> None:
    path = shell.file("text.db", "this is no database, and long enough to look like a file\n" * 40)
    for where in (path, "/dev/null/runs.db", "postgresql://nobody@127.0.0.1:1/none"):
        done = shell.run("healthy", "--json", "--log", where)
        assert done.code == ExitCode.LOG, where
        assert done.error["message"]


def test_unknown_record_and_missing_file_are_told_in_json(shell: Shell) -> None:
    shell.run("healthy", "-p", shell.file("quick.toml", QUICK))
    assert shell("record", "show", "20990101-000000-0000", "--json").error
    done = shell("part", "show", "no-such-part", "--json")
    assert done.error
    assert done.code in (ExitCode.USAGE, ExitCode.INPUT_FILE)


@pytest.mark.parametrize(
    "arguments",
    [
        ("part", "list"),
        ("part", "show", "demo-injector"),
        ("part", "check", "demo-injector"),
        ("pattern", "list"),
        ("pattern", "show", "six-second"),
        ("pattern", "check", "six-second"),
        ("rig", "list"),
        ("rig", "check", "--rig", "sim:healthy"),
        ("record", "list"),
        ("record", "verify"),
        ("record", "reanalyse", "last"),
        ("record", "report", "last", "--out", "page.html"),
        ("record", "label", "last", "--out", "label.svg"),
        ("record", "correct", "last", "note", "seen", "--who", "me", "--why", "a test"),
        ("doctor",),
    ],
    ids=" ".join,
)
def test_whatever_reports_does_so_in_json_with_a_schema(
    arguments: tuple[str, ...], recorded: Shell
) -> None:
    done = recorded(*arguments, "--json")
    assert done.code == ExitCode.PASS, done.stderr
    assert done.json["schema"].startswith("benchrig.")


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Shell:
    """A shell whose log holds one run."""
    shell = Shell(folder=tmp_path_factory.mktemp("recorded"))
    assert shell.run("healthy", "-p", shell.file("quick.toml", QUICK)).code == ExitCode.PASS
    return shell


@pytest.mark.parametrize("asked", [(), ("--json",)])
def test_a_mistake_in_the_program_is_not_told_as_a_failed_part(asked: tuple[str, ...]) -> None:
    code = (
        "import sys\n"
        "from benchrig.cli import app\n"
        "app.app = lambda **_: 1 / 0\n"
        f"sys.argv = ['benchrig', *{asked!r}]\n"
        "app.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == ExitCode.BUG
    assert "ZeroDivisionError" in done.stderr
    if asked:
        assert Done(code=70, stdout=done.stdout, stderr="").error["kind"] == "Bug"
