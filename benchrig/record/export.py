"""Samples and features of a record as CSV or Parquet, SI values, the unit in each name.

A spreadsheet takes a cell that begins with ``=``, ``+``, ``-`` or ``@``, of any width, for a
formula. Text that people typed gets an apostrophe in front where it would; numbers are written as
numbers. Open the file to write to with ``newline=""``.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from benchrig.errors import LogError, UsageError
from benchrig.measure.features import CycleFeatures
from benchrig.measure.samples import InputScale
from benchrig.quantity import Measured
from benchrig.record.read import LogReader
from benchrig.record.rows import RunSummary
from benchrig.wire.messages import InputRole

UNIT_OF_ROLE: dict[InputRole, str] = {
    InputRole.SUPPLY_VOLTAGE: "v",
    InputRole.PART_VOLTAGE: "v",
    InputRole.PART_VOLTAGE_FINE: "v",
    InputRole.CURRENT_COARSE: "a",
    InputRole.CURRENT_FINE: "a",
    InputRole.REFERENCE_VOLTAGE: "v",
    InputRole.TEMPERATURE: "c",
    InputRole.INSULATION_CURRENT: "a",
}
LINE_END = "\r\n"  # RFC 4180; and so a lone carriage return in a cell is quoted too
_FORMULA = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20", "\t", "\r", "\n")

Column = NDArray[Any]


def safe_cell(value: object) -> str:
    """A cell that no spreadsheet takes for a formula; numbers are left as they are."""
    if value is None:
        return ""
    if isinstance(value, bool | int | float):
        return repr(value)
    text = str(value).replace("\x00", "\ufffd")
    return "'" + text if text.lstrip().startswith(_FORMULA) or text[:1] in _FORMULA else text


def _names(scales: Sequence[InputScale]) -> list[str]:
    found: list[str] = []
    for scale in scales:
        role = scale.role.name.lower()
        name = f"{role}_{UNIT_OF_ROLE[scale.role]}"
        twice = sum(s.role is scale.role for s in scales) > 1
        found.append(f"{role}_{scale.input}_{UNIT_OF_ROLE[scale.role]}" if twice else name)
    return found


def sample_columns(log: LogReader, record_id: str) -> Iterator[dict[str, Column]]:
    """The samples of a record in pieces without a gap: ``time_s`` of each scan, then each input.

    Times count from the first sample kept; ``tick`` is the rig's own. Within a scan the inputs
    are converted one after the other: input j of n is j/n of a scan period later than its line.
    """
    scales = log.scales(record_id)
    if not scales:
        raise LogError(
            f"record {record_id}: has no scales, so no SI values",
            advice="the run ended before its first samples",
        )
    of_input = {scale.input: scale for group in scales for scale in group.scales}
    ordered = [of_input[number] for number in sorted(of_input)]
    names = dict(zip((s.input for s in ordered), _names(ordered), strict=True))
    tick_s = 1e-9 * scales[-1].tick_ns
    first: int | None = None
    for block in log.samples(record_id, merged=True):
        first = block.tick if first is None else first
        ticks = block.tick + block.scan_period_ticks * np.arange(len(block.codes), dtype=np.int64)
        piece: dict[str, Column] = {"time_s": (ticks - first) * tick_s, "tick": ticks}
        for column, number in enumerate(block.inputs):
            if number in of_input:
                piece[names[number]] = of_input[number].to_si(block.codes[:, column])
        yield piece


def samples_to_csv(log: LogReader, record_id: str, file: IO[str]) -> int:
    """Write the samples of a record as CSV; the number of lines below the header.

    A stream over other inputs has empty cells for what it does not sample.
    """
    header = _header(log, record_id)
    marks = _marks(log, record_id)
    file.write(",".join([*header, *marks]) + LINE_END)
    end = "".join(f",{mark}" for mark in marks.values()) + LINE_END
    lines = 0
    for piece in sample_columns(log, record_id):
        count = len(piece["time_s"])
        cells = [
            [f"{x:.9g}" if name != "tick" else str(x) for x in piece[name].tolist()]
            if name in piece
            else [""] * count
            for name in header
        ]
        file.writelines(",".join(line) + end for line in zip(*cells, strict=True))
        lines += count
    return lines


def _header(log: LogReader, record_id: str) -> list[str]:
    of_input = {s.input: s for group in log.scales(record_id) for s in group.scales}
    return ["time_s", "tick", *_names([of_input[number] for number in sorted(of_input)])]


def _marks(log: LogReader, record_id: str) -> dict[str, bool]:
    """A column more, in every line, where no real part was measured."""
    return {"simulated": True} if log.record(record_id).simulated else {}


def features_table(
    cycles: Sequence[CycleFeatures], marks: Mapping[str, bool] | None = None
) -> tuple[list[str], list[list[Any]]]:
    """Header and one line per cycle; the standard uncertainty stands beside each value."""
    lines = [{**_cycle_cells(cycle), **(marks or {})} for cycle in cycles]
    header: list[str] = []
    for line in lines:
        header += [name for name in line if name not in header]
    return header, [[line.get(name) for name in header] for line in lines]


def _cycle_cells(cycle: CycleFeatures) -> dict[str, Any]:
    cells: dict[str, Any] = {
        "cycle": cycle.cycle,
        "start_s": cycle.start_s,
        "on_s": cycle.on_s,
        "complete": cycle.complete,
        "missing_samples": cycle.missing_samples,
    }

    def put(name: str, unit: str, measured: Measured | None) -> None:
        cells[f"{name}_{unit}"] = None if measured is None else measured.value
        cells[f"{name}_u_{unit}"] = None if measured is None else measured.std_uncertainty

    put("current", "a", cycle.current_a)
    put("voltage", "v", cycle.voltage_v)
    put("resistance", "ohm", cycle.resistance_ohm)
    put("winding_temperature", "c", cycle.winding_temperature_c)
    put("tau", "s", cycle.rise.tau_s if cycle.rise else None)
    put("inductance", "h", cycle.rise.inductance_h if cycle.rise else None)
    cells["motion"] = cycle.motion.answer.value if cycle.motion else None
    cells["motion_reason"] = cycle.motion.reason if cycle.motion else None
    put("motion_start", "s", cycle.motion.start_s if cycle.motion else None)
    put("motion_end", "s", cycle.motion.end_s if cycle.motion else None)
    put("decay", "s", cycle.turn_off.decay_s if cycle.turn_off else None)
    put("closing", "s", cycle.turn_off.closing_s if cycle.turn_off else None)
    put("running_current", "a", cycle.ripple.running_current_a if cycle.ripple else None)
    put("inrush_current", "a", cycle.ripple.inrush_current_a if cycle.ripple else None)
    put("speed", "rpm", cycle.ripple.speed_rpm if cycle.ripple else None)
    cells["drop_outs"] = len(cycle.drop_outs)
    return cells


def table_to_csv(header: Sequence[str], lines: Sequence[Sequence[Any]], file: IO[str]) -> int:
    """Write a table as CSV, safe to open in a spreadsheet; the number of lines."""
    writer = csv.writer(file, lineterminator=LINE_END)
    writer.writerow([safe_cell(name) for name in header])
    writer.writerows([safe_cell(cell) for cell in line] for line in lines)
    return len(lines)


def features_to_csv(log: LogReader, record_id: str, file: IO[str]) -> int:
    """Write the features of a record's cycles as CSV; the number of lines."""
    marks = _marks(log, record_id)
    return table_to_csv(*features_table(log.cycles(record_id), marks), file)


def list_table(runs: Sequence[RunSummary]) -> tuple[list[str], list[list[Any]]]:
    """Header and one line per run: what a list shows, then each characteristic with its u."""
    fixed = [
        *("record_id", "begun_at", "ended_at", "tag", "part", "part_number", "order", "position"),
        *("stage", "operator", "rig_unique_id", "simulated", "verdict", "ending", "proven_safe"),
        *("cycles_done", "drop_outs"),
    ]
    names = sorted({name for run in runs for name in run.values})
    lines = [
        [getattr(run, name) for name in fixed]
        + [
            getattr(run.values.get(name), part, None)
            for name in names
            for part in ("value", "std_uncertainty")
        ]
        for run in runs
    ]
    return [*fixed, *(f"{n}{u}" for n in names for u in ("", "_u"))], lines


def _parquet() -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise UsageError(
            "Parquet needs another library", advice="pip install 'benchrig[parquet]'"
        ) from None
    return pyarrow, pyarrow.parquet


def samples_to_parquet(log: LogReader, record_id: str, path: Path) -> int:
    """Write the samples of a record as Parquet, a row group per gapless piece; the rows."""
    pyarrow, parquet = _parquet()
    header = _header(log, record_id)
    marks = _marks(log, record_id)
    fields = [(n, pyarrow.int64() if n == "tick" else pyarrow.float64()) for n in header]
    fields += [(name, pyarrow.bool_()) for name in marks]
    schema = pyarrow.schema(fields, metadata={"record": record_id, "schema": "benchrig.samples/1"})
    rows = 0
    with parquet.ParquetWriter(path, schema, compression="zstd") as writer:
        for piece in sample_columns(log, record_id):
            count = len(piece["time_s"])
            empty = pyarrow.nulls(count, pyarrow.float64())
            arrays = [pyarrow.array(piece[n]) if n in piece else empty for n in header]
            arrays += [pyarrow.array([mark] * count) for mark in marks.values()]
            writer.write_table(pyarrow.Table.from_arrays(arrays, schema=schema))
            rows += count
    return rows


def features_to_parquet(log: LogReader, record_id: str, path: Path) -> int:
    """Write the features of a record's cycles as Parquet; the rows."""
    pyarrow, parquet = _parquet()
    header, lines = features_table(log.cycles(record_id), _marks(log, record_id))
    columns = {name: [line[k] for line in lines] for k, name in enumerate(header)}
    table = pyarrow.table(columns)
    parquet.write_table(table.replace_schema_metadata({"record": record_id}), path)
    return len(lines)
