"""Tampering: each column of each table, each row, each page; `verify` must tell."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from benchrig.errors import LogError
from benchrig.record.entries import LeadNullEntry, LeakEntry
from benchrig.record.log import RunLog
from benchrig.record.schema import TABLES, guard_names, guards
from benchrig.record.values import EventKind
from benchrig.record.verify import ChainHead, LogFinding, heads, verify
from tests.record import made
from tests.record.test_log import keep


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A log with at least two rows a table: closed runs, an open one, entries, a correction."""
    path = tmp_path_factory.mktemp("log") / "runs.db"
    with RunLog.open(path) as log:
        keep(log, "20260101-000000-0001", "T-1", 5)
        keep(log, "20260102-000000-0002", "T-2", 5)
        log.begin_run("20260103-000000-0003", made.plan(), made.rig())
        writer = log.writer("20260103-000000-0003")
        writer.add_block(made.block(1))
        writer.flush()
        writer.accept(made.event(1, EventKind.CYCLE))
        writer.close()
        log.correct("20260101-000000-0001", "tag", "T-9", who="me", why="misread", at="x")
        log.add(LeakEntry(at="y", who="me", tag="T-2", stage="incoming", drops=2, duration_s=60))
        log.add(
            LeadNullEntry(
                at="z",
                who="me",
                rig_unique_id=made.RIG_ID,
                output=None,
                resistance_ohm=made.measured(0.04, "ohm", 0.002),
            )
        )
        assert verify(log) == []
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


@pytest.fixture
def path(sound: Path, tmp_path: Path) -> Path:
    copy = tmp_path / "runs.db"
    shutil.copy(sound, copy)
    return copy


@contextmanager
def unguarded(path: Path) -> Iterator[sqlite3.Connection]:
    """As someone would who knows SQLite: guards off, change, guards on again."""
    with closing(sqlite3.connect(path)) as connection:
        for table in TABLES:
            for name in guard_names(table.name):
                connection.execute(f"DROP TRIGGER {name}")
        yield connection
        for table in TABLES:
            for statement in guards(table.name, "sqlite"):
                connection.execute(statement)
        connection.commit()


def findings(path: Path) -> list[LogFinding]:
    try:
        with RunLog.open(path) as log:
            return verify(log)
    except LogError as error:  # so damaged that it does not open: told as well
        return [LogFinding(table="database", key="open", message=str(error))]


def changed(value: object) -> object:
    if isinstance(value, bytes):
        middle = len(value) // 2
        return value[:middle] + bytes((value[middle] ^ 1,)) + value[middle + 1 :]
    if isinstance(value, int):
        return value + 1
    if isinstance(value, str):
        return chr(ord(value[0]) ^ 1) + value[1:] if value else "x"
    raise AssertionError(f"no change for {value!r}")


def test_taking_the_guards_off_and_on_again_is_not_what_is_found(path: Path) -> None:
    with unguarded(path):
        pass
    assert findings(path) == []


@pytest.mark.parametrize(("table", "column"), [(t.name, c.name) for t in TABLES for c in t.columns])
def test_any_changed_column_is_found(path: Path, table: str, column: str) -> None:
    order = ", ".join(c.name for t in TABLES if t.name == table for c in t.primary_key)
    with closing(sqlite3.connect(path)) as connection:
        count = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
    clean = path.read_bytes()
    for number in range(min(count, 4)):
        path.write_bytes(clean)
        with unguarded(path) as connection:
            values = connection.execute(f"SELECT {column} FROM {table} ORDER BY {order}").fetchall()
            keys = connection.execute(f"SELECT {order} FROM {table} ORDER BY {order}").fetchall()
            where = " AND ".join(f"{name} = ?" for name in order.split(", "))
            new = changed(values[number][0])
            try:
                done = connection.execute(
                    f"UPDATE {table} SET {column} = ? WHERE {where}", (new, *keys[number])
                )
            except sqlite3.IntegrityError:  # the key is taken by the next row
                done = connection.execute(
                    f"UPDATE {table} SET {column} = ? WHERE {where}", (77, *keys[number])
                )
            assert done.rowcount == 1
        assert findings(path), f"{table}.{column} of row {number} changed unseen"


@pytest.mark.parametrize("table", [t.name for t in TABLES])
def test_any_missing_row_is_found(path: Path, table: str) -> None:
    order = ", ".join(c.name for t in TABLES if t.name == table for c in t.primary_key)
    with closing(sqlite3.connect(path)) as connection:
        keys = connection.execute(f"SELECT {order} FROM {table} ORDER BY {order}").fetchall()
    where = " AND ".join(f"{name} = ?" for name in order.split(", "))
    clean = path.read_bytes()
    for key in keys:
        path.write_bytes(clean)
        with unguarded(path) as connection:
            assert connection.execute(f"DELETE FROM {table} WHERE {where}", key).rowcount == 1
        is_open_runs_last = table == "run_chunk" and key[0].endswith("0003") and key[2] == 1
        if is_open_runs_last:  # nothing has said yet how many chunks this run will have
            continue
        assert findings(path), f"row {key} of {table} taken out unseen"


@pytest.mark.parametrize("table", ["run_begin", "run_chunk", "run_end", "entry", "schema_step"])
def test_any_foreign_row_is_found(path: Path, table: str) -> None:
    with unguarded(path) as connection:
        columns = [r[1] for r in connection.execute(f"PRAGMA table_info({table})")]
        chosen = ["log_id" if c == "log_id" else c for c in columns]
        key = {"entry": "number", "schema_step": "version", "run_chunk": "seq"}.get(table)
        made_up = f"{key} + 90" if key else "'20270101-000000-0009'"
        chosen = [made_up if c == (key or "record_id") else c for c in chosen]
        connection.execute(f"INSERT INTO {table} SELECT {', '.join(chosen)} FROM {table} LIMIT 1")
    assert findings(path)


def test_a_missing_guard_is_found(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER run_end_never_updated")
    assert [f.table for f in findings(path)] == ["run_end"]


def test_a_cut_tail_is_found_by_a_noted_head(path: Path) -> None:
    with RunLog.open(path) as log:
        (noted,) = heads(log)
        assert verify(log, anchor=noted) == []
    with unguarded(path) as connection:
        connection.execute("DELETE FROM entry WHERE number = ?", (noted.number,))
        connection.execute("DELETE FROM chain WHERE number = ?", (noted.number,))
    with RunLog.open(path) as log:
        assert verify(log) == []  # what verify alone cannot see, and says so
        assert "no longer holds" in verify(log, anchor=noted)[0].message
        forged = ChainHead(log_id=noted.log_id, number=0, link="00" * 32)
        assert verify(log, anchor=forged)


def _contents(path: Path) -> list[object]:
    with closing(sqlite3.connect(path)) as connection:
        return [connection.execute(f"SELECT * FROM {t.name}").fetchall() for t in TABLES]


def test_flipped_bits_of_the_file_are_found_or_change_nothing(path: Path) -> None:
    clean, contents = path.read_bytes(), _contents(path)
    chosen = random.Random(7)
    found = 0
    for _ in range(150):
        data = bytearray(clean)
        data[chosen.randrange(len(data))] ^= 1 << chosen.randrange(8)
        for rest in path.parent.glob("runs.db-*"):
            rest.unlink()
        path.write_bytes(data)
        if findings(path):
            found += 1
        else:
            assert _contents(path) == contents
    assert found > 15  # most of a small file is room that holds nothing yet
