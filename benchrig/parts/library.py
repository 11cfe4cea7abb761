"""Finding part files: a path, the user's own folder, then the packaged ones."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from platformdirs import user_config_path

from benchrig.errors import InputFileError, UsageError

if TYPE_CHECKING:
    from benchrig.parts.part import Part

PACKAGED = Path(__file__).parent / "data"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartEntry:
    """One part file that ``load`` can find by name."""

    name: str
    path: Path
    packaged: bool
    hides_packaged: bool = False  # the user's own file of the same name comes first


def user_parts_dir() -> Path:
    """Where the user's own part files are looked for."""
    return user_config_path("benchrig", appauthor=False) / "parts"


def entries(user_dir: Path | None = None) -> list[PartEntry]:
    """Every part file that can be named, the user's own first, each name once."""
    packaged = {path.stem: path for path in _files(PACKAGED)}
    own = {path.stem: path for path in _files(user_dir or user_parts_dir())}
    found = [
        PartEntry(name=name, path=path, packaged=False, hides_packaged=name in packaged)
        for name, path in sorted(own.items())
    ]
    found += [
        PartEntry(name=name, path=path, packaged=True)
        for name, path in sorted(packaged.items())
        if name not in own
    ]
    return found


def find(name_or_path: str | Path, user_dir: Path | None = None) -> Path:
    """The file that a name or a path means; raises UsageError for a name nobody knows."""
    text = str(name_or_path)
    if isinstance(name_or_path, Path) or text.endswith(".toml") or "/" in text or "\\" in text:
        return Path(name_or_path)
    known = {entry.name: entry.path for entry in entries(user_dir)}
    if text in known:
        return known[text]
    from benchrig.tomlfile import did_you_mean, printable

    raise UsageError(
        f'no part is named "{printable(text)}"{did_you_mean(text, known)}',
        advice="see `benchrig part list`, or give the path of a part file (ending in .toml)",
    )


def load(name_or_path: str | Path, user_dir: Path | None = None) -> Part:
    """A part by name or path; raises UsageError (no such name) or InputFileError (a bad file)."""
    from benchrig.parts.partfile import read_part  # only a list is asked for more often

    return read_part(find(name_or_path, user_dir))


def check(name_or_path: str | Path, user_dir: Path | None = None) -> InputFileError | None:
    """Every fault of a part file, or None when it is right."""
    try:
        load(name_or_path, user_dir)
    except InputFileError as error:
        return error
    return None


def _files(folder: Path) -> Iterator[Path]:
    try:
        yield from sorted(folder.glob("*.toml"))
    except OSError:  # an unreadable folder of the user's holds no parts
        return
