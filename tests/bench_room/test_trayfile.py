"""Tray files: every fault at once with its line, labels kept as they were written."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.bench.trayfile import part_temperature, read_tray
from benchrig.errors import InputFileError, UsageError
from benchrig.record.values import Stage, TemperatureBasis
from tests.bench_room.trays import HEAD, slots_of, write_tray


def faults(path: Path) -> list[tuple[int | None, str]]:
    with pytest.raises(InputFileError) as caught:
        read_tray(path)
    return [(finding.line, finding.message) for finding in caught.value.findings]


def test_labels_stay_as_written_and_in_their_order(tmp_path: Path) -> None:
    slots = "".join(
        f'[[slot]]\noutput = {output}\ntag = "{tag}"\nposition = "{label}"\n'
        for output, tag, label in ((3, "C", "4"), (0, "A", "1"), (2, "B", "02"))
    )
    tray = read_tray(write_tray(tmp_path, slots))
    assert [slot.position for slot in tray.slots] == ["4", "1", "02"]
    assert [slot.output for slot in tray.slots] == [3, 0, 2]
    plan = tray.plan(tray.slots[2], Stage.RETEST)
    assert (plan.tag, plan.position, plan.position_scheme) == ("B", "02", "cylinder number")
    assert (plan.order, plan.tray, plan.stage) == ("K-2031", "tray", Stage.RETEST)
    assert plan.temperature is not None
    assert plan.temperature.basis is TemperatureBasis.SOAKED


def test_every_fault_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    slots = """
[[slot]]
output = 0
tag = "A"
[[slot]]
output = 0
tag = "a"
part = "demo-injectr"
[[slot]]
output = "2"
colour = "red"
"""
    found = faults(write_tray(tmp_path, slots))
    lines = {line for line, _ in found}
    text = "\n".join(message for _, message in found)
    assert len(found) == 5
    assert {13, 14, 15, 17, 18} == lines
    assert "slot 1 too; one part on one output" in text
    assert "slot 1 too; a tag belongs to one part" in text
    assert 'did you mean "demo-injector"' in text
    assert "must be a whole number" in text
    assert "unknown key" in text


def test_a_position_without_what_it_counts_is_refused(tmp_path: Path) -> None:
    head = HEAD.replace('position_scheme = "cylinder number"\n', "")
    ((line, message),) = faults(write_tray(tmp_path, slots_of(1), head=head))
    assert line == 11
    assert "position_scheme" in message


def test_a_temperature_needs_one_way_of_knowing_it(tmp_path: Path) -> None:
    head = HEAD + "probe_c = 21.0\n"
    ((line, message),) = faults(write_tray(tmp_path, slots_of(1), head=head))
    assert (line, "one of soaked_c and probe_c" in message) == (6, True)


def test_the_golden_part_has_an_output_and_a_tag_of_its_own(tmp_path: Path) -> None:
    golden = '[golden]\ntag = "K-2031-01"\noutput = 0\n'
    found = faults(write_tray(tmp_path, golden + slots_of(1)))
    assert {message for _, message in found} == {
        "golden, tag: slot 1 has this tag too",
        "golden, output: slot 1 is on this output too",
    } or {message.split(": ")[-1] for _, message in found} == {
        "slot 1 has this tag too",
        "slot 1 is on this output too",
    }


def test_a_part_that_must_not_be_driven_is_refused_in_a_slot(tmp_path: Path) -> None:
    part = (Path(__file__).parents[2] / "benchrig/parts/data/demo-injector.toml").read_text()
    own = tmp_path / "squib.toml"
    own.write_text(part.replace('"fuel injector"', '"squib"'), encoding="utf-8")
    slots = '[[slot]]\noutput = 1\ntag = "A"\npart = "./squib.toml"\n'
    found = faults(write_tray(tmp_path, slots))
    assert any(line == 11 and "squib" in message for line, message in found)


def test_scanned_tags_must_not_contradict_the_file(tmp_path: Path) -> None:
    slots = '[[slot]]\noutput = 0\n[[slot]]\noutput = 1\ntag = "B"\n'
    tray = read_tray(write_tray(tmp_path, slots))
    assert [slot.tag for slot in tray.with_tags({1: "A"}).slots] == ["A", "B"]
    with pytest.raises(UsageError, match="the file says B, the part says C"):
        tray.with_tags({2: "C"})
    with pytest.raises(UsageError, match="given twice: B"):
        tray.with_tags({1: "b"})


@pytest.mark.parametrize("given", [68.0, 72.0, 98.6])
def test_a_room_in_fahrenheit_is_refused_and_said_in_celsius(given: float, tmp_path: Path) -> None:
    """72 °F taken for 72 °C would put R20 17 % low and fail a good part."""
    with pytest.raises(UsageError, match="no room's") as caught:
        part_temperature(soaked_c=given)
    assert f"{(given - 32) / 1.8:.1f} °C" in caught.value.advice  # definition of the degree
    head = HEAD.replace("soaked_c = 22", f"soaked_c = {given}")
    ((line, message),) = faults(write_tray(tmp_path, slots_of(1), head=head))
    assert line == 7
    assert f"{(given - 32) / 1.8:.1f} °C" in message
    assert part_temperature(probe_c=given) is not None  # a warm part, by a probe on it


def test_a_tray_file_copied_without_its_pattern_says_where_that_is_looked_for(
    tmp_path: Path,
) -> None:
    path = write_tray(tmp_path, slots_of(1))
    (tmp_path / "quick.toml").unlink()
    ((_, message),) = faults(path)
    assert "there is no such file" in message
    assert "beside the tray file" in message
    head = HEAD.replace("quick.toml", "slow-clik")  # a name is no file, and is not told so
    ((_, message),) = faults(write_tray(tmp_path, slots_of(1), head=head))
    assert "beside" not in message
