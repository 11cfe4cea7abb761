"""The run log: what goes in comes out, nothing can be changed, and open runs are found."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest

from benchrig.errors import LogError, UsageError
from benchrig.measure.samples import SampleBlock
from benchrig.record.entries import CalibrationEntry, FlowEntry, LeadNullEntry
from benchrig.record.log import RunLog
from benchrig.record.read import Filters
from benchrig.record.schema import TABLES
from benchrig.record.values import Ending, EventKind, Stage
from benchrig.record.verify import verify
from tests.record import made


def same_blocks(one: list[SampleBlock], other: list[SampleBlock]) -> bool:
    return len(one) == len(other) and all(
        (a.stream, a.block, a.tick, a.inputs, a.scan_period_ticks)
        == (b.stream, b.block, b.tick, b.inputs, b.scan_period_ticks)
        and np.array_equal(a.codes, b.codes)
        for a, b in zip(one, other, strict=True)
    )


def keep(log: RunLog, record_id: str, tag: str = "T-1", blocks: int = 20) -> None:
    log.begin_run(record_id, made.plan(tag), made.rig())
    writer = log.writer(record_id)
    writer.set_scales((made.scale(1), made.scale(3)), 500)
    for number in range(blocks):
        writer.add_block(made.block(number))
        writer.accept(made.event(number))
    writer.finish(made.record(record_id, tag=tag))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "runs.db"


def test_a_run_comes_back_as_it_was(path: Path) -> None:
    record = made.record()
    with RunLog.open(path) as log:
        keep(log, record.record_id)
    with RunLog.open(path) as log:
        assert log.record(record.record_id) == record
        assert log.cycles(record.record_id) == record.cycles
        blocks = list(log.samples(record.record_id))
        assert same_blocks(blocks, [made.block(n) for n in range(20)])
        assert log.events(record.record_id) == [made.event(n) for n in range(20)]
        (scales,) = log.scales(record.record_id)
        assert scales.scales == (made.scale(1), made.scale(3))
        assert scales.tick_ns == 500
        assert verify(log) == []


def test_merged_samples_are_the_same_codes_with_gaps_kept(path: Path) -> None:
    numbers = [0, 1, 2, 5, 6]
    with RunLog.open(path) as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        for number in numbers:
            writer.add_block(made.block(number))
        writer.flush()
        merged = list(log.samples("a", merged=True))
        writer.close()
    assert [b.block for b in merged] == [0, 5]
    codes = np.concatenate([made.block(n).codes for n in numbers])
    assert np.array_equal(np.concatenate([b.codes for b in merged]), codes)
    assert merged[1].tick == made.block(5).tick


def test_live_events_are_not_kept(path: Path) -> None:
    with RunLog.open(path) as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        writer.accept(made.event(1, EventKind.LIVE))
        writer.accept(made.event(2, EventKind.CYCLE))
        writer.close()
        assert [e.kind for e in log.events("a")] == [EventKind.CYCLE]


def test_an_open_run_is_found_and_closed_with_evidence(path: Path) -> None:
    with RunLog.open(path) as log:
        keep(log, "closed")
        log.begin_run("open", made.plan("T-2"), made.rig())
        writer = log.writer("open")
        writer.accept(made.event(1, EventKind.CYCLE))
        writer.close()
        assert [r.record_id for r in log.open_runs(made.RIG_ID)] == ["open"]
        assert log.open_runs(made.RIG_ID)[0].plan == made.plan("T-2")
        assert log.open_runs("another rig") == []
        closed = log.close_found_open("open", made.evidence(), "2026-01-02T03:04:05")
        assert closed.ending is Ending.FOUND_OPEN
        assert closed.cycles_done == 1
        assert log.open_runs() == []
        assert log.record("open") == closed
        assert verify(log) == []
        with pytest.raises(LogError, match="no open run"):
            log.close_found_open("open", made.NOT_PROVEN, "2026-01-02T03:04:05")


def test_closing_the_log_commits_what_its_writers_hold(path: Path) -> None:
    with RunLog.open(path) as log:
        log.begin_run("a", made.plan(), made.rig())
        log.writer("a").add_block(made.block(1))
    with RunLog.open(path) as log:
        assert len(list(log.samples("a"))) == 1


def test_a_record_is_never_replaced(path: Path) -> None:
    with RunLog.open(path) as log:
        keep(log, "a")
        with pytest.raises(LogError, match="already"):
            log.begin_run("a", made.plan(), made.rig())
        with pytest.raises(LogError, match="closed"):
            log.writer("a")


def test_the_tables_refuse_update_and_delete(path: Path) -> None:
    with RunLog.open(path) as log:
        keep(log, "a")
        log.correct("a", "tag", "T-9", who="me", why="misread", at="2026-01-03")
    connection = sqlite3.connect(path)
    for table in TABLES:
        assert connection.execute(f"SELECT count(*) FROM {table.name}").fetchone()[0] > 0
        column = table.columns.keys()[0]
        for statement in (f"UPDATE {table.name} SET {column}={column}", f"DELETE FROM {table}"):
            with pytest.raises(sqlite3.DatabaseError, match="append-only"):
                connection.execute(statement)
    connection.close()


def test_history_follows_corrections_and_keeps_the_old_word(path: Path) -> None:
    with RunLog.open(path) as log:
        keep(log, "20260101-000000-0001", "T-1", 1)
        keep(log, "20260102-000000-0002", "T-1", 1)
        keep(log, "20260103-000000-0003", "T-2", 1)
        log.correct("20260103-000000-0003", "tag", "T-1", who="me", why="misread", at="x")
        log.correct("20260101-000000-0001", "tag", "T-3", who="me", why="misread", at="x")
        log.correct("20260102-000000-0002", "stage", "retest", who="me", why="wrong", at="x")
        found = log.history("T-1")
        assert [r.record_id[-4:] for r in found] == ["0002", "0003"]
        assert [r.corrected for r in found] == [("stage",), ("tag",)]
        assert found[0].values["resistance_20c_ohm"].value == 12.1
        assert [r.record_id[-4:] for r in log.history("T-3")] == ["0001"]
        assert log.history("T-2") == []
        assert [r.record_id[-4:] for r in log.list_runs(Filters(stage="retest"))] == ["0002"]
        assert log.record("20260103-000000-0003").plan.tag == "T-1"
        assert log.record("20260103-000000-0003", corrected=False).plan.tag == "T-2"
        assert log.record("20260102-000000-0002").plan.stage is Stage.RETEST
        (correction,) = log.corrections("20260103-000000-0003")
        assert (correction.old, correction.new, correction.why) == ("T-2", "T-1", "misread")
        assert verify(log) == []


def test_what_was_corrected_away_hides_nothing_older(path: Path) -> None:
    """The newest runs of a tag may all belong to another; the limit counts what is shown."""
    with RunLog.open(path) as log:
        for n in range(1, 7):
            keep(log, f"2026010{n}-000000-000{n}", "T-1", 1)
        for n in (4, 5, 6):
            log.correct(f"2026010{n}-000000-000{n}", "tag", "T-9", who="me", why="mixed", at="x")
        shown = log.list_runs(Filters(tag="T-1"), limit=2)
        assert [r.record_id[-1] for r in shown] == ["3", "2"]
        assert [r.record_id[-1] for r in log.list_runs(Filters(tag="T-9"), limit=2)] == ["6", "5"]
        assert [r.record_id[-1] for r in log.history("T-1", limit=2)] == ["2", "3"]


def test_many_corrections_hide_no_run(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchrig.record.read._IDS_AT_ONCE", 3)
    with RunLog.open(path) as log:
        for n in range(1, 8):
            keep(log, f"2026010{n}-000000-000{n}", f"T-{n}", 1)
            log.correct(
                f"2026010{n}-000000-000{n}", "order", f"O-{n % 2}", who="me", why="missing", at="x"
            )
        assert len(log.list_runs(Filters(order="O-1"))) == 4
        assert len(log.list_runs(Filters(order="O-0"))) == 3


def test_a_day_counts_whole(path: Path) -> None:
    with RunLog.open(path) as log:
        for n in range(1, 4):
            keep(log, f"2026010{n}-000000-000{n}", "T-1", 1)
        begun = [run.begun_at for run in log.list_runs()][::-1]
        assert [stamp[:10] for stamp in begun] == ["2026-01-01", "2026-01-02", "2026-01-03"]
        days = Filters(since="2026-01-02", until="2026-01-02")
        assert [run.record_id[-1] for run in log.list_runs(days)] == ["2"]
        assert [r.record_id[-1] for r in log.list_runs(Filters(until="2026-01-02"))] == ["2", "1"]


def test_a_measured_number_is_never_corrected(path: Path) -> None:
    with RunLog.open(path) as log:
        keep(log, "a", blocks=1)
        for field in ("verdict", "output", "part", "record_id"):
            with pytest.raises(UsageError, match="cannot be corrected"):
                log.correct("a", field, "x", who="me", why="because", at="x")
        with pytest.raises(UsageError, match="who"):
            log.correct("a", "tag", "x", who=" ", why="because", at="x")


def test_lists_filter_and_stop_at_the_limit(path: Path) -> None:
    with RunLog.open(path) as log:
        for n in range(5):
            keep(log, f"2026010{n + 1}-000000-0000", f"T-{n % 2}", 1)
        assert [r.tag for r in log.list_runs(limit=2)] == ["T-0", "T-1"]
        assert len(log.list_runs(Filters(order="N-7"))) == 5
        assert log.list_runs(Filters(order="other")) == []
        since = log.list_runs(Filters(since="2026-01-02", until="2026-01-04T23"))
        assert [r.begun_at[8:10] for r in since] == ["04", "03", "02"]
        assert len(log.list_runs(Filters(verdict="PASS", part="marsh-purge"))) == 5


def test_entries_come_back_by_what_they_are_about(path: Path) -> None:
    flow = FlowEntry(at="1", who="me", tag="T-1", stage="incoming", static_flow_cc_per_min=180.0)
    calibration = CalibrationEntry(
        at="2",
        who="me",
        rig_unique_id=made.RIG_ID,
        input=3,
        gain=1.01,
        offset=0.001,
        gain_rel_uncertainty=0.002,
        offset_uncertainty=1e-4,
        date="2026-01-01",
        expires="2027-01-01",
        reference="1 ohm, 0.1 %",
    )
    null = LeadNullEntry(
        at="3",
        who="me",
        rig_unique_id="other",
        output=None,
        resistance_ohm=made.measured(0.04, "ohm", 0.002),
    )
    with RunLog.open(path) as log:
        for entry in (flow, calibration, null):
            log.add(entry)
        assert log.entries(FlowEntry, tag="T-1") == [flow]
        assert log.entries(FlowEntry, tag="T-2") == []
        assert log.entries(CalibrationEntry, rig_unique_id=made.RIG_ID) == [calibration]
        assert log.entries(LeadNullEntry) == [null]
        assert verify(log) == []
