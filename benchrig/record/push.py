"""Copy a log into the shared one, link by link of its chain; the local file stays the truth.

Each transaction carries the links up to the end of one run, with every row they stand for, and
is read back and hashed before it is committed. Rows that are there already are left alone, so
pushing again, from anywhere, after any interruption, changes nothing.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, Table, select
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.engine import URL
from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError

from benchrig.errors import LogError, UsageError
from benchrig.record import database
from benchrig.record.chain import head
from benchrig.record.log import RunLog
from benchrig.record.rowhash import next_digest, row_digest
from benchrig.record.schema import begin_table, chain_table, chunk_table, end_table
from benchrig.record.verify import CHAINED
from benchrig.record.writer import first_digest

Row = dict[str, Any]
TRIES_MAX = 12  # without any progress in between
PAUSE_S = 0.25
PAUSE_S_MAX = 8.0
LINKS_AT_ONCE = 64
ROWS_AT_ONCE = 32
_HOPELESS = ("authentication", "does not exist", "permission denied", "no password")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pushed:
    """What a push did."""

    runs: int  # ended runs that were new over there
    links: int  # links that were new over there
    retries: int  # how often the connection had to be made anew
    head: int  # number of the last link, the same on both sides now


def push(log: RunLog, where: str, *, on_run: Callable[[str], None] | None = None) -> Pushed:
    """Copy everything the shared log does not have yet. Raises LogError; never half a run."""
    url = database.parse_url(where)
    if database.is_sqlite(url):
        raise UsageError(
            f"{database.shown(url)}: a log is pushed to a database server",
            advice="postgresql://user@host/database",
        )
    with database.log_errors(url):
        engine = database.make_engine(url, read_only=False)
        try:
            return _Pusher(log, engine, url, on_run).run()
        finally:
            engine.dispose()


class _Pusher:
    """One push; keeps count and tries again when the server goes away."""

    def __init__(
        self, log: RunLog, engine: Engine, url: URL, on_run: Callable[[str], None] | None
    ) -> None:
        self._log, self._engine, self._url, self._on_run = log, engine, url, on_run
        self._runs = self._links = self._retries = 0

    def run(self) -> Pushed:
        tries = 0
        while True:
            before = self._links
            try:
                last = self._copy()
                return Pushed(runs=self._runs, links=self._links, retries=self._retries, head=last)
            except DBAPIError as error:
                if isinstance(error.orig, sqlite3.Error):  # not the server: our own file
                    raise database.as_log_error(self._log.url, error) from None
                if not isinstance(error, OperationalError | InterfaceError):
                    raise
                tries = 1 if self._links > before else tries + 1
                hopeless = any(sign in str(error.orig) for sign in _HOPELESS)
                if hopeless or tries >= TRIES_MAX:
                    raise
                self._retries += 1
                threading.Event().wait(min(PAUSE_S * 2**tries, PAUSE_S_MAX))

    def _copy(self) -> int:
        database.migrate(self._engine, self._url)
        with self._log.connect() as here, self._engine.connect() as there:
            with there.begin():
                last = self._same_so_far(here, there)
            for links in _groups(here, self._log.log_id, last):
                with there.begin():
                    new = _copy_links(here, there, links)
                last = links[-1]["number"]
                self._links += new
                ended = [link["row_key"] for link in links if link["kind"] == "end"]
                if new:
                    self._runs += len(ended)
                if self._on_run is not None:
                    for record_id in ended:
                        self._on_run(record_id)
        return last

    def _same_so_far(self, here: Connection, there: Connection) -> int:
        """The shared log's last number of this log, after a look that both tell one story."""
        number, link = head(there, self._log.log_id)
        if number < 0:
            return number
        own = here.scalar(
            select(chain_table.c.link).where(
                chain_table.c.log_id == self._log.log_id, chain_table.c.number == number
            )
        )
        if own is None or bytes(own) != link:
            raise LogError(
                f"run log {self._log.shown}: is not the log that was pushed before "
                f"(link {number} differs)",
                advice="run `benchrig record verify`; it was cut, changed or restored from a copy",
            )
        return number


def _groups(here: Connection, log_id: str, after: int) -> Iterator[list[Row]]:
    """The links after a number, up to the end of a run at a time."""
    while True:
        query = (
            select(chain_table)
            .where(chain_table.c.log_id == log_id, chain_table.c.number > after)
            .order_by(chain_table.c.number)
            .limit(LINKS_AT_ONCE)
        )
        links = [dict(row) for row in here.execute(query).mappings()]
        if not links:
            return
        ends = [n for n, link in enumerate(links, 1) if link["kind"] == "end"]
        start = 0
        for stop in ends if ends else [len(links)]:
            yield links[start:stop]
            start = stop
        after = links[start - 1]["number"]


def _copy_links(here: Connection, there: Connection, links: Sequence[Row]) -> int:
    """Insert links and their rows, then read all back; the number of links that were new."""
    for link in links:
        table, where = _place(link)
        _put(there, table, [_only(here, table, where)])
        if link["kind"] == "end":
            for rows in _chunks(here, link):
                _put(there, chunk_table, rows)
    new = _put(there, chain_table, links)
    for link in links:
        table, where = _place(link)
        if row_digest(table, _only(there, table, where)) != link["digest"]:
            raise _differs(table, link)
        if link["kind"] == "end":
            _check_chunks(there, link)
        number, log_id = chain_table.c.number == link["number"], link["log_id"]
        if _only(there, chain_table, [number, chain_table.c.log_id == log_id]) != link:
            raise _differs(chain_table, link)
    return new


def _put(there: Connection, table: Table, rows: Sequence[Row]) -> int:
    statement = insert(table).on_conflict_do_nothing()
    statement = statement.execution_options(preserve_rowcount=True)
    return sum(there.execute(statement.values(row)).rowcount for row in rows)


def _place(link: Row) -> tuple[Table, list[Any]]:
    """Where the row of a link stands."""
    table, column = CHAINED[link["kind"]]
    key: Any = link["row_key"]
    if column == "number":
        key = link["number"]
    elif column == "version":
        key = int(key)
    return table, [table.c.log_id == link["log_id"], table.c[column] == key]


def _only(connection: Connection, table: Table, where: Sequence[Any]) -> Row:
    row = connection.execute(select(table).where(*where)).mappings().first()
    if row is None:
        raise LogError(
            f"{table.name}: a row that the chain knows is missing",
            advice="run `benchrig record verify`",
        )
    return dict(row)


def _chunks(connection: Connection, end: Row) -> Iterator[list[Row]]:
    seq = -1
    while True:
        chunk = chunk_table.c
        query = (
            select(chunk_table)
            .where(chunk.record_id == end["row_key"], chunk.log_id == end["log_id"])
            .where(chunk.seq > seq)
            .order_by(chunk.seq)
            .limit(ROWS_AT_ONCE)
        )
        rows = [dict(row) for row in connection.execute(query).mappings()]
        if not rows:
            return
        yield rows
        seq = rows[-1]["seq"]


def _check_chunks(there: Connection, end: Row) -> None:
    def only(table: Table) -> Row:
        where = [table.c.log_id == end["log_id"], table.c.record_id == end["row_key"]]
        return _only(there, table, where)

    digest, count = first_digest(row_digest(begin_table, only(begin_table))), 0
    for rows in _chunks(there, end):
        for row in rows:
            digest, count = next_digest(digest, chunk_table, row), count + 1
    closing = only(end_table)
    if (closing["chunks"], closing["chunks_digest"]) != (count, digest):
        raise _differs(chunk_table, end)


def _differs(table: Table, link: Row) -> LogError:
    return LogError(
        f"{table.name} {link['row_key']}: the shared log holds something else; nothing was changed",
        advice="run `benchrig record verify` on both logs",
    )
