"""The log's chain: every row that counts is hashed, and each hash contains the one before."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, Table, bindparam, insert, select

from benchrig.record.rowhash import link, row_digest
from benchrig.record.schema import TABLES, chain_table

# Built once: most of the time of a small statement is building it.
_HEAD = (
    select(chain_table.c.number, chain_table.c.link)
    .where(chain_table.c.log_id == bindparam("log"))
    .order_by(chain_table.c.number.desc())
    .limit(1)
)
_INSERT = {table: insert(table) for table in TABLES}


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
    number, previous = head(connection, log_id)
    number += 1
    if "number" in table.columns:
        row = {**row, "number": number}
    own = row_digest(table, row)
    connection.execute(_INSERT[table], dict(row))
    connection.execute(
        _INSERT[chain_table],
        {
            "log_id": log_id,
            "number": number,
            "kind": kind,
            "row_key": row_key,
            "digest": own,
            "link": link(previous, log_id, number, kind, row_key, own),
        },
    )
    return number
