"""``benchrig record add flows``: the flow of a whole order or tray in one go.

Prompts in slot order, or a tag scanned before each value, or a CSV file. Nothing is kept of a
file before all of it is sound: an unknown tag, one that stands twice, one that has a value at
this stage already, and a value that is not plausible are all named with their line.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchrig.cli.flowunits import UNITS, FlowUnit, unit_of
from benchrig.cli.output import ask, say, say_json, talk
from benchrig.cli.records import JsonOption, LogOption, open_log
from benchrig.errors import Finding, InputFileError, LogError, UsageError

if TYPE_CHECKING:
    from benchrig.parts.part import Limit
    from benchrig.record.entries import FlowEntry
    from benchrig.record.log import RunLog


def register(add_app: typer.Typer) -> None:
    """Add the command to ``benchrig record add``."""
    add_app.command("flows")(add_flows)


@dataclass(slots=True, kw_only=True)
class Sheet:
    """The tags that may be given a value, in slot order, and what is known of each."""

    unit: FlowUnit
    stage: str
    places: dict[str, str]  # tag -> how a prompt names it
    limits: dict[str, Limit | None]
    kept: dict[str, tuple[float, int]]  # at this stage: value and number of the entry
    sure: frozenset[str] = frozenset()
    values: dict[str, tuple[float, ...]] = field(default_factory=dict)  # in the kept unit

    def doubts(self, tag: str, value: float) -> list[str]:
        """Why a value (in the kept unit) should be looked at again."""
        from benchrig.judge.plausible import doubts

        if tag in self.sure:
            return []
        others = [v[0] for t, v in self.values.items() if t != tag]
        others += [v for t, (v, _) in self.kept.items() if t != tag and t not in self.values]
        return doubts(value, others, self.limits.get(tag), self.unit.kept)

    def refused(self, tag: str) -> str:
        """Why this tag may be given no value."""
        if not tag:
            return "has no tag"
        if tag not in self.places:
            return f'tag "{tag}" is not of this order'
        if tag in self.kept and tag not in self.sure:
            value, number = self.kept[tag]
            return (
                f'tag "{tag}" has {value:g} {self.unit.kept} at {self.stage} already '
                f"(entry {number}); withdraw that first"
            )
        return ""


def add_flows(
    order: Annotated[str, typer.Argument(help="The work order.")],
    stage: Annotated[str, typer.Option(help="incoming, cleaned, retest or single.")],
    unit: Annotated[
        str, typer.Option(help=f"As the flow bench shows it: {', '.join(UNITS)}.")
    ] = "cc/min",
    csv: Annotated[
        Path | None, typer.Option("--csv", help="File with the columns tag,value.")
    ] = None,
    tray: Annotated[str, typer.Option(help="Only this tray of the order.")] = "",
    scan: Annotated[
        bool, typer.Option("--scan", help="Ask for a tag before each value; a scanner types it.")
    ] = False,
    twice: Annotated[bool, typer.Option("--twice", help="Ask for two readings of each.")] = False,
    sure: Annotated[
        list[str] | None,
        typer.Option("--sure", metavar="TAG", help="This tag's value is odd and right; again."),
    ] = None,
    u_percent: Annotated[
        float | None,
        typer.Option(min=0.001, max=100, help="Standard uncertainty, % of each value."),
    ] = None,
    density_g_per_ml: Annotated[
        float | None, typer.Option(min=0.1, max=3, help="Of the fluid, with a flow by mass.")
    ] = None,
    pressure_kpa: Annotated[
        float | None, typer.Option(min=0.001, max=1_000_000, help="Pressure across the parts.")
    ] = None,
    fluid: Annotated[str, typer.Option(help="The test fluid.")] = "",
    instrument: Annotated[str, typer.Option(help="What it was measured with.")] = "",
    who: Annotated[str, typer.Option(help="Who measured it.")] = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add the flow of each part of an order: asked in slot order, scanned, or from a file."""
    from benchrig.cli.entries import stage_word

    if csv is not None and (scan or twice):
        raise UsageError("--csv goes without --scan and --twice")
    chosen = unit_of(unit, density_g_per_ml)
    with open_log(log) as run_log:
        sheet = sheet_of(run_log, order, tray, stage_word(stage), chosen, frozenset(sure or ()))
    if csv is not None:
        read_into(sheet, csv)
    elif scan:
        _ask_scanned(sheet, twice=twice)
    else:
        _ask_in_order(sheet, twice=twice)
    entries = [
        _entry(sheet, tag, readings, u_percent, pressure_kpa, fluid, instrument, who)
        for tag, readings in sheet.values.items()
    ]
    with open_log(log, read_only=False) as run_log:
        numbers = [run_log.add(entry) for entry in entries]
    _show(sheet, numbers, as_json=as_json)


def sheet_of(
    run_log: RunLog, order: str, tray: str, stage: str, unit: FlowUnit, sure: frozenset[str]
) -> Sheet:
    """The tags of an order in slot order; LogError where there are none."""
    from benchrig.bench.traylog import trays_of
    from benchrig.record.entries import FlowEntry
    from benchrig.record.values import Stage

    runs = [r for r in run_log.runs_of_order(order) if r.tag and r.stage != Stage.GOLDEN]
    places: dict[str, str] = {}
    for laid in trays_of(run_log, order, tray):
        for slot in laid.slots:
            if slot.tag:
                where = f", position {slot.position}" if slot.position else ""
                places.setdefault(slot.tag, f"slot {slot.number}{where}, tag {slot.tag}")
    if not tray:
        for run in reversed(runs):
            places.setdefault(run.tag, f"tag {run.tag}")
    if not places:
        raise LogError(f"no tags of the order {order} in {run_log.shown}")
    newest = {run.tag: run.record_id for run in reversed(runs)}
    parts = {tag: run_log.record(newest[tag]).plan.part for tag in places if tag in newest}
    kept = {
        n.entry.tag: (getattr(n.entry, unit.field), n.number)
        for tag in places
        for n in run_log.numbered(FlowEntry, tag=tag)
        if n.withdrawal is None
        and n.entry.stage == stage
        and getattr(n.entry, unit.field) is not None
    }
    return Sheet(
        unit=unit,
        stage=stage,
        places=places,
        limits={tag: part.limit(unit.characteristic) for tag, part in parts.items()},
        kept=kept,
        sure=sure,
    )


# --- from a file ------------------------------------------------------------------------------


def read_into(sheet: Sheet, path: Path) -> None:
    """All values of a file; InputFileError names every bad line, and none is kept."""
    from benchrig.judge.csvfile import read_columns

    table = read_columns(path, ("tag", "value"))
    findings = list(table.findings)
    lines: dict[str, int] = {}
    for row in table.rows:
        tag, text = row.cells
        why = sheet.refused(tag)
        if not why and tag in lines:
            why = f'tag "{tag}" stands on line {lines[tag]} too'
        if not why:
            lines[tag] = row.line
            try:
                sheet.values[tag] = (sheet.unit.to_kept(_above_zero(table.number(text))),)
            except ValueError as error:
                why = str(error)
        if why:
            findings.append(Finding(table.file, row.line, why))
    for tag, (value,) in sheet.values.items():  # beside all others, whatever their order
        for doubt in sheet.doubts(tag, value):
            shown = f"{value:.4g} {sheet.unit.kept} of {tag} is {doubt}"
            findings.append(
                Finding(table.file, lines[tag], f"{shown}; if it is right: --sure {tag}")
            )
    if findings:
        raise InputFileError(sorted(findings, key=lambda finding: finding.line or 0))


def _above_zero(value: float) -> float:
    if value <= 0:
        raise ValueError(f"{value:g} is not above zero")
    return value


# --- from a person ----------------------------------------------------------------------------


def _ask_in_order(sheet: Sheet, *, twice: bool) -> None:
    for tag, place in sheet.places.items():
        if tag in sheet.kept and tag not in sheet.sure:
            talk(f"{place}: {sheet.kept[tag][0]:g} {sheet.unit.kept} is there already")
            continue
        readings = _ask_readings(sheet, tag, place, twice=twice)
        if readings:
            sheet.values[tag] = readings


def _ask_scanned(sheet: Sheet, *, twice: bool) -> None:
    while tag := ask("scan or type a tag (empty: done): "):
        why = sheet.refused(tag) or (
            f'tag "{tag}" was given already' if tag in sheet.values else ""
        )
        if why:
            talk(f"not taken: {why}")
            continue
        readings = _ask_readings(sheet, tag, sheet.places[tag], twice=twice)
        if readings:
            sheet.values[tag] = readings


def _ask_readings(sheet: Sheet, tag: str, place: str, *, twice: bool) -> tuple[float, ...]:
    first = _ask_value(sheet, tag, place)
    if first is None or not twice:
        return () if first is None else (first,)
    second = _ask_value(sheet, tag, f"{place}, second reading")
    return (first,) if second is None else (first, second)


def _ask_value(sheet: Sheet, tag: str, place: str) -> float | None:
    """A value in the kept unit; one that is odd counts when it is typed a second time."""
    before: float | None = None
    while text := ask(f"{place}: flow in {sheet.unit.name} (empty: none): "):
        try:
            value = sheet.unit.to_kept(_above_zero(float(text.replace(",", "."))))
        except ValueError:
            talk(f'"{text}" is no flow; a number above zero')
            continue
        found = sheet.doubts(tag, value)
        if not found or value == before:
            return value
        before = value
        talk(f"{'; '.join(found)}: type it again to keep it, or the right one")
    return None


# --- what is kept -----------------------------------------------------------------------------


def _entry(
    sheet: Sheet,
    tag: str,
    readings: Sequence[float],
    u_percent: float | None,
    pressure_kpa: float | None,
    fluid: str,
    instrument: str,
    who: str,
) -> FlowEntry:
    from benchrig.cli.pace import stamp
    from benchrig.record.entries import FlowEntry

    value = sum(readings) / len(readings)
    u = None if u_percent is None else value * u_percent / 100
    if u is not None and len(readings) > 1:  # half their difference is the mean's own spread
        u = (u**2 + ((readings[0] - readings[1]) / 2) ** 2) ** 0.5
    unit = sheet.unit
    said = [] if unit.name == unit.kept else [f"typed in {unit.name}"]
    if len(readings) > 1:
        said.append(f"readings {' and '.join(f'{r:.5g}' for r in readings)} {unit.kept}")
    return FlowEntry(
        at=stamp(),
        who=who,
        tag=tag,
        note=f"({'; '.join(said)})" if said else "",
        stage=sheet.stage,
        static_flow_cc_per_min=value if unit.static else None,
        dynamic_flow_ul=None if unit.static else value,
        std_uncertainty=u,
        pressure_pa=None if pressure_kpa is None else 1000.0 * pressure_kpa,
        fluid=fluid,
        instrument=instrument,
    )


def _show(sheet: Sheet, numbers: Iterable[int], *, as_json: bool) -> None:
    numbers = list(numbers)
    without = [tag for tag in sheet.places if tag not in sheet.values and tag not in sheet.kept]
    if as_json:
        say_json(
            {
                "schema": "benchrig.flows/1",
                "stage": sheet.stage,
                "unit": sheet.unit.kept,
                "entries": [
                    {"number": n, "tag": tag, "readings": list(readings)}
                    for n, (tag, readings) in zip(numbers, sheet.values.items(), strict=True)
                ],
                "without": without,
            }
        )
        return
    for number, (tag, readings) in zip(numbers, sheet.values.items(), strict=True):
        say(
            f"entry {number}: {tag}: {' and '.join(f'{r:.5g}' for r in readings)} {sheet.unit.kept}"
        )
    say(f"{len(numbers)} flows kept at {sheet.stage}")
    if without:
        say(f"no flow yet: {', '.join(without)}")
