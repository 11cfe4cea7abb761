"""``benchrig record report|label|compare|reanalyse|push``: what is made from records."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.files import destination, file_words, write_file
from benchrig.cli.output import say, say_json, talk
from benchrig.cli.records import JsonOption, LogOption, RecordArgument, open_log, resolve
from benchrig.errors import LogError, UsageError
from benchrig.wire.simulated import MARK

if TYPE_CHECKING:
    from benchrig.record.entries import Entry, WorkEntry
    from benchrig.record.log import RunLog
    from benchrig.record.read import LogReader, Numbered
    from benchrig.record.values import RunRecord
    from benchrig.report.certificate import Commission

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
    record_id: Annotated[
        str | None, typer.Argument(metavar="RECORD|TAG", help="A record's id, a tag, or 'last'.")
    ] = None,
    order: Annotated[
        str | None, typer.Option("--order", help="One page for this work order, for the customer.")
    ] = None,
    full: Annotated[
        bool, typer.Option("--full", help="Further sheets for what one has no room for.")
    ] = False,
    open_it: Annotated[bool, typer.Option("--open", help="Show it in the browser.")] = False,
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
    if (record_id is None) == (order is None):
        raise UsageError("name a record, a tag or 'last', or an --order")
    if order is not None and (before is not None or budget):
        raise UsageError("--before and --budget belong to the page of one record")
    ending = "pdf" if pdf else "html"
    with open_log(log) as run_log:
        if order is not None:
            from benchrig.cli.orderpage import order_page_of

            name = f"order-{file_words(order)}"
            path = destination(out, f"{name}.{ending}")
            page, simulated = order_page_of(run_log, order, paper=paper)
        else:
            record = run_log.record(resolve_part(run_log, str(record_id)))
            name, simulated = record.record_id, record.simulated
            path = destination(out, f"{name}.{ending}")
            earlier = None if before is None else resolve_part(run_log, before)
            page = page_of(run_log, record, full=full, budget=budget, paper=paper, before=earlier)
    if pdf:
        from benchrig.report.pdf import pdf_bytes

        write_file(path, pdf_bytes(page))
    else:
        write_file(path, page)
    if as_json:
        file: dict[str, object] = {"what": "report", "file": str(path), "simulated": simulated}
        file["order" if order is not None else "record"] = order or name
        say_json({"schema": "benchrig.file/1", **file})
    else:
        say(str(path))
    if open_it:
        typer.launch(str(path))


def resolve_part(run_log: RunLog, name: str) -> str:
    """A record's id; of a tag the record that counts: that of its latest stage."""
    from benchrig.record.latest import latest

    runs = run_log.history(name)
    counted = latest(runs, stage=lambda run: run.stage, at=lambda run: run.begun_at)
    if counted is None:
        return resolve(run_log, name)
    return counted.record_id


def commission_of(run_log: LogReader, order: str, *, asked: str = "") -> Commission:
    """The shop of the bench file; the customer and what was asked, as typed for the order."""
    from benchrig.bench.traylog import trays_of
    from benchrig.cli.benchfile import shop_details
    from benchrig.record.entries import CustomerEntry
    from benchrig.report.certificate import Commission

    of_order = [e for e in run_log.entries(CustomerEntry) if order and e.order == order]
    newest = of_order[-1] if of_order else None
    trays = trays_of(run_log, order) if order else []
    words = next((tray.customer_words for tray in reversed(trays) if tray.customer_words), "")
    return Commission(
        shop=shop_details(),
        customer=newest.name if newest else "",
        asked=(newest.asked if newest else "") or words or asked,
    )


def page_of(
    run_log: LogReader,
    record: RunRecord,
    *,
    full: bool = False,
    budget: bool = False,
    paper: str = "",
    before: str | None = None,
) -> str:
    """The HTML page of a record, with its curves where the log has samples."""
    from benchrig.record.forms import digest
    from benchrig.report.html import part_page
    from benchrig.report.logged import samples_of

    typed = _typed_about(run_log, record)
    return part_page(
        record,
        samples=samples_of(run_log, record),
        digest=digest(record),
        before=run_log.record(before) if before else None,
        entries=[n.entry for n in typed if not n.withdrawal],
        withdrawn=[(n.entry, n.withdrawal.why) for n in typed if n.withdrawal],
        commission=commission_of(run_log, record.plan.order),
        full=full,
        budget=budget,
        paper=paper,
    )


def _typed_about(run_log: LogReader, record: RunRecord) -> list[Numbered[Any]]:
    """What people typed in about a record: corrections, its release, flow, leak and spray at its
    stage, and what was done to the part before it was run."""
    from benchrig.record.entries import (
        Correction,
        FlowEntry,
        LeakEntry,
        ReleaseEntry,
        SprayEntry,
        WorkEntry,
    )

    plan = record.plan
    about: tuple[type[Entry], ...] = (Correction, ReleaseEntry)
    found: list[Numbered[Any]] = [
        each for kind in about for each in run_log.numbered(kind, record_id=record.record_id)
    ]
    for kind in (FlowEntry, LeakEntry, SprayEntry) if plan.tag else ():
        of_tag: list[Numbered[Any]] = [*run_log.numbered(kind, tag=plan.tag)]
        found += [each for each in of_tag if each.entry.stage == plan.stage.value]
    work = [each for each in run_log.numbered(WorkEntry) if each.entry.at <= record.begun_at]
    return found + [each for each in work if _work_on(each.entry, plan.tag, plan.order)]


def _work_on(entry: WorkEntry, tag: str, order: str) -> bool:
    """Whether it was done to this part: by its tag, or to the whole of its order."""
    of_order = not entry.order or entry.order == order
    return of_order and (entry.tag == tag if entry.tag else bool(order))


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
