"""Reads firmware_protocol.md for the tests: its ``vector`` blocks and its tables."""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from benchrig.wire import messages
from benchrig.wire.frames import FrameDecoder
from benchrig.wire.messages import Message, Samples

DOCUMENT = Path(__file__).parents[2] / "firmware_protocol.md"
TEXT = DOCUMENT.read_text(encoding="utf-8")


@dataclass(frozen=True)
class Vector:
    """A ``vector`` block: its kind, what follows the kind, and its lines by first word."""

    kind: str
    title: str
    values: dict[str, list[str]]

    def one(self, word: str) -> str:
        (value,) = self.values[word]
        return value

    def frame(self, word: str = "frame") -> bytes:
        return bytes.fromhex(self.one(word))


def read_vectors() -> list[Vector]:
    vectors = []
    for block in re.findall(r"^```vector\n(.*?)^```", TEXT, re.MULTILINE | re.DOTALL):
        first, *rest = block.strip().splitlines()
        kind, title = first.split(maxsplit=1)
        values: defaultdict[str, list[str]] = defaultdict(list)
        for line in rest:
            word, value = line.split(maxsplit=1)
            values[word].append(value)
        vectors.append(Vector(kind, title, dict(values)))
    return vectors


VECTORS = read_vectors()


def vectors_of(kind: str) -> pytest.MarkDecorator:
    chosen = [v for v in VECTORS if v.kind == kind]
    return pytest.mark.parametrize("vector", chosen, ids=lambda v: v.title.replace(" ", "_")[:60])


def message_of(vector: Vector) -> Message:
    kind: type[Message] = getattr(messages, vector.title)
    values: dict[str, Any] = {name: int(vector.one(name)) for name, _ in kind.LAYOUT}
    if kind is Samples:
        values["packed"] = bytes.fromhex(vector.one("packed"))
    for name, enum in messages.ENUM_FIELDS.get(kind, {}).items():
        values[name] = enum(values[name])
    return kind(**values)


def decode(data: bytes) -> list[bytes]:
    return FrameDecoder().feed(data)


def sections(level: str) -> dict[str, str]:
    parts = re.split(rf"^{level} (.+)$", TEXT, flags=re.MULTILINE)
    return {
        title: re.split(r"^#{1,4} ", body, flags=re.MULTILINE)[0]
        for title, body in zip(parts[1::2], parts[2::2], strict=True)
    }


def rows(text: str) -> list[list[str]]:
    lines = [line for line in text.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]
