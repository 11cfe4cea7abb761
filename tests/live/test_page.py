"""The page that sets up a shop is carried out here, as it stands: broker, rights, roles."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import psycopg
import pytest

from benchrig.errors import LogError
from benchrig.live.broker import PASSWORD_VARIABLE, broker_address
from benchrig.live.publisher import Publisher
from benchrig.live.topics import KINDS
from benchrig.record.log import RunLog
from benchrig.record.outbox import Outbox
from benchrig.record.push import push
from benchrig.record.schema import TABLES
from benchrig.record.verify import verify
from tests.live import told
from tests.live.receiver import Receiver
from tests.live.server import PASSWORDS, Broker, program
from tests.record.server import running
from tests.record.test_log import keep

PAGE = Path(__file__).parents[2] / "benchrig" / "live" / "README.md"


def blocks(kind: str) -> list[str]:
    """Fenced blocks of a kind."""
    return re.findall(rf"^```{kind}\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.S | re.M)


class PageBroker(Broker):
    """Mosquitto set up with the page's own commands, configuration and rights."""

    def __init__(self, directory: Path) -> None:
        super().__init__(directory)
        shutil.rmtree(directory / "store")
        shop = directory / "shop"
        shop.mkdir()
        (certificates, *_) = blocks("sh")
        on_loopback = certificates.replace("DNS:shop.example", "IP:127.0.0.1")
        subprocess.run(["sh", "-ec", on_loopback], cwd=shop, check=True, capture_output=True)
        (rights,) = blocks("acl")
        (shop / "rights").write_text(rights)
        for user, flag in (("bench-1", "-c"), ("bench-2", ""), ("watcher", ""), ("nobody", "")):
            call = [program("mosquitto_passwd"), *flag.split(), "-b", "passwords", user]
            subprocess.run([*call, PASSWORDS[user]], cwd=shop, check=True, timeout=60)
        (configuration,) = blocks("conf")
        text = configuration.replace("/etc/mosquitto/shop", str(shop))
        text = text.replace("listener 8883", f"listener {self.port} 127.0.0.1")
        text += f"persistence_location {directory}/\n"
        text += "user root\n" if os.geteuid() == 0 else ""
        (directory / "mosquitto.conf").write_text(text)
        self.ca = shop / "shop-ca.crt"


def test_the_page_s_broker_works_and_keeps_its_rights(tmp_path: Path) -> None:
    broker = PageBroker(tmp_path)
    broker.start()
    try:
        with (
            Receiver(broker.to("watcher")) as shop,
            Receiver(broker.to("nobody")) as nobody,
            Receiver(broker.to("bench-2")) as neighbour,
        ):
            shop.wait_ready()
            nobody.wait_ready()
            neighbour.wait_ready()
            for bench, waiting in (("bench-1", 0), ("bench-2", 1)):  # as the user bench-1
                box = Outbox(tmp_path / f"{bench}.box")
                sink = Publisher(broker.to("bench-1"), bench, outbox=box, stamp=told.stamp)
                with sink:
                    for event in told.a_run():
                        sink.accept(event)
                    sink.verdict(told.record(1))
                    assert sink.flush(20)
                    assert bool(sink.trouble) is bool(waiting), sink.trouble
                assert box.count_waiting() == waiting
            assert shop.wait(lambda: [p["link"] for p in shop.of("link")] == ["here", "left"])
            assert {t.split("/")[2] for t, _, _ in shop.messages} == {"bench-1"}
            assert {t.rsplit("/", 1)[1] for t, _, _ in shop.messages} >= set(KINDS) - {"live"}
            assert (nobody.messages, neighbour.messages) == ([], [])
        stranger = broker_address(
            broker.url, user="bench-1", ca=broker.ca, environ={PASSWORD_VARIABLE: "guessed"}
        )
        with Receiver(stranger) as outside:
            assert not outside.wait(lambda: bool(outside.messages), 0.5)
            assert "not authori" in outside.refused.lower() or "134" in outside.refused
    finally:
        broker.stop()


def test_the_page_s_roles_can_append_and_look_and_no_more(tmp_path: Path) -> None:
    (grants,) = blocks("sql")
    with running() as server, RunLog.open(tmp_path / "runs.db") as log:
        shared = server.new_database("shop")
        keep(log, "20260101-000000-0001", "T-1", 2)
        push(log, shared)
        for name in ("bench_1", "reader"):
            server.execute(f"DROP ROLE IF EXISTS {name}")
        server.execute(*(s for s in grants.split(";") if s.strip()), database="shop")
        keep(log, "20260102-000000-0002", "T-2", 2)
        assert push(log, server.url("shop", user="bench_1")).runs == 1
        keep(log, "20260103-000000-0003", "T-3", 2)
        with pytest.raises(LogError):
            push(log, server.url("shop", user="reader"))
        with RunLog.open(server.url("shop", user="reader")) as far:
            assert len(far.list_runs()) == 2
            assert verify(far) == []
        for user in ("bench_1", "reader"):
            with psycopg.connect(server.url("shop", user=user), autocommit=True) as connection:
                for table in TABLES:
                    column = table.columns.keys()[0]
                    for statement in (
                        f"UPDATE {table.name} SET {column} = {column}",
                        f"DELETE FROM {table.name}",
                        f"TRUNCATE {table.name}",
                        f"DROP TABLE {table.name}",
                        f"ALTER TABLE {table.name} DISABLE TRIGGER ALL",
                    ):
                        with pytest.raises(psycopg.Error, match=r"permission denied|must be owner"):
                            connection.execute(statement.encode())


def test_the_page_s_backup_of_a_log_is_a_whole_log(tmp_path: Path) -> None:
    """``.backup`` of the sqlite3 shell is the call made here; the copy stands on its own."""
    import sqlite3

    with RunLog.open(tmp_path / "runs.db") as log:
        keep(log, "20260101-000000-0001", "T-1", 2)
        source, copy = sqlite3.connect(tmp_path / "runs.db"), sqlite3.connect(tmp_path / "copy.db")
        source.backup(copy)
        source.close()
        copy.close()
    with RunLog.open(tmp_path / "copy.db", read_only=True) as again:
        assert verify(again) == []
        assert [run.record_id for run in again.list_runs()] == ["20260101-000000-0001"]


def test_the_page_names_every_topic_and_option_it_should() -> None:
    page = PAGE.read_text(encoding="utf-8")
    for kind in (*KINDS, "make-safe"):
        assert f"schemas/{kind}.json" in page
    for words in ("--allow-remote-stop", "BENCHRIG_MQTT_PASSWORD", "STALE", "no emergency stop"):
        assert words in page
