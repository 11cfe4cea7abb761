"""What ``benchrig --help`` loads: names are held here, since milliseconds depend on the machine."""

from __future__ import annotations

import subprocess
import sys

import pytest

ROOMS = {"cli", "errors"}  # of ours; anything more is work that no help text needs
OUTER = {"typer", "shellingham", "annotated_doc"}  # typer and what it needs
HEAVY = ("asyncio", "importlib.metadata", "email", "sqlite3", "ssl", "http", "multiprocessing")


def loaded_by(*arguments: str) -> set[str]:
    """Every module in ``sys.modules`` once a command has ended."""
    code = (
        "import sys, atexit\n"
        "known = set(sys.modules)\n"
        "atexit.register(lambda: print('\\n'.join(set(sys.modules) - known), file=sys.stderr))\n"
        f"sys.argv = ['benchrig', *{arguments!r}]\n"
        "from benchrig.cli import main\n"
        "main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    return set(done.stderr.split())


@pytest.fixture(scope="module")
def at_help() -> set[str]:
    return loaded_by("--help")


def test_help_loads_only_the_command_tree_of_ours(at_help: set[str]) -> None:
    ours = [name.split(".") for name in at_help if name.startswith("benchrig")]
    assert {name[1] for name in ours if len(name) > 1} == ROOMS
    assert {name[0] for name in ours} == {"benchrig"}  # nor the simulator


def test_help_loads_one_outer_library(at_help: set[str]) -> None:
    outer = {
        name.split(".")[0] for name in at_help if name.split(".")[0] not in sys.stdlib_module_names
    }
    assert outer - {"benchrig"} <= OUTER


def test_help_loads_no_heavy_part_of_the_standard_library(at_help: set[str]) -> None:
    assert [name for name in HEAVY if name in at_help] == []


@pytest.mark.parametrize(
    ("arguments", "absent"),
    [
        (("part", "list"), ("numpy", "sqlalchemy", "rich", "asyncio")),
        (("pattern", "show", "six-second"), ("numpy", "sqlalchemy", "rich", "asyncio")),
        (("rig", "list"), ("sqlalchemy", "rich")),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_a_quick_command_stays_quick(arguments: tuple[str, ...], absent: tuple[str, ...]) -> None:
    assert not loaded_by(*arguments) & set(absent)
