"""Files that commands write: where to, and what is said when they cannot be written."""

from __future__ import annotations

import os
from pathlib import Path

from benchrig.errors import UsageError
from benchrig.text import printable


def file_words(text: str) -> str:
    """Words that a person typed, as part of a file's name on any system."""
    return "".join(c if c.isalnum() or c in "-_." else "_" for c in text)


def destination(out: Path | None, default: str) -> Path:
    """Where to write; refuses at once what plainly cannot be written."""
    path = out or Path(default)
    if not path.parent.is_dir():
        raise UsageError(f"there is no folder {printable(path.parent)}")
    if path.is_dir():
        raise UsageError(f"{printable(path)} is a folder", advice="give the name of a file in it")
    if not os.access(path if path.exists() else path.parent, os.W_OK):
        raise UsageError(f"{printable(path)} may not be written by this user")
    return path


def write_file(path: Path, content: str | bytes) -> None:
    """Write a whole file; UsageError says why it cannot be."""
    try:
        path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    except OSError as error:
        raise cannot_write(path, error) from error


def cannot_write(path: Path, error: OSError) -> UsageError:
    """The error for a file that could not be written."""
    return UsageError(
        f"{printable(path)} cannot be written: {error.strerror or error}",
        advice="give another place; what the run log has is safe",
    )
