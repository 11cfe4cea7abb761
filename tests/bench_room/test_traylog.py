"""A tray as the log knows it: which record a slot is shown with when there is more than one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchrig.bench.trayfile import read_tray
from benchrig.bench.traylog import entry_of, finished_slots, records_of, trays_of
from benchrig.judge.verdict import Verdict
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, RunRecord, Stage
from tests.bench_room.trays import NOW, slots_of, write_tray
from tests.record import made


@pytest.fixture
def log(tmp_path: Path) -> Any:
    with RunLog.open(tmp_path / "log.db") as opened:
        yield opened


def keep(log: RunLog, number: int, **changes: Any) -> RunRecord:
    """A made-up record of slot 1 of the tray "tray"."""
    plan = made.plan(tag="K-2031-01", order="K-2031", stage=Stage.INCOMING)
    plan = replace(plan, tray="tray", output=0, position="1")
    record = made.record(f"20310504-1000{number:02d}-0000", run_plan=plan)
    if changes:
        changes["verdict"] = Verdict.INCONCLUSIVE
    record = replace(record, begun_at=f"2031-05-04T10:00:{number:02d}", **changes)
    log.begin_run(record.record_id, plan, record.rig)
    log.writer(record.record_id).finish(record)
    return record


def laid_out(log: RunLog, tmp_path: Path, count: int = 2) -> Any:
    tray = read_tray(write_tray(tmp_path, slots_of(count)))
    entry = entry_of(tray, Stage.INCOMING, golden="GOLDEN-1: accepted", at=NOW)
    log.add(entry)
    return entry


def test_a_tray_comes_back_from_the_log_as_it_was_laid_out(log: RunLog, tmp_path: Path) -> None:
    entry = laid_out(log, tmp_path)
    assert trays_of(log) == [entry]
    assert [slot.position for slot in entry.slots] == ["1", "4"]
    assert trays_of(log, "K-2031", "tray", "incoming") == [entry]
    assert trays_of(log, "K-2031", "tray", "retest") == []
    later = replace(entry, at="2031-05-05T10:00:00", stage="retest")
    log.add(later)
    log.add(replace(entry, at="2031-05-06T10:00:00"))  # the first one was gone on with
    assert [tray.stage for tray in trays_of(log)] == ["retest", "incoming"]


def test_the_newest_record_that_says_something_is_shown(log: RunLog, tmp_path: Path) -> None:
    entry = laid_out(log, tmp_path)
    interrupted = keep(log, 1, ending=Ending.INTERRUPTED)
    assert records_of(log, entry)[1].record_id == interrupted.record_id  # there is no better
    keep(log, 2)
    done = keep(log, 3)
    keep(log, 4, ending=Ending.INTERRUPTED)
    assert {n: r.record_id for n, r in records_of(log, entry).items()} == {1: done.record_id}


def test_a_part_that_may_be_live_is_shown_before_any_earlier_pass(
    log: RunLog, tmp_path: Path
) -> None:
    entry = laid_out(log, tmp_path)
    keep(log, 1)
    live = keep(log, 2, made_safe=made.NOT_PROVEN)
    assert records_of(log, entry)[1].record_id == live.record_id
    proven = keep(log, 3)
    assert records_of(log, entry)[1].record_id == proven.record_id


def test_a_corrected_tag_keeps_its_slot(log: RunLog, tmp_path: Path) -> None:
    entry = laid_out(log, tmp_path)
    record = keep(log, 1)
    log.correct(record.record_id, "tag", "K-2031-11", who="me", why="misread", at=NOW)
    shown = records_of(log, entry)[1]
    assert (shown.record_id, shown.plan.tag) == (record.record_id, "K-2031-11")
    # What is left to do follows the file: its tag has no record any more.
    tray = read_tray(tmp_path / "tray.toml")
    assert finished_slots(log, tray, Stage.INCOMING) == {}
