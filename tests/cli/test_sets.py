"""Which parts of an order may be matched with each other."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from benchrig.cli.pages import _of_order
from benchrig.cli.sets import parts_of_order
from benchrig.errors import UsageError
from benchrig.record.log import RunLog
from benchrig.record.values import Stage
from tests.record import made

R20 = ("resistance_20c_ohm",)


@pytest.fixture
def log(tmp_path: Path) -> Iterator[RunLog]:
    with RunLog.open(tmp_path / "runs.db") as opened:
        yield opened


def keep(
    log: RunLog, number: int, tag: str, *, part: str = "", stage: Stage = Stage.RETEST
) -> None:
    plan = made.plan(tag, stage=stage)
    if part:
        plan = replace(plan, part=replace(plan.part, name=part))
    record_id = f"2026010{number}-000000-000{number}"
    log.begin_run(record_id, plan, made.rig())
    log.writer(record_id).finish(made.record(record_id, run_plan=plan))


def test_the_golden_part_is_in_no_customers_set(log: RunLog) -> None:
    keep(log, 1, "G-1", stage=Stage.GOLDEN)
    keep(log, 2, "T-1")
    keep(log, 3, "T-2")
    found = parts_of_order(log, "N-7", R20)
    assert [part.tag for part in found.parts] == ["T-1", "T-2"]
    assert found.left_out == {"G-1": "golden part"}


def test_different_parts_are_never_matched_with_each_other(log: RunLog) -> None:
    keep(log, 1, "T-1")
    keep(log, 2, "T-2")
    keep(log, 3, "P-1", part="marsh-pump")
    with pytest.raises(UsageError, match="marsh-pump, marsh-purge") as caught:
        parts_of_order(log, "N-7", R20)
    assert "--part" in caught.value.advice
    found = parts_of_order(log, "N-7", R20, part="marsh-purge")
    assert [part.tag for part in found.parts] == ["T-1", "T-2"]
    assert (found.left_out, found.invented) == ({}, True)


def test_a_recording_with_the_armature_held_hides_no_record(log: RunLog) -> None:
    keep(log, 1, "T-1")
    keep(log, 2, "T-1", stage=Stage.HELD)
    keep(log, 3, "T-2", stage=Stage.HELD)
    found = parts_of_order(log, "N-7", R20)
    assert [part.tag for part in found.parts] == ["T-1"]
    assert found.left_out == {}
    assert _of_order(log, "N-7") == ["20260101-000000-0001"]
