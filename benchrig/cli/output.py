"""Standard output is data, standard error is talk."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from typing import Any


def say_json(value: Any) -> None:
    """One JSON document on standard output."""
    sys.stdout.write(json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False) + "\n")


def say(text: str = "") -> None:
    """A line of data on standard output."""
    sys.stdout.write(text + "\n")


def talk(text: str = "") -> None:
    """A line for the person, on standard error."""
    sys.stderr.write(text + "\n")


def columns(rows: Sequence[tuple[str, ...]], *, indent: str = "") -> str:
    """Rows as left-aligned columns."""
    if not rows:
        return ""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in rows)
    return "\n".join(indent + line.rstrip() for line in lines)
