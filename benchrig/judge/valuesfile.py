"""Values measured elsewhere: a CSV file with the columns tag and value."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

from benchrig.errors import Finding, InputFileError
from benchrig.judge.matching import TaggedValues
from benchrig.text import printable
from benchrig.tomlfile import decode_text, read_bytes

COLUMNS = ("tag", "value")


def read_values(path: Path) -> list[TaggedValues]:
    """Tags and values, in the file's order; raises InputFileError naming every bad row's line.

    Comma or semicolon; with semicolons a decimal comma is read too. Other columns are ignored.
    """
    file = printable(path)
    text = decode_text(read_bytes(path), file)
    header = next((line for line in text.splitlines() if line.strip()), "")
    semicolons = ";" in header
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=";" if semicolons else ",")
    findings: list[Finding] = []
    places: tuple[int, int] | None = None
    lines_of: dict[str, int] = {}
    found: list[TaggedValues] = []
    try:
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            if places is None:
                places = _places(row, file, rows.line_num)
                continue
            try:
                part = _row(row, places, semicolons)
                if part.tag in lines_of:
                    raise ValueError(
                        f'tag "{printable(part.tag)}" stands on line {lines_of[part.tag]} too'
                    )
                lines_of[part.tag] = rows.line_num
                found.append(part)
            except ValueError as error:
                findings.append(Finding(file, rows.line_num, str(error)))
    except csv.Error as error:
        findings.append(Finding(file, rows.line_num, f"cannot be read as CSV: {error}"))
    if places is None and not findings:
        findings.append(Finding(file, 1, "is empty; the header tag,value is needed"))
    elif not found and not findings:
        findings.append(Finding(file, rows.line_num, "holds no row below the header"))
    if findings:
        raise InputFileError(findings)
    return found


def _places(header: list[str], file: str, line: int) -> tuple[int, int]:
    names = [cell.strip().lower() for cell in header]
    missing = [name for name in COLUMNS if names.count(name) != 1]
    if missing:
        shown = ", ".join(f'"{printable(cell.strip()[:40])}"' for cell in header[:8])
        message = f"the header needs one column each named tag and value; it has {shown}"
        raise InputFileError([Finding(file, line, message)])
    return names.index("tag"), names.index("value")


def _row(row: list[str], places: tuple[int, int], semicolons: bool) -> TaggedValues:
    if len(row) <= max(places):
        raise ValueError(f"has {len(row)} columns, fewer than the header")
    tag, text = (row[place].strip() for place in places)
    if not tag:
        raise ValueError("has no tag")
    shown = f'"{printable(text[:40])}"'
    plain = text.replace(",", ".") if semicolons else text
    try:
        value = float(plain) if "_" not in plain else math.nan
    except ValueError:
        raise ValueError(f"{shown} is not a number") from None
    if not math.isfinite(value):
        raise ValueError(f"{shown} is not a number")
    if value <= 0:
        raise ValueError(f"{shown} is not above zero; a spread is a share of the mean")
    return TaggedValues(tag=tag, values=(value,))
