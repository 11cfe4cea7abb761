"""The program as its own process, in a world of its own: home, log and no terminal."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
PATIENCE_S = 120.0
SHORT = """\
title = "one second on, one off, six times"
repeats = 6
[[steps]]
state = "on"
duration_s = 1
[[steps]]
state = "off"
duration_s = 1
"""
QUICK = """\
title = "a fifth of a second on and off, three times"
repeats = 3
[[steps]]
state = "on"
duration_s = 0.2
[[steps]]
state = "off"
duration_s = 0.2
"""


@dataclass(frozen=True, kw_only=True)
class Done:
    """How a command ended and what it said."""

    code: int
    stdout: str
    stderr: str

    @property
    def json(self) -> Any:
        """Standard output as the one JSON document it must be."""
        return json.loads(self.stdout)

    @property
    def error(self) -> dict[str, Any]:
        """The error of a command that was asked for JSON."""
        document = self.json
        assert document.keys() == {"schema", "error"}
        assert document["schema"] == "benchrig.error/1"
        found: dict[str, Any] = document["error"]
        assert found["exit_code"] == self.code
        assert found["message"]
        return found


@dataclass(frozen=True, kw_only=True)
class Shell:
    """Runs ``benchrig`` with a folder for everything it keeps."""

    folder: Path

    @property
    def log(self) -> Path:
        return self.folder / "runs.db"

    def env(self) -> dict[str, str]:
        paths = [str(ROOT), str(ROOT / "sims"), os.environ.get("PYTHONPATH", "")]
        kept = {k: v for k, v in os.environ.items() if not k.startswith(("BENCHRIG_", "XDG_"))}
        return {
            **kept,
            "PYTHONPATH": os.pathsep.join(paths),
            "PYTHONUTF8": "1",
            "HOME": str(self.folder),
            "BENCHRIG_LOG": str(self.log),
            "COLUMNS": "80",
        }

    def start(self, *arguments: str, module: str = "benchrig") -> subprocess.Popen[str]:
        """The program, running, with pipes to all its ends."""
        return subprocess.Popen(
            [sys.executable, "-m", module, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=self.folder,
            env=self.env(),
        )

    def __call__(self, *arguments: str, typed: str = "") -> Done:
        """The program to its end."""
        process = self.start(*arguments)
        try:
            stdout, stderr = process.communicate(typed, timeout=PATIENCE_S)
        finally:
            process.kill()
        return Done(code=process.returncode, stdout=stdout, stderr=stderr)

    def file(self, name: str, text: str) -> str:
        """A file in the folder; its path."""
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return str(path)

    def run(self, scenario: str, *arguments: str, typed: str = "") -> Done:
        """``benchrig run`` on the invented injector, soaked, with a short pattern."""
        return self(*self.words(scenario, *arguments), typed=typed)

    def words(self, scenario: str, *arguments: str) -> tuple[str, ...]:
        """The arguments of ``run``."""
        rig = scenario if ":" in scenario or "/" in scenario else f"sim:{scenario}"
        given = ("--rig", rig, "--soaked", "22", "--yes", "--scan-period-us", "500")
        pattern = () if "-p" in arguments else ("-p", self.file("short.toml", SHORT))
        return ("run", "demo-injector", *given, *pattern, *arguments)


@dataclass
class Watched:
    """A running program whose standard error can be waited for."""

    process: subprocess.Popen[str]
    said: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said.append(line)

    @property
    def stderr(self) -> str:
        return "".join(self.said)

    def until(self, what: str | Callable[[], bool]) -> None:
        """Wait for words on standard error, or for something to be so."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            if (what in self.stderr) if isinstance(what, str) else what():
                return
            assert self.process.poll() is None, f"ended too early:\n{self.stderr}"
            time.sleep(0.01)
        raise AssertionError(f"never said {what!r}:\n{self.stderr}")

    def type(self, line: str) -> None:
        """What a person types, and Enter."""
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def end(self) -> Done:
        """Wait for the end."""
        assert self.process.stdout is not None
        stdout = self.process.stdout.read()
        code = self.process.wait(PATIENCE_S)
        return Done(code=code, stdout=stdout, stderr=self.stderr)


@contextmanager
def watched(process: subprocess.Popen[str]) -> Iterator[Watched]:
    """Watch a program, and never leave it behind."""
    try:
        yield Watched(process)
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout, process.stderr):
            if pipe is not None:
                pipe.close()
