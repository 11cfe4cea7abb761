"""Digests of rows: what is hashed, in which order, and how one digest leads to the next."""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from sqlalchemy import Table

DIGEST_COLUMN = "digest"


def row_bytes(table: Table, row: Mapping[str, Any]) -> bytes:
    """All columns of a row as bytes that tell names, types and lengths apart.

    Its own digest is left out, and so is NULL: a column that a later version adds changes no
    digest of an earlier row.
    """
    title, columns = _names(table)
    parts = [title]
    for name, name_bytes in columns:
        value = row[name]
        if value is not None:
            parts += (name_bytes, _value_bytes(value))
    return b"".join(parts)


@lru_cache(maxsize=32)
def _names(table: Table) -> tuple[bytes, tuple[tuple[str, bytes], ...]]:
    names = [column.name for column in table.columns if column.name != DIGEST_COLUMN]
    return _value_bytes(table.name), tuple((name, _value_bytes(name)) for name in names)


def _value_bytes(value: Any) -> bytes:
    if isinstance(value, int):
        kind, data = b"i", str(int(value)).encode()
    elif isinstance(value, float):
        kind, data = b"f", struct.pack(">d", value)
    elif isinstance(value, str):
        kind, data = b"s", value.encode("utf-8", "surrogatepass")
    else:
        kind, data = b"b", bytes(value)
    return kind + struct.pack(">Q", len(data)) + data


def row_digest(table: Table, row: Mapping[str, Any]) -> bytes:
    """SHA-256 of a row that stands alone."""
    return hashlib.sha256(row_bytes(table, row)).digest()


def next_digest(previous: bytes, table: Table, row: Mapping[str, Any]) -> bytes:
    """SHA-256 of a row that follows others: the one before it is hashed in."""
    return hashlib.sha256(previous + row_bytes(table, row)).digest()


def link(previous: bytes, log_id: str, number: int, kind: str, row_key: str, own: bytes) -> bytes:
    """The chain's next link."""
    head = b"".join(_value_bytes(part) for part in (log_id, number, kind, row_key, own))
    return hashlib.sha256(previous + head).digest()
