"""The whole job on each scenario: verdict, ending, evidence and exit code."""

from __future__ import annotations

import asyncio
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from benchrig.bench.outcome import exit_code_for
from benchrig.errors import ExitCode, LogError, NotProvenSafe
from benchrig.judge.verdict import Verdict
from benchrig.measure.features import Cause
from benchrig.measure.samples import SampleBlock
from benchrig.parts.part import Characteristic
from benchrig.record.log import RunLog
from benchrig.record.values import (
    Ending,
    EventKind,
    NotProven,
    RunEvent,
    RunRecord,
    SafeEvidence,
    Stage,
)
from tests.bench_room.jobs import Told, plan_for, run_sim


def verdicts(record: RunRecord) -> dict[Characteristic, Verdict]:
    return {j.characteristic: j.verdict for j in record.characteristics}


@pytest.mark.parametrize(
    ("scenario", "verdict", "exit_code"),
    [
        ("healthy", Verdict.PASS, ExitCode.PASS),
        ("open", Verdict.FAIL, ExitCode.PART_FAILED),
        ("shorted-turns", Verdict.FAIL, ExitCode.PART_FAILED),
        ("stuck-armature", Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE),
        ("high-joint", Verdict.FAIL, ExitCode.PART_FAILED),
        ("over-range", Verdict.FAIL, ExitCode.PART_FAILED),
    ],
)
def test_a_scenario_ends_with_its_verdict(
    scenario: str, verdict: Verdict, exit_code: ExitCode, tmp_path: Path
) -> None:
    record = run_sim(scenario, tmp_path / "log.db")
    assert record.verdict is verdict
    assert exit_code_for(record) is exit_code
    assert isinstance(record.made_safe, SafeEvidence)
    assert not record.made_safe.feed_opened
    assert record.made_safe.residual_current_a < 0.02
    with RunLog.open(tmp_path / "log.db", read_only=True) as log:
        assert log.record(record.record_id) == record
        assert log.open_runs() == []


@pytest.mark.parametrize(
    "fault", ["supply-off@5.9s", "supply-off@5.9s,duration_s=0.002", "supply-off@5.9s,duration_s=2"]
)
def test_a_supply_that_fails_makes_no_good_part_a_bad_one(fault: str, tmp_path: Path) -> None:
    record = run_sim(f"healthy?fault={fault}", tmp_path / "log.db")
    assert record.verdict is Verdict.INCONCLUSIVE, [j.reason for j in record.characteristics]
    assert record.drop_outs == ()
    assert {drop.cause for c in record.cycles for drop in c.undriven} <= {
        Cause.SUPPLY,
        Cause.UNKNOWN,
    }
    assert any(drop.cause is Cause.SUPPLY for c in record.cycles for drop in c.undriven)
    assert any("catch diode: " in w or "catch diode (" in w for w in record.warnings)
    assert isinstance(record.made_safe, SafeEvidence)


def test_a_coil_that_opens_when_hot_fails_by_its_drop_outs(tmp_path: Path) -> None:
    from benchrig.patterns import library

    plan = plan_for(pattern=library.load("six-second"))
    record = run_sim("opens-when-hot", tmp_path / "log.db", plan=plan, scan_period_us=1000)
    assert verdicts(record)[Characteristic.RESISTANCE_20C] is Verdict.PASS
    assert verdicts(record)[Characteristic.DROP_OUTS] is Verdict.FAIL
    assert exit_code_for(record) is ExitCode.PART_FAILED
    temperatures = [d.winding_temperature_c for d in record.drop_outs if d.winding_temperature_c]
    assert temperatures
    assert min(temperatures) > 30.0


def test_a_welded_output_ends_by_opening_the_feed(tmp_path: Path) -> None:
    record = run_sim("welded-output", tmp_path / "log.db")
    assert isinstance(record.made_safe, SafeEvidence)
    assert record.made_safe.feed_opened
    assert record.ending is Ending.FAULT
    assert record.verdict is not Verdict.PASS
    assert exit_code_for(record) is ExitCode.RIG


def test_welded_output_and_feed_never_finish(tmp_path: Path) -> None:
    told = Told(declare_after=5)  # a declaration is not enough while the rig still answers
    with pytest.raises(TimeoutError):
        run_sim("welded-output-and-feed", tmp_path / "log.db", told=told, within_s=300.0)
    assert len(told.alarms) > 20
    alarm, shortfall = told.alarms[-1]
    assert "MAY BE LIVE" in alarm.message
    assert len(alarm.disconnect) == 3
    assert shortfall.last_current_a is not None
    assert shortfall.last_current_a > 0.5
    with RunLog.open(tmp_path / "log.db", read_only=True) as log:
        assert len(log.open_runs()) == 1  # not finished, and the next start knows


def test_a_lost_link_needs_a_declaration(tmp_path: Path) -> None:
    told = Told(declare_after=3)
    record = run_sim("link-lost", tmp_path / "log.db", told=told)
    assert isinstance(record.made_safe, NotProven)
    assert exit_code_for(record) is ExitCode.NOT_PROVEN_SAFE
    assert record.verdict is not Verdict.PASS
    assert record.ending is Ending.LINK_LOST


def test_dead_inputs_prove_nothing(tmp_path: Path) -> None:
    told = Told()
    with pytest.raises(TimeoutError):
        run_sim("adc-stuck", tmp_path / "log.db", told=told, within_s=60.0)
    assert "live zero" in told.alarms[-1][1].reason


def test_a_part_that_gets_no_voltage_is_not_cycled_to_the_end(tmp_path: Path) -> None:
    """A fuse that blew, or a supply that was switched off, in the middle of a run."""
    record = run_sim("healthy?fault=supply-off@5.9s", tmp_path / "log.db")
    assert record.ending is Ending.FAULT
    assert "neither voltage nor current answers" in record.ending_reason
    assert (record.cycles_done, record.cycles_planned) == (5, 6)
    assert isinstance(record.made_safe, SafeEvidence)
    opened = run_sim("healthy?fault=part-open@7s", tmp_path / "log.db")
    assert opened.ending is Ending.COMPLETE, "an open part is a finding, and has its voltage"


def test_no_temperature_means_resistance_is_not_assessed(tmp_path: Path) -> None:
    record = run_sim("healthy", tmp_path / "log.db", plan=plan_for(temperature=None))
    assert verdicts(record)[Characteristic.RESISTANCE_20C] is Verdict.NOT_ASSESSED
    assert record.cold.resistance_20c_ohm is None
    assert all(cycle.winding_temperature_c is None for cycle in record.cycles)


@pytest.mark.parametrize("after_s", [0.3, 0.9, 1.5, 3.3, 12.0, 13.5])
def test_an_interrupt_at_any_moment_ends_made_safe(after_s: float, tmp_path: Path) -> None:
    def interrupt(task: asyncio.Task[RunRecord]) -> None:
        for again in range(3):  # three times, as an impatient person would
            asyncio.get_running_loop().call_later(after_s + 0.1 * again, task.cancel)

    record = run_sim("healthy", tmp_path / "log.db", meddle=interrupt)
    assert record.ending is Ending.INTERRUPTED
    assert isinstance(record.made_safe, SafeEvidence)
    assert exit_code_for(record) is ExitCode.INTERRUPTED
    assert record.verdict is not Verdict.PASS


@pytest.mark.parametrize("moment", [EventKind.SAFE, EventKind.ENDED])
def test_an_interrupt_after_the_evidence_loses_nothing(moment: EventKind, tmp_path: Path) -> None:
    tasks: list[asyncio.Task[RunRecord]] = []

    class Impatient:
        essential = False
        failure = None

        def accept(self, event: RunEvent) -> None:
            if event.kind is moment:
                tasks[0].cancel()

        def add_block(self, block: SampleBlock) -> None:
            del block

    record = run_sim("healthy", tmp_path / "log.db", sinks=(Impatient(),), meddle=tasks.append)
    assert record.verdict is Verdict.PASS
    assert tasks[0].cancelled() is False
    with RunLog.open(tmp_path / "log.db", read_only=True) as log:
        assert log.record(record.record_id) == record
        assert log.open_runs() == []


def test_a_screen_is_told_five_times_a_second_while_it_cycles(tmp_path: Path) -> None:
    told: list[RunEvent] = []

    class Screen:
        essential = False
        failure = None

        def accept(self, event: RunEvent) -> None:
            told.append(event)

        def add_block(self, block: SampleBlock) -> None:
            del block

    record = run_sim("healthy", tmp_path / "log.db", sinks=(Screen(),))
    live = [event for event in told if event.kind is EventKind.LIVE]
    apart = np.diff([event.at_s for event in live])
    assert apart.min() > 0.15
    assert apart.max() < 0.45
    assert len(live) / (live[-1].at_s - live[0].at_s) == pytest.approx(5.0, abs=0.5)
    assert {event.data["on"] for event in live} == {True, False}
    usual_a = record.cycles[0].current_a
    assert usual_a is not None
    assert max(event.data["current_a"] for event in live) == pytest.approx(usual_a.value, rel=0.1)


def test_an_interrupt_before_the_run_leaves_nothing_behind(tmp_path: Path) -> None:
    def interrupt(task: asyncio.Task[RunRecord]) -> None:
        asyncio.get_running_loop().call_later(0.02, task.cancel)

    with pytest.raises(asyncio.CancelledError):
        run_sim("healthy", tmp_path / "log.db", meddle=interrupt)
    with RunLog.open(tmp_path / "log.db", read_only=True) as log:
        assert log.open_runs() == []


def test_a_run_left_open_is_closed_with_evidence_at_the_next_start(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    with pytest.raises(TimeoutError):
        run_sim("welded-output-and-feed", path, told=Told(), within_s=60.0)
    with RunLog.open(path, read_only=True) as log:
        left = log.open_runs()[0]
    record = run_sim("healthy", path)  # the same rig, repaired
    assert record.verdict is Verdict.PASS
    assert record.rig.unique_id == left.rig_unique_id
    with RunLog.open(path, read_only=True) as log:
        assert log.open_runs() == []
        closed = log.record(left.record_id)
    assert closed.ending is Ending.FOUND_OPEN
    assert isinstance(closed.made_safe, SafeEvidence)
    assert closed.verdict is Verdict.INCONCLUSIVE


def test_a_run_left_open_whose_rig_vanishes_stays_open_and_is_said_loudly(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    first = run_sim("healthy", path)
    with RunLog.open(path) as log:
        log.begin_run("20310504-090000-0009", first.plan, first.rig)
    told = Told(declare_after=1)
    with pytest.raises(NotProvenSafe, match="20310504-090000-0009 was left open") as caught:
        run_sim("healthy?fault=unplug@0.2s", path, told=told)
    assert caught.value.exit_code is ExitCode.NOT_PROVEN_SAFE
    assert caught.value.disconnect
    with RunLog.open(path, read_only=True) as log:
        assert [run.record_id for run in log.open_runs()] == ["20310504-090000-0009"]


def test_a_log_that_cannot_be_read_leaves_no_run_open(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unreadable(*_: object, **__: object) -> None:
        raise LogError("the disk is on fire")

    monkeypatch.setattr("benchrig.bench.job.look_up", unreadable)
    with pytest.raises(LogError):
        run_sim("healthy", tmp_path / "log.db")
    with RunLog.open(tmp_path / "log.db", read_only=True) as log:
        assert log.open_runs() == []


def test_what_was_typed_stands_in_the_record_as_typed(tmp_path: Path) -> None:
    plan = plan_for(
        tag="K-0007",
        position="3",
        position_scheme="cylinder number",
        order="K-1042",
        stage=Stage.INCOMING,
        note="<b>ticks when warm</b>",
    )
    record = run_sim("healthy", tmp_path / "log.db", plan=plan)
    with RunLog.open(tmp_path / "log.db", read_only=True) as log:
        kept = log.history("K-0007")
        assert [run.record_id for run in kept] == [record.record_id]
        assert log.record(record.record_id).plan == plan


@pytest.mark.parametrize(
    ("insulation_ohm", "verdict"),
    [(50e6, Verdict.PASS), (0.2e6, Verdict.FAIL), (1e12, Verdict.PASS)],
)
def test_insulation_is_read_with_the_body_clip_on_and_never_guessed_without(
    insulation_ohm: float, verdict: Verdict, tmp_path: Path
) -> None:
    text = resources.files("benchrig_sim").joinpath("scenarios", "healthy.toml").read_text("utf-8")
    scenario = tmp_path / "leaky.toml"
    scenario.write_text(
        text.replace("[part.coil]", f"insulation_ohm = {insulation_ohm}\n[part.coil]", 1), "utf-8"
    )
    with_clip = run_sim(str(scenario), tmp_path / "log.db", plan=plan_for(body_clip=True))
    assert verdicts(with_clip)[Characteristic.INSULATION] is verdict
    found = with_clip.cold.insulation_ohm
    if found is not None:
        assert abs(found.value - insulation_ohm) <= 2.5 * found.std_uncertainty
    else:
        least, most = with_clip.cold.insulation_at_least_ohm, with_clip.cold.insulation_at_most_ohm
        assert (least is None) is not (most is None)
        assert least is None or least < insulation_ohm
        assert most is None or most > insulation_ohm
    without = run_sim(str(scenario), tmp_path / "log.db")
    assert verdicts(without)[Characteristic.INSULATION] is Verdict.NOT_ASSESSED


@pytest.mark.parametrize(
    ("scenario", "verdict"), [("pump-healthy", Verdict.PASS), ("pump-seized", Verdict.FAIL)]
)
def test_a_pump_is_judged_by_its_current_and_speed(
    scenario: str, verdict: Verdict, tmp_path: Path
) -> None:
    from benchrig.patterns import library

    plan = plan_for("demo-fuel-pump", library.load("pump-spin"), fluid_confirmed=True)
    record = run_sim(scenario, tmp_path / "log.db", plan=plan)
    assert record.verdict is verdict
    ripple = record.cycles[0].ripple
    assert ripple is not None
    assert ripple.assessed is (verdict is Verdict.PASS)
