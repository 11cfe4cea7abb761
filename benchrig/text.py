"""Text from outside, fit to be shown: nothing in it moves the cursor or turns the direction.

Tags, notes and file names come from keyboards, scanners, files and other benches' logs. On a
terminal a control character in one could draw over a line that says that a part is live.
"""

from __future__ import annotations

import unicodedata
from pathlib import Path

_ASCII = str.maketrans(
    {
        "Ω": "ohm",
        "µ": "u",
        "±": "+/-",
        "°": "deg ",
        "≤": "<=",
        "≥": ">=",
        "·": "-",
        "–": "-",
        "−": "-",
        "…": "...",
        "●": "(+)",
        "✕": "[X]",
        "◆": "<?>",
        "○": "( )",
        "→": "->",
    }
)
_KEPT = "\n\t"
# Control, format (direction marks), surrogate, line and paragraph separator.
_UNFIT = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})


def clean(text: str) -> str:
    """The text with U+FFFD for what must not be shown; its own lines and tabs stay."""
    if text.isprintable():
        return text
    return "".join("\ufffd" if _is_unfit(character) else character for character in text)


def one_line(text: str) -> str:
    """The same on one line, so that no text can look like a line of the program's own."""
    return clean(" ".join(text.splitlines()).replace("\t", " "))


def printable(text: Path | str) -> str:
    """A name for messages: what must not be shown stands as an escape, so that it can be told."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in str(text))


def to_ascii(text: str) -> str:
    """The same words for a terminal that knows ASCII only."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def speaks_unicode(encoding: str) -> bool:
    """Whether block characters, shapes and Ω can be written in this encoding."""
    return encoding.lower().replace("-", "").startswith("utf")


def _is_unfit(character: str) -> bool:
    return character not in _KEPT and unicodedata.category(character) in _UNFIT
