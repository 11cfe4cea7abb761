"""The outbox: what must reach the shop's broker, kept on disk until the broker has it.

One small SQLite file for all rigs of this host. Messages leave in the order they came; one is
marked as sent only after the broker's acknowledgement, so a crash sends it again and never
loses it. A receiver drops the double by its id. Sent messages are kept for a while, to be sent
again when a broker has lost what it had acknowledged.

The run log stays the truth: an outbox that is lost or full can be filled again from it.
"""

from __future__ import annotations

import json
import sqlite3
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchrig.errors import LogError

APPLICATION_ID = 0x42524F42
WAITING_MAX = 20_000  # a bench of forty parts a day fills this in over a year
SENT_KEPT = 1_000
BUSY_S = 10.0  # eight writers on a busy disk have waited for more than five
_TABLES = """
CREATE TABLE IF NOT EXISTS message (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    id TEXT NOT NULL UNIQUE,
    topic TEXT NOT NULL,
    payload TEXT NOT NULL,
    queued_at TEXT NOT NULL,
    sent_at TEXT
);
CREATE INDEX IF NOT EXISTS message_waiting ON message (number) WHERE sent_at IS NULL;
CREATE TABLE IF NOT EXISTS outbox (id TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS sender (owner TEXT NOT NULL, until_s REAL NOT NULL);
"""
_NOW_S = "((julianday('now') - 2440587.5) * 86400.0)"


def default_outbox_path() -> Path:
    """Where the outbox lies when nobody says otherwise."""
    from platformdirs import user_data_path

    return user_data_path("benchrig", appauthor=False) / "outbox.db"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutboxMessage:
    """One message: its place in the order, its id, where it goes, and what it says."""

    number: int
    id: str
    topic: str
    payload: dict[str, Any]
    queued_at: str
    sent_at: str | None


class Outbox:
    """The file at ``path``. Each call opens it anew, so any thread and process may use it."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = path or default_outbox_path()

    def put(self, message_id: str, topic: str, payload: dict[str, Any], queued_at: str) -> bool:
        """Keep a message, safe from a power cut; False when its id is here already."""
        text = json.dumps(payload, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
        with self._open() as connection, _writing(connection, durable=True):
            if connection.execute("SELECT 1 FROM message WHERE id = ?", (message_id,)).fetchone():
                return False
            if self._waiting(connection) >= WAITING_MAX:
                raise LogError(
                    f"outbox {self.path}: {WAITING_MAX} messages wait already",
                    advice="look why the broker does not take them: benchrig outbox send",
                )
            connection.execute(
                "INSERT INTO message (id, topic, payload, queued_at) VALUES (?, ?, ?, ?)",
                (message_id, topic, text, queued_at),
            )
        return True

    def waiting(self, *, after: int = 0, limit: int = 50) -> list[OutboxMessage]:
        """Messages not yet sent, in order, beyond a number."""
        return self._select(
            "WHERE sent_at IS NULL AND number > ? ORDER BY number LIMIT ?", after, limit
        )

    def newest(self, limit: int = 50) -> list[OutboxMessage]:
        """The newest messages, sent or not, in order."""
        return self._select("ORDER BY number DESC LIMIT ?", limit)[::-1]

    def count_waiting(self) -> int:
        """How many wait."""
        with self._open() as connection:
            return self._waiting(connection)

    def outbox_id(self) -> str:
        """The id of this file: numbers count up within it."""
        with self._open() as connection:
            return str(connection.execute("SELECT id FROM outbox").fetchone()[0])

    def mark_sent(self, number: int, sent_at: str) -> None:
        """The broker has acknowledged it. Old sent messages go."""
        with self._open() as connection, _writing(connection):
            connection.execute("UPDATE message SET sent_at = ? WHERE number = ?", (sent_at, number))
            if number % 100 == 0:
                connection.execute(
                    "DELETE FROM message WHERE sent_at IS NOT NULL AND number <= ?",
                    (number - SENT_KEPT,),
                )

    def send_again(self, newest: int) -> int:
        """Let the newest sent messages wait again; returns how many. For a broker that forgot."""
        with self._open() as connection, _writing(connection):
            return connection.execute(
                "UPDATE message SET sent_at = NULL WHERE number IN (SELECT number FROM message "
                "WHERE sent_at IS NOT NULL ORDER BY number DESC LIMIT ?)",
                (newest,),
            ).rowcount

    def lease(self, owner: str, hold_s: float) -> bool:
        """Be the one sender for a while, so that two processes do not mix their order."""
        with self._open() as connection, _writing(connection):
            row = connection.execute(
                f"SELECT owner FROM sender WHERE until_s > {_NOW_S}"
            ).fetchone()
            if row is not None and row[0] != owner:
                return False
            connection.execute("DELETE FROM sender")
            connection.execute(
                f"INSERT INTO sender (owner, until_s) VALUES (?, {_NOW_S} + ?)",
                (owner, hold_s),
            )
        return True

    def release(self, owner: str) -> None:
        """Let another send."""
        with self._open() as connection, _writing(connection):
            connection.execute("DELETE FROM sender WHERE owner = ?", (owner,))

    @staticmethod
    def _waiting(connection: sqlite3.Connection) -> int:
        query = "SELECT count(*) FROM message WHERE sent_at IS NULL"
        return int(connection.execute(query).fetchone()[0])

    def _select(self, how: str, *values: int) -> list[OutboxMessage]:
        with self._open() as connection:
            rows = connection.execute(
                f"SELECT number, id, topic, payload, queued_at, sent_at FROM message {how}",
                values,
            ).fetchall()
        return [
            OutboxMessage(
                number=number,
                id=message_id,
                topic=topic,
                payload=json.loads(payload),
                queued_at=queued_at,
                sent_at=sent_at,
            )
            for number, message_id, topic, payload, queued_at, sent_at in rows
        ]

    @contextmanager
    def _open(self) -> Iterator[sqlite3.Connection]:
        connection = None
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None)
            self._prepare(connection)
            yield connection
        except (sqlite3.Error, OSError, ValueError) as error:
            raise LogError(
                f"outbox {self.path}: {error}",
                advice="make room or check the rights; the run log has every verdict, "
                "`benchrig outbox send --from-log` takes them from there",
            ) from None
        finally:
            if connection is not None:
                connection.close()

    def _prepare(self, connection: sqlite3.Connection) -> None:
        (found,) = connection.execute("PRAGMA application_id").fetchone()
        # A mark that a power cut takes back only sends a double; a message must not be lost.
        connection.execute("PRAGMA synchronous=NORMAL")
        if found == APPLICATION_ID:
            return
        if found or connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
            (found,) = connection.execute("PRAGMA application_id").fetchone()
            if found == APPLICATION_ID:  # another process was just making it
                return
            raise LogError(f"outbox {self.path}: a file of another program", advice="give another")
        connection.execute("PRAGMA journal_mode=WAL")
        with _writing(connection):
            if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                return
            for statement in _TABLES.split(";"):
                if statement.strip():
                    connection.execute(statement)
            connection.execute("INSERT INTO outbox (id) VALUES (?)", (uuid.uuid4().hex,))
            connection.execute(f"PRAGMA application_id={APPLICATION_ID}")


@contextmanager
def _writing(connection: sqlite3.Connection, *, durable: bool = False) -> Iterator[None]:
    if durable:
        connection.execute("PRAGMA synchronous=FULL")
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")
