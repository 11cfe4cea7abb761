"""Where each key of a TOML text stands: decorates what tomllib has accepted, decides nothing."""

from __future__ import annotations

import re
import tomllib
from typing import Any

KeyPath = tuple[str | int, ...]


class LineIndex:
    """Line of each key in a text that tomllib has accepted. Decorates; decides nothing."""

    def __init__(self, text: str) -> None:
        self.lines: dict[KeyPath, int] = {}
        self._text = text
        self._at = 0
        self._line = 1
        self._counted = 0
        self._arrays: dict[KeyPath, int] = {}  # array of tables -> its last index
        self._table: KeyPath = ()
        while self._skip_blank():
            if self._text.startswith("[", self._at):
                self._header()
            else:
                self._assignment(self._table)

    def _here(self) -> int:
        self._line += self._text.count("\n", self._counted, self._at)
        self._counted = self._at
        return self._line

    def _skip_blank(self) -> bool:
        """Move past white space, new lines and comments; False at the end."""
        match = _BLANK.match(self._text, self._at)
        self._at = match.end() if match else self._at
        return self._at < len(self._text)

    def _key(self) -> tuple[str, ...]:
        match = _KEY.match(self._text, self._at)
        assert match, "tomllib accepted what is no key"
        self._at = match.end()
        node: Any = tomllib.loads(match[0].strip() + " = 0")
        keys: list[str] = []
        while isinstance(node, dict):
            (key, node), *_ = node.items()
            keys.append(key)
        return tuple(keys)

    def _resolved(self, keys: tuple[str, ...], *, whole: bool) -> KeyPath:
        """Keys of a header as a path: an array of tables stands for its last element."""
        path: KeyPath = ()
        for number, key in enumerate(keys, 1):
            path += (key,)
            if path in self._arrays and (whole or number < len(keys)):
                path += (self._arrays[path],)
        return path

    def _header(self) -> None:
        line = self._here()
        double = self._text.startswith("[[", self._at)
        self._at += 2 if double else 1
        keys = self._key()
        self._at += 2 if double else 1
        path = self._resolved(keys, whole=not double)
        if double:
            self._arrays[path] = self._arrays.get(path, -1) + 1
            self.lines.setdefault(path, line)
            path += (self._arrays[path],)
        self._table = path
        self.lines[path] = line

    def _assignment(self, table: KeyPath) -> None:
        line = self._here()
        path = table
        for key in self._key():
            path += (key,)
            self.lines.setdefault(path, line)
        self._at = self._text.index("=", self._at) + 1
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        self._skip_blank()
        self.lines.setdefault(path, self._here())
        match _first(self._text, self._at):
            case "[":
                self._items(path, "]")
            case "{":
                self._items(path, "}")
            case _:
                match = _SCALAR.match(self._text, self._at)
                assert match, "tomllib accepted what is no value"
                self._at = match.end()

    def _items(self, path: KeyPath, closing: str) -> None:
        self._at += 1
        number = 0
        while self._skip_blank() and self._text[self._at] != closing:
            if closing == "]":
                self._value((*path, number))
                number += 1
            else:
                self._assignment(path)
            self._skip_blank()
            if self._text[self._at] == ",":
                self._at += 1
        self._at += 1


def _first(text: str, at: int) -> str:
    return text[at : at + 1]


_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_STRING = r'"(?:[^"\\\n]|\\.)*"' + r"|'[^'\n]*'"
_PART = rf"(?:[A-Za-z0-9_-]+|{_STRING})"
_KEY = re.compile(rf"[ \t]*{_PART}(?:[ \t]*\.[ \t]*{_PART})*[ \t]*")
_LONG = r'"""(?:[^\\]|\\.)*?"""(?:"{1,2}(?!"))?' + r"|'''.*?'''(?:'{1,2}(?!'))?"
_SCALAR = re.compile(rf"(?:{_LONG}|{_STRING}|[^,\]}}\n#\"']+)", re.DOTALL)
