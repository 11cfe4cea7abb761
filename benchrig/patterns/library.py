"""Finding pattern files by name."""

from __future__ import annotations

from pathlib import Path

from benchrig.library import Library
from benchrig.patterns.patternfile import read_pattern

_patterns = Library(kind="pattern", packaged=Path(__file__).parent / "data", read=read_pattern)
entries, find, load, check = (
    _patterns.entries,
    _patterns.find,
    _patterns.load,
    _patterns.check,
)
