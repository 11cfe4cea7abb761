"""Part and pattern files at the command line."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.errors import ExitCode
from tests.cli.shell import QUICK, ROOT, Shell

DATA = ROOT / "benchrig" / "parts" / "data"


def own(shell: Shell, kind: str, name: str, text: str) -> Path:
    """A file in the user's own folder."""
    folder = shell.folder / ".config" / "benchrig" / f"{kind}s"
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_part_shows_all_that_its_file_says(shell: Shell) -> None:
    text = (DATA / "demo-injector.toml").read_text("utf-8")
    part = shell.file("ours.toml", text.replace("[winding]", "[winding]\npolarity_matters = true"))
    shown = shell("part", "show", part).stdout
    assert "polarity matters" in shown
    assert "nominally 14.5 ohm" in shown
    assert "1000000" in shown  # a limit is written as people write it
    assert "e+" not in shown
    form = shell("part", "show", part, "--json").json
    assert form["winding"] == {
        "nominal_resistance_ohm": 14.5,
        "copper": True,
        "polarity_matters": True,
        "ripples_per_turn": None,
    }
    assert form["note"]


def test_a_pump_shows_how_long_it_may_run_dry(shell: Shell) -> None:
    shown = shell("part", "show", "demo-fuel-pump").stdout
    assert "runs dry for 3 s at most" in shown
    assert shown.count("13 V") == 2  # what its limits hold at


def test_one_broken_file_hides_no_other(shell: Shell) -> None:
    own(shell, "pattern", "quick", QUICK)
    broken = own(shell, "pattern", "broken", "repeats = 0\n")
    listed = shell("pattern", "list")
    assert listed.code == ExitCode.PASS
    assert "six-second" in listed.stdout
    assert "quick" in listed.stdout
    (line,) = [line for line in listed.stdout.splitlines() if line.startswith("broken")]
    assert "benchrig pattern check" in line
    patterns = {p["name"]: p for p in shell("pattern", "list", "--json").json["patterns"]}
    assert patterns["broken"]["file"] == str(broken)
    assert patterns["broken"]["cycles"] is None
    assert patterns["quick"]["cycles"] == 3
    assert shell("pattern", "check", "broken").code == ExitCode.INPUT_FILE


@pytest.mark.parametrize(("name", "wiggle"), [("wiggle", True), ("six-second", False)])
def test_a_pattern_says_when_the_person_has_to_wiggle(
    name: str, wiggle: bool, shell: Shell
) -> None:
    assert shell("pattern", "show", name, "--json").json["wiggle"] is wiggle
    assert ("the person moves" in shell("pattern", "show", name).stdout) is wiggle
