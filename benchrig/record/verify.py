"""Does the log still say what was written? Every row of every table is hashed again.

What this cannot see: rows cut off at the end of the whole chain together with their links. The
chain's head, noted elsewhere or pushed to a shared log, shows that too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from sqlalchemy import Connection, Table, func, select, text
from sqlalchemy.exc import SQLAlchemyError

from benchrig.record.chain import head
from benchrig.record.read import LogReader
from benchrig.record.rowhash import link, next_digest, row_digest
from benchrig.record.schema import (
    TABLES,
    begin_table,
    chain_table,
    chunk_table,
    end_table,
    entry_table,
    guard_names,
    log_table,
    schema_table,
)
from benchrig.record.writer import first_digest


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFinding:
    """One thing that is not as it was written."""

    table: str
    key: str
    message: str

    def __str__(self) -> str:
        return f"{self.table} {self.key}: {self.message}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainHead:
    """The last link of a log's chain; note it elsewhere to see later that nothing was cut off."""

    log_id: str
    number: int
    link: str


# Chain kind -> its table, and the column that names the row beside log_id.
CHAINED: dict[str, tuple[Table, str]] = {
    "log": (log_table, "log_id"),
    "schema": (schema_table, "version"),
    "begin": (begin_table, "record_id"),
    "end": (end_table, "record_id"),
    "entry": (entry_table, "number"),
}


def heads(log: LogReader) -> list[ChainHead]:
    """The heads of all chains in a log."""
    with log.reading() as connection:
        ids = connection.execute(select(chain_table.c.log_id).distinct()).scalars().all()
        return [
            ChainHead(log_id=log_id, number=number, link=last.hex())
            for log_id in sorted(ids)
            for number, last in (head(connection, log_id),)
        ]


def verify(log: LogReader, *, anchor: ChainHead | None = None) -> list[LogFinding]:
    """All that is not as it was written; empty for a sound log."""
    with log.reading() as connection:
        found = list(_structure(connection))
        found += _guarded("chain", "", partial(_chains, connection, anchor))
        for record_id, log_id in _runs(connection, found):
            work = partial(_run, connection, record_id, log_id)
            found += _guarded("run_chunk", record_id, work)
        found += _guarded("database", "", partial(_strays, connection))
    return found


def _guarded(table: str, key: str, work: Callable[[], Iterable[LogFinding]]) -> list[LogFinding]:
    """A page or a text that cannot even be read is a finding, not the end of the search."""
    found: list[LogFinding] = []
    try:
        found.extend(work())  # keeps what was found before the page that cannot be read
    except (SQLAlchemyError, UnicodeError, TypeError, ValueError) as error:
        words = str(getattr(error, "orig", None) or error)
        found.append(LogFinding(table=table, key=key, message=f"cannot be read: {words}"))
    return found


def _structure(connection: Connection) -> Iterator[LogFinding]:
    if connection.dialect.name != "sqlite":
        return
    try:
        for (line,) in connection.execute(text("PRAGMA integrity_check(20)")):
            if line != "ok":
                yield LogFinding(table="database", key="file", message=str(line))
        names = set(connection.execute(text("SELECT name FROM sqlite_master")).scalars())
    except (SQLAlchemyError, UnicodeError) as error:
        yield LogFinding(table="database", key="file", message=str(getattr(error, "orig", error)))
        return
    for table in TABLES:
        for name in guard_names(table.name):
            if name not in names:
                yield LogFinding(table=table.name, key=name, message="the guard is gone")


def _chains(connection: Connection, anchor: ChainHead | None) -> Iterator[LogFinding]:
    expected, previous, log_id = 0, b"", None
    anchored = anchor is None
    query = select(chain_table).order_by(chain_table.c.log_id, chain_table.c.number)
    for row in connection.execute(query).mappings():
        key = f"{row['log_id'][:8]} {row['number']}"
        if row["log_id"] != log_id:
            expected, previous, log_id = 0, b"", row["log_id"]
        if row["number"] != expected:
            yield LogFinding(table="chain", key=key, message=f"number {expected} is missing")
        own = bytes(row["digest"])
        fields = (row["log_id"], row["number"], row["kind"], row["row_key"], own)
        if link(previous, *fields) != row["link"]:
            yield LogFinding(table="chain", key=key, message="the link does not follow")
        if anchor and (anchor.log_id, anchor.number) == (log_id, row["number"]):
            anchored = anchor.link == bytes(row["link"]).hex()
        expected, previous = row["number"] + 1, bytes(row["link"])
        yield from _guarded(str(row["kind"]), key, partial(_chained, connection, dict(row)))
    if not anchored and anchor:
        message = f"the chain no longer holds the head noted as number {anchor.number}"
        yield LogFinding(table="chain", key=anchor.log_id[:8], message=message)


def _chained(connection: Connection, chain: Mapping[str, Any]) -> Iterator[LogFinding]:
    if chain["kind"] not in CHAINED:
        yield LogFinding(table="chain", key=str(chain["number"]), message="of an unknown kind")
        return
    table, column = CHAINED[chain["kind"]]
    key: Any = chain["row_key"]
    if column == "number":
        key = chain["number"]
    elif column == "version":
        key = int(key)
    query = select(table).where(table.c.log_id == chain["log_id"], table.c[column] == key)
    row = connection.execute(query).mappings().first()
    if row is None:
        yield LogFinding(table=table.name, key=str(key), message="the row is missing")
    elif row_digest(table, dict(row)) != chain["digest"]:
        yield LogFinding(table=table.name, key=str(key), message="the row was changed")


def _runs(connection: Connection, found: list[LogFinding]) -> list[tuple[str, str]]:
    """Every run any table knows."""
    known: set[tuple[str, str]] = set()
    for table in (begin_table, chunk_table, end_table):
        try:
            query = select(table.c.record_id, table.c.log_id).distinct()
            known.update((str(r), str(i)) for r, i in connection.execute(query))
        except (SQLAlchemyError, UnicodeError) as error:
            words = str(getattr(error, "orig", None) or error)
            found.append(LogFinding(table=table.name, key="", message=f"cannot be read: {words}"))
    return sorted(known)


def _run(connection: Connection, record_id: str, log_id: str) -> list[LogFinding]:
    """The chunks of one run, from its begin row to its end row."""

    def rows(table: Table) -> Any:
        where = (table.c.record_id == record_id, table.c.log_id == log_id)
        return connection.execute(select(table).where(*where)).mappings()

    found: list[LogFinding] = []

    def say(table: Table, message: str) -> None:
        found.append(LogFinding(table=table.name, key=record_id, message=message))

    begin, end = rows(begin_table).first(), rows(end_table).first()
    if begin is None:
        say(begin_table, "the row is missing")
        return found
    digest, count = first_digest(row_digest(begin_table, dict(begin))), 0
    where = (chunk_table.c.record_id == record_id, chunk_table.c.log_id == log_id)
    query = select(chunk_table).where(*where).order_by(chunk_table.c.seq)
    for row in connection.execution_options(yield_per=16).execute(query).mappings():
        if row["seq"] != count:
            say(chunk_table, f"chunk {count} is missing")
        digest = next_digest(digest, chunk_table, dict(row))
        if digest != row["digest"]:
            say(chunk_table, f"chunk {row['seq']} was changed")
            digest = bytes(row["digest"])
        count = row["seq"] + 1
    if end is not None and (end["chunks"], end["chunks_digest"]) != (count, digest):
        say(chunk_table, "the chunks do not end as the record says")
    return found


def _strays(connection: Connection) -> Iterator[LogFinding]:
    """Rows that the chain does not know."""
    for kind, (table, _) in CHAINED.items():
        rows = connection.scalar(select(func.count()).select_from(table))
        links = connection.scalar(
            select(func.count()).select_from(chain_table).where(chain_table.c.kind == kind)
        )
        # The steps of a shared log's own tables stand under no log's name.
        if table is schema_table:
            rows = connection.scalar(
                select(func.count()).select_from(table).where(table.c.log_id != "")
            )
        if rows != links:
            message = f"{rows} rows, but the chain knows {links}"
            yield LogFinding(table=table.name, key="all", message=message)
