"""The writer under stress: killed, slow, full, several at once."""

from __future__ import annotations

import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from benchrig.errors import LogError
from benchrig.record import committer as committer_module
from benchrig.record import writer as writer_module
from benchrig.record.log import RunLog
from benchrig.record.values import EventKind
from benchrig.record.verify import verify
from tests.record import made
from tests.record.test_log import keep, same_blocks

ROOT = Path(__file__).parents[2]
CHILD = """
import sys
from benchrig.record.log import RunLog
from tests.record import made
log = RunLog.open(sys.argv[1])
record_id = sys.argv[2]
log.begin_run(record_id, made.plan(), made.rig())
writer = log.writer(record_id)
print("begun", flush=True)
number = 0
while True:
    for _ in range(7):
        writer.add_block(made.block(number))
        number += 1
    writer.flush()
    print(number, flush=True)
"""


def test_killed_writers_lose_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    path = tmp_path / "runs.db"
    chosen = random.Random(11)
    acknowledged: dict[str, int] = {}
    for k in range(6):
        record_id = f"20260101-00000{k}-0000"
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path), record_id],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'sims'}"},
        )
        assert child.stdout is not None
        assert child.stdout.readline() == "begun\n"
        for _ in range(chosen.randrange(1, 25)):
            child.stdout.readline()
        child.send_signal(signal.SIGKILL)
        rest = child.stdout.read()
        child.stdout.close()
        child.wait()
        whole = [line for line in rest.splitlines(keepends=True) if line.endswith("\n")]
        acknowledged[record_id] = int(whole[-1]) if whole else 7
    with RunLog.open(path) as log:
        assert {r.record_id for r in log.open_runs(made.RIG_ID)} == set(acknowledged)
        for record_id, count in acknowledged.items():
            blocks = list(log.samples(record_id))
            assert len(blocks) >= count
            assert same_blocks(blocks, [made.block(n) for n in range(len(blocks))])
            log.close_found_open(record_id, made.evidence(), "2026-01-02T00:00:00")
        assert verify(log) == []
        assert log.open_runs() == []


def test_a_full_disk_is_a_failure_and_never_a_wait(tmp_path: Path) -> None:
    """The size a file may have stands in for the disk's."""
    path = tmp_path / "runs.db"
    with RunLog.open(path) as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        writer.add_block(made.block(0))
        writer.flush()
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        # Whatever file grows at the next commit, journal or log, it may grow no more.
        size = (tmp_path / "runs.db-wal").stat().st_size + 4096
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
        try:
            for number in range(1, 2000):
                writer.add_block(made.block(number, scans=600))
                if writer.failure is not None:
                    break
            with pytest.raises(LogError):
                writer.flush()
            with pytest.raises(LogError) as caught:
                writer.finish(made.record("a"))
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
            signal.signal(signal.SIGXFSZ, ignored)
        assert isinstance(writer.failure, LogError)
        assert caught.value.advice
        assert writer.pending_bytes == 0
        writer.add_block(made.block(1))  # dropped, not kept in memory
        assert writer.pending_bytes == 0
        writer.close()
    with RunLog.open(path) as log:
        assert [r.record_id for r in log.open_runs()] == ["a"]
        blocks = list(log.samples("a"))
        assert same_blocks(blocks[:1], [made.block(0)])
        assert verify(log) == []


def test_a_log_that_cannot_keep_up_fails_with_bounded_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "QUEUE_BYTES_MAX", 1 << 20)
    monkeypatch.setattr(committer_module, "COMMIT_PERIOD_S", 60)
    monkeypatch.setattr(writer_module, "WAKE_BYTES", 1 << 30)
    with RunLog.open(tmp_path / "runs.db") as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        block = made.block(0, scans=1000)
        for _ in range(1000):
            writer.add_block(block)
            assert writer.pending_bytes < (1 << 20) + 5000
        assert "keep up" in str(writer.failure)
        with pytest.raises(LogError, match="keep up"):
            writer.finish(made.record("a"))
        writer.close()


def test_a_locked_log_does_not_stop_the_caller(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("benchrig.record.database.BUSY_MS", 50)
    path = tmp_path / "runs.db"
    with RunLog.open(path) as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            writer.accept(made.event(1, EventKind.WARNING))  # written at once, so it waits now
            for number in range(50):
                writer.add_block(made.block(number))
            assert writer.failure is None
            other.execute("ROLLBACK")
        writer.finish(made.record("a"))
        assert len(list(log.samples("a"))) == 50
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(LogError, match="locked"):
                log.begin_run("b", made.plan(), made.rig())


def test_what_waits_is_written_smaller_or_faster_but_exactly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "BEHIND_BYTES", 0)
    with RunLog.open(tmp_path / "runs.db") as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        blocks = [made.block(n) for n in range(30)]
        for block in blocks:
            writer.add_block(block)
        writer.finish(made.record("a"))
        assert same_blocks(list(log.samples("a")), blocks)
        assert verify(log) == []


def test_a_change_of_inputs_or_stream_starts_a_new_chunk(tmp_path: Path) -> None:
    blocks = [
        made.block(0),
        made.block(0, inputs=(0, 1, 2)),
        made.block(1, inputs=(0, 1, 2)),
        made.block(0, stream=2),
    ]
    with RunLog.open(tmp_path / "runs.db") as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        for block in blocks:
            writer.set_scales(tuple(made.scale(i) for i in block.inputs), 500)
            writer.add_block(block)
        writer.close()
        assert same_blocks(list(log.samples("a")), blocks)
        assert [len(s.scales) for s in log.scales("a")] == [2, 3, 3, 2]


def test_several_rigs_write_one_log_at_once(tmp_path: Path) -> None:
    path = tmp_path / "runs.db"
    RunLog.open(path).close()
    failures: list[Exception] = []

    def bench(number: int) -> None:
        try:
            with RunLog.open(path) as log:
                for k in range(6):
                    keep(log, f"2026010{k + 1}-00000{number}-0000", f"T-{number}", 3)
        except Exception as error:  # noqa: BLE001 - the test tells what any thread met
            failures.append(error)

    threads = [threading.Thread(target=bench, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    with RunLog.open(path) as log:
        assert verify(log) == []
        for number in range(4):
            assert len(log.history(f"T-{number}")) == 6


def test_a_record_of_another_run_is_refused(tmp_path: Path) -> None:
    with RunLog.open(tmp_path / "runs.db") as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        with pytest.raises(ValueError, match="does not belong"):
            writer.finish(made.record("b"))
        writer.finish(made.record("a"))
        with pytest.raises(ValueError, match="closed"):
            writer.finish(made.record("a"))


def test_runs_written_at_once_share_their_commits_and_not_their_troubles(tmp_path: Path) -> None:
    names = [f"run-{n}" for n in range(5)]
    with RunLog.open(tmp_path / "runs.db") as log:
        writers = {}
        for name in names:
            log.begin_run(name, made.plan(), made.rig())
            writers[name] = log.writer(name)
            writers[name].add_block(made.block(0))
            writers[name].flush()
        assert len([t for t in threading.enumerate() if t.name == "run log"]) == 1
        writers["run-2"]._seq = 0  # what the file holds already, and so refuses
        with log._committer._lock:  # so that one turn takes from all of them
            for name in names:
                writers[name].add_block(made.block(1))
                writers[name].add_block(made.block(2))
        for name in names:
            if name == "run-2":
                with pytest.raises(LogError):
                    writers[name].flush()
            else:
                writers[name].flush()
                writers[name].finish(made.record(name))
        with pytest.raises(LogError):
            writers["run-2"].finish(made.record("run-2"))
        for name in names:
            kept = [made.block(n) for n in range(1 if name == "run-2" else 3)]
            assert same_blocks(list(log.samples(name)), kept)
        assert [run.record_id for run in log.open_runs()] == ["run-2"]
        assert verify(log) == []
    assert [t for t in threading.enumerate() if t.name == "run log"] == []


def test_runs_that_follow_one_another_share_a_thread_and_none_outlives_the_log(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def committing() -> list[threading.Thread]:
        return [t for t in threading.enumerate() if t.name == "run log"]

    seen: list[list[threading.Thread]] = []
    monkeypatch.setattr(committer_module, "COMMIT_PERIOD_S", 4.0)
    with RunLog.open(tmp_path / "runs.db") as log:
        for name in ("a", "b"):
            log.begin_run(name, made.plan(), made.rig())
            log.writer(name).finish(made.record(name))
            seen.append(committing())
        assert seen[0] == seen[1]
        assert len(seen[0]) == 1
        time.sleep(0.1)  # it waits for its turn
        begun_s = time.monotonic()
        log._committer.join()
        assert time.monotonic() - begun_s < 2.0, "whoever leaves wakes it"
    assert committing() == []
    monkeypatch.setattr(committer_module, "COMMIT_PERIOD_S", 0.01)
    with RunLog.open(tmp_path / "runs.db") as log:
        log.begin_run("c", made.plan(), made.rig())
        log.writer("c").finish(made.record("c"))
        until_s = time.monotonic() + 5.0
        while committing() and time.monotonic() < until_s:
            time.sleep(0.01)
        assert committing() == [], "it does not linger for ever"


def test_a_log_takes_another_run_after_all_have_ended(tmp_path: Path) -> None:
    with RunLog.open(tmp_path / "runs.db") as log:
        for name in ("a", "b"):
            log.begin_run(name, made.plan(), made.rig())
            writer = log.writer(name)
            writer.add_block(made.block(0))
            writer.finish(made.record(name))
            log._committer.join()
            assert same_blocks(list(log.samples(name)), [made.block(0)])
        assert verify(log) == []


def test_a_run_that_another_program_closed_ends_once_and_is_told_in_words(tmp_path: Path) -> None:
    path, record_id = tmp_path / "runs.db", "20260101-000000-0001"
    with RunLog.open(path) as first, RunLog.open(path) as second:
        first.begin_run(record_id, made.plan(), made.rig())
        writer = first.writer(record_id)
        found = second.close_found_open(record_id, made.evidence(), "2026-01-01T00:00:09+00:00")
        with pytest.raises(LogError, match="another program has found this run open and closed"):
            writer.finish(made.record(record_id))
        assert first.record(record_id) == found
        assert first.open_runs() == []
        assert verify(first) == []


def test_two_programs_that_write_one_run_are_told_so(tmp_path: Path) -> None:
    path, record_id = tmp_path / "runs.db", "20260101-000000-0002"
    with RunLog.open(path) as first, RunLog.open(path) as second:
        first.begin_run(record_id, made.plan(), made.rig())
        writers = [log.writer(record_id) for log in (first, second)]
        for writer in writers:
            writer.add_block(made.block(0))
        writers[0].flush()
        with pytest.raises(LogError, match="another program writes this run too"):
            writers[1].flush()
        writers[0].finish(made.record(record_id))
        assert verify(first) == []
