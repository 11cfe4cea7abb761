"""``benchrig record report --order``: what an order's page is made from."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from benchrig.errors import LogError, UsageError

if TYPE_CHECKING:
    from benchrig.record.log import RunLog
    from benchrig.record.rows import RunSummary
    from benchrig.record.values import RunRecord, Stage
    from benchrig.report.html.order import OrderPart

SET_SIZE = 4


def order_page_of(run_log: RunLog, order: str, *, paper: str = "") -> tuple[str, bool]:
    """The page of an order, and whether any of it was simulated."""
    from benchrig.cli.pages import commission_of
    from benchrig.record.entries import ReleaseEntry, WorkEntry
    from benchrig.record.values import Stage
    from benchrig.report.certificate import released_text
    from benchrig.report.html import order_page
    from benchrig.report.html.order import OrderSheet
    from benchrig.report.words import entry_text

    runs = [r for r in run_log.runs_of_order(order) if r.tag and r.stage != Stage.GOLDEN]
    if not runs:
        raise LogError(
            f"no record with a tag of the order {order} in {run_log.shown}",
            advice="see `benchrig record list`",
        )
    work = [entry for entry in run_log.entries(WorkEntry) if order == entry.order]
    sets = _sets(run_log, order)
    parts = []
    for tag in sorted({run.tag for run in runs}):
        of_tag = [run for run in runs if run.tag == tag]
        done = [entry_text(entry) for entry in work if entry.tag == tag]
        parts.append(_part(run_log, tag, of_tag, order, done, sets.get(tag, "")))
    counted = [record.record_id for part in parts for record in part.records.values()]
    releases = [e for e in run_log.entries(ReleaseEntry) if e.record_id in counted]
    covered = {entry.record_id for entry in releases}
    days = sorted(run.begun_at[:10] for run in runs)
    released = released_text(releases if covered >= set(counted) else [])
    page = order_page(
        OrderSheet(
            order=order,
            parts=parts,
            commission=commission_of(run_log, order),
            work=[entry_text(entry) for entry in work if not entry.tag],
            released=released,
            tested=days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}",
            operators=sorted({run.operator for run in runs if run.operator}),
        ),
        paper=paper,
    )
    return page, any(r.simulated for part in parts for r in part.records.values())


def _part(
    run_log: RunLog, tag: str, runs: list[RunSummary], order: str, work: list[str], set_name: str
) -> OrderPart:
    from benchrig.bench.traylog import UNFINISHED
    from benchrig.cli.traypages import typed_lines
    from benchrig.record.values import Stage
    from benchrig.report.html.order import STAGES, OrderPart

    newest: dict[Stage, RunSummary] = {}
    for run in sorted(runs, key=lambda run: (run.ending not in UNFINISHED, run.begun_at)):
        newest[Stage(run.stage)] = run
    records = {stage: run_log.record(run.record_id) for stage, run in newest.items()}
    flows = [
        (stage.value, line)
        for stage in STAGES
        for line in typed_lines(run_log, tag, stage.value, records.get(stage) or _any(records))
    ]
    return OrderPart(tag=tag, records=records, flows=flows, work=work, set_name=set_name)


def _any(records: Mapping[Stage, RunRecord]) -> RunRecord | None:
    """A record to take the part's limits from, where a stage has a value and no run."""
    return next(iter(records.values()), None)


def _sets(run_log: RunLog, order: str) -> dict[str, str]:
    """The set of each tag, in sets of four by what counts; none where they cannot be made."""
    from benchrig.cli.sets import parts_of_order
    from benchrig.judge.matching import match_sets

    try:
        of = parts_of_order(run_log, order)
        found = match_sets(of.parts, SET_SIZE, names=of.names)
    except UsageError:
        return {}
    named = {p.tag: f"set {n}" for n, each in enumerate(found.sets, 1) for p in each.parts}
    return (
        named
        | {part.tag: "left over" for part in found.leftovers}
        | {tag: f"in no set: {why}" for tag, why in of.left_out.items()}
    )
