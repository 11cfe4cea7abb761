"""The shop through its worst five minutes: a broker that dies, a line that is cut, a full disk.

Simulated runs on virtual time follow each other for ``BENCHRIG_SECONDS`` (300 is the target)
while the broker is killed and started again ten times. Then, where this may make network
namespaces (root), a line is cut for ``BENCHRIG_CUT_S`` (60) and mended, and an outbox lies on a
disk that is full. Each verdict must arrive once after doubles are dropped, in order, and each
run's edges must be those of the same run without a broker.
"""

from __future__ import annotations

import json as json_module
import os
import random
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchrig.errors import LogError
from benchrig.live.post import fill
from benchrig.live.publisher import Publisher
from benchrig.record.outbox import Outbox
from tests.live import told
from tests.live.benches import a_plan, pattern_file, run_on_virtual_time
from tests.live.receiver import Receiver
from tests.live.server import Broker

KILLS = 10
AWAY_S = (0.5, 6.0)
NAMESPACE = "benchrig-shop"
NEAR, FAR = "10.213.77.1", "10.213.77.2"


def run(json: bool) -> int:
    """Print the figures; 1 when a verdict is missing, out of order, or a run differs."""
    seconds = float(os.environ.get("BENCHRIG_SECONDS", "30"))
    cut_s = float(os.environ.get("BENCHRIG_CUT_S", "8"))
    figures: dict[str, Any] = {}
    with tempfile.TemporaryDirectory(prefix="benchrig-shop-") as name:
        directory = Path(name)
        figures |= _broker_dies(directory, seconds)
        if os.geteuid() == 0:
            figures |= _line_is_cut(directory, cut_s)
            figures |= _disk_is_full(directory)
        else:
            figures["not_run"] = "line cut and full disk need root"
    figures["met"] = all(v is True for k, v in figures.items() if k.endswith("_ok"))
    print(
        json_module.dumps(figures) if json else "\n".join(f"{k:36}{v}" for k, v in figures.items())
    )
    return 0 if figures["met"] else 1


def _broker_dies(directory: Path, seconds: float) -> dict[str, Any]:
    place = directory / "dies"
    (place / "broker").mkdir(parents=True)
    broker = Broker(place / "broker")
    broker.start()
    try:
        with Receiver(broker.to("watcher"), "benchrig/v1/+/+/verdict") as shop:
            shop.wait_ready()
            killer = threading.Thread(target=_kill_often, args=(broker, seconds))
            killer.start()
            told_runs, same, sink = _run_for(place, broker, seconds, killer.is_alive)
            killer.join()
            arrived = shop.wait(lambda: len(shop.verdicts) >= told_runs, 60.0)
            order = [v["tag"] for v in shop.verdicts]
            return {
                "broker_kills": KILLS,
                "broker_seconds": seconds,
                "broker_runs": told_runs,
                "broker_connections": sink.connections,
                "broker_doubles_dropped": shop.deduplicator.doubles,
                "broker_verdicts_once": len(shop.verdicts),
                "broker_delivered_ok": arrived and len(shop.verdicts) == told_runs,
                "broker_order_ok": order == [f"T-{n}" for n in range(told_runs)],
                "broker_edges_same_ok": same,
            }
    finally:
        broker.stop()


def _kill_often(broker: Broker, seconds: float) -> None:
    draw = random.Random(7)
    each_s = seconds / KILLS
    for _ in range(KILLS):
        away_s = min(draw.uniform(*AWAY_S), 0.6 * each_s)
        time.sleep(each_s - away_s)
        broker.kill()
        time.sleep(away_s)
        broker.start()


def _run_for(
    place: Path, broker: Broker, seconds: float, more: Callable[[], bool]
) -> tuple[int, bool, Publisher]:
    """Runs, one after the other; how many, and whether all had the edges of the first."""
    pattern = pattern_file(place, 3)
    _, alone = run_on_virtual_time(place / "alone.db", a_plan(pattern), ())
    number, same = 0, True
    sink = Publisher(
        broker.to("bench-1"), "bench-1", outbox=Outbox(place / "outbox.db"), stamp=told.stamp
    )
    with sink:
        end_s = time.monotonic() + seconds
        while time.monotonic() < end_s or more():
            log = place / f"run-{number}.db"
            record, edges = run_on_virtual_time(log, a_plan(pattern, f"T-{number}"), (sink,))
            same = same and edges == alone
            del record
            sink.verdict(told.record(number))
            number += 1
            log.unlink()
            time.sleep(0.2)
        if not sink.flush(60.0):
            print(f"after the runs: {sink.trouble}")
    return number, same and len(alone) > 6, sink


def _line_is_cut(directory: Path, cut_s: float) -> dict[str, Any]:
    """The broker lives in a network namespace of its own; the one cable to it goes down."""
    place = directory / "cut"
    (place / "broker").mkdir(parents=True)
    with _namespace():
        broker = Broker(place / "broker", address=FAR)
        broker.prefix = ("ip", "netns", "exec", NAMESPACE)
        broker.start()
        try:
            with Receiver(broker.to("watcher"), "benchrig/v1/+/+/verdict") as shop:
                shop.wait_ready()
                cutter = threading.Thread(target=_cut, args=(cut_s,))
                cutter.start()
                runs, same, sink = _run_for(place, broker, cut_s + 4.0, cutter.is_alive)
                cutter.join()
                arrived = shop.wait(lambda: len(shop.verdicts) >= runs, 90.0)
                order = [v["tag"] for v in shop.verdicts]
        finally:
            broker.stop()
    return {
        "cut_seconds": cut_s,
        "cut_runs": runs,
        "cut_connections": sink.connections,
        "cut_doubles_dropped": shop.deduplicator.doubles,
        "cut_delivered_ok": arrived and len(shop.verdicts) == runs,
        "cut_order_ok": order == [f"T-{n}" for n in range(runs)],
        "cut_edges_same_ok": same,
    }


def _cut(seconds: float) -> None:
    time.sleep(2.0)
    _ip("link", "set", "brshop0", "down")
    time.sleep(seconds)
    _ip("link", "set", "brshop0", "up")


@contextmanager
def _namespace() -> Iterator[None]:
    _ip("netns", "add", NAMESPACE)
    try:
        _ip("link", "add", "brshop0", "type", "veth", "peer", "name", "brshop1")
        _ip("link", "set", "brshop1", "netns", NAMESPACE)
        _ip("addr", "add", f"{NEAR}/24", "dev", "brshop0")
        _ip("link", "set", "brshop0", "up")
        _ip("-n", NAMESPACE, "addr", "add", f"{FAR}/24", "dev", "brshop1")
        _ip("-n", NAMESPACE, "link", "set", "brshop1", "up")
        _ip("-n", NAMESPACE, "link", "set", "lo", "up")
        yield
    finally:
        subprocess.run(["ip", "netns", "del", NAMESPACE], check=False)


def _ip(*arguments: str) -> None:
    subprocess.run(["ip", *arguments], check=True, timeout=10)


def _disk_is_full(directory: Path) -> dict[str, Any]:
    """The outbox on a small disk that fills up; the log, elsewhere, fills the outbox later."""
    place = directory / "full"
    (place / "disk").mkdir(parents=True)
    (place / "broker").mkdir()
    disk = str(place / "disk")
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", disk], check=True)
    broker = Broker(place / "broker")
    broker.start()
    try:
        outbox = Outbox(place / "disk" / "outbox.db")
        records = [told.record(number) for number in range(8)]
        with Receiver(broker.to("watcher"), "benchrig/v1/+/+/verdict") as shop:
            shop.wait_ready()
            sink = Publisher(broker.to("bench-1"), "bench-1", outbox=outbox, stamp=told.stamp)
            pattern = pattern_file(place, 3)
            _, alone = run_on_virtual_time(place / "alone.db", a_plan(pattern), ())
            refused = 0
            with sink:
                ballast = place / "disk" / "ballast"
                for number, record in enumerate(records):
                    if number == 3:
                        _fill_up(ballast)
                    try:
                        sink.verdict(record)
                    except LogError:
                        refused += 1
                _, edges = run_on_virtual_time(place / "full.db", a_plan(pattern), (sink,))
                ballast.unlink()
                fill(outbox, "bench-1", records, told.stamp())
                sink.accept(told.started())
                sink._wake()
                arrived = shop.wait(lambda: len(shop.verdicts) == len(records), 60.0)
            order = sorted(v["tag"] for v in shop.verdicts)
    finally:
        broker.stop()
        subprocess.run(["umount", disk], check=False)
    return {
        "full_refused": refused,
        "full_delivered_ok": arrived and order == [f"T-{n}" for n in range(8)] and refused > 0,
        "full_edges_same_ok": edges == alone and sink.failure is None,
    }


def _fill_up(path: Path) -> None:
    with path.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"\0" * 512)
        except OSError:
            return
