"""What is said on a terminal, and what goes elsewhere."""

from __future__ import annotations

import io

import pytest

from benchrig.cli.output import talk

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
