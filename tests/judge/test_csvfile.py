"""CSV files people write: what is wrong is told by line, and nothing crashes."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import InputFileError
from benchrig.judge.csvfile import read_columns
from benchrig.judge.gagefile import read_readings

GOOD = "person,part,value\nA,1,2.5\nA,1,2.6\nA,2,2.7\nA,2,2.7\nB,1,2.5\nB,1,2.4\nB,2,2.8\nB,2,2.9\n"


def written(folder: Path, text: str) -> Path:
    path = folder / "readings.csv"
    path.write_bytes(text.encode())
    return path


def faults(folder: Path, text: str) -> list[str]:
    with pytest.raises(InputFileError) as caught:
        read_readings(written(folder, text))
    return [f"{f.line}: {f.message}" for f in caught.value.findings]


@pytest.mark.parametrize(
    "text",
    [
        GOOD,
        "\ufeff" + GOOD,
        "\r\n" + GOOD.replace("\n", "\r\n"),
        GOOD.replace(".", "#").replace(",", ";").replace("#", ","),
        GOOD.replace("person,part", "note,Person , PART")
        .replace("A,", "x,A,")
        .replace("B,", ",B,"),
    ],
    ids=["plain", "byte order mark", "blank line first", "decimal comma", "other columns"],
)
def test_readings_are_read_however_they_were_saved(text: str, tmp_path: Path) -> None:
    assert read_readings(written(tmp_path, text)) == [
        [[2.5, 2.6], [2.7, 2.7]],
        [[2.5, 2.4], [2.8, 2.9]],
    ]


def test_every_bad_row_is_told_with_its_line(tmp_path: Path) -> None:
    text = GOOD.replace("A,1,2.6", "A,1,two").replace("B,1,2.5", ",1,2.5").replace("B,2,2.9", "B,2")
    said = faults(tmp_path, text)
    assert said == [
        '3: "two" is not a number',
        "6: has no person or no part",
        "9: has 2 columns, fewer than the header",
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "1: is empty; the header person,part,value is needed"),
        ("person,part\n", "1: the header needs one column each named person, part and value; it"),
        ("person,part,value\n", "1: holds no row below the header"),
        ("person,part,value\nA," + "x" * 200_000 + ",1\n", "2: cannot be read as CSV"),
        ("person,part,value\nA,1,1_0\n", '2: "1_0" is not a number'),
        ("person,part,value\nA,1,nan\n", '2: "nan" is not a number'),
        ("person,part,value\nA,1,1\n", "None: a study needs two people"),
    ],
)
def test_what_is_no_table_of_readings_is_told(text: str, words: str, tmp_path: Path) -> None:
    assert faults(tmp_path, text)[0].startswith(words)


@given(st.text(alphabet='tagvalue,;"\n\r\x00 1.é', max_size=60))
def test_any_text_is_taken_or_told_never_a_crash(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    path = written(tmp_path_factory.getbasetemp(), "tag,value\n" + text)
    try:
        table = read_columns(path, ("tag", "value"))
    except InputFileError:
        return
    assert all(len(row.cells) == 2 and row.line >= 2 for row in table.rows)
