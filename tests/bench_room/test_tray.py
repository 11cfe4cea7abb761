"""A tray of eight: one bad slot stops none, interruptions repeat nothing, swaps are noticed."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path
from typing import Any

import pytest

from benchrig.bench.tray import TrayResult
from benchrig.errors import ExitCode, PrecheckFailed, UsageError
from benchrig.judge.verdict import Verdict
from benchrig.measure.samples import SampleBlock
from benchrig.patterns.wear import wear_warning
from benchrig.record.entries import GoldenEntry
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, EventKind, RunEvent, RunRecord, Stage
from tests.bench_room.trays import (
    NOW,
    records,
    run,
    slots_of,
    write_scenario,
    write_tray,
)
from tests.patterns.rigs import relay

EIGHT = "sim:tray-of-eight"


def verdicts(result: TrayResult) -> dict[str, Verdict]:
    return {s.slot.tag: s.record.verdict for s in result.slots if s.record is not None}


def interrupt_after(*seconds: float) -> Any:
    def meddle(task: asyncio.Task[TrayResult]) -> None:
        for at in seconds:
            asyncio.get_running_loop().call_later(at, task.cancel)

    return meddle


def test_an_open_coil_does_not_stop_the_slots_behind_it(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, slots_of(4)), tmp_path / "log.db"
    result = run(path, EIGHT, log)
    assert list(verdicts(result).values()) == [
        *(Verdict.PASS, Verdict.PASS, Verdict.FAIL, Verdict.PASS)
    ]
    assert result.stopped == ""
    assert result.exit_code is ExitCode.PART_FAILED
    assert [r.plan.position for r in records(log)] == ["1", "4", "7", "2"]


def test_finished_slots_are_not_done_again(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, slots_of(3)), tmp_path / "log.db"
    first = run(path, EIGHT, log)
    second = run(path, EIGHT, log)
    assert len(records(log)) == 3
    assert all(slot.finished_before for slot in second.slots)
    assert [s.record for s in second.slots] == [s.record for s in first.slots]
    run(path, EIGHT, log, again=frozenset({"K-2031-02"}))
    assert [r.plan.tag[-2:] for r in records(log)] == ["01", "02", "03", "02"]


def test_another_stage_or_another_tray_of_the_order_is_done_on_its_own(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, slots_of(1)), tmp_path / "log.db"
    run(path, EIGHT, log)
    run(path, EIGHT, log, stage=Stage.RETEST)
    run(write_tray(tmp_path, slots_of(1), name="second"), EIGHT, log)
    assert [(r.plan.tray, r.plan.stage) for r in records(log)] == [
        ("tray", Stage.INCOMING),
        ("tray", Stage.RETEST),
        ("second", Stage.INCOMING),
    ]


@pytest.mark.parametrize("moments", [4, pytest.param(20, marks=pytest.mark.slow)])
def test_a_tray_interrupted_at_random_moments_comes_to_the_same_verdicts(
    moments: int, tmp_path: Path
) -> None:
    path = write_tray(tmp_path, slots_of(8))
    whole = run(path, EIGHT, tmp_path / "whole.db")
    log, draw, interrupted = tmp_path / "log.db", random.Random(moments), 0
    for _ in range(moments):
        at = draw.uniform(0.01, 12.0)
        try:
            result = run(path, EIGHT, log, meddle=interrupt_after(at, at + 0.3))
        except asyncio.CancelledError:
            interrupted += 1  # between two slots: nothing was on, nothing is kept
            continue
        interrupted += result.exit_code is ExitCode.INTERRUPTED
    resumed = run(path, EIGHT, log)
    assert interrupted >= moments // 3
    assert verdicts(resumed) == verdicts(whole)
    assert resumed.exit_code is whole.exit_code
    kept = records(log)
    assert all(r.proven_safe for r in kept)
    finished = [r.plan.tag for r in kept if r.ending is not Ending.INTERRUPTED]
    assert sorted(finished) == [f"K-2031-{n:02d}" for n in range(1, 9)]  # one a part


class StopOnceSafe:
    """Ctrl-C just when the part has been made safe: this run has no use for it any more."""

    essential = False
    failure: Exception | None = None
    task: asyncio.Task[TrayResult]

    def accept(self, event: RunEvent) -> None:
        if event.kind is EventKind.SAFE:
            self.task.cancel()

    def add_block(self, block: SampleBlock) -> None:
        pass


def test_an_interrupt_that_comes_too_late_for_a_slot_lets_no_other_begin(tmp_path: Path) -> None:
    path, log, sink = write_tray(tmp_path, slots_of(3)), tmp_path / "log.db", StopOnceSafe()

    def meddle(task: asyncio.Task[TrayResult]) -> None:
        sink.task = task

    result = run(path, EIGHT, log, meddle=meddle, sinks_of=lambda _: (sink,))
    assert [s.record is not None for s in result.slots] == [True, False, False]
    assert records(log)[0].ending is Ending.COMPLETE
    assert result.stopped == "interrupted before slot 2"
    assert result.exit_code is ExitCode.INTERRUPTED
    one = write_tray(tmp_path, slots_of(1), name="one")
    done = run(one, EIGHT, log, meddle=meddle, sinks_of=lambda _: (sink,))
    assert (done.stopped, done.exit_code) == ("", ExitCode.PASS), "nothing was left to stop"


def test_a_part_that_is_not_proven_safe_ends_the_tray(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, slots_of(2)), tmp_path / "log.db"
    result = run(path, "sim:link-lost", log)
    assert result.slots[0].record is not None
    assert not result.slots[0].record.proven_safe
    assert result.slots[1].record is None
    assert "NOT PROVEN SAFE" in result.stopped
    assert result.exit_code is ExitCode.NOT_PROVEN_SAFE
    assert len(records(log)) == 1


def test_an_output_that_does_not_switch_off_ends_the_tray(tmp_path: Path) -> None:
    path = write_tray(tmp_path, slots_of(2))
    result = run(path, "sim:welded-output", tmp_path / "log.db")
    assert "did not switch off" in result.stopped
    assert result.slots[1].record is None
    assert result.exit_code is ExitCode.RIG


def test_a_slot_without_a_tag_is_refused_before_anything_is_on(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, "[[slot]]\noutput = 0\n"), tmp_path / "log.db"
    with pytest.raises(UsageError, match="no tag for slot 1"):
        run(path, EIGHT, log)
    assert records(log) == []


def test_a_slot_the_rig_cannot_do_is_refused_before_the_first_one_is_on(tmp_path: Path) -> None:
    slots = slots_of(1) + '[[slot]]\noutput = 30\ntag = "far"\n'
    path, log = write_tray(tmp_path, slots), tmp_path / "log.db"
    with pytest.raises(UsageError, match="no output 30"):
        run(path, EIGHT, log)
    assert records(log) == []


# --- the tag's past ---------------------------------------------------------------------------


def test_a_part_that_is_not_the_one_of_its_tag_is_warned_of(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, slots_of(2)), tmp_path / "log.db"
    before = write_scenario(tmp_path, {0: 14.1, 1: 14.9})
    run(path, before, log)
    swapped = write_scenario(tmp_path, {0: 14.9, 1: 14.1}, "swapped")
    result = run(path, swapped, log, stage=Stage.CLEANED)
    for slot in result.slots:
        assert slot.record is not None
        assert any("may not be the part of this tag" in w for w in slot.record.warnings)
        with RunLog.open(log, read_only=True) as kept:
            events = kept.events(slot.record.record_id)
        said = [(e.kind.value, e.data.get("state")) for e in events]
        warned = next(n for n, e in enumerate(events) if "part of this tag" in e.message)
        assert said[warned][0] == "warning"
        assert warned < said.index(("state", "first pulse"))  # before anything is switched on


def test_the_same_part_is_not_warned_of(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, slots_of(2)), tmp_path / "log.db"
    rig = write_scenario(tmp_path, {0: 14.1, 1: 14.9})
    run(path, rig, log)
    result = run(path, f"{rig}?seed=9", log, stage=Stage.CLEANED)  # other errors of the same size
    said = [w for s in result.slots if s.record for w in s.record.warnings]
    assert len(records(log)) == 4
    assert said == []  # neither of its tag, nor of a scan that an edge falls into


# --- the golden part --------------------------------------------------------------------------

GOLDEN = '[golden]\ntag = "GOLD"\noutput = 7\n'


def golden_history(log_path: Path, rig_id: str, ohm: float) -> None:
    with RunLog.open(log_path) as log:
        for day in range(10):
            log.add(
                GoldenEntry(
                    at=f"2031-04-{day + 10}T08:00:00+00:00",
                    who="",
                    tag="GOLD",
                    rig_unique_id=rig_id,
                    found={"resistance_20c_ohm": ohm + 0.01 * (-1) ** day},
                    accepted=True,
                )
            )


def _rig_id(record: RunRecord) -> str:
    return record.rig.unique_id


def test_the_golden_part_is_measured_first_and_once_a_day(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, GOLDEN + slots_of(2)), tmp_path / "log.db"
    result = run(path, EIGHT, log)
    assert [r.plan.stage for r in records(log)] == [*(Stage.GOLDEN, Stage.INCOMING, Stage.INCOMING)]
    assert result.golden.startswith("GOLD: ")
    again = run(path, EIGHT, log, stage=Stage.RETEST)
    assert "accepted on" in again.golden
    assert sum(r.plan.stage is Stage.GOLDEN for r in records(log)) == 1


def test_nothing_is_judged_while_the_golden_part_is_outside_its_limits(tmp_path: Path) -> None:
    first = run(write_tray(tmp_path, slots_of(1)), EIGHT, tmp_path / "other.db")
    assert first.slots[0].record is not None
    path, log = write_tray(tmp_path, GOLDEN + slots_of(2)), tmp_path / "log.db"
    golden_history(log, _rig_id(first.slots[0].record), 15.0)  # it reads 14.5 today
    with pytest.raises(PrecheckFailed, match="outside its control limits"):
        run(path, EIGHT, log)
    assert [r.plan.stage for r in records(log)] == [Stage.GOLDEN]
    with RunLog.open(log, read_only=True) as kept:
        assert kept.entries(GoldenEntry)[-1].accepted is False
        assert kept.entries(GoldenEntry)[-1].at == NOW
    with pytest.raises(PrecheckFailed):  # refused once, it is asked again and refused again
        run(path, EIGHT, log)


def test_an_interrupt_at_the_golden_part_is_one(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, GOLDEN + slots_of(2)), tmp_path / "log.db"
    result = run(path, EIGHT, log, meddle=interrupt_after(2.5))
    assert result.stopped == "interrupted at the golden part"
    assert result.exit_code is ExitCode.INTERRUPTED
    assert [r.plan.stage for r in records(log)] == [Stage.GOLDEN]
    sink = StopOnceSafe()

    def meddle(task: asyncio.Task[TrayResult]) -> None:
        sink.task = task

    result = run(path, EIGHT, log, meddle=meddle, sinks_of=lambda _: (sink,))
    assert result.stopped == "interrupted after the golden part"
    assert result.exit_code is ExitCode.INTERRUPTED
    assert [r.ending for r in records(log)] == [Ending.INTERRUPTED, Ending.COMPLETE]
    assert "accepted on" in run(path, EIGHT, log).golden


def test_a_golden_part_that_is_not_proven_safe_is_said_to_be_so(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, GOLDEN + slots_of(2)), tmp_path / "log.db"
    result = run(path, "sim:tray-of-eight?fault=unplug@cycle2", log)
    assert result.stopped == "the golden part is NOT PROVEN SAFE"
    assert result.exit_code is ExitCode.NOT_PROVEN_SAFE
    assert all(slot.record is None for slot in result.slots)


def test_a_golden_part_without_an_output_must_have_been_measured_today(tmp_path: Path) -> None:
    path = write_tray(tmp_path, '[golden]\ntag = "GOLD"\n' + slots_of(1))
    with pytest.raises(PrecheckFailed, match="has not been measured on this rig today"):
        run(path, EIGHT, tmp_path / "log.db")


def test_a_golden_recording_lets_a_stuck_armature_fail(tmp_path: Path) -> None:
    """Without a reference a missing movement says nothing; with one it fails."""
    stuck = '[[slot]]\noutput = 4\ntag = "S"\n'
    path, log = write_tray(tmp_path, stuck), tmp_path / "log.db"
    plain = run(path, EIGHT, log, scan_period_us=None)
    assert verdicts(plain) == {"S": Verdict.INCONCLUSIVE}
    path = write_tray(tmp_path, GOLDEN + stuck)
    judged = run(path, EIGHT, log, scan_period_us=None, stage=Stage.CLEANED)
    assert verdicts(judged) == {"S": Verdict.FAIL}
    assert judged.slots[0].record is not None
    reasons = [j.reason for j in judged.slots[0].record.characteristics]
    assert any("while the reference of this part shows one" in reason for reason in reasons)


def test_a_worn_relay_is_warned_of_by_what_its_runs_have_done(tmp_path: Path) -> None:
    path, log = write_tray(tmp_path, slots_of(2)), tmp_path / "log.db"
    run(path, EIGHT, log)
    run(path, EIGHT, log, stage=Stage.RETEST)
    rig = _rig_id(records(log)[0])
    with RunLog.open(log, read_only=True) as kept:
        assert [kept.operations(rig, n) for n in (0, 1, 2)] == [8, 8, 0]  # 4 cycles, twice
        assert kept.operations("0" * 16, 0) == 0
        assert "replace it soon" in wear_warning(
            relay(rated_operations=20), kept.operations(rig, 0)
        )
