"""Nothing but evidence or a declaration ends making safe, and nothing comes before it."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from benchrig.bench import safety
from benchrig.bench.equipment import Equipment, rig_id
from benchrig.bench.observer import Observer
from benchrig.errors import UsageError
from benchrig.patterns.pattern import Pattern, Step
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, RunRecord, SafeEvidence
from benchrig.rig.client import open_rig
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench_room.jobs import Told, plan_for, run_sim

STALE = "20310504-090000-0001"


def leave_a_run_open(path: Path) -> None:
    """What a power cut leaves: a run that was begun and never closed."""

    async def work() -> None:
        async with open_rig("sim:healthy") as rig:
            with RunLog.open(path) as log:
                now = "2031-05-04T09:00:00.000+00:00"
                identity = Equipment.load(log, rig, 0, now).identity(rig, "sim:healthy", 0)
                log.begin_run(STALE, plan_for(), identity)
                assert log.open_runs(rig_id(rig))

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        runner.run(work())


def stale_ending(path: Path) -> Ending | None:
    with RunLog.open(path, read_only=True) as log:
        return None if log.open_runs() else log.record(STALE).ending


def test_a_mistake_while_looking_at_the_rig_is_no_evidence_and_no_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    look, mistakes = safety.prove_off, iter([ZeroDivisionError("a bug"), KeyError("another")])

    async def stumbling(observer: Observer, offsets: safety.Offsets) -> object:
        for mistake in mistakes:
            raise mistake
        return await look(observer, offsets)

    monkeypatch.setattr(safety, "prove_off", stumbling)
    told = Told()
    record = run_sim("healthy", tmp_path / "log.db", told=told)
    assert isinstance(record.made_safe, SafeEvidence)
    assert [("internal error" in alarm.message) for alarm, _ in told.alarms] == [True, True]


def test_an_open_run_is_settled_before_a_new_plan_is_even_looked_at(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    leave_a_run_open(path)
    steps = (Step(on=True, duration_us=10), Step(on=False, duration_us=1_000_000))
    too_quick = Pattern(
        name="too-quick", title="shorter than an output can", steps=steps, repeats=2
    )
    with pytest.raises(UsageError, match="µs"):
        run_sim("healthy", path, plan=plan_for(pattern=too_quick))
    assert stale_ending(path) is Ending.FOUND_OPEN


def test_an_interrupt_waits_until_an_open_run_is_settled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.db"
    leave_a_run_open(path)
    settle, begun = safety.make_safe, asyncio.Event()

    async def noticed(*args: object, **kwargs: object) -> object:
        begun.set()
        return await settle(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr("benchrig.bench.job.make_safe", noticed)

    def interrupt(task: asyncio.Task[RunRecord]) -> None:
        async def when_settling() -> None:
            await begun.wait()
            task.cancel()

        task.add_done_callback(lambda _: meddler.cancel())
        meddler = asyncio.ensure_future(when_settling())

    with pytest.raises(asyncio.CancelledError):
        run_sim("healthy", path, meddle=interrupt)
    assert stale_ending(path) is Ending.FOUND_OPEN
    with RunLog.open(path, read_only=True) as log:
        assert len(log.list_runs()) == 1  # and no new run was begun
