"""Opening the log's database: engines, pragmas, versions, and errors a person can act on."""

from __future__ import annotations

import os
import sqlite3
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, insert, inspect, select, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, SQLAlchemyError
from sqlalchemy.pool import QueuePool

from benchrig.errors import LogError
from benchrig.record import schema
from benchrig.record.chain import append_row

SQLITE_MAGIC = b"SQLite format 3\x00"
BUSY_MS = 5000
_RESTORE = "restore a backup, or give another log with --log"


def default_path() -> Path:
    """Where the log lies when nobody says otherwise."""
    from platformdirs import user_data_path

    return user_data_path("benchrig", appauthor=False) / "runs.db"


def parse_url(where: str | Path | None) -> URL:
    """A path or a database URL; only SQLite and PostgreSQL are spoken."""
    if "\0" in str(where):
        raise LogError("the log's name has a NUL in it", advice="give a file path")
    if where is None or "://" not in str(where):
        return URL.create("sqlite", database=str(where or default_path()))
    try:
        url = make_url(str(where))
    except ArgumentError:
        raise LogError(
            "the log's URL cannot be read", advice="postgresql://user@host/database, or a path"
        ) from None
    backend = url.drivername.split("+")[0]
    if backend in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    if backend == "sqlite" and url.database:
        return URL.create("sqlite", database=url.database)
    raise LogError(
        f"{backend}: not a kind of log this program keeps",
        advice="give a file path, or postgresql://user@host/database",
    )


def shown(url: URL) -> str:
    """The URL as a person may see it: never with a password."""
    if url.drivername == "sqlite":
        return str(url.database)
    return url.set(drivername="postgresql", query={}).render_as_string(hide_password=True)


def is_sqlite(url: URL) -> bool:
    """Whether the log is a file here."""
    return url.drivername == "sqlite"


@contextmanager
def log_errors(url: URL) -> Iterator[None]:
    """Turn the database's errors into LogError, without passwords and with advice."""
    try:
        yield
    except (SQLAlchemyError, sqlite3.Error, OSError, ImportError, UnicodeError) as error:
        raise as_log_error(url, error) from None


def as_log_error(url: URL, error: Exception) -> LogError:
    """The LogError for what went wrong."""
    cause = getattr(error, "orig", None) or error
    words = " ".join(str(cause).split()) or type(cause).__name__
    secret = url.password
    if secret:
        words = words.replace(str(secret), "***")
    return LogError(f"run log {shown(url)}: {words[:300]}", advice=_advice(url, words.lower()))


def _advice(url: URL, words: str) -> str:
    if not is_sqlite(url):
        if "psycopg" in words and "module" in words:
            return "pip install 'benchrig[postgres]'"
        if "append-only" in words or "permission denied" in words:
            return "the log only takes new rows; check the rights of the database role"
        return "check host, port, role and password, and that the server runs"
    for sign, advice in (
        ("full", "make room on the disk; what was committed before is kept"),
        ("readonly", "check the rights of the file and its directory"),
        ("read-only", "check the rights of the file and its directory"),
        ("locked", "another process holds the log; try again"),
        ("decode", f"the file is damaged; {_RESTORE}"),
        ("malformed", f"the file is damaged; {_RESTORE}"),
        ("not a database", f"the file is no run log; {_RESTORE}"),
        ("unable to open", "check that the directory exists and may be written"),
        ("permission", "check the rights of the file and its directory"),
        ("append-only", "the log only takes new rows; use `record correct`"),
    ):
        if sign in words:
            return advice
    return f"run `benchrig record verify`, or {_RESTORE}"


def make_engine(url: URL, *, read_only: bool) -> Engine:
    """An engine whose SQLite connections wait for each other and begin as they are told."""
    if not is_sqlite(url):
        args: dict[str, Any] = {"connect_timeout": 10}
        return create_engine(url, connect_args=args, pool_pre_ping=True, hide_parameters=True)
    return _file_engine(Path(str(url.database)).absolute(), read_only)


@lru_cache(maxsize=8)
def _file_engine(path: Path, read_only: bool) -> Engine:
    """The engine of a file, kept after its log was closed with the statements it has compiled.

    A closed log has disposed of its connections; the next one opens the file anew.
    """

    def connect() -> sqlite3.Connection:
        if not read_only:
            return sqlite3.connect(path, timeout=BUSY_MS / 1000, check_same_thread=False)
        # Without a journal beside it the file is complete, and a directory that may not be
        # written cannot hold the shared index WAL needs.
        wal = path.with_name(path.name + "-wal")
        settled = not wal.exists() or wal.stat().st_size == 0
        target = f"{path.as_uri()}?mode=ro" + ("&immutable=1" if settled else "")
        return sqlite3.connect(target, uri=True, timeout=BUSY_MS / 1000, check_same_thread=False)

    engine = create_engine(
        "sqlite://", creator=connect, poolclass=QueuePool, max_overflow=-1, hide_parameters=True
    )

    @event.listens_for(engine, "connect")
    def _pragmas(connection: sqlite3.Connection, _: object) -> None:
        connection.isolation_level = None  # this module writes BEGIN itself, DDL included
        connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")
        connection.execute("PRAGMA synchronous=NORMAL")
        if not read_only:
            connection.execute("PRAGMA journal_mode=WAL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        immediate = connection.get_execution_options().get("immediate", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if immediate else "BEGIN")

    return engine


def set_full_sync(connection: Connection, full: bool) -> None:
    """Whether the next commits of a SQLite connection survive a power cut, not only a crash."""
    driver = connection.connection.driver_connection
    if isinstance(driver, sqlite3.Connection):
        driver.execute(f"PRAGMA synchronous={'FULL' if full else 'NORMAL'}")


def check_file(path: Path) -> None:
    """Refuse a file that is no run log of ours before anything is written to it."""
    if path.is_dir():
        raise LogError(f"run log {path}: is a directory", advice="give a file")
    if not path.exists() or path.stat().st_size == 0:
        return
    try:
        with path.open("rb") as file:
            head = file.read(100)
    except OSError as error:
        raise LogError(
            f"run log {path}: {error.strerror}", advice="check the rights of the file"
        ) from None
    if len(head) < 100 or not head.startswith(SQLITE_MAGIC):
        raise LogError(f"run log {path}: not a run log", advice=_RESTORE)
    application = int.from_bytes(head[68:72], "big")
    wal = path.with_name(path.name + "-wal")
    if wal.exists() and wal.stat().st_size:
        return  # the newest header may still be in the journal
    if application != schema.APPLICATION_ID:
        raise LogError(f"run log {path}: a database of another program", advice=_RESTORE)
    page = int.from_bytes(head[16:18], "big")
    pages = int.from_bytes(head[28:32], "big")
    if path.stat().st_size < (65536 if page == 1 else page) * pages:
        raise LogError(f"run log {path}: the file is cut short", advice=_RESTORE)


def version_of(connection: Connection) -> int:
    """The schema's version, 0 for an empty database; raises LogError for another's tables."""
    names = set(inspect(connection).get_table_names())
    ours = {table.name for table in schema.TABLES}
    if schema.schema_table.name not in names or schema.log_table.name not in names:
        if names and (connection.dialect.name == "sqlite" or names & ours):
            raise LogError("the database holds tables of another program", advice=_RESTORE)
        return 0
    query = select(schema.schema_table.c.version)
    if connection.dialect.name != "sqlite":  # beside the steps of the logs that were pushed
        query = query.where(schema.schema_table.c.log_id == "")
    return max(connection.execute(query).scalars().all(), default=0)


def own_log_id(connection: Connection) -> str:
    """The id of the log that lives in this file."""
    found = connection.execute(select(schema.log_table.c.log_id)).scalars().all()
    if len(found) != 1:
        raise LogError("the log has lost its identity", advice=_RESTORE)
    return str(found[0])


def check_version(url: URL, version: int) -> None:
    """Refuse a schema that only a newer program knows."""
    if version > schema.VERSION:
        raise LogError(
            f"run log {shown(url)}: made by a newer benchrig (schema {version}, "
            f"this one knows {schema.VERSION})",
            advice="update benchrig; nothing was changed",
        )


def migrate(engine: Engine, url: URL) -> int:
    """Bring the schema to this version, which it gives; each step in one transaction.

    A file is copied before its tables change.
    """
    with engine.connect() as connection:
        version = version_of(connection)
    check_version(url, version)
    if version == schema.VERSION:
        return version
    if version and is_sqlite(url):
        backup(Path(str(url.database)), version)
    for step in schema.MIGRATIONS:
        with engine.execution_options(immediate=True).begin() as connection:
            _take_step(connection, step)
    return schema.VERSION


def _take_step(connection: Connection, step: schema.Migration) -> None:
    if connection.dialect.name == "postgresql":
        connection.execute(text(f"SELECT pg_advisory_xact_lock({schema.APPLICATION_ID})"))
    if version_of(connection) >= step.version:  # another process was first
        return
    step.apply(connection)
    if connection.dialect.name != "sqlite":
        # The shared log has no runs of its own; its steps stand under no log's name.
        row = {"log_id": "", "version": step.version, "name": step.name}
        connection.execute(insert(schema.schema_table).values(row))
        return
    if step.version == 1:
        connection.exec_driver_sql(f"PRAGMA application_id={schema.APPLICATION_ID}")
        now = str(connection.scalar(text("SELECT strftime('%Y-%m-%dT%H:%M:%SZ', 'now')")))
        own = {"log_id": uuid.uuid4().hex, "created_at": now}
        append_row(connection, own["log_id"], "log", schema.log_table, own, own["log_id"])
    log_id = own_log_id(connection)
    row = {"log_id": log_id, "version": step.version, "name": step.name}
    append_row(connection, log_id, "schema", schema.schema_table, row, str(step.version))


def backup(path: Path, version: int) -> Path:
    """A copy of the file as it is, beside it, before its tables change."""
    target = path.with_name(f"{path.name}.v{version}.backup")
    number = 1
    while target.exists():
        number += 1
        target = path.with_name(f"{path.name}.v{version}.backup{number}")
    source, copy = sqlite3.connect(path), sqlite3.connect(target)
    try:
        with copy:
            source.backup(copy)
    finally:
        source.close()
        copy.close()
    os.chmod(target, 0o444)  # noqa: PTH101
    return target
