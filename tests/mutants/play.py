"""Plays a mutant: a forked process imports the changed module in place of the true one.

No file of the tree is changed, so this runs beside other work. The fork is made before the
program is imported and after what it stands on: a mutant costs its tests and little more.
"""

from __future__ import annotations

import importlib
import importlib.abc
import importlib.machinery
import importlib.util
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Literal

from tests.mutants import c_source, python_source
from tests.mutants.python_source import Mutant
from tests.mutants.rooms import TREE

CPU_S_MAX = 90  # of one mutant: one that goes round for ever has been noticed
WALL_S_MAX = 420.0  # one that waits for ever, too; generous, for a machine may be busy
End = Literal["killed", "survived", "hung", "stillborn"]
BROKEN = 78  # this tool
STILLBORN = 77  # the compiler refuses it: no mutant at all
_STANDS_ON = ("numpy", "sqlalchemy", "pydantic", "pytest", "hypothesis", "fastcrc", "serial")


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A mutant by its name, fit to be handed to another process."""

    path: str
    line: int
    name: str

    def text(self) -> str:
        """The file as changed."""
        return next(m.source() for m in mutants_of(self.path) if m.name == self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Played:
    """What the tests made of a mutant."""

    mutant: Change
    end: End
    took_s: float


def mutants_of(path: str) -> Iterator[Mutant]:
    """All of one file of the tree."""
    source = (TREE / path).read_text(encoding="utf-8")
    if path.endswith(".c"):
        return c_source.mutants_of(path, source)
    return python_source.mutants_of(path, source)


def warm_up() -> None:
    """Import what the program stands on, once for all forks."""
    for name in _STANDS_ON:
        importlib.import_module(name)


def play(mutant: Change, tests: Sequence[str], text: str | None = None) -> Played:
    """Run the tests on one mutant; ``text``: on this instead."""
    text = mutant.text() if text is None else text
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="benchrig-mutant-") as folder:
        child = os.fork()
        if child == 0:
            _in_child(mutant.path, text, tests, Path(folder))
        end = _await(child, began_s + WALL_S_MAX)
    return Played(mutant=mutant, end=end, took_s=time.monotonic() - began_s)


def _await(child: int, until_s: float) -> End:
    wait_s = 0.01
    while time.monotonic() < until_s:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            if os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL):
                return "hung"
            code = os.waitstatus_to_exitcode(status)
            if code == BROKEN or code in (3, 4):  # pytest's own trouble, or a wrong option
                raise RuntimeError("the tests could not be asked at all")
            return "stillborn" if code == STILLBORN else "killed" if code else "survived"
        time.sleep(wait_s)
        wait_s = min(wait_s * 1.3, 0.2)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "hung"


def _in_child(path: str, text: str, tests: Sequence[str], folder: Path) -> None:
    code = BROKEN
    try:
        os.setpgid(0, 0)  # what it starts ends with it
        resource.setrlimit(resource.RLIMIT_CPU, (CPU_S_MAX, CPU_S_MAX + 1))
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        os.chdir(TREE)
        tempfile.tempdir = str(folder)
        os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = str(folder / "hypothesis")
        if not _put_in_place(path, text, folder):
            os._exit(STILLBORN)
        import pytest

        found = [test for test in tests if (TREE / test.partition("::")[0]).exists()]
        options = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--timeout=300"]
        # Plain: what was imported before pytest could no longer be rewritten.
        options += ["--hypothesis-seed=0", "--assert=plain"]
        code = int(pytest.main([*options, *found]))
        if code == pytest.ExitCode.NO_TESTS_COLLECTED:
            code = 0  # nobody looked
    finally:
        os._exit(code)


def _put_in_place(path: str, text: str, folder: Path) -> bool:
    """Whether it can be played at all."""
    if path.endswith(".c"):
        return _change_core(path, text, folder)
    sys.meta_path.insert(0, _Changed(path, text))
    return True


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds one module, and gives the mutant for it."""

    def __init__(self, path: str, text: str) -> None:
        self._name = path.removesuffix(".py").replace("/", ".").removesuffix(".__init__")
        self._where, self._text = str(TREE / path), text

    def find_spec(
        self, name: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        """The mutant's module, and no other."""
        if name != self._name:
            return None
        return importlib.util.spec_from_file_location(name, self._where, loader=self)

    def create_module(self, spec: importlib.machinery.ModuleSpec) -> ModuleType | None:
        """As usual."""
        return None

    def exec_module(self, module: ModuleType) -> None:
        """Run the changed source."""
        exec(compile(self._text, self._where, "exec"), module.__dict__)


def _change_core(path: str, text: str, folder: Path) -> bool:
    """The tests build a copy of the core with the changed file in it."""
    from tests.firmware import host_core

    copy = folder / "core"
    shutil.copytree(host_core.CORE, copy)
    (copy / Path(path).name).write_text(text, encoding="utf-8")
    host_core.CORE = copy
    try:
        host_core.host_binary()
    except AssertionError:
        return False
    return True
