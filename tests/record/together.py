"""Many benches pushing to one server that crashes meanwhile; for the tests and the bench."""

from __future__ import annotations

import functools
import threading
from pathlib import Path

from benchrig.record import forms
from benchrig.record.log import RunLog
from benchrig.record.push import push
from benchrig.record.values import EventKind
from benchrig.record.verify import heads, verify
from tests.record import made
from tests.record.server import Server


def push_together(server: Server, shared: str, directory: Path, benches: int, runs: int) -> int:
    """Four logs at once into one server that is crashed twice; how often anyone tried again."""
    logs = []
    for bench in range(benches):
        with RunLog.open(directory / f"bench{bench}.db") as log:
            logs.append(directory / f"bench{bench}.db")
            for k in range(runs):
                record_id = f"20260101-{k:06d}-{bench:04d}"
                log.begin_run(record_id, made.plan(f"T-{k % 7}"), made.rig())
                writer = log.writer(record_id)
                writer.accept(made.event(k, EventKind.CYCLE))
                writer.add_block(made.block(k))
                writer.finish(made.record(record_id, tag=f"T-{k % 7}"))
    failures: list[Exception] = []
    retries: list[int] = []
    done = 0
    some = threading.Condition()

    def on_run(_: str) -> None:
        nonlocal done
        with some:
            done += 1
            some.notify_all()

    def reached(goal: float) -> bool:
        return done >= goal

    def bench_pushes(path: Path) -> None:
        try:
            with RunLog.open(path) as log:
                retries.append(push(log, shared, on_run=on_run).retries)
        except Exception as error:  # noqa: BLE001 - the test tells what any thread met
            failures.append(error)

    threads = [threading.Thread(target=bench_pushes, args=(path,)) for path in logs]
    for thread in threads:
        thread.start()
    for share in (0.25, 0.6):
        with some:
            goal = share * benches * runs
            some.wait_for(functools.partial(reached, goal), timeout=120)
        server.crash()
    for thread in threads:
        thread.join()
    assert failures == []
    with RunLog.open(shared) as far:
        assert verify(far) == []
        found = {r.record_id: r for r in far.list_runs(limit=10 * benches * runs)}
        assert len(found) == benches * runs
        for path in logs:
            with RunLog.open(path) as log:
                own = log.list_runs(limit=10 * runs)
                assert len(own) == runs
                assert set(heads(log)) <= set(heads(far))
                for run in own:
                    assert forms.digest(far.record(run.record_id)) == forms.digest(
                        log.record(run.record_id)
                    )
    return sum(retries)
