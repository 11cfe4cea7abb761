"""One broker for the tests of this folder; a test that kills one takes its own."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchrig.record.outbox import Outbox
from tests.live.server import Broker


@pytest.fixture(scope="session")
def broker() -> Iterator[Broker]:
    with tempfile.TemporaryDirectory(prefix="benchrig-mqtt-") as name:
        broker = Broker(Path(name))
        broker.start()
        yield broker
        broker.stop()


@pytest.fixture
def own_broker(tmp_path: Path) -> Iterator[Broker]:
    directory = tmp_path / "broker"
    directory.mkdir()
    broker = Broker(directory)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def outbox(tmp_path: Path) -> Outbox:
    return Outbox(tmp_path / "outbox.db")
