"""Readings of a gage study: a CSV file with the columns person, part and value.

One row a reading. The order of the rows of one person and part is that of the trials.
"""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

from benchrig.errors import Finding, InputFileError
from benchrig.judge.csvfile import read_columns
from benchrig.text import printable


def read_readings(path: Path) -> list[list[list[float]]]:
    """[person][part][trial]; raises InputFileError with every bad row's line."""
    table = read_columns(path, ("person", "part", "value"))
    found: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    findings = list(table.findings)
    for row in table.rows:
        person, part, text = row.cells
        if not person or not part:
            findings.append(Finding(table.file, row.line, "has no person or no part"))
            continue
        try:
            found[person][part].append(table.number(text))
        except ValueError as error:
            findings.append(Finding(table.file, row.line, str(error)))
    if findings:
        raise InputFileError(sorted(findings, key=lambda finding: finding.line or 0))
    return _table(found, table.file)


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
