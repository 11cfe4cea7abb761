"""The outbox: order, ids, one sender at a time, crashes, and files that are not ours."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest

from benchrig.errors import LogError
from benchrig.record import outbox as outbox_module
from benchrig.record.outbox import SENT_KEPT, Outbox

AT = "2026-01-02T03:04:05+01:00"


@pytest.fixture
def outbox(tmp_path: Path) -> Outbox:
    return Outbox(tmp_path / "deep" / "outbox.db")


def put(outbox: Outbox, *names: str) -> None:
    for name in names:
        assert outbox.put(name, "a/topic", {"say": name}, AT)


def test_messages_keep_their_order_and_wait_until_sent(outbox: Outbox) -> None:
    put(outbox, "a", "b", "c")
    assert not outbox.put("b", "a/topic", {"say": "again"}, AT)
    waiting = outbox.waiting()
    assert [m.id for m in waiting] == ["a", "b", "c"]
    assert [m.payload["say"] for m in waiting] == ["a", "b", "c"]
    assert [m.number for m in waiting] == [1, 2, 3]
    outbox.mark_sent(2, AT)
    assert [m.id for m in outbox.waiting()] == ["a", "c"]
    assert [m.id for m in outbox.waiting(after=1)] == ["c"]
    assert [m.id for m in outbox.waiting(limit=1)] == ["a"]
    assert not outbox.put("b", "a/topic", {}, AT)  # sent ones are remembered too
    assert outbox.count_waiting() == 2
    assert [m.sent_at for m in outbox.newest()] == [None, AT, None]


def test_what_a_broker_lost_is_sent_again(outbox: Outbox) -> None:
    put(outbox, *"abcd")
    for number in (1, 2, 3):
        outbox.mark_sent(number, AT)
    assert outbox.send_again(2) == 2
    assert [m.id for m in outbox.waiting()] == ["b", "c", "d"]


def test_sent_messages_do_not_pile_up(outbox: Outbox, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox_module, "SENT_KEPT", 20)
    put(outbox, *(f"m{n}" for n in range(120)))
    for number in range(1, 121):
        if number != 5:
            outbox.mark_sent(number, AT)
    kept = [m.number for m in outbox.newest(1000)]
    assert kept == [5, *range(81, 121)]
    assert SENT_KEPT >= 100


def test_a_full_outbox_refuses_and_says_so(outbox: Outbox, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox_module, "WAITING_MAX", 2)
    put(outbox, "a", "b")
    with pytest.raises(LogError, match="2 messages wait already"):
        outbox.put("c", "a/topic", {}, AT)


def test_one_sender_at_a_time(outbox: Outbox) -> None:
    assert outbox.lease("one", 60)
    assert outbox.lease("one", 60)
    assert not outbox.lease("two", 60)
    outbox.release("two")
    assert not outbox.lease("two", 60)
    outbox.release("one")
    assert outbox.lease("two", -1)  # held into the past: over at once
    assert outbox.lease("one", 60)


def test_many_processes_share_it(outbox: Outbox) -> None:
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda k: put(outbox, *(f"{k}-{n}" for n in range(5))), range(8)))
    waiting = outbox.waiting(limit=1000)
    assert [m.number for m in waiting] == list(range(1, 41))
    for k in range(8):
        assert [m.id for m in waiting if m.id.startswith(f"{k}-")] == [f"{k}-{n}" for n in range(5)]
    assert len({outbox.outbox_id() for _ in range(3)}) == 1


def test_what_was_put_survives_a_kill(outbox: Outbox) -> None:
    program = (
        "import sys; from pathlib import Path; from benchrig.record.outbox import Outbox\n"
        "box = Outbox(Path(sys.argv[1]))\n"
        "for n in range(10_000):\n"
        "    box.put(f'm{n}', 't', {}, 'now'); print(n, flush=True)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(outbox.path)], stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        for _ in range(25):
            last = int(process.stdout.readline())
        os.kill(process.pid, signal.SIGKILL)
    assert [m.id for m in outbox.waiting(limit=last + 1)] == [f"m{n}" for n in range(last + 1)]


def test_a_disk_without_room_is_told(tmp_path: Path) -> None:
    """SQLite's own word for it, met by a limit on the file's size."""
    program = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from benchrig.record.outbox import Outbox; from benchrig.errors import LogError\n"
        "box = Outbox(Path(sys.argv[1])); box.put('first', 't', {}, 'now')\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536))\n"
        "try:\n"
        "    for n in range(1000): box.put(f'm{n}', 't', {'x': 'y' * 4000}, 'now')\n"
        "except LogError as error:\n"
        "    print(n, error.message)\n"
    )
    path = tmp_path / "outbox.db"
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    kept, _, message = done.stdout.partition(" ")
    assert f"outbox {path}" in message
    ids = [m.id for m in Outbox(path).waiting(limit=2000)]
    assert ids == ["first", *(f"m{n}" for n in range(int(kept)))]


def test_other_files_are_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "text"
    text.write_text("not a database, but long enough to look like something\n" * 20)
    with pytest.raises(LogError):
        Outbox(text).count_waiting()
    assert text.read_text().startswith("not a database")
    other = tmp_path / "other.db"
    with closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE t (x)")
    with pytest.raises(LogError, match="another program"):
        Outbox(other).put("a", "t", {}, AT)
