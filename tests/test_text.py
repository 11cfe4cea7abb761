"""Text from outside is shown without what a terminal would obey."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.text import clean, one_line, printable

ESCAPE, OVERRIDE, NEXT_LINE, LINE_SEPARATOR = "\x1b[2J", "\u202e", "\x85", "\u2028"


@pytest.mark.parametrize("unfit", [ESCAPE, OVERRIDE, NEXT_LINE, LINE_SEPARATOR, "\x9b2J", "\udcff"])
def test_nothing_that_moves_the_cursor_or_turns_the_line_is_left(unfit: str) -> None:
    for shown in (clean(f"K-1{unfit}"), one_line(f"K-1{unfit}"), printable(f"K-1{unfit}")):
        assert shown.startswith("K-1")
        assert shown.isprintable()


@pytest.mark.parametrize(
    "line_end", ["\n", "\r\n", "\r", NEXT_LINE, LINE_SEPARATOR, "\x0b", "\x0c"]
)
def test_one_line_stays_one_line(line_end: str) -> None:
    assert one_line(f"K-1{line_end}PART IS OFF\tnow") == "K-1 PART IS OFF now"


def test_lines_and_letters_of_any_tongue_stay_as_they_are() -> None:
    text = "Größe 14,5 Ω ± 0,1\n\tсопротивление, 抵抗"
    assert clean(text) == text


def test_what_cannot_be_shown_can_be_told_apart() -> None:
    assert printable(Path("a\x1bb")) == "a\\x1bb"
    assert printable("a\udcff") != printable("a\udcfe")
