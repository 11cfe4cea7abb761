"""One page for an order, for the customer: each part's stages, what changed, and what was done."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchrig.judge.verdict import Verdict
from benchrig.parts.part import Characteristic
from benchrig.record.values import DISCONNECT, RunRecord, Stage
from benchrig.report import words
from benchrig.report.certificate import Commission
from benchrig.report.history import compare, number_of
from benchrig.report.html.env import page_size, render
from benchrig.report.html.sheets import TypedLine

STAGES = (Stage.INCOMING, Stage.CLEANED, Stage.RETEST, Stage.SINGLE)


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderPart:
    """A tag of the order: its record that counts at each stage, and what was typed in."""

    tag: str
    records: Mapping[Stage, RunRecord]
    flows: Sequence[tuple[str, TypedLine]] = ()  # stage, and the value with its verdict
    work: Sequence[str] = ()
    set_name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderSheet:
    """An order to be shown; parts stay in the order given."""

    order: str
    parts: Sequence[OrderPart]
    commission: Commission
    work: Sequence[str] = ()  # done to all of them
    released: str = ""
    tested: str = ""  # first and last day
    operators: Sequence[str] = field(default_factory=tuple)


def order_page(sheet: OrderSheet, *, paper: str = "") -> str:
    """The page of an order."""
    records = [record for part in sheet.parts for record in part.records.values()]
    stages = [stage for stage in STAGES if any(stage in part.records for part in sheet.parts)]
    kinds = [record.plan.part for record in records]
    hottest = [h for record in records if (h := words.hottest_c(record)) is not None]
    return render(
        "order.html.j2",
        simulated=any(record.simulated for record in records),
        page_size=page_size(paper, landscape=True),
        order=sheet.order,
        commission=sheet.commission,
        parties=_parties(sheet, kinds[0].title if kinds else ""),
        not_safe=[r.record_id for r in records if not r.proven_safe],
        disconnect=DISCONNECT,
        headline=_headline(sheet),
        finding=_finding(sheet),
        invented=any(kind.invented for kind in kinds),
        work=sheet.work,
        stages=[stage.value for stage in stages],
        rows=[_row(part, stages) for part in sheet.parts],
        released=sheet.released,
        cautions=" ".join(words.cautions(kinds, max(hottest, default=None))),
    )


def _parties(sheet: OrderSheet, part: str) -> list[tuple[str, str]]:
    pairs = (
        ("Customer", sheet.commission.customer),
        ("Order", sheet.order),
        ("Part", part),
        ("Tested", sheet.tested),
        ("Tested by", ", ".join(sheet.operators)),
        ("Asked", sheet.commission.asked),
    )
    return [(name, text) for name, text in pairs if text]


def _last(part: OrderPart) -> RunRecord | None:
    found = [part.records[stage] for stage in STAGES[:3] if stage in part.records]
    return found[-1] if found else part.records.get(Stage.SINGLE)


def _first(part: OrderPart) -> RunRecord | None:
    found = [part.records[stage] for stage in STAGES[:3] if stage in part.records]
    return found[0] if found else None


def _headline(sheet: OrderSheet) -> str:
    last = Counter(record.verdict for part in sheet.parts if (record := _last(part)))
    told = [f"{last[verdict]} {verdict.value}" for verdict in Verdict if last[verdict]]
    return f"{len(sheet.parts)} parts, at their last stage: {', '.join(told) or 'no record'}"


def _finding(sheet: OrderSheet) -> str:
    turned = Counter(
        (first.verdict, last.verdict)
        for part in sheet.parts
        if (first := _first(part)) and (last := _last(part)) and first is not last
    )
    if not turned:
        return "No part was measured at two stages."
    same = sum(count for (a, b), count in turned.items() if a is b)
    moved = [
        f"{n} from {a.value} to {b.value}" for (a, b), n in sorted(turned.items()) if a is not b
    ]
    failed = [
        part.tag
        for part in sheet.parts
        if any(line.verdict == Verdict.FAIL for _, line in part.flows[-1:])
    ]
    text = f"From first to last stage {same} of {sum(turned.values())} parts kept their verdict"
    text += f"; {', '.join(moved)}" if moved else ""
    text += f"; flow outside its limit: {', '.join(failed)}" if failed else ""
    return text + "."


def _row(part: OrderPart, stages: Sequence[Stage]) -> dict[str, Any]:
    first, last = _first(part), _last(part)
    changed = ""
    if first is not None and last is not None and first is not last:
        changes = compare(first, last)
        moved = [f"{c.name} {c.before} → {c.after}" for c in changes if c.changed]
        changed = "; ".join(moved) or "no"
    return {
        "tag": part.tag,
        "position": last.plan.position if last else "",
        "cells": [_cell(part.records.get(stage)) for stage in stages],
        "flows": [(f"{stage}: {line.text}", line.verdict) for stage, line in part.flows],
        "changed": changed,
        "work": part.work,
        "set": part.set_name,
    }


def _cell(record: RunRecord | None) -> dict[str, Any] | None:
    if record is None:
        return None
    return {
        "verdict": record.verdict.value,
        "simulated": record.simulated,
        "text": f"R20 {number_of(record, Characteristic.RESISTANCE_20C)}, {record.begun_at[:10]}",
    }
