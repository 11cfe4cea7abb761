"""Whole runs that tell the shop: the run is the same, and what comes back can only stop it."""

from __future__ import annotations

import json
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from benchrig.live.broker import BrokerAddress, tls_context
from benchrig.live.publisher import Publisher
from benchrig.live.requests import make_safe_request
from benchrig.record.outbox import Outbox
from benchrig.record.values import Ending
from tests.bench_room.trays import slots_of, write_tray
from tests.live import told
from tests.live.benches import (
    a_plan,
    command,
    environment,
    pattern_file,
    rig_on_tcp,
    run_on_virtual_time,
    to_broker,
)
from tests.live.receiver import Receiver
from tests.live.server import PASSWORDS, Broker
from tests.live.test_payloads import VALIDATORS


@contextmanager
def tar_pit() -> Iterator[BrokerAddress]:
    """A broker that takes connections and never says a word."""
    taken: list[socket.socket] = []
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def take() -> None:
            while True:
                try:
                    taken.append(listener.accept()[0])
                except OSError:
                    return

        thread = threading.Thread(target=take, daemon=True)
        thread.start()
        yield BrokerAddress(host="127.0.0.1", port=listener.getsockname()[1], tls=False)
        listener.shutdown(socket.SHUT_RDWR)
        thread.join(5)
    for one in taken:
        one.close()


def test_a_run_is_the_same_to_the_tick_whatever_the_broker_does(
    broker: Broker, tmp_path: Path
) -> None:
    plan = a_plan(pattern_file(tmp_path, 4))
    _, alone = run_on_virtual_time(tmp_path / "alone.db", plan, ())
    assert len(alone) > 8
    closed = BrokerAddress(host="127.0.0.1", port=9, tls=False)
    with tar_pit() as silent:
        for name, address in (("well", broker.to("bench-1")), ("dead", closed), ("slow", silent)):
            sink = Publisher(
                address, "bench-1", outbox=Outbox(tmp_path / f"{name}.box"), stamp=told.stamp
            )
            with sink:
                record, edges = run_on_virtual_time(tmp_path / f"{name}.db", plan, (sink,))
                sink.verdict(record)
                assert sink.flush(20 if name == "well" else 0.1) is (name == "well"), sink.trouble
            assert edges == alone, name
            assert record.warnings == ()
            assert sink.failure is None


def test_what_a_real_run_tells_fits_the_schemas(broker: Broker, tmp_path: Path) -> None:
    plan = a_plan(pattern_file(tmp_path, 3))
    with Receiver(broker.to("watcher"), "benchrig/v1/bench-2/+/#") as shop:
        shop.wait_ready()
        sink = Publisher(
            broker.to("bench-2"), "bench-2", outbox=Outbox(tmp_path / "box"), stamp=told.stamp
        )
        with sink:
            record, _ = run_on_virtual_time(tmp_path / "log.db", plan, (sink,))
            sink.verdict(record)
            assert sink.flush(20), sink.trouble
        assert shop.wait(lambda: bool(shop.verdicts))
        rig = record.rig.unique_id
        mine = [m for m in shop.messages if rig in m[0]]
        for topic, payload, _ in mine:
            VALIDATORS[topic.rsplit("/", 1)[1]].validate(payload)
        states = [p["state"] for t, p, _ in mine if t.endswith("/state")]
        assert states[-1] == "OFF"
        assert len([1 for t, _, _ in mine if t.endswith("/cycle")]) == 3
        (verdict,) = [v for v in shop.verdicts if v["run"] == record.record_id]
        assert verdict["verdict"] == record.verdict.value
        assert verdict["proven_safe"] is True


@contextmanager
def speaker(broker: Broker, user: str) -> Iterator[paho.Client]:
    """Somebody who publishes what they like."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.username_pw_set(user, PASSWORDS[user])
    client.tls_set_context(tls_context(broker.to(user)))
    client.connect(broker.address, broker.port)
    client.loop_start()
    yield client
    client.disconnect()
    client.loop_stop()


HOSTILE: list[tuple[str, bytes, bool]] = [
    ("request/make-safe", b"x" * 1_000_000, False),
    ("request/make-safe", b"", False),
    ("request/make-safe", b"{", False),
    ("request/make-safe", b"[" * 1000, False),
    ("request/make-safe", b"\xff\xfe\x00", False),
    ("request/make-safe", b'{"schema": "benchrig.make-safe/1", "run": "yesterday"}', False),
    (
        "request/make-safe",
        b'{"schema": "benchrig.make-safe/1", "run": "any", "energise": true}',
        False,
    ),
    ("request/make-safe", make_safe_request(), True),  # retained: it would stop for ever
    ("request/energise", b'{"schema": "benchrig.energise/1"}', False),
    ("state", b'{"state": "OFF"}', False),
]


@pytest.mark.parametrize("allowed", [True, False])
def test_hostile_messages_change_nothing_and_a_right_one_only_stops(
    own_broker: Broker, tmp_path: Path, allowed: bool
) -> None:
    pattern = pattern_file(tmp_path, 10 if not allowed else 60)
    with (
        rig_on_tcp() as (rig, _),
        Receiver(own_broker.to("watcher")) as shop,
        speaker(own_broker, "foreman") as foreman,
        # Foreman may ask for make safe; here anyone on bench-2's topics may say anything too.
        speaker(own_broker, "bench-2") as stranger,
    ):
        shop.wait_ready()
        # A retained request lies in wait before the run begins.
        unique = "0000005100000001"
        lying = f"benchrig/v1/bench-1/{unique}/request/make-safe"
        foreman.publish(lying, make_safe_request(), 1, retain=True).wait_for_publish(10)
        program = subprocess.Popen(
            [
                *command("run", "demo-injector", "--rig", rig, "--pattern", str(pattern)),
                *("--soaked", "20", "--log", str(tmp_path / "log.db"), "--yes", "--json"),
                *to_broker(own_broker),
                *("--bench-name", "bench-1", "--outbox", str(tmp_path / "outbox.db")),
                *(["--allow-remote-stop"] if allowed else []),
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=environment(),
            text=True,
        )
        with program:
            assert shop.wait(lambda: len(shop.of("cycle")) >= 2, 60), "it never cycled"
            base = f"benchrig/v1/bench-1/{shop.of('state')[-1]['rig']}"
            for place, payload, retain in HOSTILE:
                for who in (foreman, stranger):
                    who.publish(f"{base}/{place}", payload, 1, retain=retain).wait_for_publish(10)
            before = len(shop.of("cycle"))
            assert shop.wait(lambda: len(shop.of("cycle")) >= before + 2, 30), "it stopped"
            assert shop.of("state")[-1]["state"] == "ENERGISED"
            run = shop.of("state")[-1]["run"]
            foreman.publish(f"{base}/request/make-safe", make_safe_request(run, "foreman"), 1)
            out, err = program.communicate(timeout=120)
        record = json.loads(out)
        assert PASSWORDS["bench-1"] not in out + err
        assert record["verdict"] != "FAIL"
        assert shop.wait(lambda: bool(shop.verdicts), 20), err
        assert shop.verdicts[0]["proven_safe"] is True
        assert shop.of("state")[-1]["state"] == "OFF"
        if allowed:
            assert program.returncode == 130, err
            assert shop.verdicts[0]["ending"] == Ending.INTERRUPTED.value
            assert shop.verdicts[0]["cycles_done"] < 60
            assert "make safe was asked for over the network by foreman" in err
        else:
            assert shop.verdicts[0]["ending"] == Ending.COMPLETE.value
            assert shop.verdicts[0]["cycles_done"] == 10


def test_an_eavesdropper_without_rights_reads_and_writes_nothing(
    broker: Broker, tmp_path: Path
) -> None:
    heard: list[str] = []
    rig = "00000000000000e1"
    with (
        Receiver(broker.to("watcher"), f"benchrig/v1/bench-1/{rig}/#") as shop,
        speaker(broker, "nobody") as nobody,
        speaker(broker, "bench-2") as neighbour,
    ):
        shop.wait_ready()
        for client in (nobody, neighbour):
            client.on_message = lambda _c, _u, message: heard.append(message.topic)
            client.subscribe("#", qos=1)
            client.subscribe("benchrig/v1/#", qos=1)
            client.subscribe(f"benchrig/v1/bench-1/{rig}/state", qos=1)
        sink = Publisher(
            broker.to("bench-1"), "bench-1", outbox=Outbox(tmp_path / "box"), stamp=told.stamp
        )
        with sink:
            for event in told.a_run(rig=rig):
                sink.accept(event)
            assert sink.flush(20), sink.trouble
        for client in (nobody, neighbour):
            for kind in ("state", "verdict", "link", "request/make-safe"):
                forged = client.publish(f"benchrig/v1/bench-1/{rig}/{kind}", b"{}", 1, retain=True)
                forged.wait_for_publish(10)
        assert shop.wait(lambda: [p["link"] for p in shop.of("link")][-1:] == ["left"])
        time.sleep(0.3)
        assert heard == []
        assert {} not in [payload for _, payload, _ in shop.messages]
    without_password = BrokerAddress(
        host=broker.address, port=broker.port, tls=True, ca=broker.ca, user=""
    )
    with Receiver(without_password) as stranger:
        assert not stranger.wait(lambda: bool(stranger.messages), 0.5)
        assert stranger.refused


def test_a_tray_tells_each_slot_as_it_ends(broker: Broker, tmp_path: Path) -> None:
    tray = write_tray(tmp_path, slots_of(2))
    with Receiver(broker.to("watcher"), "benchrig/v1/bench-2/+/+") as shop:
        shop.wait_ready()
        done = subprocess.run(
            [
                *command("tray", str(tray), "--rig", "sim:tray-of-eight?seed=21"),
                *("--stage", "incoming", "--scan-period-us", "500", "--yes", "--json"),
                *("--log", str(tmp_path / "log.db"), "--outbox", str(tmp_path / "outbox.db")),
                *to_broker(broker, "bench-2"),
                *("--bench-name", "bench-2"),
            ],
            capture_output=True,
            text=True,
            env=environment("bench-2"),
            timeout=250,
        )
        assert done.returncode == 0, done.stderr
        slots = json.loads(done.stdout)["slots"]
        rig = f"{0x51_0000_0000 + 21:016x}"

        def mine() -> list[tuple[str, str]]:
            return [(v["tag"], v["verdict"]) for v in shop.verdicts if v["rig"] == rig]

        assert shop.wait(lambda: len(mine()) == 2), done.stderr
        assert mine() == [(s["tag"], s["record"]["verdict"]) for s in slots]
        ended = [p for p in shop.of("event") if p["rig"] == rig and p["kind"] == "ended"]
        assert len(ended) == 2
