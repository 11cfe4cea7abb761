"""``benchrig record add flow-line``: volumes at several pulse widths, and the line through them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.output import say, say_json
from benchrig.cli.records import JsonOption, LogOption, open_log
from benchrig.errors import Finding, InputFileError, UsageError

if TYPE_CHECKING:
    from benchrig.measure.flow import FlowLine


def register(add_app: typer.Typer) -> None:
    """Add the command to ``benchrig record add``."""
    add_app.command("flow-line")(add_flow_line)


def add_flow_line(
    tag: Annotated[str, typer.Argument(help="The part's tag.")],
    volumes: Annotated[
        Path,
        typer.Argument(
            metavar="VOLUMES.csv", help="Columns width_ms,volume_ul: the volume of one pulse."
        ),
    ],
    stage: Annotated[str, typer.Option(help="incoming, cleaned, retest or single.")],
    u_volume_ul: Annotated[
        float,
        typer.Option(min=1e-6, max=1_000_000, help="Standard uncertainty of one such volume."),
    ],
    pressure_kpa: Annotated[
        float | None, typer.Option(min=0.001, max=1_000_000, help="Pressure across the part.")
    ] = None,
    fluid: Annotated[str, typer.Option(help="The test fluid.")] = "",
    who: Annotated[str, typer.Option(help="Who measured it.")] = "",
    note: Annotated[str, typer.Option(help="Free text.")] = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add a flow line: slope, time offset and flow offset, with their uncertainties."""
    from benchrig.cli.entries import stage_word
    from benchrig.cli.pace import stamp
    from benchrig.record.entries import FLOW_LINE, OtherEntry
    from benchrig.record.forms import to_json

    if not tag.strip():
        raise UsageError("the tag is empty")
    widths, each = _points(volumes)
    line = _line(volumes, widths, each, u_volume_ul)
    data = {
        "stage": stage_word(stage),
        "width_ms": widths,
        "volume_ul": each,
        "u_volume_ul": u_volume_ul,
        "pressure_pa": None if pressure_kpa is None else 1000.0 * pressure_kpa,
        "fluid": fluid,
        **{name: getattr(line, name).value for name in _FOUND},
        **{f"{name}_u": getattr(line, name).std_uncertainty for name in _FOUND},
    }
    entry = OtherEntry(at=stamp(), who=who, tag=tag, note=note, name=FLOW_LINE, data=data)
    with open_log(log, read_only=False) as run_log:
        number = run_log.add(entry)
    if as_json:
        say_json({"schema": "benchrig.flow-line/1", "number": number, "entry": to_json(entry)})
    else:
        say(f"entry {number}: flow line of {tag}: {flow_line_words(data)}")


_FOUND = ("slope", "time_offset_ms", "flow_offset_ul")


def flow_line_words(data: dict[str, Any]) -> str:
    """A flow line as people read it; ``data`` is that of its entry."""
    from benchrig.judge.words import with_uncertainty, written

    def shown(name: str, unit: str) -> str:
        return with_uncertainty(data[name], 2 * data[f"{name}_u"], unit)

    return (
        f"{shown('slope', 'µL/ms')} ({written(60 * data['slope'])} cc/min), "
        f"time offset {shown('time_offset_ms', 'ms')}, "
        f"flow offset {shown('flow_offset_ul', 'µL')}, {len(data['width_ms'])} widths"
    )


def _points(path: Path) -> tuple[list[float], list[float]]:
    from benchrig.judge.csvfile import read_columns

    table = read_columns(path, ("width_ms", "volume_ul"))
    findings = list(table.findings)
    widths, each = [], []
    for row in table.rows:
        try:
            width, volume = (table.number(cell) for cell in row.cells)
            if width <= 0 or volume < 0:
                raise ValueError("a width is above zero, and a volume not below")
        except ValueError as error:
            findings.append(Finding(table.file, row.line, str(error)))
        else:
            widths.append(width)
            each.append(volume)
    if findings:
        raise InputFileError(sorted(findings, key=lambda finding: finding.line or 0))
    return widths, each


def _line(path: Path, widths: list[float], each: list[float], u_volume_ul: float) -> FlowLine:
    from benchrig.measure.flow import flow_line

    try:
        return flow_line(widths, each, u_volume_ul)
    except ValueError as error:
        raise InputFileError([Finding(str(path), None, str(error))]) from error
