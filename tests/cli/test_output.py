"""What is said on a terminal, and what goes elsewhere."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys

import pytest

from benchrig.cli.output import columns, say, say_json, talk
from benchrig.errors import ExitCode
from tests.cli.shell import QUICK, ROOT, Shell

PART = ROOT / "benchrig" / "parts" / "data" / "demo-injector.toml"

LONG = "slot 3: K-0003: FAIL (over range: open, or above 10.2 kohm; look at the clips first) again"


class Screen(io.StringIO):
    """A terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("columns", [40, 80])
def test_talk_is_folded_between_words_on_a_terminal(
    columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = Screen()
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setenv("COLUMNS", str(columns))
    talk("short\n" + LONG)
    lines = screen.getvalue().splitlines()
    assert lines[0] == "short"
    assert len(lines) > 2
    assert max(map(len, lines)) <= columns
    assert " ".join(line.strip() for line in lines[1:]) == LONG


def test_talk_elsewhere_stays_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    pipe = io.StringIO()
    monkeypatch.setattr("sys.stderr", pipe)
    monkeypatch.setenv("COLUMNS", "40")
    talk(LONG)
    assert pipe.getvalue() == LONG + "\n"


def test_a_tag_cannot_make_a_line_of_its_own_or_move_the_cursor() -> None:
    rows = columns([("TAG", "VERDICT"), ("K-1\n\x1b[2J(all) PASS", "FAIL")])
    assert len(rows.splitlines()) == 2
    assert "\x1b" not in rows


def test_what_is_said_holds_nothing_a_terminal_obeys(capsys: pytest.CaptureFixture[str]) -> None:
    say("tag \x1b]0;x\x07")
    talk("tag \x9b2J")
    said = capsys.readouterr()
    assert said.out == "tag \ufffd]0;x\ufffd\n"
    assert said.err == "tag \ufffd2J\n"


def test_json_keeps_every_character(capsys: pytest.CaptureFixture[str]) -> None:
    say_json({"tag": "\x1b\x9b µ"})
    assert json.loads(capsys.readouterr().out) == {"tag": "\x1b\x9b µ"}


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252"])
def test_an_encoding_without_the_letters_changes_no_exit_code(encoding: str, shell: Shell) -> None:
    """Output to a file on many a machine: neither ± nor → may end the program with an error."""
    part = shell.file("p.toml", PART.read_text("utf-8").replace("Demo port", "Demo → 端口"))
    code = "from benchrig.cli import main; main()"
    for arguments in (("part", "show", part), ("part", "show", part, "--json")):
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments],
            capture_output=True,
            env={**shell.env(), "PYTHONUTF8": "0", "PYTHONIOENCODING": encoding},
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        if "--json" in arguments:
            assert "→ 端口" in json.loads(done.stdout.decode(encoding))["title"]


def test_a_reader_that_goes_away_changes_no_exit_code(shell: Shell) -> None:
    """Exit code 1 would say that a part failed."""
    run = shell.run("healthy", "--json", "-p", shell.file("quick.toml", QUICK)).json
    arguments = ("record", "export", run["record"], "--what", "samples", "--out", "-")
    whole = shell(*arguments)
    assert whole.code == 0
    assert len(whole.stdout) > 200_000  # more than a pipe holds
    process = shell.start(*arguments)
    assert process.stdout is not None
    assert process.stderr is not None
    assert process.stdout.readline().startswith("time_s,")
    process.stdout.close()
    assert process.wait(60) == 0, process.stderr.read()
    process.stderr.close()
    assert process.stdin is not None
    process.stdin.close()


@pytest.mark.parametrize("flags", [(), ("--json",)])
def test_an_interrupt_with_no_run_to_end_is_told(flags: tuple[str, ...], shell: Shell) -> None:
    code = (
        "import benchrig.record.verify as v, sys, time\n"
        "v.verify = lambda *_: (print('here', file=sys.stderr, flush=True), time.sleep(60))\n"
        f"sys.argv = ['benchrig', 'record', 'verify', *{flags!r}]\n"
        "from benchrig.cli import main\n"
        "main()\n"
    )
    shell.run("healthy", "--json", "-p", shell.file("quick.toml", QUICK))
    process = subprocess.Popen(
        [sys.executable, "-c", code],
        env=shell.env(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    assert process.stderr.readline() == "here\n"
    process.send_signal(signal.SIGINT)
    stdout, stderr = process.communicate(timeout=60)
    assert process.returncode == ExitCode.INTERRUPTED
    assert "no run was begun" in (stdout if flags else stderr)
    if flags:
        assert json.loads(stdout)["error"]["exit_code"] == ExitCode.INTERRUPTED
