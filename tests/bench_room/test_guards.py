"""Mistakes that happen at a bench, and the guard against each: one test, one mistake.

Each is tried on whole runs of the simulated rig where a run can show it.
"""

from __future__ import annotations

import asyncio
import itertools
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from benchrig.bench.outcome import exit_code_for
from benchrig.bench.trayfile import read_tray
from benchrig.cli.trays import sheet_of
from benchrig.errors import ExitCode, InputFileError, LogError, UsageError
from benchrig.judge.statistics import proof_of_clean_cycles
from benchrig.judge.verdict import Judged, Verdict, Zone
from benchrig.parts import library as parts
from benchrig.parts.hints import common
from benchrig.parts.part import Characteristic, Part, PartKind
from benchrig.patterns.pattern import Pattern, Step
from benchrig.record.export import features_table
from benchrig.record.log import RunLog
from benchrig.record.values import (
    Ending,
    EventKind,
    PartTemperature,
    RunRecord,
    SafeEvidence,
    Stage,
    TemperatureBasis,
)
from tests.bench_room.jobs import Told, plan_for, run_sim
from tests.bench_room.trays import COIL, run, write_scenario, write_tray

PART = (Path(parts.__file__).parent / "data/demo-injector.toml").read_text(encoding="utf-8")
QUICK = Pattern(
    name="quick",
    title="a fifth of a second on and off, twenty times",
    steps=(Step(on=True, duration_us=200_000), Step(on=False, duration_us=200_000)),
    repeats=20,
)


def judged(record: RunRecord, characteristic: Characteristic) -> Judged:
    return next(j for j in record.characteristics if j.characteristic is characteristic)


def bench(folder: Path, part: str = "", *, head: str = "", ohm: float = 14.5) -> str:
    """A scenario with one injector and something changed about it or its bench."""
    path = folder / "one.toml"
    table = f'[[part]]\noutput = 0\nname = "one"\n{part}{COIL.format(ohm=ohm)}'
    path.write_text(f'title = "invented"\n{head}{table}', encoding="utf-8")
    return str(path)


def once(scenario: str, log: Path, part: Part | None = None, **changes: Any) -> RunRecord:
    plan = plan_for(**{"pattern": replace(QUICK, repeats=3), **changes})
    plan = plan if part is None else replace(plan, part=part)
    return run_sim(scenario, log, plan=plan, scan_period_us=500)


def low_ohm_part() -> Part:
    """Four ohm, and able to bear what a plain output sends through it for a moment."""
    part = parts.load("demo-injector")
    limit = part.limit(Characteristic.RESISTANCE_20C)
    assert limit is not None
    return replace(
        part,
        kind=PartKind.OTHER_SOLENOID,
        nominal_resistance_ohm=4.0,
        limits=(replace(limit, low=3.7, high=4.3),),
        ability=replace(part.ability, current_a_max=5.0),
    )


def test_a_position_is_the_label_as_written_and_never_sorted_or_renumbered(
    tmp_path: Path,
) -> None:
    written = ["1", "3", "4", "2"]  # as the harness lies: the firing order, taken for cylinders
    slots = "".join(
        f'[[slot]]\noutput = {n}\ntag = "T{n}"\nposition = "{label}"\n'
        for n, label in enumerate(written)
    )
    path, log = write_tray(tmp_path, slots), tmp_path / "log.db"
    result = run(path, write_scenario(tmp_path, dict.fromkeys(range(4), 14.5)), log)
    with RunLog.open(log, read_only=True) as kept:
        stored = [kept.record(r.record_id).plan for r in reversed(kept.list_runs())]
        page = sheet_of(result, kept)
    assert [plan.position for plan in stored] == written
    assert {plan.position_scheme for plan in stored} == {"cylinder number"}
    assert re.findall(r'data-name="position">([^<]*)<', page) == written
    assert "cylinder number" in page  # and the page says what the labels count


def test_parts_swapped_between_two_stages_are_warned_of_before_cycling(tmp_path: Path) -> None:
    log = tmp_path / "log.db"
    once(bench(tmp_path, ohm=14.1), log, tag="A", stage=Stage.INCOMING)
    same = once(bench(tmp_path, ohm=14.1), log, tag="A", stage=Stage.CLEANED)
    other = once(bench(tmp_path, ohm=14.9), log, tag="A", stage=Stage.RETEST)
    assert not any("tag" in warning for warning in same.warnings)
    assert any("this may not be the part of this tag" in warning for warning in other.warnings)


def test_a_hot_coil_is_not_judged_against_a_limit_for_20_degrees(tmp_path: Path) -> None:
    scenario = bench(tmp_path, "start_c = 80.0\nheat_capacity_j_per_k = 4000.0\n")
    hot = PartTemperature(value_c=80.0, std_uncertainty_c=0.5, basis=TemperatureBasis.PROBE)
    asked = once(scenario, tmp_path / "a.db", temperature=hot)
    limit = judged(asked, Characteristic.RESISTANCE_20C).limit
    assert asked.cold.resistance_ohm is not None
    assert limit is not None
    assert limit.high is not None
    assert asked.cold.resistance_ohm.value > limit.high  # 17.9 ohm raw, which is no fault
    assert judged(asked, Characteristic.RESISTANCE_20C).verdict is Verdict.PASS
    unknown = once(scenario, tmp_path / "b.db", temperature=None)
    assert judged(unknown, Characteristic.RESISTANCE_20C).verdict is Verdict.NOT_ASSESSED
    assert unknown.cold.resistance_ohm is not None  # the raw reading is shown all the same
    assert unknown.cold.resistance_20c_ohm is None


def test_a_low_ohm_coil_on_two_wires_is_not_judged_without_a_fresh_lead_null(
    tmp_path: Path,
) -> None:
    scenario = bench(tmp_path, head="[bench]\nfour_wire = false\n", ohm=4.0)
    record = once(scenario, tmp_path / "log.db", part=low_ohm_part())
    found = judged(record, Characteristic.RESISTANCE_20C)
    assert found.verdict is Verdict.NOT_ASSESSED
    assert "null" in found.reason


def test_a_limit_is_not_taken_as_exact_by_a_meter_that_is_not(tmp_path: Path) -> None:
    record = once(bench(tmp_path, ohm=15.1), tmp_path / "log.db")  # 0.1 below 15.2, U is 0.3
    found = judged(record, Characteristic.RESISTANCE_20C)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.zone is Zone.CONDITIONAL_PASS
    assert found.guard_band is not None
    assert record.verdict is not Verdict.PASS


def test_current_is_judged_at_the_voltage_at_the_part_not_at_the_supply(tmp_path: Path) -> None:
    scenario = bench(tmp_path, head="[bench]\nsupply_ohm = 3.0\n")  # a thin lead to the bench
    record = once(scenario, tmp_path / "log.db")
    current = judged(record, Characteristic.CURRENT)
    at_part = record.cycles[0].voltage_v
    assert at_part is not None
    assert record.cold.supply_v is not None
    assert record.cold.supply_v.value - at_part.value > 1.5
    assert current.limit is not None
    assert current.limit.at_voltage_v == pytest.approx(at_part.value, abs=0.2)
    assert current.verdict is Verdict.PASS  # 0.76 A is right for 11 V, though low for 13.5 V


def test_a_low_impedance_part_is_never_held_on_at_full_voltage(tmp_path: Path) -> None:
    log = tmp_path / "log.db"
    record = once(bench(tmp_path, ohm=1.2), log)  # 11 A would flow; 1.5 A is allowed
    assert record.cycles_done == 0
    assert record.verdict is not Verdict.PASS
    with RunLog.open(log, read_only=True) as kept:
        events = kept.events(record.record_id)
    assert "feed closed" not in [e.data.get("name") for e in events]  # the supply never reached it
    injector = replace(low_ohm_part(), kind=PartKind.FUEL_INJECTOR)
    with pytest.raises(UsageError, match="burns in seconds"):  # told by the part file alone
        once(bench(tmp_path, ohm=4.0), log, part=injector)
    sound = once("healthy", log)
    with RunLog.open(log, read_only=True) as kept:
        events = kept.events(sound.record_id)
        tick_s = 1e-9 * kept.scales(sound.record_id)[-1].tick_ns
    begun = next(n for n, e in enumerate(events) if e.data.get("state") == "first pulse")
    edges = [e.data for e in events[begun:] if e.kind is EventKind.EDGE]
    on = next(e["tick"] for e in edges if e["on"])
    off = next(e["tick"] for e in edges if not e["on"] and e["tick"] > on)
    assert (off - on) * tick_s == pytest.approx(5e-3, rel=0.02)  # one look before full on-times
    own = tmp_path / "piezo.toml"
    own.write_text(PART.replace('"fuel injector"', '"piezo injector"'), encoding="utf-8")
    with pytest.raises(InputFileError, match="never driven on this rig"):
        parts.load(own)


def test_a_part_is_never_left_energised_and_never_ends_with_0_when_cut_short(
    tmp_path: Path,
) -> None:
    def interrupt(task: asyncio.Task[RunRecord]) -> None:
        asyncio.get_running_loop().call_later(2.3, task.cancel)

    stopped = run_sim("healthy", tmp_path / "a.db", meddle=interrupt, scan_period_us=500)
    assert isinstance(stopped.made_safe, SafeEvidence)
    assert all(r.outputs_readback == 0 for r in stopped.made_safe.readings)
    assert exit_code_for(stopped) is ExitCode.INTERRUPTED
    unplugged = run_sim("link-lost", tmp_path / "b.db", told=Told(declare_after=3))
    assert exit_code_for(unplugged) is ExitCode.NOT_PROVEN_SAFE


def test_an_output_that_welded_is_not_believed_to_be_off(tmp_path: Path) -> None:
    told = Told()
    record = run_sim("welded-output", tmp_path / "log.db", told=told, scan_period_us=500)
    assert isinstance(record.made_safe, SafeEvidence)
    assert record.made_safe.feed_opened  # commanded off was not enough; current said so
    assert record.ending is Ending.FAULT
    assert exit_code_for(record) is ExitCode.RIG
    with pytest.raises(TimeoutError):  # and where the feed is welded too, the run never ends
        run_sim("welded-output-and-feed", tmp_path / "b.db", told=told, within_s=60.0)
    assert told.alarms


def test_twenty_clean_clicks_are_said_to_prove_what_they_prove(tmp_path: Path) -> None:
    record = once("healthy", tmp_path / "log.db", pattern=QUICK)
    drop_outs = judged(record, Characteristic.DROP_OUTS)
    assert drop_outs.verdict is Verdict.PASS
    # 1 - 0.05 ** (1 / 20), the exact one-sided 95 % bound for 0 of 20 (Clopper and Pearson 1934)
    assert record.fault_rate_upper_95 == pytest.approx(1 - 0.05 ** (1 / 20), rel=1e-9)
    assert drop_outs.does_not_prove == proof_of_clean_cycles(20)
    assert "20 clean cycles prove only that fewer than 13.9 %" in drop_outs.does_not_prove


def test_a_number_never_stands_without_its_unit(tmp_path: Path) -> None:
    record = once("healthy", tmp_path / "log.db")
    header, lines = features_table(record.cycles)
    counts = {"cycle", "missing_samples", "drop_outs"}
    units = {"s", "a", "v", "ohm", "c", "h", "rpm"}
    numbers = {
        name
        for place, name in enumerate(header)
        for line in lines
        if isinstance(line[place], int | float) and not isinstance(line[place], bool)
    }
    assert len(numbers) > 10
    assert {name for name in numbers - counts if name.rsplit("_", 1)[-1] not in units} == set()


def test_the_retest_never_overwrites_the_incoming_result(tmp_path: Path) -> None:
    log = tmp_path / "log.db"
    first = once("healthy", log, tag="A", stage=Stage.INCOMING)
    once("healthy", log, tag="A", stage=Stage.RETEST)
    with RunLog.open(log) as kept:
        assert [run.stage for run in kept.history("A")] == ["incoming", "retest"]
        assert kept.record(first.record_id) == first
        with pytest.raises(LogError, match="is in the log already"):
            kept.begin_run(first.record_id, first.plan, first.rig)
        kept.correct(first.record_id, "tag", "B", who="me", why="mistyped", at=first.ended_at)
        assert kept.record(first.record_id, corrected=False) == first  # the old word stays
        with kept.connect() as connection:
            for change in ("UPDATE run_end SET verdict = 'PASS'", "DELETE FROM run_end"):
                with pytest.raises(IntegrityError, match="append-only"):
                    connection.execute(text(change))


def test_nothing_is_judged_against_a_typical_value(tmp_path: Path) -> None:
    part = parts.load("demo-injector")
    usual = common(part.kind)
    assert usual is not None  # a typical value is known, and stays a hint
    record = once("healthy", tmp_path / "log.db", part=replace(part, limits=()))
    for name in (Characteristic.RESISTANCE_20C, Characteristic.CURRENT):
        found = judged(record, name)
        assert found.verdict is Verdict.NOT_ASSESSED
        assert found.limit is None
    assert record.verdict is Verdict.INCONCLUSIVE


def test_a_wrong_clock_on_the_bench_computer_changes_no_duration(tmp_path: Path) -> None:
    path = write_tray(tmp_path, '[[slot]]\noutput = 0\ntag = "A"\n')
    rig = write_scenario(tmp_path, {0: 14.5})

    def durations(record: RunRecord | None) -> tuple[Any, ...]:
        assert record is not None
        assert isinstance(record.made_safe, SafeEvidence)
        cycles = [(c.start_s, c.on_s) for c in record.cycles]
        return record.verdict, record.ending, cycles, record.made_safe.waited_s

    right = run(path, rig, tmp_path / "a.db").slots[0].record
    hours = itertools.count(23, -1)
    backwards = run(
        *(path, rig, tmp_path / "b.db"),
        stamp=lambda: f"2031-05-04T{next(hours) % 24:02d}:00:00.000+00:00",
    )
    wrong = backwards.slots[0].record
    assert wrong is not None
    assert wrong.ended_at < wrong.begun_at  # the clock did jump
    assert durations(wrong) == durations(right)


def test_every_tray_file_of_the_demonstration_reads(tmp_path: Path) -> None:
    from benchrig.cli.demo import ORDER, PATTERN, SLOT, TRAY

    (tmp_path / "demo-pattern.toml").write_text(PATTERN, encoding="utf-8")
    path = tmp_path / "tray.toml"
    slot = SLOT.format(output=0, number=1, position="1")
    path.write_text(TRAY.format(order=ORDER) + slot, encoding="utf-8")
    assert read_tray(path).slots[0].tag == "DEMO-01"
