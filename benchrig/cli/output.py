"""Standard output is data, standard error is talk."""

from __future__ import annotations

import json
import os
import shutil
import sys
import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from benchrig.errors import BenchrigError, ExitCode
from benchrig.text import clean, one_line, speaks_unicode


class Interrupted(BenchrigError):
    """Ctrl-C or a signal at a moment when no run had begun."""

    exit_code = ExitCode.INTERRUPTED

    def __init__(self) -> None:
        super().__init__("interrupted; no run was begun")


def say_json(value: Any, *, on_one_line: bool = False) -> None:
    """One JSON document on standard output, whatever letters it can be written in."""
    utf = speaks_unicode(sys.stdout.encoding or "")
    indent = None if on_one_line else 2
    _write(json.dumps(value, ensure_ascii=not utf, indent=indent, allow_nan=False))


def say(text: str = "") -> None:
    """A line of data on standard output, with nothing in it that a terminal would obey."""
    _write(clean(text))


def _write(text: str) -> None:
    with reader_may_go():
        sys.stdout.write(text + "\n")


@contextmanager
def reader_may_go() -> Iterator[None]:
    """A reader that has gone (``| head``) changes no exit code: 1 would say that a part failed."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def talk(text: str = "") -> None:
    """A line for the person, on standard error; folded to a terminal."""
    text = clean(text)
    if sys.stderr.isatty():
        text = "\n".join(
            line if len(line) <= _width() else wrapped(line) for line in text.split("\n")
        )
    sys.stderr.write(text + "\n")


def ask(question: str) -> str:
    """A line from the person; the question goes to standard error. Ctrl-C is ``Interrupted``."""
    sys.stderr.write(question)
    sys.stderr.flush()
    try:
        return sys.stdin.readline().strip()
    except KeyboardInterrupt:
        talk()
        raise Interrupted from None


def columns(rows: Sequence[tuple[str, ...]], *, indent: str = "") -> str:
    """Rows as left-aligned columns."""
    if not rows:
        return ""
    rows = [tuple(one_line(cell) for cell in row) for row in rows]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)) for row in rows)
    return "\n".join(indent + line.rstrip() for line in lines)


def wrapped(text: str) -> str:
    """A sentence folded to the terminal, its further lines set in."""
    return textwrap.fill(text, _width(), subsequent_indent="    ", break_on_hyphens=False)


def _width() -> int:
    return min(shutil.get_terminal_size((100, 24)).columns, 100)
