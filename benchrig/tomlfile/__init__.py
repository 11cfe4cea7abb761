"""TOML files people write: read once, every fault reported at once, each with its line.

``tomllib`` alone decides what is valid; pydantic models (in the rooms above) say what belongs
in a file; this module words the findings for a person in a workshop and puts the line beside
each. ``InputFileError.findings`` carries all of them.
"""

from __future__ import annotations

import hashlib
import re
import sys
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeGuard, TypeVar

from pydantic import BaseModel, ValidationError

from benchrig.errors import Finding, InputFileError
from benchrig.text import printable
from benchrig.tomlfile.index import KeyPath, LineIndex
from benchrig.tomlfile.words import did_you_mean, sentence, shown_path

FILE_BYTES_MAX = 1_000_000  # a part or pattern file is a page; more is some other file

__all__ = [
    "FILE_BYTES_MAX",
    "KeyPath",
    "LineIndex",
    "TomlDocument",
    "decode_text",
    "did_you_mean",
    "is_number",
    "parse_toml",
    "read_bytes",
    "read_toml",
    "validate",
]

M = TypeVar("M", bound=BaseModel)
Check = Callable[[Mapping[str, Any]], Iterable[tuple[KeyPath, str]]]


@dataclass(frozen=True, slots=True, kw_only=True)
class TomlDocument:
    """A parsed file with the line of each of its keys and the digest of its bytes."""

    file: str
    data: dict[str, Any]
    lines: Mapping[KeyPath, int]
    digest: str  # SHA-256 of the bytes

    def line_of(self, path: KeyPath) -> int | None:
        """The line of a key, or of the nearest table around it; line 1 for the whole file."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.lines:
                return self.lines[path[:length]]
        return 1

    def finding(self, path: KeyPath, message: str) -> Finding:
        """A fault at a key of this file."""
        where = shown_path(path)
        return Finding(self.file, self.line_of(path), f"{where}: {message}" if where else message)


def is_number(value: object) -> TypeGuard[float]:
    """A number a rule may compare and show; not one beyond what a float can hold."""
    fits = isinstance(value, int | float) and not isinstance(value, bool)
    return fits and abs(value) <= sys.float_info.max  # type: ignore[arg-type]


def _fail(file: str, message: str, line: int | None = None) -> InputFileError:
    return InputFileError([Finding(file, line, message)])


def read_bytes(path: Path, *, most: int = FILE_BYTES_MAX) -> bytes:
    """The bytes of a regular file no larger than ``most``; InputFileError says what is wrong."""
    file = printable(path)
    try:
        if not path.exists():
            raise _fail(file, "there is no such file")
        if not path.is_file():
            raise _fail(file, "this is not a file (a folder or a device)")
        with path.open("rb") as stream:
            content = stream.read(most + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise _fail(file, f"cannot be read: {why}") from error
    if len(content) > most:
        raise _fail(file, f"is larger than {most:,} bytes; this is not a file of this kind")
    return content


def decode_text(content: bytes, file: str) -> str:
    """UTF-8 text, with or without a byte order mark; InputFileError names line and byte."""
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _fail(file, "is saved as UTF-16; save it as UTF-8", 1)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        byte = error.object[error.start]
        message = f"is not UTF-8 text (byte 0x{byte:02X}); save it as UTF-8"
        raise _fail(file, message, line) from error


def read_toml(path: Path) -> TomlDocument:
    """Read and parse a file; raises InputFileError with line and column of a syntax fault."""
    return parse_toml(read_bytes(path), printable(path))


def parse_toml(content: bytes, file: str) -> TomlDocument:
    """Parse bytes that were read from ``file``."""
    text = decode_text(content, file)
    try:
        data = tomllib.loads(text)
        lines = LineIndex(text).lines
    except tomllib.TOMLDecodeError as error:
        raise _syntax_fault(error, text, file) from error
    except RecursionError as error:
        raise _fail(file, "nests arrays or tables too deeply") from error
    except ValueError as error:  # a number with too many digits, an impossible date
        raise _fail(file, f"holds a value that cannot be read: {error}") from error
    return TomlDocument(
        file=file, data=data, lines=lines, digest=hashlib.sha256(content).hexdigest()
    )


def _syntax_fault(error: tomllib.TOMLDecodeError, text: str, file: str) -> InputFileError:
    message = str(error)
    if match := re.search(r"\s*\(at line (\d+), column (\d+)\)$", message):
        said, line, column = message[: match.start()], int(match[1]), int(match[2])
        return _fail(file, f"column {column}: not valid TOML: {said[:1].lower()}{said[1:]}", line)
    said = re.sub(r"\s*\(at end of document\)$", "", message)
    return _fail(file, f"not valid TOML at the end of the file: {said}", text.count("\n") + 1)


def validate(document: TomlDocument, model: type[M], checks: Iterable[Check] = ()) -> M:
    """The document as ``model``; raises InputFileError with every fault, in order of line.

    ``checks`` look at the raw data, so that a rule between two keys is checked also when a
    third key is wrong; they yield ``(path, message)`` and must bear values of any type.
    """
    findings: dict[tuple[KeyPath, str], Finding] = {}
    faulty: set[KeyPath] = set()
    result: M | None = None
    try:
        result = model.model_validate(document.data)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            path = tuple(detail["loc"])
            message = sentence(detail, model)
            faulty.add(path)
            findings[path, message] = document.finding(path, message)
    for check in checks:
        for path, message in check(document.data):
            if path not in faulty:
                findings[path, message] = document.finding(path, message)
    if findings:
        raise InputFileError(sorted(findings.values(), key=lambda f: (f.line or 0, f.message)))
    assert result is not None
    return result
