"""Ways a run can go wrong from inside, and the one way out."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.bench.outcome import exit_code_for
from benchrig.bench.replay import analyse_again, stored_run
from benchrig.errors import ExitCode, LinkError
from benchrig.judge.verdict import Verdict
from benchrig.measure.cycles import CycleAnalyser
from benchrig.measure.samples import SampleBlock
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, NotProven, RunEvent, RunRecord, SafeEvidence
from benchrig_sim.link import SimLink
from tests.bench_room.jobs import Told, plan_for, run_sim


def only_record(path: Path) -> RunRecord:
    with RunLog.open(path, read_only=True) as log:
        assert log.open_runs() == []
        (summary,) = log.list_runs()
        return log.record(summary.record_id)


def test_a_mistake_in_the_analysis_ends_safe_and_is_raised(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(self: CycleAnalyser, block: SampleBlock) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(CycleAnalyser, "add_block", broken)
    with pytest.raises(ZeroDivisionError):
        run_sim("healthy", tmp_path / "log.db")
    record = only_record(tmp_path / "log.db")
    assert isinstance(record.made_safe, SafeEvidence)
    assert record.ending is Ending.FAULT
    assert "ZeroDivisionError" in record.ending_reason
    assert record.verdict is not Verdict.PASS


class FailingSink:
    essential = False
    failure: Exception | None = None

    def accept(self, event: RunEvent) -> None:
        raise OSError("the broker is on fire")

    def add_block(self, block: SampleBlock) -> None:
        raise OSError("the broker is on fire")


def test_a_failing_sink_changes_nothing_but_a_warning(tmp_path: Path) -> None:
    record = run_sim("healthy", tmp_path / "log.db", sinks=[FailingSink()])
    assert record.verdict is Verdict.PASS
    assert [w for w in record.warnings if "FailingSink" in w]


class FailingLog(FailingSink):
    essential = True


def test_a_log_that_fails_ends_the_run_safely(tmp_path: Path) -> None:
    record = run_sim("healthy", tmp_path / "log.db", sinks=[FailingLog()])
    assert isinstance(record.made_safe, SafeEvidence)
    assert record.ending is Ending.FAULT
    assert "log" in record.ending_reason
    assert record.verdict is not Verdict.PASS


@pytest.mark.parametrize("fault", ["reset@cycle3", "brown-out@cycle2,duration_s=0.3"])
def test_a_rig_that_restarts_ends_the_run_with_evidence(fault: str, tmp_path: Path) -> None:
    record = run_sim(f"healthy?fault={fault}", tmp_path / "log.db")
    assert isinstance(record.made_safe, SafeEvidence)
    assert exit_code_for(record) is ExitCode.RIG
    assert record.verdict is not Verdict.PASS


def test_a_rig_plugged_in_again_is_looked_at_and_not_resumed(tmp_path: Path) -> None:
    told = Told()
    record = run_sim("healthy?fault=unplug@cycle2,duration_s=5", tmp_path / "log.db", told=told)
    assert told.alarms  # while it was away somebody was told what to disconnect
    assert isinstance(record.made_safe, SafeEvidence)
    assert record.ending is Ending.LINK_LOST
    assert record.cycles_done < record.cycles_planned
    assert exit_code_for(record) is ExitCode.RIG


class LooseCable(SimLink):
    """Opens, and then no answer comes any more; the port itself stays."""

    asks = 0

    def ask(self, data: bytes) -> bytes:
        self.asks += 1
        come = super().ask(data)
        return come if self.asks < 25 else b""


def test_a_link_lost_twice_is_opened_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A port is held exclusively: what still holds it from the second look bars the third."""
    links: list[SimLink] = []
    truly_again = SimLink.again

    def again(self: SimLink) -> SimLink:
        if any(not link._closed for link in links):
            raise LinkError("the port is in use by another program")
        truly_again(self)
        links.append((SimLink if links else LooseCable)(self.rig, "again"))
        return links[-1]

    monkeypatch.setattr(SimLink, "again", again)
    fault = "healthy?fault=unplug@cycle2,duration_s=1"
    record = run_sim(fault, tmp_path / "log.db", within_s=120.0)
    assert [type(link) for link in links] == [LooseCable, SimLink]
    assert isinstance(record.made_safe, SafeEvidence)
    assert all(link._closed for link in links)


def test_a_declaration_counts_only_when_the_link_is_gone(tmp_path: Path) -> None:
    told = Told(declare_after=2)
    record = run_sim("healthy?fault=unplug@cycle2", tmp_path / "log.db", told=told)
    assert isinstance(record.made_safe, NotProven)
    assert record.made_safe.declared
    assert all(shortfall.link_gone for _, shortfall in told.alarms)


def test_a_run_that_was_long_in_being_made_safe_is_read_again_as_it_was(tmp_path: Path) -> None:
    """Each look at the part is a stream of its own, and the streams' numbers wrap."""
    welded = "welded-output@cycle3&fault=welded-feed@cycle3&fault=unplug@60s"
    told = Told(declare_after=1)
    record = run_sim(f"healthy?fault={welded}", tmp_path / "log.db", told=told)
    assert isinstance(record.made_safe, NotProven)
    assert len(told.alarms) > 20
    with RunLog.open(tmp_path / "log.db", read_only=True) as log:
        stored = stored_run(log, record.record_id)
        last = stored.edges[-1][0]
        assert {len(block.inputs) for block in stored.blocks} == {2}
        assert all(
            block.tick * stored.tick_s < last * stored.tick_s + 2.0 for block in stored.blocks
        )
        assert [c.cycle for c in analyse_again(stored)] == [c.cycle for c in record.cycles]


def test_a_feed_that_is_stuck_closed_is_never_off_by_the_inputs_alone(tmp_path: Path) -> None:
    """Nothing but the supply could show them alive, and that lies behind one switch."""
    told, fault = Told(), "healthy?fault=welded-feed@cycle3&fault=supply-off@20s"
    with pytest.raises(TimeoutError):
        run_sim(fault, tmp_path / "log.db", told=told, within_s=60.0)
    assert "stuck closed" in told.alarms[0][1].reason
    assert "stuck closed" in told.alarms[-1][1].reason


# Part voltage, its fine range, and both of current: each as it stands at no input, but stuck.
DEAD = "&fault=".join(f"input-stuck@cycle3,input={number}" for number in (1, 2, 3, 4))
LIVE = f"{DEAD}&fault=welded-output@cycle3&fault=welded-feed@cycle3"


def test_dead_inputs_prove_nothing_to_a_link_that_was_opened_again(tmp_path: Path) -> None:
    told, fault = Told(), f"healthy?fault={LIVE}&fault=unplug@5.5s,duration_s=2"
    with pytest.raises(TimeoutError):
        run_sim(fault, tmp_path / "log.db", told=told, within_s=30.0)
    assert "stuck closed" in told.alarms[-1][1].reason
    assert not told.alarms[-1][1].link_gone


def test_dead_inputs_prove_nothing_to_the_next_start(tmp_path: Path) -> None:
    path, told = tmp_path / "log.db", Told()
    with RunLog.open(path) as log:
        log.begin_run("20310504-090000-0009", plan_for(), run_sim("healthy", path).rig)
    dead = DEAD.replace("@cycle3", "")
    with pytest.raises(TimeoutError):
        run_sim(f"healthy?fault={dead}", path, told=told, within_s=30.0)
    assert "no input answered the low-current source" in told.alarms[-1][1].reason
    with RunLog.open(path, read_only=True) as log:
        assert [run.record_id for run in log.open_runs()] == ["20310504-090000-0009"]


def test_a_rig_plugged_in_again_without_its_supply_is_shown_to_be_off(tmp_path: Path) -> None:
    fault = "healthy?fault=unplug@5.5s,duration_s=2&fault=supply-off@6s"
    record = run_sim(fault, tmp_path / "log.db", within_s=60.0)
    assert isinstance(record.made_safe, SafeEvidence)
    assert "answered the low-current source" in record.made_safe.inputs_alive
