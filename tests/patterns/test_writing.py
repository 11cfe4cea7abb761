"""What is written is read back the same, whatever stands in it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.parts import library as parts
from benchrig.parts.part import (
    Ability,
    Characteristic,
    DecisionRule,
    Limit,
    Part,
    PartKind,
)
from benchrig.parts.partfile import part_from
from benchrig.parts.partwrite import part_to_toml
from benchrig.patterns import library as patterns
from benchrig.patterns.pattern import Pattern, Step
from benchrig.patterns.patternfile import pattern_from
from benchrig.patterns.patternwrite import pattern_to_toml
from benchrig.tomlfile import parse_toml
from benchrig.tomlfile.write import toml_value

NOWHERE = Path("/nowhere")
_text = st.text(st.characters(codec="utf-8"), min_size=1, max_size=30)
_source = _text.filter(lambda text: bool(text.strip()))


def bare(part: Part) -> Part:
    return replace(part, file="", digest="")


@pytest.mark.parametrize("name", [e.name for e in parts.entries(NOWHERE)])
def test_packaged_parts_survive(name: str) -> None:
    part = parts.load(name, NOWHERE)
    again = part_from(parse_toml(part_to_toml(part).encode(), "f"), name)
    assert bare(again) == bare(part)


@pytest.mark.parametrize("name", [e.name for e in patterns.entries(NOWHERE)])
def test_packaged_patterns_survive(name: str) -> None:
    pattern = patterns.load(name, NOWHERE)
    again = pattern_from(parse_toml(pattern_to_toml(pattern).encode(), "f"), name)
    assert replace(again, file="", digest="") == replace(pattern, file="", digest="")


@st.composite
def _limits(draw: st.DrawFn) -> Limit:
    low = draw(st.none() | st.floats(0, 1e6))
    high = draw(st.floats(1e6 + 1, 1e12) | (st.none() if low is not None else st.nothing()))
    return Limit(
        characteristic=Characteristic.TIME_CONSTANT,
        low=low,
        high=high,
        source=draw(_source),
        rule=draw(st.sampled_from(DecisionRule)),
        at_voltage_v=draw(st.none() | st.floats(1, 60)),
    )


_parts = st.builds(
    Part,
    name=st.just("f"),
    title=_text,
    kind=st.sampled_from([k for k in PartKind if not k.is_forbidden and not k.is_pump]),
    invented=st.booleans(),
    limits=_limits().map(lambda limit: (limit,)),
    ability=st.builds(
        Ability,
        on_s_max=st.floats(0.001, 60),
        duty_max=st.floats(0.001, 1),
        winding_c_max=st.floats(21, 200),
        current_a_max=st.floats(0.001, 60),
        supply_v_max=st.floats(0.001, 36),
        dry_run_s_max=st.none() | st.floats(0.1, 60),
    ),
    nominal_resistance_ohm=st.none() | st.floats(0.01, 1e5),
    copper_winding=st.booleans(),
    polarity_matters=st.booleans(),
    note=st.just("") | _text,
)


@given(_parts)
def test_any_part_survives(part: Part) -> None:
    again = part_from(parse_toml(part_to_toml(part).encode(), "f"), "f")
    assert bare(again) == bare(part)


@given(
    _text,
    st.integers(1, 500),
    st.lists(st.tuples(st.integers(40_000, 60_000_000), st.integers(-80, 0)), min_size=1),
    st.booleans(),
)
def test_any_pattern_survives(
    title: str, repeats: int, pairs: list[tuple[int, int]], wiggle: bool
) -> None:
    steps = tuple(
        Step(on=on, duration_us=us, change_us=change)
        for us, change in pairs
        for on in (True, False)
    )
    pattern = Pattern(name="f", title=title, steps=steps[:254], repeats=repeats, wiggle=wiggle)
    again = pattern_from(parse_toml(pattern_to_toml(pattern).encode(), "f"), "f")
    assert replace(again, file="", digest="") == pattern


def test_numbers_that_are_none_are_not_written() -> None:
    for value in (float("nan"), float("inf")):
        with pytest.raises(ValueError, match="no place"):
            toml_value(value)
    assert [toml_value(v) for v in (True, 3, 1e16, "a\n")] == [
        "true",
        "3",
        "1e+16",
        '"a\\U0000000A"',
    ]
