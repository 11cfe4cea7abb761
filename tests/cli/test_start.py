"""What ``benchrig --help`` loads: names are held here, since milliseconds depend on the machine."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchrig import cli
from benchrig.cli.tree import BRANCHES, built

# Of ours; anything more is work that no help text needs.
OURS = {"benchrig", "benchrig.errors", "benchrig.cli", "benchrig.cli.app", "benchrig.cli.tree"}
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


def test_help_loads_only_the_names_of_the_commands(at_help: set[str]) -> None:
    assert {name for name in at_help if name.startswith("benchrig")} == OURS


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
        (("part", "list"), ("numpy", "sqlalchemy", "rich", "asyncio", "pydantic", "tomllib")),
        (("pattern", "show", "six-second"), ("numpy", "sqlalchemy", "rich", "asyncio")),
        (("rig", "list"), ("sqlalchemy", "rich")),
        (("part", "list", "--help"), ("numpy", "sqlalchemy", "rich", "asyncio", "pydantic")),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_a_quick_command_stays_quick(arguments: tuple[str, ...], absent: tuple[str, ...]) -> None:
    assert not loaded_by(*arguments) & set(absent)


@pytest.mark.parametrize("name", BRANCHES)
def test_the_line_of_a_command_says_what_the_command_says(name: str) -> None:
    assert built(name).get_short_help_str(limit=500) == BRANCHES[name][1]


def test_every_command_module_is_in_the_tree() -> None:
    tree = {module for module, _ in BRANCHES.values()}
    inner = {
        "entries",
        "exports",
        "flowline",
        "flowtray",
        "gage",
        "golden",
        "pages",
        "traypages",
        "typed",
    }  # taken in by branches
    folder = Path(cli.__file__).parent
    having = {p.stem for p in folder.glob("*.py") if "def register(" in p.read_text("utf-8")}
    assert having == tree | inner


MAIN = "import sys; sys.argv[0] = 'benchrig'; from benchrig.cli import main; main()"


def process(*command: str, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command, capture_output=True, text=True, timeout=60, check=False, env=os.environ | more
    )


def test_completion_is_offered_and_completes_commands_and_their_options() -> None:
    # The shell is found by its process; "true" keeps it from being replaced by the program.
    script = '"$0" -c "$1" --show-completion && true'
    shown = process("bash", "-c", script, sys.executable, MAIN)
    assert "complete -o default -F _benchrig_completion benchrig" in shown.stdout
    for typed, offered in (("benchrig pa", {"part", "pattern"}), ("benchrig part l", {"list"})):
        asked = {"_BENCHRIG_COMPLETE": "complete_bash", "COMP_WORDS": typed}
        words = str(len(typed.split()) - 1)
        done = process(sys.executable, "-c", MAIN, **asked, COMP_CWORD=words)
        assert set(done.stdout.split()) == offered


def test_a_word_that_is_no_command_is_answered_with_what_is_near() -> None:
    done = process(sys.executable, "-m", "benchrig", "recrod", "list")
    assert done.returncode == 2
    assert "Did you mean 'record'?" in done.stderr


@pytest.mark.parametrize("name", ["record", "rig", "set", "part", "pattern", "outbox"])
def test_help_of_a_branch_cuts_no_sentence(name: str) -> None:
    done = process(sys.executable, "-m", "benchrig", name, "--help", COLUMNS="80")
    said = " ".join(done.stdout.split("Commands:")[1].split())
    assert "..." not in said
    for command in built(name).commands.values():
        assert " ".join(command.get_short_help_str(limit=500).split()) in said
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
