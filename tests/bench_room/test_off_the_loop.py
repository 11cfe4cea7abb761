"""Waiting for the disk is no work of the loop: other rigs of the process need their heartbeats."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchrig.bench.job import run_job
from benchrig.bench.uncancelled import hold_in_thread
from benchrig.judge.verdict import Verdict
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, RunRecord, SafeEvidence, Stage
from benchrig.record.writer import RunWriter
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench_room.jobs import plan_for, run_sim, sim_job

WAITS = ((RunLog, "begin_run"), (RunWriter, "finish"), (RunLog, "add"), (RunLog, "open_runs"))


@pytest.fixture
def on_the_loop(monkeypatch: pytest.MonkeyPatch) -> dict[str, list[bool]]:
    """For every call that waits for the disk: whether an event loop ran in its thread."""
    seen: dict[str, list[bool]] = {}

    def watched(name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        def looked_at(*args: Any, **more: Any) -> Any:
            seen.setdefault(name, []).append(asyncio._get_running_loop() is not None)
            return work(*args, **more)

        return looked_at

    for owner, name in WAITS:
        monkeypatch.setattr(owner, name, watched(name, getattr(owner, name)))
    return seen


def test_no_synced_commit_of_a_job_holds_the_loop(
    tmp_path: Path, on_the_loop: dict[str, list[bool]]
) -> None:
    record = run_sim("healthy", tmp_path / "log.db", plan=plan_for(stage=Stage.GOLDEN, tag="G-1"))
    assert record.verdict is Verdict.PASS
    once = {key: [False] for key in ("open_runs", "begin_run", "finish", "add")}
    assert on_the_loop == once


def test_a_run_found_open_is_closed_off_the_loop_too(
    tmp_path: Path, on_the_loop: dict[str, list[bool]]
) -> None:
    path = tmp_path / "log.db"
    first = run_sim("healthy", path)
    with RunLog.open(path) as log:
        log.begin_run("20310504-090000-0009", first.plan, first.rig)
    on_the_loop.clear()
    run_sim("healthy", path)
    assert on_the_loop.pop("open_runs") == [False, False]  # once more while it is closed
    assert on_the_loop == {"begin_run": [False], "finish": [False, False]}


def test_a_slow_disk_leaves_the_loop_its_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The record's commit ends only when something else on the loop has run meanwhile."""
    beaten, finish = threading.Event(), RunWriter.finish

    def slow(self: RunWriter, record: Any) -> None:
        loop.call_soon_threadsafe(beaten.set)
        assert beaten.wait(5.0), "the loop stood still while the record was kept"
        finish(self, record)

    monkeypatch.setattr(RunWriter, "finish", slow)
    with (
        RunLog.open(tmp_path / "log.db") as log,
        asyncio.Runner(loop_factory=VirtualTimeLoop) as runner,
    ):
        loop = runner.get_loop()
        record = runner.run(run_job(sim_job("healthy"), log))
        assert log.record(record.record_id) == record


def interrupted_in(
    owner: type, name: str, log: RunLog, monkeypatch: pytest.MonkeyPatch
) -> RunRecord:
    """A healthy part's record, its job cancelled while this call waits for the disk."""
    told, work = threading.Event(), getattr(owner, name)

    def interrupted(self: Any, *args: Any) -> None:
        loop.call_soon_threadsafe(lambda: tasks[0].cancel())
        loop.call_soon_threadsafe(told.set)
        assert told.wait(5.0)
        work(self, *args)

    monkeypatch.setattr(owner, name, interrupted)
    tasks: list[asyncio.Task[RunRecord]] = []
    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        loop = runner.get_loop()

        async def job() -> RunRecord:
            tasks.append(asyncio.ensure_future(run_job(sim_job("healthy"), log)))
            return await tasks[0]

        record = runner.run(job())
    assert told.is_set()
    return record


def test_an_interrupt_while_the_record_is_kept_loses_no_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with RunLog.open(tmp_path / "log.db") as log:
        record = interrupted_in(RunWriter, "finish", log, monkeypatch)
        assert log.open_runs() == []
        assert log.record(record.record_id) == record


def test_an_interrupt_while_a_run_is_begun_ends_that_run_with_evidence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with RunLog.open(tmp_path / "log.db") as log:
        record = interrupted_in(RunLog, "begin_run", log, monkeypatch)
        assert log.open_runs() == []
    assert record.ending is Ending.INTERRUPTED
    assert record.cycles_done == 0
    assert isinstance(record.made_safe, SafeEvidence)


def test_a_held_wait_ends_before_its_cancellation_is_heard() -> None:
    done: list[str] = []

    async def holder() -> None:
        gate = threading.Event()
        asyncio.get_running_loop().call_later(0.05, gate.set)

        def disk() -> None:
            gate.wait(5.0)
            done.append("on the disk")

        await hold_in_thread(disk)
        done.append("went on")
        await asyncio.sleep(0)
        done.append("never")

    async def work() -> None:
        task = asyncio.ensure_future(holder())
        await asyncio.sleep(0.01)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(work())
    assert done == ["on the disk", "went on"]
