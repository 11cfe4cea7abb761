"""Finding part files by name."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchrig.library import Library

if TYPE_CHECKING:
    from benchrig.parts.part import Part


def _read(path: Path) -> Part:
    from benchrig.parts.partfile import read_part  # only a list is asked for more often

    return read_part(path)


_parts = Library(kind="part", packaged=Path(__file__).parent / "data", read=_read)
entries, find, load, check = _parts.entries, _parts.find, _parts.load, _parts.check
