"""The log's chain: every row that counts is hashed, and each hash contains the one before."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, bindparam, select

from benchrig.record.rowhash import link, row_digest
from benchrig.record.schema import TABLES, chain_table

# Built once: most of the time of a small statement is building it.
_HEAD = (
    select(chain_table.c.number, chain_table.c.link)
    .where(chain_table.c.log_id == bindparam("log"))
    .order_by(chain_table.c.number.desc())
    .limit(1)
)


def _statement(table: Table) -> str:
    names = [column.name for column in table.columns]
    return f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"


# A chain grows in a file only, a shared log is given its copy; so these go to the driver at once,
# which is half of the time of a small transaction.
_INSERT = {table: _statement(table) for table in TABLES}
_HEAD_HERE = "SELECT number, link FROM chain WHERE log_id = ? ORDER BY number DESC LIMIT 1"


def head(connection: Connection, log_id: str) -> tuple[int, bytes]:
    """Number and link of the chain's last row; (-1, empty) before the first."""
    row = connection.execute(_HEAD, {"log": log_id}).first()
    return (-1, b"") if row is None else (int(row[0]), bytes(row[1]))


def append_row(
    connection: Connection,
    log_id: str,
    kind: str,
    table: Table,
    row: Mapping[str, Any],
    row_key: str,
) -> int:
    """Insert a row and its link. The caller's transaction must already hold the write lock."""
    driver: Any = connection.connection.driver_connection
    last = driver.execute(_HEAD_HERE, (log_id,)).fetchone()
    number, previous = (0, b"") if last is None else (last[0] + 1, last[1])
    if "number" in table.columns:
        row = {**row, "number": number}
    own = row_digest(table, row)
    values = tuple(row[column.name] for column in table.columns)
    driver.execute(_INSERT[table], values)
    linked = link(previous, log_id, number, kind, row_key, own)
    driver.execute(_INSERT[chain_table], (log_id, number, kind, row_key, own, linked))
    return number
