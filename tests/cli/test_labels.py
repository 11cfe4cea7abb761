"""Labels: one for a record, a sheet for an order."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.errors import ExitCode
from tests.cli.shell import QUICK, Shell


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> tuple[Shell, dict[str, str]]:
    """Two parts of one order, the first measured twice; each tag's newest record."""
    shell = Shell(folder=tmp_path_factory.mktemp("labels"))
    pattern = ("-p", shell.file("quick.toml", QUICK))
    newest = {}
    for tag, stage in (("K-1", "incoming"), ("K-2", "incoming"), ("K-1", "retest")):
        words = ("--tag", tag, "--order", "O-1", "--stage", stage)
        newest[tag] = shell.run("healthy", "--json", *pattern, *words).json["record"]
    return shell, newest


def test_an_order_gets_a_sheet_with_one_label_a_tag(shop: tuple[Shell, dict[str, str]]) -> None:
    shell, newest = shop
    said = shell("record", "label", "--order", "O-1", "--paper", "a4", "--json")
    assert said.code == ExitCode.PASS, said.stderr
    assert said.json["records"] == [newest["K-1"], newest["K-2"]]
    page = Path(shell.folder / said.json["file"]).read_text("utf-8")
    assert page.count('width="62mm"') == 2
    assert all(record in page for record in newest.values())
    assert "size: A4" in page


def test_one_record_gets_a_picture_and_several_a_sheet(shop: tuple[Shell, dict[str, str]]) -> None:
    shell, newest = shop
    one = shell("record", "label", newest["K-2"], "--json").json
    assert one["file"].endswith(".svg")
    assert (shell.folder / one["file"]).read_text("utf-8").startswith("<svg")
    both = shell("record", "label", *newest.values(), "--out", "both.html", "--json").json
    assert both["records"] == list(newest.values())


def test_labels_of_nothing_are_told(shop: tuple[Shell, dict[str, str]]) -> None:
    shell, newest = shop
    assert shell("record", "label", "--json").code == ExitCode.USAGE
    assert (
        shell("record", "label", newest["K-1"], "--order", "O-1", "--json").code == ExitCode.USAGE
    )
    nothing = shell("record", "label", "--order", "O-9", "--json")
    assert nothing.code == ExitCode.LOG
    assert "O-9" in nothing.error["message"]
