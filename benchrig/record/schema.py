"""The tables of the run log and the steps that lead to them.

Nothing is ever updated or deleted: a run is a begin row, chunks of events and samples, and an
end row; whatever is said later is an entry. Triggers refuse the rest. Every row is hashed: the
chunks of a run in a chain of their own, everything else in the log's ``chain``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    String,
    Table,
    Text,
    text,
)
from sqlalchemy.schema import CreateIndex, CreateTable

APPLICATION_ID = 0x62726C67  # "brlg", in the header of the SQLite file
VERSION = 1

metadata = MetaData()


def _key(name: str) -> Column[str]:
    return Column(name, Text, nullable=False)


def _words(*names: str) -> list[Column[str]]:
    return [Column(name, Text, nullable=False) for name in names]


log_table = Table(
    "log",
    metadata,
    Column("log_id", String(32), primary_key=True),
    Column("created_at", Text, nullable=False),
    sqlite_with_rowid=False,
)

schema_table = Table(
    "schema_step",
    metadata,
    _key("log_id"),
    Column("version", Integer, nullable=False),
    Column("name", Text, nullable=False),
    PrimaryKeyConstraint("log_id", "version"),
    sqlite_with_rowid=False,
)

begin_table = Table(
    "run_begin",
    metadata,
    _key("record_id"),
    _key("log_id"),
    *_words("begun_at", "rig_unique_id", "tag", "order_number", "part"),
    Column("output", Integer, nullable=False),
    Column("plan", LargeBinary, nullable=False),  # RunPlan, JSON, zlib
    Column("rig", LargeBinary, nullable=False),  # RigIdentity, JSON, zlib
    PrimaryKeyConstraint("record_id", "log_id"),
    Index("run_begin_rig", "rig_unique_id", "record_id", "log_id"),
)

chunk_table = Table(
    "run_chunk",
    metadata,
    _key("record_id"),
    _key("log_id"),
    Column("seq", Integer, nullable=False),  # from 0, one count for all kinds
    Column("kind", Text, nullable=False),  # scales, events, samples
    Column("codec", Integer, nullable=False),
    Column("items", BigInteger, nullable=False),  # events or single codes
    Column("crc32", BigInteger, nullable=False),
    Column("digest", LargeBinary, nullable=False),  # this row and, through it, all before
    Column("data", LargeBinary, nullable=False),
    PrimaryKeyConstraint("record_id", "log_id", "seq"),
)

end_table = Table(
    "run_end",
    metadata,
    _key("record_id"),
    _key("log_id"),
    *_words("begun_at", "ended_at", "tag", "part", "part_number", "order_number"),
    *_words("position", "stage", "operator", "rig_unique_id", "verdict", "ending"),
    Column("proven_safe", Integer, nullable=False),
    Column("cycles_done", Integer, nullable=False),
    Column("drop_outs", Integer, nullable=False),
    Column("characteristic_values", Text, nullable=False),  # JSON: name -> [value, u, unit]
    Column("chunks", Integer, nullable=False),
    Column("chunks_digest", LargeBinary, nullable=False),
    Column("record", LargeBinary, nullable=False),  # RunRecord without cycles, JSON, zlib
    Column("features", LargeBinary, nullable=False),  # the cycles, JSON, zlib
    PrimaryKeyConstraint("record_id", "log_id"),
)
SUMMARY_COLUMNS = tuple(
    c for c in end_table.columns if c.name not in ("chunks", "chunks_digest", "record", "features")
)
Index("run_end_time", end_table.c.begun_at, end_table.c.record_id)
Index("run_end_order", end_table.c.order_number, end_table.c.begun_at)
# Everything a list shows lies in the index, so history reads no page with a blob. PostgreSQL
# bounds the size of an index row, and its heap keeps blobs apart anyway.
_rest = [c for c in SUMMARY_COLUMNS if c.name not in ("tag", "begun_at")]
_COVERING = Index("run_end_tag_all", end_table.c.tag, end_table.c.begun_at, *_rest)
_PLAIN = Index("run_end_tag", end_table.c.tag, end_table.c.begun_at)

entry_table = Table(
    "entry",
    metadata,
    _key("log_id"),
    Column("number", Integer, nullable=False),  # the same as in the chain
    *_words("kind", "at", "who", "record_id", "tag", "rig_unique_id", "data"),
    PrimaryKeyConstraint("log_id", "number"),
    Index("entry_record", "record_id", "kind"),
    Index("entry_tag", "tag", "kind"),
    Index("entry_rig", "rig_unique_id", "kind"),
)

chain_table = Table(
    "chain",
    metadata,
    _key("log_id"),
    Column("number", Integer, nullable=False),
    Column("kind", Text, nullable=False),  # log, schema, begin, end, entry
    Column("row_key", Text, nullable=False),
    Column("digest", LargeBinary, nullable=False),  # of the row
    Column("link", LargeBinary, nullable=False),  # of all rows so far
    PrimaryKeyConstraint("log_id", "number"),
    sqlite_with_rowid=False,
)

TABLES: tuple[Table, ...] = (
    *(log_table, schema_table, begin_table, chunk_table, end_table, entry_table, chain_table),
)


@dataclass(frozen=True, slots=True)
class Migration:
    """One step from the version before to ``version``; runs inside one transaction."""

    version: int
    name: str
    apply: Callable[[Connection], None]


def _create_first(connection: Connection) -> None:
    for table in TABLES:
        connection.execute(CreateTable(table))
        unfit = _PLAIN if connection.dialect.name == "sqlite" else _COVERING
        for index in sorted(table.indexes - {unfit}, key=lambda i: str(i.name)):
            connection.execute(CreateIndex(index))
        for statement in guards(table.name, connection.dialect.name):
            connection.execute(text(statement))


MIGRATIONS: tuple[Migration, ...] = (Migration(1, "first tables", _create_first),)


def guard_names(table: str) -> tuple[str, str]:
    """Names of the two triggers that keep a table append-only."""
    return f"{table}_never_updated", f"{table}_never_deleted"


def guards(table: str, dialect: str) -> list[str]:
    """Statements that make a table append-only."""
    updated, deleted = guard_names(table)
    if dialect == "sqlite":
        return [
            f"CREATE TRIGGER {name} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END"
            for name, verb in ((updated, "UPDATE"), (deleted, "DELETE"))
        ]
    function = (
        "CREATE OR REPLACE FUNCTION benchrig_append_only() RETURNS trigger LANGUAGE plpgsql "
        "AS $$ BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$"
    )
    return [
        function,
        f"CREATE TRIGGER {updated} BEFORE UPDATE ON {table} "
        "FOR EACH ROW EXECUTE FUNCTION benchrig_append_only()",
        f"CREATE TRIGGER {deleted} BEFORE DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION benchrig_append_only()",
    ]
