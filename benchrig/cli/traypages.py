"""``benchrig record tray``: the page of a tray, made from the log alone.

The tray command makes its own page the same way; what lay where and each record come from the
log, and with them what was typed in about the tags since.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.files import destination, file_words, write_file
from benchrig.cli.output import say, say_json
from benchrig.cli.records import JsonOption, LogOption, open_log
from benchrig.errors import LogError, UsageError

if TYPE_CHECKING:
    from benchrig.parts.part import Characteristic
    from benchrig.record.entries import TrayEntry, TraySlot
    from benchrig.record.read import LogReader
    from benchrig.record.values import RunRecord
    from benchrig.report.html.sheets import TypedLine

APART_IN = ("resistance_20c_ohm", "current_a", "opening_time_s")  # with a value in each sound part


def register(record_app: typer.Typer) -> None:
    """Add the command to ``benchrig record``."""
    record_app.command("tray")(record_tray)


def record_tray(
    order: Annotated[str, typer.Argument(help="The work order, or 'last' for the newest tray.")],
    tray: Annotated[str, typer.Option(help="Name of the tray file, where there are more.")] = "",
    stage: Annotated[str, typer.Option(help="incoming, cleaned or retest; else the newest.")] = "",
    out: Annotated[Path | None, typer.Option("--out", "-o", help="File to write.")] = None,
    paper: Annotated[str, typer.Option(help="a4 or letter; default: the printer's.")] = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the page of a tray again, from the log: one line a slot, and what was typed in."""
    from benchrig.bench.traylog import records_of

    with open_log(log) as run_log:
        entry = chosen_tray(run_log, order, tray, stage)
        records = records_of(run_log, entry)
        page = sheet(entry, records, run_log, paper=paper)
        typed = {
            slot.number: typed_lines(run_log, slot.tag, entry.stage, records.get(slot.number))
            for slot in entry.slots
        }
    path = destination(out, _file_name(entry))
    write_file(path, page)
    if as_json:
        say_json(_to_json(entry, records, typed, path))
    else:
        say(str(path))


def _file_name(entry: TrayEntry) -> str:
    words = "-".join((entry.order, entry.tray, entry.stage))
    return file_words(words) + ".html"


def chosen_tray(run_log: LogReader, order: str, tray: str = "", stage: str = "") -> TrayEntry:
    """The one tray that is meant; of several stages the newest, of several trays none."""
    from benchrig.bench.traylog import trays_of

    found = trays_of(run_log, "" if order == "last" else order, tray, stage)
    if not found:
        asked = " ".join(word for word in (order, tray, stage) if word)
        raise LogError(
            f"no tray {asked} in {run_log.shown}", advice="see `benchrig record list --order`"
        )
    names = sorted({entry.tray for entry in found})
    if len(names) > 1 and order != "last":
        raise UsageError(
            f"order {order} has the trays {', '.join(names)}", advice="say which with --tray"
        )
    return found[-1]


def _to_json(
    entry: TrayEntry,
    records: Mapping[int, RunRecord],
    typed: Mapping[int, tuple[TypedLine, ...]],
    path: Path,
) -> dict[str, Any]:
    from benchrig.record.forms import record_to_json

    def record_json(slot: TraySlot) -> dict[str, Any] | None:
        record = records.get(slot.number)
        if record is None:
            return None
        return {key: v for key, v in record_to_json(record).items() if key != "cycles"}

    return {
        "schema": "benchrig.tray-page/1",
        "order": entry.order,
        "tray": entry.tray,
        "stage": entry.stage,
        "begun_at": entry.at,
        "customer_words": entry.customer_words,
        "position_scheme": entry.position_scheme,
        "golden": entry.golden,
        "simulated": any(record.simulated for record in records.values()),
        "slots": [
            {
                "slot": slot.number,
                "output": slot.output,
                "tag": slot.tag,
                "part_number": slot.part_number,
                "position": slot.position,
                "record": record_json(slot),
                "typed_in": [
                    {"text": line.text, "verdict": line.verdict} for line in typed[slot.number]
                ],
            }
            for slot in entry.slots
        ],
        "page": str(path),
    }


def sheet(
    entry: TrayEntry,
    records: Mapping[int, RunRecord],
    run_log: LogReader,
    *,
    states: Mapping[int, str] | None = None,
    paper: str = "",
) -> str:
    """The page: one line a slot, beside what each tag was before and what was typed in."""
    from benchrig.cli.pages import commission_of
    from benchrig.report.html import tray_page
    from benchrig.report.html.sheets import TrayRow, TraySheet

    rows = []
    marks = outlier_marks(records)
    for slot in entry.slots:
        record = records.get(slot.number)
        tag = slot.tag if record is None else record.plan.tag
        rows.append(
            TrayRow(
                slot=str(slot.number),
                position=slot.position if record is None else record.plan.position,
                tag=tag,
                part_number=slot.part_number,
                record=record,
                before=_before(run_log, record) if record is not None else None,
                outlier=marks.get(slot.number, ""),
                typed=typed_lines(run_log, tag, entry.stage, record),
                state=(states or {}).get(slot.number, "not done"),
            )
        )
    return tray_page(
        TraySheet(
            order=entry.order,
            rows=tuple(rows),
            customer_words=entry.customer_words,
            scheme=entry.position_scheme,
            golden=entry.golden,
            stage=entry.stage,
            commission=commission_of(run_log, entry.order),
        ),
        paper=paper,
    )


def typed_lines(
    run_log: LogReader, tag: str, stage: str, record: RunRecord | None
) -> tuple[TypedLine, ...]:
    """The newest flow, leak and spray typed in for a tag at a stage, judged where they can be."""
    from benchrig.bench.known import flow_values, leak_rate
    from benchrig.judge.judge import judge_typed
    from benchrig.parts.part import Characteristic
    from benchrig.record.entries import FlowEntry, LeakEntry, SprayEntry
    from benchrig.report.html.sheets import TypedLine
    from benchrig.report.words import typed_text

    newest: dict[str, FlowEntry | LeakEntry | SprayEntry] = {}
    for kind in (FlowEntry, LeakEntry, SprayEntry):
        for entry in run_log.entries(kind, tag=tag) if tag else ():
            if isinstance(entry, FlowEntry | LeakEntry | SprayEntry) and entry.stage == stage:
                dynamic = isinstance(entry, FlowEntry) and entry.dynamic_flow_ul is not None
                newest[f"{kind.KIND} {dynamic}"] = entry
    lines = []
    for entry in newest.values():
        values = flow_values(entry) if isinstance(entry, FlowEntry) else {}
        if isinstance(entry, LeakEntry):
            values = {Characteristic.LEAK: leak_rate(entry)}
        part = record.plan.part if record is not None else None
        judged = [judge_typed(part, name, value) for name, value in values.items()] if part else []
        worst = next((j for v in _WORST_FIRST for j in judged if j.verdict.value == v), None)
        lines.append(
            TypedLine(text=typed_text(entry), verdict="" if worst is None else worst.verdict.value)
        )
    return tuple(lines)


_WORST_FIRST = ("FAIL", "INCONCLUSIVE", "PASS")  # NOT ASSESSED has no limit to stand against


def _before(run_log: LogReader, record: RunRecord) -> RunRecord | None:
    """The newest record of the tag at another stage, made before this one, its armature free."""
    from benchrig.record.values import Stage

    if not record.plan.tag:
        return None
    earlier = [
        run
        for run in run_log.history(record.plan.tag)
        if run.stage not in (record.plan.stage.value, Stage.HELD)
        and run.begun_at <= record.begun_at
        and run.proven_safe
        and run.values
    ]
    return run_log.record(earlier[-1].record_id) if earlier else None


def outlier_marks(records: Mapping[int, RunRecord]) -> dict[int, str]:
    """Slots of which a value stands apart from the tray's; a question, never a verdict."""
    from benchrig.judge.statistics import parts_apart
    from benchrig.report.words import NAMES

    tray: dict[Characteristic, dict[int, float]] = {}
    for number, record in sorted(records.items()):
        for judged in record.characteristics:
            if judged.measured is not None and judged.characteristic.value in APART_IN:
                tray.setdefault(judged.characteristic, {})[number] = judged.measured.value
    return {
        number: f"stands apart from the tray: {', '.join(NAMES[name] for name in names)}"
        for number, names in sorted(parts_apart(tray).items())
    }
