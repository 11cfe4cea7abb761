"""The publisher against a real broker: what arrives, what it costs a run, and its way back."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import cast

import pytest

from benchrig.errors import LogError, UsageError
from benchrig.live.broker import PASSWORD_VARIABLE, BrokerAddress, BrokerClient, MqttError
from benchrig.live.publisher import QUEUE_MAX, Publisher, queue_verdict
from benchrig.live.sender import send_waiting
from benchrig.live.topics import RigTopics
from benchrig.record.outbox import Outbox
from benchrig.record.values import EventKind
from tests.live import told
from tests.live.receiver import Receiver
from tests.live.server import PASSWORDS, Broker, make_authority
from tests.live.test_payloads import VALIDATORS


def publisher(address: BrokerAddress, outbox: Outbox, bench: str = "bench-1") -> Publisher:
    return Publisher(address, bench, outbox=outbox, stamp=told.stamp, backoff_first_s=0.05)


def test_a_run_is_told_in_order_and_fits_the_schemas(broker: Broker, outbox: Outbox) -> None:
    with Receiver(broker.to("watcher"), f"benchrig/v1/bench-1/{told.RIG}/#") as shop:
        shop.wait_ready()
        with publisher(broker.to("bench-1"), outbox) as sink:
            for event in told.a_run():
                sink.accept(event)
            sink.verdict(told.record(1))
            assert sink.flush(20), sink.trouble
            assert sink.trouble == ""
            assert (sink.failure, sink.dropped, sink.sent_verdicts) == (None, 0, 1)
        assert shop.wait(lambda: [p["link"] for p in shop.of("link")] == ["here", "left"])
    for topic, payload, _ in shop.messages:
        kind = topic.rsplit("/", 1)[1]
        VALIDATORS[kind].validate(payload)
    kinds = [p["kind"] for p in shop.of("event")]
    expected = [e.kind.value for e in told.a_run() if e.kind is not EventKind.LIVE]
    assert kinds == [k for k in expected if k not in ("edge", "cycle")]
    assert [p["cycle"] for p in shop.of("cycle")] == [1, 2, 3]
    assert shop.of("state")[-1]["state"] == "OFF"
    assert shop.of("state")[-1]["evidence"] == {"residual_current_a": 0.0004}
    assert [v["tag"] for v in shop.verdicts] == ["T-1"]
    with Receiver(broker.to("watcher"), f"benchrig/v1/bench-1/{told.RIG}/#") as late:
        assert late.wait(lambda: len(late.messages) == 3)
        assert sorted(t.rsplit("/", 1)[1] for t, _, retained in late.messages if retained) == [
            "link",
            "state",
            "verdict",
        ]


def test_the_will_tells_that_a_rig_is_gone_and_the_state_stays(
    broker: Broker, outbox: Outbox
) -> None:
    rig = "00000000000000d1"
    with Receiver(broker.to("watcher"), f"benchrig/v1/bench-2/{rig}/#") as shop:
        shop.wait_ready()
        program = subprocess.Popen(
            [
                *(sys.executable, "-m", "tests.live.alone"),
                *(broker.url, str(broker.ca), str(outbox.path), rig),
            ],
            stdout=subprocess.PIPE,
            env={**os.environ, PASSWORD_VARIABLE: PASSWORDS["bench-2"]},
        )
        with program:
            assert program.stdout is not None
            assert program.stdout.readline() == b"told\n"
            program.kill()
        assert shop.wait(lambda: shop.of("link")[-1]["link"] == "gone"), shop.of("link")
        gone = shop.of("link")[-1]
        VALIDATORS["link"].validate(gone)
        assert gone["last_known"] == f"benchrig/v1/bench-2/{rig}/state"
        assert shop.of("state")[-1]["state"] == "ENERGISED"


def test_every_verdict_arrives_once_though_the_broker_dies(
    own_broker: Broker, outbox: Outbox
) -> None:
    runs, kills = 60, 3
    with Receiver(own_broker.to("watcher"), "benchrig/v1/+/+/verdict") as shop:
        shop.wait_ready()
        with publisher(own_broker.to("bench-1"), outbox) as sink:
            for number in range(runs):
                for event in told.a_run(f"20260102-{number:06d}-abcd"):
                    sink.accept(event)
                sink.verdict(told.record(number))
                if number % (runs // kills) == 7:
                    own_broker.kill()
                if number % (runs // kills) == 13:
                    own_broker.start()
                time.sleep(0.02)
            assert sink.flush(40), sink.trouble
            assert shop.wait(lambda: len(shop.verdicts) == runs), len(shop.verdicts)
            assert sink.connections > kills
    assert [v["tag"] for v in shop.verdicts] == [f"T-{n}" for n in range(runs)]
    assert not shop.deduplicator.missing
    assert outbox.count_waiting() == 0


def test_what_stays_goes_out_with_the_next_run(own_broker: Broker, outbox: Outbox) -> None:
    own_broker.stop()
    with publisher(own_broker.to("bench-1"), outbox) as sink:
        sink.accept(told.started())
        sink.verdict(told.record(1))
        sink.verdict(told.record(2))
        assert not sink.flush(0.5)
        assert "nothing answers" in sink.trouble
    assert outbox.count_waiting() == 2
    own_broker.start()
    with Receiver(own_broker.to("watcher"), "benchrig/v1/+/+/verdict") as shop:
        shop.wait_ready()
        with publisher(own_broker.to("bench-1"), outbox) as sink:
            sink.accept(told.started())
            sink.verdict(told.record(3))
            sink.verdict(told.record(3))  # the same run is the same message
            assert sink.flush(20), sink.trouble
        assert shop.wait(lambda: len(shop.verdicts) == 3)
        assert outbox.count_waiting() == 0
    assert [v["tag"] for v in shop.verdicts] == ["T-1", "T-2", "T-3"]


def test_wrong_passwords_and_certificates_are_told_and_cost_nothing(
    broker: Broker, outbox: Outbox, tmp_path: Path
) -> None:
    stranger = make_authority(tmp_path, "stranger-ca")
    for address, expected in (
        (broker.to("bench-1", password="not-it-at-all"), "refuses this user or password"),
        (broker.to("bench-1", ca=stranger), "certificate is not trusted"),
    ):
        with publisher(address, outbox) as sink:
            sink.accept(told.started())
            sink.verdict(told.record(1))
            assert not sink.flush(1.5)
            assert expected in sink.trouble
            assert "not-it-at-all" not in sink.trouble
            assert sink.failure is None
        assert outbox.count_waiting() == 1


def test_a_bench_that_may_not_write_keeps_its_verdicts(broker: Broker, outbox: Outbox) -> None:
    with Receiver(broker.to("watcher"), "benchrig/v1/bench-9/#") as shop:
        shop.wait_ready()
        with publisher(broker.to("bench-1"), outbox, bench="bench-9") as sink:
            for event in told.a_run():
                sink.accept(event)
            sink.verdict(told.record(1))
            sink.flush(5)
            assert "does not let us publish" in sink.trouble
        assert outbox.count_waiting() == 1
        assert not shop.wait(lambda: bool(shop.messages), 0.5)


def test_a_dead_broker_costs_a_run_nothing_and_the_queue_stays_bounded(outbox: Outbox) -> None:
    nowhere = BrokerAddress(host="127.0.0.1", port=9, tls=False)
    with publisher(nowhere, outbox) as sink:
        sink.accept(told.started())
        event = told.cycle(1)
        begun_s = time.perf_counter()
        worst_s = 0.0
        for _ in range(3 * QUEUE_MAX):
            before_s = time.perf_counter()
            sink.accept(event)
            worst_s = max(worst_s, time.perf_counter() - before_s)
        mean_s = (time.perf_counter() - begun_s) / (3 * QUEUE_MAX)
        assert sink.dropped == 2 * QUEUE_MAX + 1
        assert len(sink._events) == QUEUE_MAX
        assert sink.failure is None
    assert mean_s < 500e-6, mean_s
    assert worst_s < 0.25, worst_s  # a shared host may take the processor away for a while


def test_a_full_disk_is_told_and_the_rest_goes_on(broker: Broker, tmp_path: Path) -> None:
    """The file is on a device that is full from the start: /dev/full, through a link."""
    full = tmp_path / "outbox.db"
    full.symlink_to("/dev/full")
    with Receiver(broker.to("watcher"), f"benchrig/v1/bench-1/{told.RIG}/event") as shop:
        shop.wait_ready()
        with publisher(broker.to("bench-1"), Outbox(full)) as sink:
            for event in told.a_run():
                sink.accept(event)
            with pytest.raises(LogError, match="outbox"):
                sink.verdict(told.record(1))
            assert shop.wait(lambda: "ended" in [p["kind"] for p in shop.of("event")])
            assert sink.failure is None


def test_files_are_read_before_a_run(broker: Broker, outbox: Outbox, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no certificates"):
        publisher(broker.to("bench-1", ca=tmp_path / "none"), outbox)
    with pytest.raises(UsageError, match="bench name"):
        publisher(broker.to("bench-1"), outbox, bench="a/b")


def test_what_was_not_acknowledged_still_waits(outbox: Outbox) -> None:
    """No broker here: a connection that breaks at the worst moment, between send and answer."""

    class Breaking:
        async def deliver(self, topic: str, payload: bytes, *, retain: bool) -> None:
            raise MqttError("gone")

    topics = RigTopics(bench="bench-1", rig=told.RIG)
    queue_verdict(outbox, topics, told.record(1), told.STAMP)
    breaking = cast(BrokerClient, Breaking())
    with pytest.raises(MqttError):
        asyncio.run(send_waiting(breaking, outbox, owner="one", stamp=told.stamp))
    assert [m.sent_at for m in outbox.waiting()] == [None]
    assert outbox.lease("two", 1)  # and another may try
