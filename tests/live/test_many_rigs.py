"""Several rigs on one host: one owner each, and one that goes takes no other with it."""

from __future__ import annotations

import asyncio
import os
import pty
import subprocess
import tty
from pathlib import Path

import pytest

from benchrig.bench.job import run_job
from benchrig.bench.prechecks import FIRST_SCHEDULE_ID
from benchrig.errors import LinkError, NotProvenSafe
from benchrig.live.publisher import Publisher
from benchrig.record.log import RunLog
from benchrig.record.outbox import Outbox
from benchrig.record.values import Ending, RunRecord
from benchrig.rig.client import Rig, RigClientState, open_rig
from benchrig.rig.link import open_link
from benchrig.wire.messages import FaultReason
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.live import told
from tests.live.benches import (
    a_plan,
    command,
    environment,
    job,
    pattern_file,
    rig_on_tcp,
    run_on_virtual_time,
)
from tests.live.receiver import Receiver
from tests.live.server import Broker


def test_the_second_program_on_a_port_is_refused_in_plain_words() -> None:
    """On a serial port the system keeps the second owner out."""

    async def work() -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        name = os.ttyname(slave)
        try:
            first = await open_link(name)
            try:
                done = await asyncio.to_thread(
                    subprocess.run,
                    command("rig", "check", "--rig", name),
                    capture_output=True,
                    text=True,
                    env=environment(),
                    timeout=60,
                )
                assert done.returncode == 3, done.stderr
                assert "in use" in done.stderr or "busy" in done.stderr, done.stderr
                with pytest.raises(LinkError):
                    await open_link(name)
            finally:
                await first.close()
        finally:
            os.close(master)
            os.close(slave)

    asyncio.run(work())


def test_the_second_program_on_a_rig_behind_tcp_is_refused_and_disturbs_nothing() -> None:
    async def work(url: str) -> None:
        async with open_rig(url) as rig:
            boots = rig.identity.boot_count
            done = await asyncio.to_thread(
                subprocess.run,
                command("rig", "check", "--rig", url),
                capture_output=True,
                text=True,
                env=environment(),
                timeout=120,
            )
            assert done.returncode == 3, done.stderr
            assert url in done.stderr
            status = await rig.read_status()
            assert (rig.state, rig.frames_bad) == (RigClientState.OPEN, 0)
            assert (rig.identity.boot_count, status.fault) == (boots, FaultReason.NONE)

    with rig_on_tcp() as (url, _):
        asyncio.run(work(url))


def test_a_rig_pulled_out_in_the_middle_takes_no_other_with_it(
    broker: Broker, tmp_path: Path
) -> None:
    """Three runs in one loop; the middle one loses its rig for good after some cycles."""
    plan = a_plan(pattern_file(tmp_path, 12))
    rigs = [
        "sim:healthy?seed=11",
        "sim:healthy?seed=12&fault=unplug@4s",
        "sim:healthy?seed=13",
    ]

    async def one(number: int, log: RunLog, sink: Publisher) -> RunRecord | NotProvenSafe:
        record_id = f"20260102-030405-{number:04x}"
        try:
            record = await run_job(job(rigs[number], plan, record_id, (sink,)), log)
        except NotProvenSafe as error:
            return error
        sink.verdict(record)
        return record

    async def together(log: RunLog, sinks: list[Publisher]) -> list[RunRecord | NotProvenSafe]:
        return list(await asyncio.gather(*(one(n, log, sinks[n]) for n in range(len(rigs)))))

    with (
        Receiver(broker.to("watcher"), "benchrig/v1/bench-1/+/+") as shop,
        RunLog.open(tmp_path / "runs.db") as log,
    ):
        shop.wait_ready()
        sinks = [
            Publisher(
                broker.to("bench-1"), "bench-1", outbox=Outbox(tmp_path / "box"), stamp=told.stamp
            )
            for _ in rigs
        ]
        with sinks[0], sinks[1], sinks[2]:
            with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
                left, pulled, right = runner.run(together(log, sinks))
            assert all(sink.flush(20) for sink in sinks), [sink.trouble for sink in sinks]
        for record in (left, right):
            assert isinstance(record, RunRecord)
            assert record.ending is Ending.COMPLETE, record.ending_reason
            assert record.cycles_done == 12
            assert (record.blocks_lost, record.edges_lost, record.warnings) == (0, 0, ())
            assert record.proven_safe
        assert isinstance(pulled, NotProvenSafe)
        assert [run.record_id for run in log.open_runs()] == ["20260102-030405-0001"]

        def last_state(seed: int) -> str:
            rig = f"{0x51_0000_0000 + seed:016x}"
            return str([p for p in shop.of("state") if p["rig"] == rig][-1]["state"])

        assert shop.wait(lambda: len(shop.verdicts) >= 2)
        assert (last_state(11), last_state(12), last_state(13)) == ("OFF", "UNKNOWN", "OFF")


def test_a_busy_host_that_starts_the_first_pulse_late_still_sees_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With many rigs in one loop a request may wait its turn, up to the heartbeat's silence."""
    in_time = Rig.start

    async def late(rig: Rig, schedule_id: int) -> int:
        if schedule_id == FIRST_SCHEDULE_ID:
            await asyncio.sleep(0.15)
        return await in_time(rig, schedule_id)

    monkeypatch.setattr(Rig, "start", late)
    record, _ = run_on_virtual_time(tmp_path / "log.db", a_plan(pattern_file(tmp_path, 2)), ())
    assert record.ending is Ending.COMPLETE, record.ending_reason
