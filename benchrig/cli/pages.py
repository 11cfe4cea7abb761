"""``benchrig record report|label|compare|reanalyse|push``: what is made from records."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchrig.cli.files import destination, file_words, write_file
from benchrig.cli.output import say, say_json, talk
from benchrig.cli.records import JsonOption, LogOption, RecordArgument, open_log, resolve
from benchrig.errors import LogError, UsageError
from benchrig.wire.simulated import MARK

if TYPE_CHECKING:
    from benchrig.record.entries import Entry
    from benchrig.record.read import LogReader
    from benchrig.record.values import RunRecord

OutOption = Annotated[Path | None, typer.Option("--out", "-o", help="File to write.")]
PaperOption = Annotated[str, typer.Option(help="a4 or letter; default: the printer's.")]


def register(record_app: typer.Typer) -> None:
    """Add the commands to ``benchrig record``."""
    record_app.command("report")(record_report)
    record_app.command("label")(record_label)
    record_app.command("compare")(record_compare)
    record_app.command("reanalyse")(record_reanalyse)
    record_app.command("push")(record_push)


def record_report(
    record_id: RecordArgument,
    out: OutOption = None,
    pdf: Annotated[bool, typer.Option("--pdf", help="PDF instead of HTML (extra pdf).")] = False,
    paper: PaperOption = "",
    budget: Annotated[bool, typer.Option("--budget", help="With uncertainty budgets.")] = False,
    before: Annotated[
        str | None, typer.Option(help="An earlier record of the part, to compare with.")
    ] = None,
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write the one-page report of a record: self-contained HTML, or PDF."""
    with open_log(log) as run_log:
        record = run_log.record(resolve(run_log, record_id))
        path = destination(out, f"{record.record_id}.{'pdf' if pdf else 'html'}")
        earlier = None if before is None else resolve(run_log, before)
        page = page_of(run_log, record, budget=budget, paper=paper, before=earlier)
    if pdf:
        from benchrig.report.pdf import pdf_bytes

        write_file(path, pdf_bytes(page))
    else:
        write_file(path, page)
    if as_json:
        file: dict[str, object] = {"record": record.record_id, "what": "report", "file": str(path)}
        file["simulated"] = record.simulated
        say_json({"schema": "benchrig.file/1", **file})
    else:
        say(str(path))


def page_of(
    run_log: LogReader,
    record: RunRecord,
    *,
    budget: bool = False,
    paper: str = "",
    before: str | None = None,
) -> str:
    """The HTML page of a record, with its curves where the log has samples."""
    from benchrig.record.forms import digest
    from benchrig.report.html import part_page
    from benchrig.report.logged import samples_of

    return part_page(
        record,
        samples=samples_of(run_log, record),
        digest=digest(record),
        before=run_log.record(before) if before else None,
        entries=_typed_about(run_log, record),
        budget=budget,
        paper=paper,
    )


def _typed_about(run_log: LogReader, record: RunRecord) -> list[Entry]:
    """What people typed in about a record: corrections, and flow, leak and spray at its stage."""
    from benchrig.record.entries import FlowEntry, LeakEntry, SprayEntry

    found: list[Entry] = [*run_log.corrections(record.record_id)]
    for kind in (FlowEntry, LeakEntry, SprayEntry) if record.plan.tag else ():
        for entry in run_log.entries(kind, tag=record.plan.tag):
            if getattr(entry, "stage", "") == record.plan.stage.value:
                found.append(entry)
    return found


def record_label(
    record_ids: Annotated[
        list[str] | None, typer.Argument(metavar="RECORD...", help="Ids, or 'last'.")
    ] = None,
    order: Annotated[
        str | None, typer.Option(help="The newest record of each tag of this work order.")
    ] = None,
    out: OutOption = None,
    paper: PaperOption = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write tag labels with the record's id as a QR code: one as SVG, several as a sheet (HTML)."""
    from benchrig.report.html.labels import label_page, label_svg

    if bool(record_ids) == (order is not None):
        raise UsageError("name one or more records, or an --order")
    with open_log(log) as run_log:
        ids = (
            _of_order(run_log, order) if order else [resolve(run_log, i) for i in record_ids or ()]
        )
        records = [run_log.record(record_id) for record_id in ids]
    if len(records) == 1 and order is None:
        path = destination(out, f"{ids[0]}-label.svg")
        write_file(path, label_svg(records[0]))
    else:
        path = destination(out, f"{file_words(order or 'records')}-labels.html")
        write_file(path, label_page(records, paper=paper))
    if as_json:
        say_json(
            {
                "schema": "benchrig.labels/1",
                "records": ids,
                "simulated": any(record.simulated for record in records),
                "what": "label",
                "file": str(path),
            }
        )
    else:
        say(str(path))


def _of_order(run_log: LogReader, order: str) -> list[str]:
    from benchrig.record.read import newest_by_tag

    newest = newest_by_tag(run_log.runs_of_order(order))
    if not newest:
        raise LogError(
            f"no record with a tag of the order {order} in {run_log.shown}",
            advice="see `benchrig record list`",
        )
    return [run.record_id for run in newest.values()]


def record_compare(
    before: Annotated[str, typer.Argument(help="The earlier record.")],
    after: Annotated[str, typer.Argument(help="The later record.")],
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Before and after on one line: changed by more than the uncertainty?"""
    from benchrig.report.history import before_after_line, compare

    with open_log(log) as run_log:
        first, second = (run_log.record(resolve(run_log, x)) for x in (before, after))
    _doubt(first, second)
    if as_json:
        say_json(
            {
                "schema": "benchrig.comparison/1",
                "before": first.record_id,
                "after": second.record_id,
                "simulated": first.simulated or second.simulated,
                "verdict_before": first.verdict.value,
                "verdict_after": second.verdict.value,
                "changes": [dataclasses.asdict(change) for change in compare(first, second)],
            }
        )
        return
    mark = f"{MARK}: " if first.simulated or second.simulated else ""
    say(mark + before_after_line(first, second))


def _doubt(first: RunRecord, second: RunRecord) -> None:
    """Say aloud where before and after are not of one part, or the other way round."""
    one, two = first.plan, second.plan
    if one.part.name != two.part.name:
        talk(f"these are different parts: {one.part.name} and {two.part.name}")
    elif one.tag != two.tag:
        talk(f"these are of two tags, {one.tag or '(none)'} and {two.tag or '(none)'}: two parts?")
    if datetime.fromisoformat(first.begun_at) > datetime.fromisoformat(second.begun_at):
        talk(f"{first.record_id} was begun later than {second.record_id}: before is after")


def record_reanalyse(
    record_id: RecordArgument, log: LogOption = None, as_json: JsonOption = False
) -> None:
    """Judge a record again from its raw samples with this version; the log is not changed."""
    from benchrig.bench.replay import analyse_again, judge_again, stored_run
    from benchrig.record.values import said_alone

    with open_log(log) as run_log:
        stored = stored_run(run_log, resolve(run_log, record_id))
    cycles = analyse_again(stored)
    now, judgement = judge_again(stored, cycles)
    verdict, judged, then = now.verdict, now.characteristics, stored.record.verdict
    if as_json:
        say_json(
            {
                "schema": "benchrig.reanalysis/1",
                "record": stored.record.record_id,
                "simulated": stored.record.simulated,
                "verdict_then": then.value,
                "verdict_now": verdict.value,
                "verdict_reason": judgement.reason,
                "cycles": len(cycles),
                "characteristics": [
                    {
                        "name": j.characteristic.value,
                        "verdict": j.verdict.value,
                        "value": j.measured.value if j.measured else None,
                        "std_uncertainty": j.measured.std_uncertainty if j.measured else None,
                        "reason": j.reason,
                    }
                    for j in judged
                ],
                "warnings": list(judgement.warnings),
            }
        )
        return
    same = "as then" if verdict is then else f"then {then}"
    word = said_alone(verdict.value, stored.record.simulated)
    say(f"{stored.record.record_id}: {word} ({same}), {len(cycles)} cycles analysed again")
    say(f"  {judgement.reason}")
    for j in judged:
        say(f"  {j.characteristic}: {j.verdict}: {j.reason}")
    for warning in judgement.warnings:
        say(f"! {warning}")


def record_push(
    to: Annotated[str, typer.Argument(help="postgresql://user@host/database")],
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Copy all finished runs to a shared database; safe to repeat and from many benches at once."""
    from benchrig.record.log import RunLog
    from benchrig.record.push import push

    with RunLog.open(log) as run_log:
        pushed = push(run_log, to)
    if as_json:
        say_json({"schema": "benchrig.push/1", **dataclasses.asdict(pushed)})
    else:
        again = f", connected anew {pushed.retries} times" if pushed.retries else ""
        say(f"{pushed.runs} runs were new there ({pushed.links} links of the chain{again})")
        say(f"both logs now end with link {pushed.head}")
