"""Part files: packaged ones are right, wrong ones are told everything, nothing is guessed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import InputFileError, UsageError
from benchrig.library import LibraryEntry
from benchrig.parts import library
from benchrig.parts.copper import resistance_factor
from benchrig.parts.hints import COMMON, THERMAL
from benchrig.parts.part import Characteristic, DecisionRule, Part, PartKind
from benchrig.parts.partfile import LimitsModel, part_from
from benchrig.tomlfile import parse_toml

GOOD = """\
title = "Bench solenoid"
kind = "other solenoid"
[ability]
on_s_max = 10
duty_max = 0.5
winding_c_max = 120
current_a_max = 1.5
supply_v_max = 16
[limits.resistance_ohm]
low = 13.8
high = 15.2
at_temperature_c = 20
source = "sheet, page 3"
"""


def part(text: str) -> Part:
    return part_from(parse_toml(text.encode(), "p.toml"), "p")


def faults(text: str) -> list[str]:
    with pytest.raises(InputFileError) as caught:
        part(text)
    return [str(f) for f in caught.value.findings]


@pytest.mark.parametrize("entry", library.entries(Path("/nowhere")), ids=lambda e: e.name)
def test_each_packaged_part_is_right_and_says_that_it_is_invented(
    entry: LibraryEntry,
) -> None:
    found = library.load(entry.name, Path("/nowhere"))
    assert found.name == entry.name
    assert found.invented
    assert "nvented" in found.title
    assert all("Invented" in limit.source for limit in found.limits)
    assert len(found.digest) == 64


def test_the_demo_injector_fits_a_coil_of_14_5_ohm_at_13_5_v() -> None:
    demo = library.load("demo-injector", Path("/nowhere"))
    resistance = demo.limit(Characteristic.RESISTANCE_20C)
    current = demo.limit(Characteristic.CURRENT)
    assert resistance is not None
    assert current is not None
    assert (resistance.low, resistance.high) == (13.8, 15.2)
    assert current.low is not None
    assert current.high is not None
    cold_a = 13.5 / 14.5
    assert current.low < cold_a / resistance_factor(20, 100) < cold_a < current.high


def test_a_limit_printed_for_25_c_is_converted_and_says_so() -> None:
    # Copper factor 25 -> 100 °C printed as 1.289 in a public table of copper factors;
    # 20 °C by the same straight line.
    assert resistance_factor(25, 100) == pytest.approx(1.289, abs=5e-4)
    found = part(GOOD.replace("at_temperature_c = 20", "at_temperature_c = 25"))
    (limit,) = found.limits
    assert limit.low == pytest.approx(13.8 * 254.5 / 259.5, rel=1e-12)
    assert limit.high == pytest.approx(15.2 * 254.5 / 259.5, rel=1e-12)
    assert "printed for 25 °C: 13.8 to 15.2 ohm" in limit.source
    assert "234.5" in limit.source
    (untouched,) = part(GOOD).limits
    assert (untouched.low, untouched.source) == (13.8, "sheet, page 3")


@pytest.mark.parametrize(
    ("reference_c", "to_c", "factor"),
    # Public table of copper factors, reference 25 °C.
    [(25, 50, 1.096), (25, 75, 1.193), (25, 85, 1.231), (25, 150, 1.482), (25, 200, 1.674)],
)
def test_copper_factors(reference_c: float, to_c: float, factor: float) -> None:
    assert resistance_factor(reference_c, to_c) == pytest.approx(factor, abs=7e-4)


def test_copper_below_its_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="above"):
        resistance_factor(-234.5, 20)


def test_every_fault_at_once() -> None:
    text = (
        GOOD.replace("low = 13.8", "low = 16")
        .replace('kind = "other solenoid"', 'kind = "fuel pump"')
        .replace("duty_max = 0.5", "duty_max = 1.5")
    )
    text += '[limits.current_a]\nhigh = 1\nsource = "x"\n[limits.tau_s]\nsource = " "\n'
    said = faults(text)
    assert [s.split(": ")[0] + ": " + s.split(": ")[1] for s in said] == [
        "p.toml:3: ability",
        "p.toml:5: ability.duty_max",
        "p.toml:10: limits.resistance_ohm.low",
        "p.toml:14: limits.current_a",
        "p.toml:17: limits.tau_s",
        "p.toml:18: limits.tau_s.source",
    ]
    assert "dry_run_s_max" in said[0]
    assert "at_voltage_v" in said[3]


@pytest.mark.parametrize("kind", [k for k in PartKind if k.is_forbidden])
def test_kinds_this_rig_must_not_drive_are_refused_with_the_reason(kind: PartKind) -> None:
    (said,) = faults(GOOD.replace("other solenoid", kind.value))
    assert said.startswith("p.toml:2: kind: ")
    assert "never driven on this rig: " in said


def test_no_conversion_for_a_winding_that_is_not_copper() -> None:
    text = GOOD + "[winding]\ncopper = false\n"
    assert not part(text).copper_winding
    (said,) = faults(text.replace("at_temperature_c = 20", "at_temperature_c = 25"))
    assert "at_temperature_c" in said
    assert "copper" in said


def test_a_resistance_limit_is_given_once() -> None:
    text = GOOD + '[limits.resistance_20c_ohm]\nlow = 1\nsource = "x"\n'
    assert any("once" in said for said in faults(text))


def test_the_rule_is_the_files_choice_and_the_guard_band_the_default() -> None:
    assert part(GOOD).limits[0].rule is DecisionRule.GUARD_BAND
    simple = part(GOOD + 'rule = "simple acceptance"\n')
    assert simple.limits[0].rule is DecisionRule.SIMPLE


def test_every_characteristic_but_motion_can_have_a_limit() -> None:
    expected = {c.value for c in Characteristic} - {"motion"} | {"resistance_ohm"}
    assert set(LimitsModel.model_fields) == expected


def test_common_values_never_reach_a_part() -> None:
    found = part(GOOD[: GOOD.index("[limits")])
    assert found.limits == ()
    assert found.nominal_resistance_ohm is None
    for kind, common in COMMON.items():
        assert "not a limit" in common.sentence(), kind
    assert not any(kind.is_forbidden for kind in (*COMMON, *THERMAL))


def test_names_are_found_in_the_users_folder_first(tmp_path: Path) -> None:
    (tmp_path / "demo-injector.toml").write_text(GOOD)
    (tmp_path / "odd näme (2).toml").write_text(GOOD)
    assert library.load("demo-injector", tmp_path).title == "Bench solenoid"
    assert library.load("odd näme (2)", tmp_path).name == "odd näme (2)"
    entry = next(e for e in library.entries(tmp_path) if e.name == "demo-injector")
    assert (entry.packaged, entry.hides_packaged) == (False, True)
    assert library.load(tmp_path / "demo-injector.toml").name == "demo-injector"
    with pytest.raises(UsageError, match='did you mean "demo-injector"'):
        library.find("demo-injectr", tmp_path)


@pytest.mark.parametrize("side", ["low", "high"])
def test_a_number_beyond_all_numbers_is_told(side: str) -> None:
    text = re.sub(rf"(?m)^{side} = .*", f"{side} = 1{400 * '0'}", GOOD)
    assert text != GOOD
    assert [f for f in faults(text) if side in f]


def test_check_tells_all_or_nothing(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(GOOD)
    assert library.check(path) is None
    path.write_text("kind = 1\n")
    found = library.check(path)
    assert found is not None
    assert {f.message.split(":")[0] for f in found.findings} == {"title", "kind", "ability"}


_junk = st.recursive(
    st.none().map(lambda _: "true")
    | st.integers().map(str)
    | st.sampled_from(
        ["nan", "-inf", "1e400", "1" + 400 * "0", '""', '"fuel pump"', "1979-05-27", "[]", "{}"]
    ),
    lambda inner: st.lists(inner, max_size=2).map(lambda v: "[" + ", ".join(v) + "]"),
    max_leaves=3,
)


@given(st.sampled_from(range(GOOD.count("\n"))), _junk)
def test_any_value_anywhere_is_taken_or_told_never_a_crash(number: int, junk: str) -> None:
    lines = GOOD.splitlines()
    if "=" in lines[number]:
        lines[number] = lines[number].split("=")[0] + "= " + junk
    else:
        lines[number] = f"limits = {junk}" if number > 5 else f"ability = {junk}"
    try:
        found = part("\n".join(lines))
    except InputFileError as error:
        unplaced = [f for f in error.findings if f.line is None or "Input should" in f.message]
    else:
        unplaced = []
        assert 0 < found.ability.duty_max <= 1
    assert not unplaced
