"""Samples from link to log: pseudo-terminal, frames, checks, compression, SQLite; one core.

The far end runs in a process of its own, which has all frames ready before it is asked and sends
the same bytes in the same portions to whoever reads. Both ends are bound to one core, and the
processor time of both is counted. (On two cores a reader that only drains is woken for every
portion across them: it then costs three times as much, one time in two, and any other reader
looks that much better beside it.) The three sides take turns and the best of each counts. At
real pace only this end's time is counted, on any core.
Beside the real client and log stand (a) a plain script with pyserial, a decoder in Python and a
CSV file, and (b) the limit: only draining the terminal. Then sixteen rigs of 40 kS/s at their
real pace, where wake-ups are the cost, and an hour of simulated stream, in which the memory
must not grow.
"""

from __future__ import annotations

import asyncio
import csv
import json as json_module
import math
import os
import pty
import resource
import subprocess
import sys
import tempfile
import time
import tty
from binascii import crc_hqx
from collections.abc import Callable, Iterator
from contextlib import AsyncExitStack, contextmanager
from pathlib import Path
from typing import Any

import serial
from sqlalchemy import func, select

from benchrig.measure.samples import SampleBlock
from benchrig.record.log import RunLog
from benchrig.record.schema import chunk_table
from benchrig.record.writer import RunWriter
from benchrig.rig.client import Rig, RigClientState, open_rig
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench._feeder import INPUTS, SCAN_US, SCANS
from tests.bench._machine import one_core
from tests.record import made

CODES = 12_000_000
FEWER_CODES = (CODES // 16, CODES // 4)
ROUNDS = 3
PLAIN_CODES = 300_000
RIGS = 16
PACED_S = 10.0
STEP_A = 10.0 / 1024
HOUR_S = 3600.0
OVER_PLAIN_LEAST, OF_DRAIN_LEAST = 15.0, 0.4
BYTES_A_SAMPLE_MAX, PACED_SHARE_MAX, GROWTH_MB_MAX = 0.55, 0.003, 5.0


@contextmanager
def feeder(mode: str, codes: int, count: int = 1) -> Iterator[tuple[list[str], int]]:
    """Names of terminals with a streaming rig at the far end of each, and its process."""
    pairs = [pty.openpty() for _ in range(count)]
    for _, near in pairs:
        tty.setraw(near)
    far = [master for master, _ in pairs]
    command = [sys.executable, "-m", "tests.bench._feeder", mode, str(codes), *map(str, far)]
    child = subprocess.Popen(command, pass_fds=far, stdout=subprocess.PIPE)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == b"ready\n"
        yield [os.ttyname(near) for _, near in pairs], child.pid
    finally:
        child.kill()
        child.wait()
        assert child.stdout is not None
        child.stdout.close()
        for pair in pairs:
            for descriptor in pair:
                os.close(descriptor)


def both_ends_s(far: int) -> float:
    """Processor time so far of this process and of the far end, which has one thread."""
    return time.process_time() + int(Path(f"/proc/{far}/schedstat").read_text().split()[0]) * 1e-9


def blocks_of(codes: int) -> int:
    """Codes in whole blocks, as the far end sends them."""
    return -(-codes // (SCANS * INPUTS)) * SCANS * INPUTS


def keep(rig: Rig, writer: RunWriter) -> int:
    """Put the samples that have come into the log; how many codes they are."""
    codes = 0
    for event in rig.take_events():
        if isinstance(event, SampleBlock):
            writer.add_block(event)
            codes += event.codes.size
    return codes


async def take(rig: Rig, writer: RunWriter, codes: int) -> None:
    """Put so many codes of a stream into the log."""
    over = asyncio.Event()

    def hear() -> None:
        nonlocal codes
        codes -= keep(rig, writer)
        if codes <= 0 or rig.state is RigClientState.LOST:
            over.set()

    await rig.stream(range(INPUTS), SCAN_US)
    rig.listen(hear)
    await over.wait()
    rig.listen(None)
    assert codes <= 0, "the link ended early"


def new_writer(log: RunLog, number: int) -> RunWriter:
    """A run to put samples into."""
    record_id = f"20310504-100000-{number:04x}"
    log.begin_run(record_id, made.plan(), made.rig())
    return log.writer(record_id)


def ours(directory: Path, count: int = CODES) -> tuple[float, float]:
    """Processor time and stored bytes a sample, through client and log."""
    path, codes = directory / f"ours-{count}.db", blocks_of(count)

    async def work(name: str, far: int, log: RunLog) -> float:
        async with open_rig(name) as rig:
            writer = new_writer(log, 1)
            before = both_ends_s(far)
            await take(rig, writer, codes)
            writer.flush()
            spent = both_ends_s(far) - before
            assert rig.blocks_lost == rig.unasked_lost == rig.frames_bad == 0
            writer.close()
            return spent

    with feeder("full", count) as ((name,), far), RunLog.open(path) as log:
        spent = asyncio.run(work(name, far, log))
        kept = select(func.sum(func.length(chunk_table.c.data)))
        with log.reading() as connection:
            stored = float(connection.execute(kept).scalar_one())
    return spent / codes, stored / codes


def _raw(work: Callable[[str, int], int], codes: int) -> float:
    """Processor time a sample of something that reads the raw bytes."""
    with feeder("raw", codes) as ((name,), far):
        before = both_ends_s(far)
        got = work(name, blocks_of(codes))
        assert got == blocks_of(codes), (got, codes)
        return (both_ends_s(far) - before) / blocks_of(codes)


def drain(name: str, codes: int) -> int:
    """Only read."""
    descriptor = os.open(name, os.O_RDWR | os.O_NOCTTY)
    os.write(descriptor, b"x")
    frames, wanted = 0, codes // (SCANS * INPUTS)
    while frames < wanted:
        frames += os.read(descriptor, 65536).count(b"\x00")
    os.close(descriptor)
    return frames * SCANS * INPUTS


def plain_script(directory: Path) -> Callable[[str, int], int]:
    """What a plain script does with such a port: COBS by hand, a CSV row of SI values a scan."""

    def decode(frame: bytes) -> bytes:
        out, at = bytearray(), 0
        while at < len(frame):
            code = frame[at]
            out += frame[at + 1 : at + code]
            at += code
            if code < 255 and at < len(frame):
                out.append(0)
        return bytes(out)

    def work(name: str, codes: int) -> int:
        got, rest, time_s = 0, b"", 0.0
        with (
            serial.Serial(name, 1_000_000, timeout=1) as port,
            (directory / "x.csv").open("w", newline="") as file,
        ):
            writer = csv.writer(file)
            port.write(b"x")
            while got < codes:
                *frames, rest = (rest + port.read(port.in_waiting or 1)).split(b"\x00")
                for frame in frames:
                    checked = decode(frame)
                    if crc_hqx(checked[:-2], 0xFFFF) != int.from_bytes(checked[-2:], "little"):
                        continue
                    count = checked[9]
                    bits = int.from_bytes(checked[10:-2], "little")
                    values = [bits >> (10 * n) & 1023 for n in range(count)]
                    for start in range(0, count, INPUTS):
                        scan = [(v - 16) * STEP_A for v in values[start : start + INPUTS]]
                        writer.writerow([f"{time_s:.6f}", *(f"{a:.5f}" for a in scan)])
                        time_s += SCAN_US * 1e-6
                    got += count
        return got

    return work


def paced(directory: Path) -> float:
    """Share of a core that one of sixteen rigs takes at its real pace."""

    async def work(names: list[str], log: RunLog) -> float:
        async with AsyncExitStack() as stack:
            rigs = [await stack.enter_async_context(open_rig(name)) for name in names]
            writers = [new_writer(log, n) for n in range(len(rigs))]
            spent, begun = time.process_time(), time.monotonic()
            codes = blocks_of(round(PACED_S * 40_000))
            await asyncio.gather(*(take(r, w, codes) for r, w in zip(rigs, writers, strict=True)))
            for writer in writers:
                writer.flush()
            share = (time.process_time() - spent) / (time.monotonic() - begun)
            assert all(r.blocks_lost == 0 for r in rigs)
            for writer in writers:
                writer.close()
            return share / len(rigs)

    count = round(PACED_S * 40_000)
    with feeder("paced", count, RIGS) as (names, _), RunLog.open(directory / "paced.db") as log:
        return asyncio.run(work(names, log))


def hour(directory: Path) -> tuple[float, float]:
    """Megabytes that the process grew from the tenth minute of a stream to its end, and codes."""

    async def work(log: RunLog) -> tuple[float, float]:
        codes = 0
        async with open_rig("sim:healthy") as rig:
            writer = new_writer(log, 1)

            def hear() -> None:
                nonlocal codes
                codes += keep(rig, writer)
                if writer.behind:
                    writer.flush()

            await rig.stream([0, 1], SCAN_US)
            rig.listen(hear)
            await asyncio.sleep(HOUR_S / 6)
            writer.flush()
            early = _resident_mb()
            await asyncio.sleep(HOUR_S * 5 / 6)
            writer.flush()
            grown = _resident_mb() - early
            writer.close()
            return grown, codes

    with (
        RunLog.open(directory / "hour.db") as log,
        asyncio.Runner(loop_factory=VirtualTimeLoop) as runner,
    ):
        return runner.run(work(log))


def _resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1e6


def run(json: bool) -> int:
    """Print the table; 1 when a target was missed."""
    with tempfile.TemporaryDirectory(prefix="benchrig-bench-") as name:
        directory = Path(name)
        plain_s = drain_s = ours_s = stored = float("inf")
        for number in range(ROUNDS):
            own = directory / f"{number}"
            own.mkdir()
            with one_core():
                plain_s = min(plain_s, _raw(plain_script(directory), PLAIN_CODES))
                drain_s = min(drain_s, _raw(drain, CODES))
                ours_s, stored = min((ours_s, stored), ours(own))
        with one_core():
            growth = [
                min(ours(directory / f"{number}", count)[0] for number in range(ROUNDS)) * count
                for count in FEWER_CODES
            ]
        share = paced(directory)
        grown_mb, codes = hour(directory)
    result: dict[str, Any] = {
        "samples_a_cpu_second": 1.0 / ours_s,
        "plain_samples_a_cpu_second": 1.0 / plain_s,
        "drain_samples_a_cpu_second": 1.0 / drain_s,
        "over_plain_script": plain_s / ours_s,
        "of_draining": drain_s / ours_s,
        "cpu_s_of_a_sixteenth": growth[0],
        "cpu_s_of_a_quarter": growth[1],
        "cpu_s_of_all": ours_s * CODES,
        "exponent": math.log(ours_s * CODES / growth[0]) / math.log(CODES / FEWER_CODES[0]),
        "stored_bytes_a_sample": stored,
        "core_a_rig_at_real_pace": share,
        "grown_mb_in_an_hour": grown_mb,
        "hour_samples": codes,
    }
    targets = (
        ("over_plain_script", ">=", OVER_PLAIN_LEAST),
        ("of_draining", ">=", OF_DRAIN_LEAST),
        ("stored_bytes_a_sample", "<=", BYTES_A_SAMPLE_MAX),
        ("core_a_rig_at_real_pace", "<=", PACED_SHARE_MAX),
        ("grown_mb_in_an_hour", "<=", GROWTH_MB_MAX),
    )
    met = [result[k] >= want if sign == ">=" else result[k] <= want for k, sign, want in targets]
    if json:
        print(json_module.dumps(result, indent=2))
        return int(not all(met))
    for key, value in result.items():
        print(f"{key:36}{value:14.4g}")
    for (key, sign, want), good in zip(targets, met, strict=True):
        print(f"{key}, asked {sign} {want:g}: {'met' if good else 'MISSED'}")
    return int(not all(met))
