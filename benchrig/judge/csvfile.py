"""CSV files people write: named columns found in any order, every bad row told by its line.

Comma or semicolon; with semicolons a decimal comma is read too. Other columns are ignored.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

from benchrig.errors import Finding, InputFileError
from benchrig.text import printable
from benchrig.tomlfile import decode_text, read_bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvRow:
    """The wanted cells of a row, in the order they were asked for."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvTable:
    """The rows of a file; ``findings`` are the faults that reading alone has seen."""

    file: str
    rows: tuple[CsvRow, ...]
    findings: tuple[Finding, ...]
    decimal_comma: bool

    def number(self, text: str) -> float:
        """A finite number as written; raises ValueError with words for a finding."""
        plain = text.replace(",", ".") if self.decimal_comma else text
        try:
            value = float(plain) if "_" not in plain else math.nan
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise ValueError(f'"{printable(text[:40])}" is not a number')
        return value


def read_columns(path: Path, columns: tuple[str, ...]) -> CsvTable:
    """The cells of some columns; raises InputFileError where the header does not name them."""
    file = printable(path)
    text = decode_text(read_bytes(path), file)
    header = next((line for line in text.splitlines() if line.strip()), "")
    semicolons = ";" in header
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=";" if semicolons else ",")
    findings: list[Finding] = []
    places: tuple[int, ...] | None = None
    rows = []
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if places is None:
                places = _places(row, columns, file, reader.line_num)
            elif len(row) <= max(places):
                message = f"has {len(row)} columns, fewer than the header"
                findings.append(Finding(file, reader.line_num, message))
            else:
                cells = tuple(row[place].strip() for place in places)
                rows.append(CsvRow(line=reader.line_num, cells=cells))
    except csv.Error as error:
        findings.append(Finding(file, reader.line_num, f"cannot be read as CSV: {error}"))
    if places is None and not findings:
        findings.append(Finding(file, 1, f"is empty; the header {','.join(columns)} is needed"))
    elif not rows and not findings:
        findings.append(Finding(file, reader.line_num, "holds no row below the header"))
    return CsvTable(file=file, rows=tuple(rows), findings=tuple(findings), decimal_comma=semicolons)


def _places(header: list[str], columns: tuple[str, ...], file: str, line: int) -> tuple[int, ...]:
    names = [cell.strip().lower() for cell in header]
    if any(names.count(name) != 1 for name in columns):
        shown = ", ".join(f'"{printable(cell.strip()[:40])}"' for cell in header[:8])
        wanted = f"{', '.join(columns[:-1])} and {columns[-1]}"
        message = f"the header needs one column each named {wanted}; it has {shown}"
        raise InputFileError([Finding(file, line, message)])
    return tuple(names.index(name) for name in columns)
