"""Pages over many parts: the tray, matched sets, a tag's history, the golden part."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchrig.judge.golden import GoldenCheck
from benchrig.judge.matching import Matching
from benchrig.judge.verdict import Verdict
from benchrig.parts.part import Characteristic, Part
from benchrig.record.values import DISCONNECT, RunRecord, SafeEvidence
from benchrig.report import words
from benchrig.report.certificate import Commission
from benchrig.report.charts import tray_chart
from benchrig.report.history import (
    before_after_line,
    compare,
    control_chart,
    history_rows,
    number_of,
)
from benchrig.report.html.env import drawn, page_size, render
from benchrig.report.standing import why_text
from benchrig.report.svg import Frame, Plot, picture


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedLine:
    """A value measured elsewhere and typed in, and how it stands to its limit."""

    text: str
    verdict: str = ""  # "": no limit, or no uncertainty to judge it with


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayRow:
    """One slot: its labels as written, and its record once there is one."""

    slot: str
    position: str  # as written, never renumbered
    tag: str
    part_number: str = ""
    record: RunRecord | None = None
    before: RunRecord | None = None  # an earlier stage of the same tag
    outlier: str = ""  # why this part stands out, "" when it does not
    typed: tuple[TypedLine, ...] = ()
    state: str = "waiting"  # shown while there is no record


@dataclass(frozen=True, slots=True, kw_only=True)
class TraySheet:
    """A tray to be shown; rows stay in the order given."""

    order: str
    rows: tuple[TrayRow, ...]
    customer_words: str = ""
    scheme: str = ""  # what the position labels count
    golden: str = ""  # the golden part's check of the day, in words
    stage: str = ""
    commission: Commission = field(default_factory=Commission)


def tray_page(sheet: TraySheet, *, paper: str = "") -> str:
    """The tray: one line a slot."""
    records = [row.record for row in sheet.rows if row.record is not None]
    loud = [f"slot {r.slot}" for r in sheet.rows if r.record and not r.record.proven_safe]
    evidence = [r.made_safe for r in records if isinstance(r.made_safe, SafeEvidence)]
    parts = [record.plan.part for record in records]
    hottest = [h for r in records if (h := words.hottest_c(r)) is not None]
    return render(
        "tray.html.j2",
        simulated=any(
            r.simulated for row in sheet.rows for r in (row.record, row.before) if r is not None
        ),
        page_size=page_size(paper, landscape=True),
        sheet=sheet,
        rows=[_tray_row(row) for row in sheet.rows],
        not_safe=loud,
        all_safe=bool(records) and not loud,
        residual=words.milliamps(max((e.residual_current_a for e in evidence), default=0.0)),
        disconnect=DISCONNECT,
        tally=_tally(sheet.rows),
        parties=_tray_parties(sheet, records),
        columns=_tray_columns(parts),
        curves=drawn(tray_chart([(r.slot, r.record, bool(r.outlier)) for r in sheet.rows])),
        curves_note="; red: stands apart from the tray"
        if any(r.outlier for r in sheet.rows)
        else "",
        typed_failed=[
            f"slot {row.slot}"
            for row in sheet.rows
            if any(line.verdict == Verdict.FAIL for line in row.typed)
        ],
        invented=any(r.plan.part.invented for r in records),
        cautions=" ".join(words.cautions(parts, max(hottest, default=None))),
    )


def _tray_parties(sheet: TraySheet, records: Sequence[RunRecord]) -> list[tuple[str, str]]:
    days = sorted({record.begun_at[:10] for record in records})
    operators = sorted({r.plan.operator for r in records if r.plan.operator})
    stages = sorted({r.plan.stage.value for r in records if r.plan.stage.value != "single"})
    pairs = (
        ("Customer", sheet.commission.customer),
        ("Stage", sheet.stage or ", ".join(stages)),
        ("Tested", " to ".join(days[:1] + days[1:][-1:])),
        ("Tested by", ", ".join(operators)),
        ("Part", ", ".join(sorted({record.plan.part.title for record in records}))),
    )
    return [(name, text) for name, text in pairs if text]


def _tray_columns(parts: Sequence[Part]) -> list[tuple[str, str]]:
    """Names of the measured columns, each with its limit where all parts share one."""
    shown = (Characteristic.RESISTANCE_20C, Characteristic.CURRENT, Characteristic.OPENING_TIME)
    names = (words.NAMES[shown[0]], words.NAMES[shown[1]], "End of travel")
    limits = [{words.limit_text(p.limit(c)) for p in parts if p.limit(c)} for c in shown]
    return [
        (name, next(iter(limit)) if len(limit) == 1 else "")
        for name, limit in zip(names, limits, strict=True)
    ]


def _tally(rows: Sequence[TrayRow]) -> str:
    counts = Counter(row.record.verdict if row.record else None for row in rows)
    texts = [f"{counts[verdict]} {verdict.value}" for verdict in Verdict if counts[verdict]]
    if counts[None]:
        texts.append(f"{counts[None]} without a record")
    return ", ".join(texts) + "."


def _tray_row(row: TrayRow) -> dict[str, Any]:
    record = row.record
    plain = {
        "slot": row.slot,
        "position": row.position,
        "tag": row.tag,
        "part_number": row.part_number,
        "outlier": row.outlier,
        "typed": row.typed,
        "state": row.state,
    }
    if record is None:
        empty = ("r20", "current", "motion", "verdict", "reason", "before_after", "record_id")
        return {**plain, **dict.fromkeys(empty, "")}
    return {
        **plain,
        "part_number": row.part_number or record.plan.part_number,
        "r20": number_of(record, Characteristic.RESISTANCE_20C),
        "current": number_of(record, Characteristic.CURRENT),
        "motion": number_of(record, Characteristic.OPENING_TIME),
        "verdict": record.verdict.value,
        "reason": why_not_passed(record),
        "before_after": before_after_line(row.before, record) if row.before else "",
        "record_id": record.record_id,
    }


def why_not_passed(record: RunRecord) -> str:
    """The reasons behind a verdict that is not a pass; a pass needs none on one line."""
    if record.verdict is Verdict.PASS:
        return ""
    reasons = [j.reason for j in record.characteristics if j.verdict is record.verdict]
    return words.named("; ".join(reasons) or record.ending_reason or why_text(record))


def set_page(
    matching: Matching,
    *,
    units: Sequence[str],
    simulated: bool,
    order: str = "",
    invented: bool = False,
    taken: Sequence[str] = (),
    left_out: Mapping[str, str] | None = None,
    paper: str = "",
) -> str:
    """Matched sets with their spread, the first characteristic drawn on one common scale.

    ``units`` belong to the matching's names: a record's unit ("ohm", "s") or any other text.
    """
    firsts = [part.values[0] for each in matching.sets for part in each.parts]
    low, high = min(firsts), max(firsts)
    columns = range(len(matching.names))
    scales = [
        words.scale_for(unit, max(p.values[c] for s in matching.sets for p in s.parts))
        for c, unit in zip(columns, units, strict=True)
    ]
    rows = [
        {
            "members": [
                {"tag": part.tag, "texts": [_amount(part.values[c], scales[c]) for c in columns]}
                for part in each.parts
            ],
            "spread": f"{100 * each.spread:.2f}",
            "strip": drawn(_strip([part.values[0] for part in each.parts], low, high)),
        }
        for each in matching.sets
    ]
    known = {name.value: text for name, text in words.NAMES.items()}
    return render(
        "sets.html.j2",
        simulated=simulated,
        page_size=page_size(paper),
        order=order,
        invented=invented,
        rows=rows,
        size=max(len(each.parts) for each in matching.sets),
        names=[known.get(name, name) for name in matching.names],
        definition=matching.definition.value,
        sentence=matching.sentence(),
        leftovers=[part.tag for part in matching.leftovers],
        taken=taken,
        left_out=left_out or {},
    )


def _amount(value: float, scale: words.Scale) -> str:
    return f"{words.number(value, scale, 5)} {scale.unit}".strip()


def _strip(values: Sequence[float], low: float, high: float) -> str:
    room = 0.04 * (high - low) or 0.01 * abs(high) or 1.0
    plot = Plot(
        frame=Frame(left=8, top=4, width=384, height=20),
        x_range=(low - room, high + room),
        y_range=(0.0, 1.0),
    )
    plot.level("grid", 0.5)
    for value in values:
        plot.dot("dot", value, 0.5, 4.0)
    return picture(400, 28, "values of the set on the scale of all sets", plot.markup())


def history_page(
    tag: str,
    records: Sequence[RunRecord],
    *,
    typed: Sequence[tuple[str, bool]] = (),
    paper: str = "",
) -> str:
    """All records of a tag, in the order given, and what changed from first to last.

    ``typed``: what was typed in, each with whether it was withdrawn.
    """
    changes = compare(records[0], records[-1]) if len(records) > 1 else ()
    return render(
        "history.html.j2",
        simulated=any(r.simulated for r in records),
        page_size=page_size(paper, landscape=True),
        tag=tag,
        typed=typed,
        rows=history_rows(records),
        changes=changes,
        invented=any(r.plan.part.invented for r in records),
    )


def control_page(
    check: GoldenCheck,
    days: Sequence[str] = (),
    *,
    simulated: bool,
    invented: bool = False,
    paper: str = "",
) -> str:
    """The golden part's control charts; ``days`` (ISO 8601) name the readings, oldest first."""
    return render(
        "control.html.j2",
        simulated=simulated,
        page_size=page_size(paper, landscape=True),
        check=check,
        invented=invented,
        reason=words.named(check.reason),
        points=max((len(chart.points) for chart in check.charts), default=0),
        charts=[
            {"title": words.NAMES[c.characteristic], "drawn": drawn(control_chart(c, days))}
            for c in check.charts
        ],
    )
