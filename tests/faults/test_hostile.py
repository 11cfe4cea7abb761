"""Rigs that lie, two hosts, damaged logs, odd names, words that are markup; through the program."""

from __future__ import annotations

import asyncio
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from benchrig.cli import app as cli
from benchrig.errors import ExitCode, LinkError
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, NotProven, SafeEvidence
from benchrig.rig.client import open_rig
from benchrig_sim.faults import Fault, FaultKind
from benchrig_sim.link import SimLink
from fault_search.bench import WatchedRig, rig_spec
from fault_search.case import AnyFault, Case, Person, plain_case
from fault_search.check import check
from fault_search.play import Stage
from tests.faults.kills import scene_in

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture(scope="module")
def stage() -> Iterator[Stage]:
    with Stage() as made:
        yield made


def _case(*faults: AnyFault, **changes: object) -> Case:
    return replace(plain_case(3), faults=faults, **changes)  # type: ignore[arg-type]


# --- a rig that lies ------------------------------------------------------------------------------


def test_a_readback_that_says_off_while_current_flows_ends_nothing(stage: Stage) -> None:
    """The pins read back as off all the time; only what is measured counts."""
    weld: dict[str, Any] = {"at_cycle": 3}
    case = _case(
        Fault(kind=FaultKind.READBACK_LIES),
        Fault(kind=FaultKind.WELDED_OUTPUT, **weld),
        Fault(kind=FaultKind.WELDED_FEED, **weld),
        person=Person.ABSENT,
    )
    played = stage.play(case)
    assert check(played) == []
    assert not played.finished
    assert played.energised
    assert "still flows" in played.alarms[-1][1].reason


def test_a_capability_it_lacks_is_a_fault_of_the_rig(stage: Stage) -> None:
    played = stage.play(_case(Fault(kind=FaultKind.CAPABILITY_LACKING)))
    assert check(played) == []
    assert played.record is not None
    assert played.record.ending is Ending.FAULT
    assert "refused" in played.record.ending_reason


def test_seconds_of_rubbish_end_the_run_and_fill_no_memory(stage: Stage) -> None:
    played = stage.play(_case(Fault(kind=FaultKind.FLOOD, at_cycle=3, duration_s=20.0)))
    assert check(played) == []
    assert played.record is not None
    assert played.record.verdict.value != "PASS"


def test_a_frame_that_stops_half_way_is_waited_for_and_survived(stage: Stage) -> None:
    for frame in (40, 120, 150):
        fault = Fault(kind=FaultKind.HALF_FRAME_STALL, at_frame_out=frame, duration_s=2.0)
        played = stage.play(_case(fault))
        assert check(played) == []
        assert played.finished


def test_another_rig_at_the_same_port_proves_nothing(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rig is pulled out, and a sound one that belongs to somebody else is plugged in."""

    def again(self: SimLink) -> SimLink:
        if self.rig.unplugged:
            other = replace(rig_spec(_case()).identity, unique_id=0xBAD)
            return SimLink(WatchedRig(replace(rig_spec(_case()), identity=other)), "other")
        return SimLink(self.rig, "same")

    monkeypatch.setattr(SimLink, "again", again)
    case = _case(Fault(kind=FaultKind.UNPLUG, at_cycle=3))
    played = stage.play(case)
    assert check(played) == []
    assert played.record is not None
    assert isinstance(played.record.made_safe, NotProven)
    # The same case, but it is the rig itself that comes back: that one can be believed.
    monkeypatch.undo()
    played = stage.play(_case(Fault(kind=FaultKind.UNPLUG, at_cycle=3, duration_s=0.5)))
    assert played.record is not None
    assert isinstance(played.record.made_safe, SafeEvidence)
    assert played.record.ending is Ending.LINK_LOST


# --- two hosts ------------------------------------------------------------------------------------


def test_a_second_host_is_refused_and_the_first_goes_on(tmp_path: Path) -> None:
    with scene_in(tmp_path) as scene:

        async def both() -> str:
            async with open_rig(scene.port) as first:
                try:
                    async with open_rig(scene.port):
                        return "both are in"
                except LinkError as error:
                    await first.read_status()
                    return error.message

        said = asyncio.run(both())
    assert "in use by another program" in said


# --- the command line -----------------------------------------------------------------------------


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Run:
    """The command line in this process: exit code, standard output, standard error."""
    monkeypatch.setenv("BENCHRIG_LOG", str(tmp_path / "runs.db"))

    def command(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["benchrig", *words])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        said = capsys.readouterr()
        return int(ended.value.code or 0), said.out, said.err

    return command


SHORT = (
    'title = "short"\nrepeats = 2\n[[steps]]\nstate = "on"\nduration_s = 0.1\n'
    '[[steps]]\nstate = "off"\nduration_s = 0.2\n'
)


def _words(tmp_path: Path, rig: str = "sim:healthy", **more: str) -> list[str]:
    pattern = tmp_path / "short.toml"
    pattern.write_text(SHORT, encoding="utf-8")
    words = ["run", "demo-injector", "--rig", rig, "--soaked", "22", "--yes"]
    words += ["--pattern", str(pattern), "--scan-period-us", "1000"]
    return [*words, *(piece for key, value in more.items() for piece in (f"--{key}", value))]


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _foreign(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as other:
        other.execute("CREATE TABLE money (amount)")
        other.execute("INSERT INTO money VALUES (1)")
        other.commit()


def _text(path: Path) -> None:
    path.write_text("this is a shopping list\n" * 400, encoding="utf-8")


def _newer(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT INTO schema_step VALUES ('x', 99, 'from later')")
        connection.commit()


@pytest.mark.parametrize("spoil", [_cut, _foreign, _text, _newer], ids=lambda f: f.__name__[1:])
def test_a_log_that_cannot_be_kept_in_is_told_before_anything_is_on(
    spoil: Callable[[Path], None], run: Run, tmp_path: Path
) -> None:
    log = tmp_path / "runs.db"
    with RunLog.open(log):
        pass
    spoil(log)
    before = log.read_bytes()
    for words in (_words(tmp_path), ["record", "list"], ["record", "verify"]):
        code, out, err = run(*words)
        assert code == ExitCode.LOG, (words, out, err)
        assert "Traceback" not in err
        assert str(log) in err or "run log" in err
    assert log.read_bytes() == before  # a file that is not ours is not touched


def test_a_read_only_log_takes_no_run(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked of the program's own look at the rights, for a root user may write anything."""
    log = tmp_path / "runs.db"
    with RunLog.open(log):
        pass
    monkeypatch.setattr("benchrig.record.log.os.access", lambda path, mode: False)
    code, _, err = run(*_words(tmp_path))
    assert code == ExitCode.LOG, err
    assert "may only be read" in err


ODD = (
    "",
    " ",
    "-",
    "--",
    "\x00",
    "\x1b[31m",
    "../../../etc/passwd",
    "/dev/null",
    "sim:",
    "sim:../healthy",
    "sim:healthy?seed=",
    "sim:healthy?seed=x",
    "sim:healthy?fault=welded-output@cycle",
    "sim:healthy?bits=99",
    "sim:healthy?drift=nan",
    "avr:",
    "socket://",
    "socket://host",
    "socket://host:0",
    "socket://[::1:5",
    "socket://127.0.0.1:99999",
    "rfc2217://u:p@h:1/x#y",
    "http://example.invalid/",
    "file:///etc/passwd",
    "\u202egnp.exe",
    "a" * 5000,
    "%s%s%n",
    "${HOME}",
    "`id`",
    "\ud800",
)


@pytest.mark.parametrize("odd", ODD, ids=range(len(ODD)))
def test_an_odd_rig_is_refused_in_words(odd: str, run: Run, tmp_path: Path) -> None:
    code, out, err = run(*_words(tmp_path, rig=odd))
    assert code in (ExitCode.USAGE, ExitCode.RIG, ExitCode.INPUT_FILE), (odd, code, out, err)
    assert "Traceback" not in err
    assert "\x1b[31m" not in err  # what was typed is shown, never carried out by a terminal


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(st.text(max_size=40))
@example("sim:healthy?fault=")
@example("sim:healthy?drift=1e400")
@example("sim:healthy?bits=")
def test_any_rig_text_ends_in_words(run: Run, text: str) -> None:
    code, _, err = run("rig", "check", "--rig", text)
    assert code in (ExitCode.USAGE, ExitCode.RIG, ExitCode.INPUT_FILE, ExitCode.PASS), (text, err)
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("option", "odd"),
    [
        *(("PART", odd) for odd in ("", ".", "..", "\0", "no/such.toml", "/", "a" * 5000, "\n")),
        *(("--pattern", odd) for odd in (".", "..", "\0", "no/such.toml", "/", "a" * 5000, "\n")),
        *(("--log", odd) for odd in (".", "..", "\0", "/", "a" * 5000, "/dev/null/x.db")),
    ],
)
def test_odd_file_names_are_refused_in_words(
    option: str, odd: str, run: Run, tmp_path: Path
) -> None:
    words = _words(tmp_path)
    if option == "PART":
        words[1] = odd
    else:
        words += [option, odd]
    code, out, err = run(*words)
    refused = (ExitCode.USAGE, ExitCode.INPUT_FILE, ExitCode.LOG)
    assert code in refused, (code, out, err)
    assert "Traceback" not in err


NAMES = ("with space.toml", "ünïcødé-日本.toml", "'quote\"d'.toml", "-dash.toml", "a;b&c|d.toml")


@pytest.mark.parametrize("name", NAMES)
def test_odd_but_sound_file_names_work(name: str, run: Run, tmp_path: Path) -> None:
    words = _words(tmp_path)
    place = words.index("--pattern") + 1
    odd = tmp_path / name
    shutil.copy(words[place], odd)
    words[place] = str(odd)
    code, _, err = run(*words, "--log", str(tmp_path / (name + ".db")))
    assert code == ExitCode.PASS, err
    assert (tmp_path / (name + ".db")).exists()


def test_markup_in_words_is_text_on_every_page(run: Run, tmp_path: Path) -> None:
    """A customer may be called anything; no page may run it."""
    evil = '<script>alert(1)</script><img src=x onerror="alert(2)">{{ 7*7 }}\u202e'
    words = _words(tmp_path, tag=evil, note=evil, order=evil, position=evil, operator=evil)
    code, _, err = run(*words)
    assert code == ExitCode.PASS, err
    with RunLog.open(tmp_path / "runs.db", read_only=True) as log:
        (found,) = log.list_runs()
        assert log.record(found.record_id).plan.note.startswith("<script>")
    for command in ("report", "label"):
        out = tmp_path / f"{command}.html"
        code, _, err = run("record", command, found.record_id, "--out", str(out))
        assert code == ExitCode.PASS, err
        page = out.read_text(encoding="utf-8")
        assert "<script" not in page
        assert "<img src=x" not in page
        assert "\u202e" not in page
        assert "{{ 7*7 }}" in page or command == "label"  # shown, and not worked out
