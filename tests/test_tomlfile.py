"""Files people write: every fault at once, on its line, in plain words; odd ones refused."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from benchrig.errors import InputFileError
from benchrig.tomlfile import (
    FILE_BYTES_MAX,
    KeyPath,
    did_you_mean,
    parse_toml,
    read_toml,
    validate,
)
from benchrig.tomlfile.words import shown_path, unit_of


class Row(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)
    on_us: int = Field(gt=0, le=1000)


class Model(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
    inductance_h: float = Field(gt=0)
    steps: list[Row]


def findings(text: str) -> list[str]:
    with pytest.raises(InputFileError) as caught:
        validate(parse_toml(text.encode(), "f.toml"), Model)
    return [str(finding) for finding in caught.value.findings]


def test_every_fault_is_reported_at_once_with_its_line_and_unit() -> None:
    text = """\
inductance_h = "9.2"
indutance_h = 1
[[steps]]
on_us = 5
[[steps]]
on_us = 2000
of_us = 1
[[steps]]
"""
    assert findings(text) == [
        "f.toml:1: inductance_h: must be a number in H (without quotes) "
        '(allowed: above 0 H), not "9.2"',
        'f.toml:2: indutance_h: unknown key; did you mean "inductance_h"?',
        "f.toml:6: step 2, on_us: 2000 µs is out of range (allowed: above 0, at most 1000 µs)",
        'f.toml:7: step 2, of_us: unknown key; did you mean "on_us"?',
        "f.toml:8: step 3, on_us: is missing; it is needed in µs "
        "(allowed: above 0, at most 1000 µs)",
    ]


def test_no_finding_carries_a_link_or_a_library_name() -> None:
    said = "\n".join(findings("inductance_h = nan\nsteps = 3\n"))
    assert "http" not in said
    assert "pydantic" not in said.lower()
    assert "Input should" not in said


def test_a_right_file_gives_the_model_and_the_digest_of_its_bytes() -> None:
    content = b"inductance_h = 0.012\nsteps = [{ on_us = 7 }]\n"
    document = parse_toml(content, "f.toml")
    assert validate(document, Model).steps[0].on_us == 7
    # SHA-256 of these bytes, by coreutils sha256sum.
    assert document.digest == "9da93991998d5b006b827e71a814319713ba296d6b0351f467864f3ac627e6c3"


def test_checks_on_raw_data_run_beside_the_model_and_do_not_repeat_it() -> None:
    def check(data: Any) -> list[tuple[KeyPath, str]]:
        return [(("steps",), "from the check"), (("inductance_h",), "hidden: the model said it")]

    with pytest.raises(InputFileError) as caught:
        validate(parse_toml(b"steps = []\ninductance_h = -1\n", "f"), Model, [check])
    said = [f.message for f in caught.value.findings]
    assert said[0] == "steps: from the check"
    assert len(said) == 2
    assert "out of range" in said[1]


@pytest.mark.parametrize(
    ("content", "line", "word"),
    [
        (b"a = 1\nb = \xe9\n", 2, "0xE9"),
        ("a = 1".encode("utf-16"), 1, "UTF-16"),
        (b"a = 1\na = 2\n", 2, "not valid TOML"),
        (b"a = [1,\n", 2, "end of the file"),
        (b"a = " + b"[" * 20_000, None, "too deeply"),
        (b"a = " + b"9" * 5_000, None, "cannot be read"),
        (b"\x00\n", 1, "not valid TOML"),
    ],
)
def test_a_file_that_is_no_toml_is_refused_with_its_line(
    content: bytes, line: int | None, word: str
) -> None:
    with pytest.raises(InputFileError) as caught:
        parse_toml(content, "f.toml")
    (finding,) = caught.value.findings
    assert (finding.line, word in finding.message) == (line, True), finding


def test_a_byte_order_mark_is_no_fault() -> None:
    assert parse_toml(b"\xef\xbb\xbfa = 1\n", "f").data == {"a": 1}


def test_missing_folder_huge_and_odd_names_are_clear(tmp_path: Path) -> None:
    huge = tmp_path / "huge.toml"
    huge.write_bytes(b"#" * (FILE_BYTES_MAX + 1))
    odd = tmp_path / "line\nbreak \x1b[31m.toml"
    odd.write_text("a =")
    for path, word in [
        (tmp_path / "none.toml", "no such file"),
        (tmp_path, "not a file"),
        (Path("/dev/zero"), "not a file"),
        (huge, "larger than"),
        (Path("nul\0.toml"), "no such file|cannot be read"),
        (Path("x" * 5000), "no such file|cannot be read"),
        (odd, "not valid TOML"),
    ]:
        with pytest.raises(InputFileError) as caught:
            read_toml(path)
        said = str(caught.value)
        assert re.search(word, said), said
        assert said.isprintable(), f"control characters reach the screen: {said!r}"


def test_a_file_at_the_size_limit_is_read(tmp_path: Path) -> None:
    path = tmp_path / "full.toml"
    path.write_bytes(b"#" * FILE_BYTES_MAX)
    assert read_toml(path).data == {}


def test_lines_of_strings_arrays_inline_tables_and_array_tables() -> None:
    text = '''\
"quo#ted = key" = "x # y"
a.b = """
c = 1
"""
list = [
  1, # one
  { k = 2 },
]
[[s]]
x = 1
[s.sub]
y = \'\'\'[z]\'\'\'
[[s]]
[[s.t]]
u = 1979-05-27 07:32:00
'''
    lines = parse_toml(text.encode(), "f").lines
    assert lines["quo#ted = key",] == 1
    assert lines["a", "b"] == 2
    assert ("c",) not in lines
    assert [lines["list", 0], lines["list", 1], lines["list", 1, "k"]] == [6, 7, 7]
    assert [lines["s", 0, "x"], lines["s", 0, "sub", "y"]] == [10, 12]
    assert [lines["s", 1], lines["s", 1, "t", 0, "u"]] == [13, 15]


def test_words() -> None:
    assert shown_path(("steps", 1, "on_us")) == "step 2, on_us"
    assert shown_path(("limits", "current_a", "low")) == "limits.current_a.low"
    assert unit_of("winding_c_max") == "°C"
    assert unit_of("duty_max") == ""
    assert did_you_mean("resistence_ohm", ["resistance_ohm", "tau_s"]).endswith('"resistance_ohm"?')
    assert did_you_mean("qqq", ["resistance_ohm"]) == ""


# --- any valid TOML has a line for each of its keys ---------------------------------------------

_names = st.text(st.characters(codec="utf-8"), min_size=1, max_size=6)
_scalars = (
    st.integers(-(2**60), 2**60)
    | st.booleans()
    | st.floats(allow_nan=False)
    | st.text(st.characters(codec="utf-8"), max_size=12)
)
_values = st.recursive(
    _scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_names, inner, max_size=3),
    max_leaves=8,
)


def _quoted(text: str) -> str:
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in plain) + '"'


def _written(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, list):
        return "[\n" + ",  # ]\n".join(_written(v) for v in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_quoted(k)} = {_written(v)}" for k, v in value.items()) + "}"
    return repr(value)


def _paths(value: Any, path: KeyPath = ()) -> list[KeyPath]:
    inner: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    return [p for key, v in inner for p in [(*path, key), *_paths(v, (*path, key))]]


@given(st.dictionaries(_names, _values, max_size=4))
def test_every_key_of_any_valid_file_has_a_line(data: dict[str, Any]) -> None:
    text = "".join(f"{_quoted(key)} = {_written(value)}\n" for key, value in data.items())
    assert tomllib.loads(text) == data
    document = parse_toml(text.encode(), "f")
    assert set(document.lines) == set(_paths(data))
    at = 1
    for key, value in data.items():
        assert document.lines[key,] == at
        at += f"{_written(value)}\n".count("\n")


@given(st.binary(max_size=200) | st.text(alphabet="[]{}=\"'#.,\n\\ab1- ", max_size=80))
def test_no_bytes_bring_anything_but_a_document_or_findings(content: bytes | str) -> None:
    raw = content if isinstance(content, bytes) else content.encode()
    try:
        document = parse_toml(raw, "f")
    except InputFileError:
        return
    assert set(_paths(document.data)) <= set(document.lines) | _implied(document.data)


def _implied(data: Any) -> set[KeyPath]:
    """Tables that only headers of their children name have no line of their own."""
    return {p for p in _paths(data) if isinstance(_at(data, p), dict)}


def _at(data: Any, path: KeyPath) -> Any:
    for key in path:
        data = data[key]
    return data
