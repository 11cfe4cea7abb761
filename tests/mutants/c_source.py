"""One-line changes to the firmware's C that a test on the host build ought to notice."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial

from tests.mutants.python_source import Mutant

_SWAPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (r"<=", ("<", ">")),
    (r">=", (">", "<")),
    (r"(?<![<\-])<(?![<=])", ("<=", ">=")),
    (r"(?<![>\-])>(?![>=])", (">=", "<=")),
    (r"==", ("!=",)),
    (r"!=", ("==",)),
    (r"&&", ("||",)),
    (r"\|\|", ("&&",)),
    (r"(?<= )\+(?= )", ("-",)),
    (r"(?<= )-(?= )", ("+",)),
    (r"\+=", ("-=",)),
    (r"\|=", ("&=",)),
    (r"&=", ("|=",)),
    (r"(?<= )& ~", ("& ",)),
    (r"(?<= )&(?= )", ("|",)),
    (r"\btrue\b", ("false",)),
    (r"\bfalse\b", ("true",)),
    (r"\b0\b(?=[;,)])", ("1",)),
    (r"(?<=\()!(?=\w)", ("",)),
)
_CALL = re.compile(r"^(\s+)([a-z_]\w*\([^;{}]*\));\s*$")
_SKIP = re.compile(r"^\s*(#|//|/\*|\*|static_assert|_Static_assert)")
_FUNCTION = re.compile(r"^[a-z][\w *]*?\b(\w+)\([^;]*$")


def mutants_of(path: str, source: str) -> Iterator[Mutant]:
    """Every change of one file, line by line; comments and the preprocessor are left alone."""
    lines = source.split("\n")
    scope, seen = "module", dict[str, int]()
    inside_comment = False
    for number, line in enumerate(lines):
        if (found := _FUNCTION.match(line)) is not None:
            scope = found[1]
        inside_comment = (inside_comment or "/*" in line) and "*/" not in line
        if inside_comment or _SKIP.match(line):
            continue
        for changed in _changes(line):
            name = f"{scope}: {' '.join(line.split())[:70]} -> {' '.join(changed.split())[:70]}"
            seen[name] = seen.get(name, 0) + 1
            if seen[name] > 1:
                name += f" #{seen[name]}"
            text = partial("\n".join, (*lines[:number], changed, *lines[number + 1 :]))
            yield Mutant(path=path, line=number + 1, name=name, source=text)


def _changes(line: str) -> Iterator[str]:
    code = re.split(r"//|/\*", line, maxsplit=1)[0]
    rest = line[len(code) :]
    for pattern, others in _SWAPS:
        for found in re.finditer(pattern, code):
            for other in others:
                yield code[: found.start()] + other + code[found.end() :] + rest
    if (call := _CALL.match(code)) is not None:
        yield f"{call[1]}(void)0;{rest}"
