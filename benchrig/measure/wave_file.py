"""Current waveforms from any instrument: a CSV file with a header, every bad row named.

Columns ``time_s,current_a`` and, where it was recorded, ``voltage_v``, in any order. Comma
separated, or semicolon separated, and then a comma may be the decimal sign.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchrig.errors import Finding, InputFileError
from benchrig.measure.propagation import FloatArray

REQUIRED = ("time_s", "current_a")
OPTIONAL = ("voltage_v",)
FINDINGS_MAX = 50  # a file that is wrong all over is told so once
ADVICE = "the first line names the columns: time_s,current_a and, if measured, voltage_v"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wave:
    """A waveform as it stands in its file; ``digit`` is the last printed place of each column."""

    name: str
    time_s: FloatArray
    current_a: FloatArray
    voltage_v: FloatArray | None
    current_digit: float
    voltage_digit: float


def read_wave_csv(source: Path | str | bytes, name: str = "") -> Wave:
    """A waveform from a path or from a file's bytes; raises InputFileError with every fault."""
    if isinstance(source, bytes):
        data, name = source, name or "waveform"
    else:
        name = name or str(source)
        try:
            data = Path(source).read_bytes()
        except OSError as error:
            raise _error([Finding(name, None, f"cannot be read: {error.strerror}")]) from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Degree signs and the like in comments: numbers and our header are ASCII either way.
        text = data.decode("latin-1")
    return _parse(text, name)


def _error(findings: list[Finding]) -> InputFileError:
    return InputFileError(findings, advice=ADVICE)


def _parse(text: str, name: str) -> Wave:
    lines = [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise _error([Finding(name, None, "the file is empty")])
    header_line, header = lines[0]
    semicolon = ";" in header
    names = [cell.strip().strip('"').lower() for cell in header.split(";" if semicolon else ",")]
    findings = [
        Finding(name, header_line, f"the header has no column {column}")
        for column in REQUIRED
        if column not in names
    ]
    findings += [
        Finding(name, header_line, f"the header has the column {column} twice")
        for column in (*REQUIRED, *OPTIONAL)
        if names.count(column) > 1
    ]
    if findings:
        raise _error(findings)
    columns = [names.index(c) for c in (*REQUIRED, *OPTIONAL) if c in names]
    rows = _Rows(name, columns, names, semicolon)
    for number, line in lines[1:]:
        rows.add(number, line)
    return rows.wave()


class _Rows:
    """Rows being read, with what is wrong with them."""

    def __init__(self, name: str, columns: list[int], names: list[str], semicolon: bool) -> None:
        self.name, self.columns, self.names, self.semicolon = name, columns, names, semicolon
        self.values: list[list[float]] = []
        self.findings: list[Finding] = []
        self.places = [0] * len(columns)
        self.last_time = -math.inf

    def add(self, number: int, line: str) -> None:
        cells = line.split(";" if self.semicolon else ",")
        if len(cells) != len(self.names):
            text = f"{len(cells)} cells, the header has {len(self.names)}"
            self.findings.append(Finding(self.name, number, text))
            return
        row = []
        for k, column in enumerate(self.columns):
            cell = cells[column].strip().strip('"')
            value = self._number(cell)
            if value is None:
                text = f"{self.names[column]}: {cell!r} is not a finite number"
                self.findings.append(Finding(self.name, number, text))
                return
            row.append(value)
            self.places[k] = max(self.places[k], _decimals(cell))
        if row[0] < self.last_time:
            text = f"time_s goes back from {self.last_time:g} to {row[0]:g}"
            self.findings.append(Finding(self.name, number, text))
            return
        self.last_time = row[0]
        self.values.append(row)

    def _number(self, cell: str) -> float | None:
        if self.semicolon and cell.count(",") == 1 and "." not in cell:
            cell = cell.replace(",", ".")
        if "_" in cell:  # float() takes 1_000; no instrument writes it
            return None
        try:
            value = float(cell)
        except ValueError:
            return None
        return value if math.isfinite(value) else None

    def wave(self) -> Wave:
        if not self.values and not self.findings:
            self.findings.append(Finding(self.name, None, "no rows below the header"))
        if self.findings:
            more = len(self.findings) - FINDINGS_MAX
            shown = self.findings[:FINDINGS_MAX]
            if more > 0:
                shown.append(Finding(self.name, None, f"{more} more bad rows"))
            raise _error(shown)
        table = np.array(self.values, dtype=np.float64).T
        digits = [10.0**-places for places in self.places]
        return Wave(
            name=self.name,
            time_s=table[0],
            current_a=table[1],
            voltage_v=table[2] if len(self.columns) > 2 else None,
            current_digit=digits[1],
            voltage_digit=digits[2] if len(self.columns) > 2 else 1.0,
        )


def _decimals(cell: str) -> int:
    """Decimal places that a printed number stands for, its exponent included."""
    mantissa, _, exponent = cell.lower().replace(",", ".").partition("e")
    places = len(mantissa.partition(".")[2])
    return min(18, max(-18, places - int(exponent or 0)))
