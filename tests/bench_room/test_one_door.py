"""A record judged again from its log by the same version says what it said, in every word."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchrig.bench.replay import analyse_again, judge_again, stored_run
from benchrig.judge.evidence import Judgement
from benchrig.judge.verdict import Verdict
from benchrig.parts import library as parts
from benchrig.parts.part import Characteristic, Part, PartKind
from benchrig.quantity import Measured
from benchrig.record.entries import LeadNullEntry
from benchrig.record.log import RunLog
from benchrig.record.values import RunRecord
from tests.bench_room.jobs import SHORT, Told, plan_for, run_sim
from tests.bench_room.trays import COIL

PUMP = plan_for("demo-fuel-pump", replace(SHORT, repeats=1), fluid_confirmed=True)
ENDLESS = {"welded-output-and-feed", "adc-stuck"}  # no record comes of it
SCENARIOS = sorted(
    path.stem
    for path in (Path(__file__).parents[2] / "sims/benchrig_sim/scenarios").glob("*.toml")
    if path.stem not in ENDLESS
)


def again(log_path: Path, record: RunRecord) -> tuple[RunRecord, Judgement]:
    """The record by the same rules, from its samples."""
    with RunLog.open(log_path, read_only=True) as log:
        stored = stored_run(log, record.record_id)
    return judge_again(stored, analyse_again(stored))


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_a_record_judged_again_is_the_record(scenario: str, tmp_path: Path) -> None:
    plan = PUMP if scenario.startswith("pump") else plan_for()
    record = run_sim(scenario, tmp_path / "log.db", plan=plan, told=Told(declare_after=3))
    now, judgement = again(tmp_path / "log.db", record)
    assert now == record
    assert record.warnings[len(record.warnings) - len(judgement.warnings) :] == judgement.warnings
    assert record.verdict_reason


def four_ohm_part() -> Part:
    """Four ohm, where the leads decide, and able to bear a moment of full voltage."""
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


@pytest.mark.parametrize(("hour", "judged"), [("09", True), ("01", False)])
def test_a_lead_null_is_as_old_when_judged_again(hour: str, judged: bool, tmp_path: Path) -> None:
    """4.1 ohm on two wires, 4.01 of them the coil: an old null is as old a day later."""
    scenario = tmp_path / "one.toml"
    coil = f'[[part]]\noutput = 0\nname = "one"\nlead_ohm = 0.05\n{COIL.format(ohm=4.01)}'
    scenario.write_text(f'title = "invented"\n[bench]\nfour_wire = false\n{coil}', "utf-8")
    null = LeadNullEntry(
        at=f"2031-05-04T{hour}:30:00.000+00:00",
        who="",
        rig_unique_id=f"{0x51_0000_0001:016x}",
        output=None,
        resistance_ohm=Measured(value=0.09, std_uncertainty=0.005, unit="ohm"),
    )
    with RunLog.open(tmp_path / "log.db") as log:
        log.add(null)
    plan = replace(plan_for(pattern=replace(SHORT, repeats=3)), part=four_ohm_part())
    record = run_sim(str(scenario), tmp_path / "log.db", plan=plan)
    now, _ = again(tmp_path / "log.db", record)
    assert now == record
    assert record.rig.lead_null_ohm == null.resistance_ohm
    found = {j.characteristic: j for j in record.characteristics}[Characteristic.RESISTANCE_20C]
    assert (found.verdict is Verdict.NOT_ASSESSED) is not judged
    assert judged or "null" in found.reason
