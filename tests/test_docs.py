"""What the documents say is held against what there is: commands, options, paths, tables."""

from __future__ import annotations

import html
import re
import shlex
from pathlib import Path
from typing import Any

import pytest
import typer.main
from typer.testing import CliRunner

from benchrig.cli.app import app
from benchrig.errors import ExitCode
from tests.cli.shell import Shell
from tests.test_tidy import FLOORS

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "benchrig"
DOCUMENTS = [
    *sorted(ROOT.glob("*.md")),
    *sorted(path for path in PACKAGE.rglob("*.md")),
]
TREE = typer.main.get_command(app)


def commands(command: Any = TREE, path: tuple[str, ...] = ()) -> dict[tuple[str, ...], Any]:
    """Every command and group by its words."""
    found = {path: command}
    for name, inner in getattr(command, "commands", {}).items():
        found |= commands(inner, (*path, name))
    return found


COMMANDS = commands()
LEAVES = {path: c for path, c in COMMANDS.items() if path and not hasattr(c, "commands")}


def blocks(document: Path, language: str = "sh") -> list[list[str]]:
    """Code blocks of a document: the lines of each."""
    text = document.read_text(encoding="utf-8")
    found = re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
    return [[line for line in block.splitlines() if line.strip()] for block in found]


def shown_commands(document: Path) -> list[str]:
    """Every ``benchrig ...`` in code, from blocks and from the running text."""
    text = document.read_text(encoding="utf-8")
    lines = [line for block in blocks(document) for line in block]
    lines += re.findall(r"`([^`\n]+)`", text)
    pieces = [piece.strip() for line in lines for piece in re.split(r"&&|\|\||\||;", line)]
    return [
        re.sub(r"^\S*/(?=benchrig\b)", "", piece)
        for piece in pieces
        if re.match(r"(\S*/)?benchrig( |$)", piece)
    ]


def named(words: list[str]) -> tuple[tuple[str, ...], list[str]]:
    """The longest command that the words begin with, and the rest."""
    length = max(n for n in range(len(words) + 1) if tuple(words[:n]) in COMMANDS)
    return tuple(words[:length]), words[length:]


SHOWN = [(d, line) for d in DOCUMENTS for line in dict.fromkeys(shown_commands(d))]


def test_the_readme_shows_commands_at_all() -> None:
    readme = [line for document, line in SHOWN if document.name == "README.md"]
    assert len(readme) >= 5
    assert any(line.startswith("benchrig run") for line in readme)


@pytest.mark.parametrize(
    ("document", "line"), SHOWN, ids=[f"{d.relative_to(ROOT)}: {line}" for d, line in SHOWN]
)
def test_a_shown_command_and_its_options_exist(document: Path, line: str) -> None:
    words = shlex.split(line, comments=True)[1:]
    # "record report|label" shows two commands; PART and [--x] are places to fill in.
    for alternative in words[0].split("|") if words else [""]:
        path, rest = named([alternative, *words[1:]] if words else [])
        assert path or not alternative or alternative.startswith("-"), (
            f"{document.name}: no command is called {alternative!r}"
        )
        command = COMMANDS[path]
        if hasattr(command, "commands") and rest and not rest[0].startswith(("-", "[", "<")):
            for name in rest[0].split("|"):
                assert (*path, name) in COMMANDS, f"{document.name}: {line!r}: no {name!r}"
        known = {opt for param in command.params for opt in (*param.opts, *param.secondary_opts)}
        known |= {"--help", "-h"}
        for word in rest:
            option = word.strip("[]").split("=")[0]
            if option.startswith("-") and not option.lstrip("-").isdigit():
                assert option in known, f"{document.name}: {line!r}: {option} is no option"


@pytest.mark.parametrize("path", list(COMMANDS), ids=lambda path: " ".join(path) or "benchrig")
def test_every_command_explains_itself_and_its_options(path: tuple[str, ...]) -> None:
    done = CliRunner().invoke(app, [*path, "--help"], terminal_width=80)
    assert done.exit_code == 0
    assert done.stdout.startswith("Usage: ")
    command = COMMANDS[path]
    assert (command.help or "").strip(), f"{' '.join(path)} has no help"
    for param in command.params:
        if path and param.name != "help":
            assert getattr(param, "help", None), f"{' '.join(path)} {param.name} has no help"


def test_a_command_that_reports_takes_json() -> None:
    silent = {
        " ".join(path)
        for path, command in LEAVES.items()
        if not any("--json" in param.opts for param in command.params)
    }
    assert silent == set()


@pytest.mark.slow
def test_the_readmes_first_commands_run_as_written(tmp_path: Path) -> None:
    shell = Shell(folder=tmp_path)
    block = next(b for b in blocks(ROOT / "README.md") if any("benchrig run" in x for x in b))
    codes = {}
    for line in block:
        words = shlex.split(line, comments=True)
        assert words[0] == "benchrig"
        done = shell(*words[1:])
        codes[line] = done.code
        assert "Traceback" not in done.stderr
        assert done.stdout
        if "sim:opens-when-hot" in line:
            assert done.code == ExitCode.PART_FAILED
        else:
            assert done.code == ExitCode.PASS, done.stderr
    assert len(codes) == len(block)


# --- tables and paths -----------------------------------------------------------------------------


def test_the_exit_codes_of_the_readme_are_those_of_the_program() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    table = text.split("| exit code | meaning |")[1].split("\n\n")[0]
    rows = [line.split("|")[1].strip() for line in table.splitlines() if line.startswith("| ")]
    assert [int(code) for code in rows if code.isdigit()] == [int(code) for code in ExitCode]


def test_the_map_of_rooms_is_the_folders() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d+) \| (.+?) \| (.+?) \|$", text, flags=re.MULTILINE)
    drawn = {
        name.strip("/").removesuffix(".py"): int(floor)
        for floor, rooms, _ in rows
        for name in re.findall(r"`([^`]+)`", rooms)
    }
    held = {room: len(FLOORS) - 1 - n for n, rooms in enumerate(FLOORS) for room in rooms}
    assert drawn == held
    folders = {p.parent.name for p in PACKAGE.glob("*/__init__.py")} - {"firmware"}
    assert folders == {name for name in drawn if (PACKAGE / name).is_dir()}


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda d: str(d.relative_to(ROOT)))
def test_paths_named_in_a_document_exist(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    links = re.findall(r"\]\((?!https?://|#)([^)#\s]+)", text)
    missing = [link for link in links if not (document.parent / link).exists()]
    assert missing == []
    if document.name == "CHANGELOG.md":
        return  # names what was, too
    for token in re.findall(r"`([\w./-]+)`", re.sub(r"^```.*?^```", "", text, flags=re.M | re.S)):
        if not re.search(r"\.(py|toml|md|c|h|hex|elf|json|svg|html)$|\w/$", token):
            continue
        if token.startswith("/") or re.search(r"(^|/)[A-Z]+(/|$)", token):
            continue  # of a machine, or with places to fill in, as a topic has
        places = (ROOT, PACKAGE, ROOT / "sims", document.parent, PACKAGE / "firmware")
        assert any((place / token).exists() for place in places), f"{token} does not exist"


def test_the_readmes_picture_is_a_run_and_fetches_nothing() -> None:
    assert "](.docs/run.svg)" in (ROOT / "README.md").read_text(encoding="utf-8")
    svg = (ROOT / ".docs" / "run.svg").read_text(encoding="utf-8")
    reached = set(re.findall(r"[a-z]+://[^\s\"')<]+", svg))
    assert reached <= {"http://www.w3.org/2000/svg"}
    assert "@import" not in svg
    assert "<script" not in svg
    words = html.unescape(re.sub(r"<[^>]+>", " ", svg)).replace("\xa0", " ")
    for needed in ("INVENTED DATA", "drop-out in cycle", "measured residual", "benchrig run"):
        assert needed in words, needed


def test_every_hazard_names_a_test_that_is_there() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = text.split("## What stops which hazard")[1].split("\n## ")[0].splitlines()
    named = [re.search(r"`(tests/\S+\.py)::(test_\w+)` \|$", row) for row in rows if "|" in row][2:]
    assert len(named) > 10
    for found in named:
        assert found is not None
        path, name = found.groups()
        assert f"def {name}(" in (ROOT / path).read_text(encoding="utf-8"), found.group()
