"""Files that are called by a name: the user's own folder comes first, then the packaged ones."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from platformdirs import user_config_path

from benchrig.errors import InputFileError, UsageError

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class LibraryEntry:
    """One file that can be called by name."""

    name: str
    path: Path
    packaged: bool
    hides_packaged: bool = False  # the user's own file of the same name comes first


@dataclass(frozen=True, slots=True, kw_only=True)
class Library(Generic[T]):
    """The files of one kind of thing, and how to read one."""

    kind: str  # the word for one, which is the word of its command too
    packaged: Path
    read: Callable[[Path], T]

    def user_dir(self) -> Path:
        """Where the user's own files are looked for."""
        return user_config_path("benchrig", appauthor=False) / f"{self.kind}s"

    def entries(self, user_dir: Path | None = None) -> list[LibraryEntry]:
        """Every file that can be named, the user's own first, each name once."""
        packaged = {path.stem: path for path in _files(self.packaged)}
        own = {path.stem: path for path in _files(user_dir or self.user_dir())}
        found = [
            LibraryEntry(name=name, path=path, packaged=False, hides_packaged=name in packaged)
            for name, path in sorted(own.items())
        ]
        found += [
            LibraryEntry(name=name, path=path, packaged=True)
            for name, path in sorted(packaged.items())
            if name not in own
        ]
        return found

    def find(self, name_or_path: str | Path, user_dir: Path | None = None) -> Path:
        """The file that a name or a path means; raises UsageError for a name nobody knows."""
        text = str(name_or_path)
        if isinstance(name_or_path, Path) or text.endswith(".toml") or "/" in text or "\\" in text:
            return Path(name_or_path)
        known = {entry.name: entry.path for entry in self.entries(user_dir)}
        if text in known:
            return known[text]
        from benchrig.text import printable
        from benchrig.tomlfile import did_you_mean  # only a mistake needs them

        raise UsageError(
            f'no {self.kind} is named "{printable(text)}"{did_you_mean(text, known)}',
            advice=f"see `benchrig {self.kind} list`, or give the path of a {self.kind} file "
            "(ending in .toml)",
        )

    def load(self, name_or_path: str | Path, user_dir: Path | None = None) -> T:
        """One by name or path; raises UsageError (no such name) or InputFileError (a bad file)."""
        return self.read(self.find(name_or_path, user_dir))

    def check(
        self, name_or_path: str | Path, user_dir: Path | None = None
    ) -> InputFileError | None:
        """Every fault of a file, or None when it is right."""
        try:
            self.load(name_or_path, user_dir)
        except InputFileError as error:
            return error
        return None


def _files(folder: Path) -> Iterator[Path]:
    try:
        yield from sorted(folder.glob("*.toml"))
    except OSError:  # an unreadable folder of the user's holds none
        return
