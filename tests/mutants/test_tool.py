"""The tool itself: what is unchanged survives, and what is broken is noticed.

The whole rooms are a command: ``python -m tests.mutants ROOM``.
"""

from __future__ import annotations

import subprocess
import sys

import pytest

from tests.mutants import c_source, python_source
from tests.mutants.__main__ import reasons
from tests.mutants.play import mutants_of
from tests.mutants.rooms import ROOMS, TREE

PACKING = "benchrig/wire/packing.py"
CONTROL = """
import sys
from pathlib import Path
from tests.mutants.play import Change, play, warm_up
warm_up()
path, test, old, new = sys.argv[1:]
text, change = Path(path).read_text(), Change(path=path, line=1, name="control")
assert old in text
for source in (text, text.replace(old, new)):
    print(play(change, (test,), source).end)
"""
CORE = "tests/firmware/test_core.py::test_requests_are_refused_as_the_document_says"


@pytest.mark.parametrize(
    ("path", "test", "old", "new"),
    [
        (
            "benchrig/wire/frames.py",
            "tests/wire/test_frames.py",
            "return ibm_3740",
            "return 1 + ibm_3740",
        ),
        ("benchrig/firmware/core/rig.c", CORE, "true", "false"),
    ],
)
def test_what_is_unchanged_survives_and_what_is_broken_is_noticed(
    path: str, test: str, old: str, new: str
) -> None:
    command = [sys.executable, "-c", CONTROL, path, test, old, new]
    done = subprocess.run(command, cwd=TREE, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["survived", "killed"]


def test_every_kind_of_change_is_made() -> None:
    source = '''
def decide(good, limit_a):
    """Talk."""
    if readback and abs(limit_a) >= 0.02:
        good.clear()
    return max(1, -limit_a)
'''
    names = {mutant.name.partition(": ")[2] for mutant in python_source.mutants_of("x", source)}
    assert {
        "readback and abs(limit_a) >= 0.02 -> readback or abs(limit_a) >= 0.02",
        "abs(limit_a) >= 0.02 -> abs(limit_a) > 0.02",
        "abs(limit_a) -> limit_a",
        "0.02 -> 0.2",
        "good.clear() -> pass",
        "max(1, -limit_a) -> min(1, -limit_a)",
        "-limit_a -> limit_a",
    } <= names
    assert any(name.endswith("if False: good.clear()") for name in names)
    changed = list(c_source.mutants_of("x", "void a(void)\n{\n    if (b <= 3 && c)\n    d();\n}\n"))
    assert {mutant.line for mutant in changed} == {3, 4}
    assert len(changed) == 4


def test_no_two_mutants_share_a_name_and_every_reason_belongs_to_one() -> None:
    known = set(reasons())
    named: set[tuple[str, str]] = set()
    for room in ROOMS.values():
        for target in room.targets:
            for path in target.paths():
                named |= _names(path)
    assert known <= named, known - named


def _names(path: str) -> set[tuple[str, str]]:
    mutants = list(mutants_of(path))
    names = {(mutant.path, mutant.name) for mutant in mutants}
    assert len(names) == len(mutants)
    return names
