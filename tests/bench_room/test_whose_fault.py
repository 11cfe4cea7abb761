"""Whose fault it was, on whole runs of the simulated rig, against the truth of what was broken."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchrig.bench.outcome import exit_code_for
from benchrig.errors import ExitCode
from benchrig.judge.verdict import Judged, Verdict
from benchrig.measure.features import Cause, DropOut
from benchrig.parts.part import Characteristic
from benchrig.record.values import RunRecord
from tests.bench_room.jobs import SHORT, plan_for, run_sim


def all_drop_outs(record: RunRecord) -> list[DropOut]:
    return [drop for cycle in record.cycles for drop in cycle.all_drop_outs]


def judged(record: RunRecord, characteristic: Characteristic) -> Judged:
    return next(j for j in record.characteristics if j.characteristic is characteristic)


@pytest.mark.parametrize("seed", [1, 5])
def test_gaps_of_the_parts_own_joint_are_the_parts(seed: int, tmp_path: Path) -> None:
    fault = "intermittent,value=0.7,duration_s=0.008"
    record = run_sim(f"healthy?seed={seed}&fault={fault}", tmp_path / "log.db")
    found = all_drop_outs(record)
    assert found
    assert {drop.cause for drop in found} <= {Cause.PART, Cause.UNKNOWN}
    assert sum(drop.cause is Cause.PART for drop in found) > len(found) / 2
    assert record.verdict is Verdict.FAIL
    assert exit_code_for(record) is ExitCode.PART_FAILED
    assert "V stood at the part while its current was gone" in record.drop_outs[0].why


@pytest.mark.parametrize(
    ("place", "cause"),
    [
        ("lead", Cause.LEAD),
        ("supply", Cause.SUPPLY),
        ("feed", Cause.SUPPLY),
        ("switch", Cause.RIG),
    ],
)
def test_a_gap_elsewhere_is_nobodys_fault_but_its_own(
    place: str, cause: Cause, tmp_path: Path
) -> None:
    scenario = f"healthy?fault=break@5.7s,duration_s=0.005,place={place}"
    record = run_sim(scenario, tmp_path / "log.db")
    assert record.drop_outs == ()
    assert [drop.cause for drop in all_drop_outs(record)] == [cause]
    assert record.verdict is Verdict.INCONCLUSIVE
    assert "the current was gone for" in record.verdict_reason


def test_a_part_that_shorts_under_power_fails_and_the_rig_is_not_blamed(tmp_path: Path) -> None:
    plan = plan_for(pattern=replace(SHORT, repeats=10))
    record = run_sim("healthy?fault=part-shorted@cycle9", tmp_path / "log.db", plan=plan)
    assert record.verdict is Verdict.FAIL
    assert exit_code_for(record) is ExitCode.PART_FAILED
    found = judged(record, Characteristic.CURRENT)
    assert "drew more than 8 A in cycle 8" in found.reason
    assert "clips" in found.reason
    assert "leads" in found.reason


@pytest.mark.parametrize("limit_a", [0.5, 0.75])
def test_a_supply_in_its_current_limit_gives_no_false_numbers(
    limit_a: float, tmp_path: Path
) -> None:
    record = run_sim(f"healthy?fault=supply-limit,value={limit_a}", tmp_path / "log.db")
    assert record.verdict is Verdict.INCONCLUSIVE
    assert "the supply holds the current" in record.verdict_reason
    assert "set its current limit higher" in record.verdict_reason
    names = {j.characteristic for j in record.characteristics if j.measured is not None}
    assert not names & {Characteristic.INDUCTANCE, Characteristic.TIME_CONSTANT}


def test_a_limit_reached_within_a_few_samples_gives_no_false_numbers_either(
    tmp_path: Path,
) -> None:
    """At 0.4 A the way there is too short to tell a limit from a lost voltage."""
    record = run_sim("healthy?fault=supply-limit,value=0.4", tmp_path / "log.db")
    assert record.verdict is Verdict.INCONCLUSIVE
    names = {j.characteristic for j in record.characteristics if j.measured is not None}
    assert not names & {Characteristic.INDUCTANCE, Characteristic.TIME_CONSTANT}


def test_a_thin_lead_is_no_current_limit(tmp_path: Path) -> None:
    from importlib.resources import files

    text = (files("benchrig_sim") / "scenarios" / "healthy.toml").read_text("utf-8")
    path = tmp_path / "thin.toml"
    path.write_text(f"{text}\n[bench]\nsupply_ohm = 2.0\n", "utf-8")
    record = run_sim(str(path), tmp_path / "log.db")
    assert record.verdict is Verdict.PASS
    assert record.cycles[0].drive == ""


def test_a_limit_that_was_not_judged_is_no_pass_unless_left_out_aloud(tmp_path: Path) -> None:
    silent = run_sim("healthy", tmp_path / "a.db", plan=plan_for(temperature=None))
    assert silent.verdict is Verdict.INCONCLUSIVE
    assert exit_code_for(silent) is ExitCode.INCONCLUSIVE
    assert "resistance was not judged" in silent.verdict_reason
    left_out = (Characteristic.RESISTANCE_20C,)
    aloud = run_sim("healthy", tmp_path / "b.db", plan=plan_for(temperature=None, without=left_out))
    assert aloud.verdict is Verdict.PASS
    assert aloud.headline == "PASS; without resistance, insulation"


def test_an_open_coil_is_told_once(tmp_path: Path) -> None:
    record = run_sim("healthy?fault=part-open@cycle3", tmp_path / "log.db")
    failed = [j.characteristic for j in record.characteristics if j.verdict is Verdict.FAIL]
    assert failed == [Characteristic.DROP_OUTS]
