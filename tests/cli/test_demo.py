"""The demonstration ends as it says, with pages that can be opened and a log that verifies."""

from __future__ import annotations

from pathlib import Path

from tests.cli.shell import Shell

PAGES_LEAST = 8


def test_the_demonstration_ends_as_it_says_it_does(shell: Shell, tmp_path: Path) -> None:
    folder = tmp_path / "shown"
    done = shell("demo", "--json", "--folder", str(folder))
    assert done.code == 0, done.stderr
    shown = done.json
    assert shown["invented"] is True
    assert shown["ok"] is True
    assert [step["step"] for step in shown["steps"] if not step["ok"]] == []
    assert len(shown["pages"]) >= PAGES_LEAST
    for page in shown["pages"]:
        text = Path(page["file"]).read_text(encoding="utf-8")
        assert "INVENTED DATA" in text, page["file"]
        assert "http://" not in text.replace("http://www.w3.org/", ""), page["file"]
        assert "https://" not in text, page["file"]
    assert shell("record", "verify", "--log", shown["log"]).code == 0
    again = shell("demo", "--folder", str(folder))
    assert again.code == 2  # what is there is never written over
