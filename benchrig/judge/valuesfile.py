"""Values measured elsewhere: a CSV file with the columns tag and value."""

from __future__ import annotations

from pathlib import Path

from benchrig.errors import Finding, InputFileError
from benchrig.judge.csvfile import CsvTable, read_columns
from benchrig.judge.matching import TaggedValues
from benchrig.text import printable


def read_values(path: Path) -> list[TaggedValues]:
    """Tags and values, in the file's order; raises InputFileError naming every bad row's line."""
    table = read_columns(path, ("tag", "value"))
    findings = list(table.findings)
    lines_of: dict[str, int] = {}
    found: list[TaggedValues] = []
    for row in table.rows:
        tag, text = row.cells
        try:
            found.append(TaggedValues(tag=tag, values=(_value(table, tag, text, lines_of),)))
            lines_of[tag] = row.line
        except ValueError as error:
            findings.append(Finding(table.file, row.line, str(error)))
    if findings:
        raise InputFileError(sorted(findings, key=lambda finding: finding.line or 0))
    return found


def _value(table: CsvTable, tag: str, text: str, lines_of: dict[str, int]) -> float:
    if not tag:
        raise ValueError("has no tag")
    value = table.number(text)
    if value <= 0:
        raise ValueError(
            f'"{printable(text[:40])}" is not above zero; a spread is a share of the mean'
        )
    if tag in lines_of:
        raise ValueError(f'tag "{printable(tag)}" stands on line {lines_of[tag]} too')
    return value
