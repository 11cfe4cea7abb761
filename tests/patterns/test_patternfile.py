"""Pattern files: packaged ones are what they say, wrong ones are told everything."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import InputFileError
from benchrig.patterns import library
from benchrig.patterns.pattern import Pattern
from benchrig.patterns.patternfile import pattern_from
from benchrig.patterns.schedule import to_schedule
from benchrig.tomlfile import parse_toml
from benchrig.wire.messages import OutputKind
from benchrig.wire.schedule import check_schedule
from tests.patterns.rigs import output

NOWHERE = Path("/nowhere")
GOOD = """\
title = "Two clicks"
repeats = 2
[[steps]]
state = "on"
duration_ms = 2.5
[[steps]]
state = "off"
duration_s = 0.1
"""


def pattern(text: str) -> Pattern:
    return pattern_from(parse_toml(text.encode(), "p.toml"), "p")


def faults(text: str) -> list[str]:
    with pytest.raises(InputFileError) as caught:
        pattern(text)
    return [str(f) for f in caught.value.findings]


def test_six_second_is_25_cycles_in_300_s_ending_off() -> None:
    # Common practice, no source.
    six = library.load("six-second", NOWHERE)
    assert (six.duration_s, six.cycles, six.on_total_s) == (300.0, 25, 150.0)
    assert [(s.on, s.duration_us) for s in six.steps] == [(True, 6_000_000), (False, 6_000_000)]
    assert "common practice" in six.source


def test_short_pulse_is_2_5_ms_in_10_ms() -> None:
    pulse = library.load("short-pulse", NOWHERE)
    assert [s.duration_us for s in pulse.steps] == [2500, 7500]


def test_swept_width_grows_by_20_us_at_a_constant_period() -> None:
    swept = library.load("swept-width", NOWHERE)
    on, off = swept.steps
    assert (on.change_us, off.change_us) == (20, -20)
    last = swept.repeats - 1
    assert on.duration_us + off.duration_us == 10_000
    assert on.duration_us + last * on.change_us == 5980
    assert off.duration_us + last * off.change_us == 4020


def test_the_packaged_patterns_are_all_here_and_one_is_for_wiggling() -> None:
    found = {e.name: library.load(e.name, NOWHERE) for e in library.entries(NOWHERE)}
    assert set(found) == {
        "six-second",
        "short-pulse",
        "swept-width",
        "wiggle",
        "pump-spin",
        "slow-click",
        "warm-soak",
    }
    assert [name for name, p in found.items() if p.wiggle] == ["wiggle"]
    assert found["pump-spin"].on_total_s == 2.0
    for name, each in found.items():
        outputs = [output(number=n, kind=OutputKind.SOLID_STATE) for n in range(3)]
        assert check_schedule(to_schedule(each, outputs[2]), outputs, []) is None, name


def test_durations_in_s_ms_and_us_are_exact() -> None:
    found = pattern(GOOD)
    assert [s.duration_us for s in found.steps] == [2500, 100_000]
    # 0.1 s has no exact binary value; it must still be 100 000 µs. 1.1 ms likewise.
    assert pattern(GOOD.replace("2.5", "1.1")).steps[0].duration_us == 1100
    (said,) = faults(GOOD.replace("2.5", "2.5001"))
    assert "whole number of µs" in said


def test_every_fault_at_once() -> None:
    text = """\
title = ""
repeats = 0
[[steps]]
state = "of"
duration_s = 61
[[steps]]
state = "on"
duration_s = 61
duration_ms = 5
[[steps]]
state = "on"
duration_s = 61
wait = 1
"""
    assert [s.split(":")[1] for s in faults(text)] == ["1", "2", "4", "6", "11", "11", "12", "13"]


def test_wrong_order_is_told_step_by_step() -> None:
    text = 'title = "x"\nrepeats = 1\n' + "".join(
        f'[[steps]]\nstate = "{state}"\nduration_s = 1\n' for state in ("off", "off", "on")
    )
    said = faults(text)
    assert [s.split(": ")[1] for s in said] == ["step 1, state", "step 2, state", "step 3, state"]
    assert "begins" in said[0]
    assert "take turns" in said[1]
    assert "ends" in said[2]


@pytest.mark.parametrize(
    ("change_us", "word"), [(-2500, "not above 0"), (32_767, ""), (40_000, "out of range")]
)
def test_a_change_a_repeat_is_followed_to_the_last(change_us: int, word: str) -> None:
    text = GOOD.replace("duration_ms = 2.5", f"duration_ms = 2.5\nchange_us = {change_us}")
    if not word:
        assert pattern(text).steps[0].change_us == change_us
        return
    (said,) = faults(text)
    assert word in said


def test_a_rest_that_grows_beyond_what_a_rig_can_time_is_refused() -> None:
    text = GOOD.replace("repeats = 2", "repeats = 65535").replace(
        "duration_s = 0.1", "duration_s = 3600\nchange_us = 32767"
    )
    (said,) = faults(text)
    assert "p.toml:9: " in said
    assert "off for 5747" in said
    assert "3600 s" in said


def test_growing_beyond_a_minute_on_is_refused() -> None:
    text = GOOD.replace("repeats = 2", "repeats = 2000").replace(
        "duration_ms = 2.5", "duration_ms = 2.5\nchange_us = 32767"
    )
    (said,) = faults(text)
    assert "60 s" in said


@pytest.mark.parametrize("text", ["repeats = inf", "repeats = -1", "repeats = 65536"])
def test_for_ever_cannot_be_written(text: str) -> None:
    (said,) = faults(GOOD.replace("repeats = 2", text))
    assert "repeats" in said


_junk = st.sampled_from(
    [
        "nan",
        "inf",
        "-1",
        "0",
        "1e300",
        '"on"',
        "true",
        "[]",
        "{}",
        "[[1]]",
        "9223372036854775807",
        "1" + 400 * "0",
    ]
)


@given(st.sampled_from(range(GOOD.count("\n"))), _junk)
def test_any_value_anywhere_is_taken_or_told_never_a_crash(number: int, junk: str) -> None:
    lines = GOOD.splitlines()
    key = lines[number].split("=")[0] if "=" in lines[number] else "steps "
    lines[number] = f"{key}= {junk}"
    try:
        found = pattern("\n".join(lines))
    except InputFileError as error:
        unplaced = [f for f in error.findings if f.line is None or "Input should" in f.message]
    else:
        unplaced = []
        assert not found.steps[-1].on
    assert not unplaced
