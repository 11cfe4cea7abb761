"""Readings of a gage study: a CSV file with the columns person, part and value.

One row a reading. The order of the rows of one person and part is that of the trials.
"""

from __future__ import annotations

import csv
import io
import math
from collections import defaultdict
from pathlib import Path

from benchrig.errors import Finding, InputFileError
from benchrig.text import printable
from benchrig.tomlfile import decode_text, read_bytes

COLUMNS = ("person", "part", "value")


def read_readings(path: Path) -> list[list[list[float]]]:
    """[person][part][trial]; raises InputFileError with every bad row's line.

    Comma or semicolon; with semicolons a decimal comma is read too. Other columns are ignored.
    """
    file = printable(path)
    text = decode_text(read_bytes(path), file)
    header = next((line for line in text.splitlines() if line.strip()), "")
    rows = csv.DictReader(
        io.StringIO(text, newline=""), delimiter=";" if ";" in header else ",", restval=""
    )
    rows.fieldnames = [name.strip().lower() for name in rows.fieldnames or ()]
    if missing := [name for name in COLUMNS if rows.fieldnames.count(name) != 1]:
        message = f"the header needs one column each named {', '.join(missing)}"
        raise InputFileError([Finding(file, 1, message)])
    found: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    findings = []
    for row in rows:
        person, part, value = (str(row[name]).strip() for name in COLUMNS)
        number = _number(value.replace(",", ".") if ";" in header else value)
        if not person or not part:
            findings.append(Finding(file, rows.line_num, "has no person or no part"))
        elif number is None:
            message = f'"{printable(value[:40])}" is not a number'
            findings.append(Finding(file, rows.line_num, message))
        else:
            found[person][part].append(number)
    if findings:
        raise InputFileError(findings)
    return _table(found, file)


def _number(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and "_" not in text else None


def _table(found: dict[str, dict[str, list[float]]], file: str) -> list[list[list[float]]]:
    parts = sorted({part for by_part in found.values() for part in by_part})
    trials = max((len(values) for by in found.values() for values in by.values()), default=0)
    findings = [
        Finding(
            file,
            None,
            f"{printable(person)} measured {printable(part)} {len(by_part.get(part, ()))} times; "
            f"{trials} readings of each part are needed",
        )
        for person, by_part in found.items()
        for part in parts
        if len(by_part.get(part, ())) != trials
    ]
    if not findings and (len(found) < 2 or len(parts) < 2 or trials < 2):
        findings.append(
            Finding(file, None, "a study needs two people, two parts and two readings or more")
        )
    if findings:
        raise InputFileError(findings)
    return [[found[person][part] for part in parts] for person in found]
