"""Values as TOML text, so that what is written here is read back the same."""

from __future__ import annotations

import math

Scalar = str | bool | int | float


def toml_value(value: Scalar) -> str:
    """A value as it stands behind the equals sign."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        if not math.isfinite(value):
            raise ValueError(f"{value} has no place in these files")
        return repr(value)  # the shortest that reads back the same
    return _quoted(value)


def _quoted(text: str) -> str:
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else _escaped(c) for c in plain) + '"'


def _escaped(character: str) -> str:
    return f"\\U{ord(character):08X}"


def toml_table(header: str, entries: dict[str, Scalar | None]) -> str:
    """A table's text; entries that are None are left out. No header for the top of a file."""
    lines = [f"{key} = {toml_value(value)}" for key, value in entries.items() if value is not None]
    return "\n".join([header, *lines] if header else lines) + "\n"
