"""The part page: one printed page that says what was measured and what it means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchrig.judge.verdict import Judged
from benchrig.parts.part import DecisionRule
from benchrig.quantity import Measured
from benchrig.record.entries import Correction, Entry, ReleaseEntry
from benchrig.record.values import DISCONNECT, RunRecord, SafeEvidence
from benchrig.report import words
from benchrig.report.certificate import (
    Commission,
    calibration_text,
    decision_text,
    parties,
    released_text,
)
from benchrig.report.charts import Samples, cycles_to_show, rise_chart, run_chart, warmth_chart
from benchrig.report.finding import finding_text
from benchrig.report.history import compare
from benchrig.report.html.env import drawn, page_size, render
from benchrig.report.standing import left_open_text, why_text

_NOBODY = Commission()
DROPS_ON_PAGE = 18  # more go to a second sheet, so that the page itself stays one
# A printed page of the smaller paper holds about so many lines at full, dense and tight type;
# beyond that whole sections move to a second sheet.
_LINES_FULL, _LINES_DENSE, _LINES_TIGHT = 75.5, 86.0, 104.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    name: str
    verdict: str
    value: str
    limit: str
    source: str
    reason: str
    zone: str
    does_not_prove: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _BudgetLine:
    source: str
    note: str
    evaluation: str
    amount: str
    share: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Budget:
    name: str
    value: str
    combined: str
    lines: tuple[_BudgetLine, ...]


def part_page(
    record: RunRecord,
    *,
    samples: Samples | None = None,
    digest: str = "",
    before: RunRecord | None = None,
    entries: Sequence[Entry] = (),
    withdrawn: Sequence[tuple[Entry, str]] = (),
    commission: Commission = _NOBODY,
    full: bool = False,
    budget: bool = False,
    paper: str = "",
) -> str:
    """The page of one record as self-contained HTML; same arguments, same bytes.

    ``samples`` puts measured curves under the fitted ones, ``before`` adds the comparison
    with an earlier record of the tag, ``entries`` what people typed in about the part (flow,
    leak, spray, work, release, corrections), ``withdrawn`` those that count no longer and why,
    ``commission`` whom it is for, ``full`` further sheets, ``budget`` one
    with the uncertainty budgets,
    ``paper`` is "a4", "letter" or "" for the printer's own.
    """
    plan = record.plan
    drops = [words.drop_out_short(drop) for drop in record.drop_outs]
    run = run_chart(record, samples)
    corrected = [words.entry_text(entry) for entry in entries if isinstance(entry, Correction)]
    typed = _typed_texts(entries, withdrawn)
    layout = _layout(record, before is not None, bool(run), [*corrected, *(t for t, _ in typed)])
    full = full or budget
    return render(
        "part.html.j2",
        simulated=record.simulated or (before is not None and before.simulated),
        page_size=page_size(paper),
        record=record,
        part={
            "title": plan.part.title,
            "kind": plan.part.kind.value,
            "invented": plan.part.invented,
        },
        layout=layout,
        full=full,
        left_out="" if full else _left_out(layout, before is not None, bool(run)),
        commission=commission,
        parties=parties(record, commission),
        finding=finding_text(record),
        decision=decision_text(record),
        calibration=calibration_text(record),
        released=released_text(entries),
        corrected=corrected,
        residual=(
            words.milliamps(record.made_safe.residual_current_a)
            if isinstance(record.made_safe, SafeEvidence)
            else ""
        ),
        safe_detail=words.safe_detail(record.made_safe),
        disconnect=DISCONNECT,
        ending=words.ending_text(record),
        temperature=words.temperature_text(record),
        rows=[_row(judged, record) for judged in record.characteristics],
        shown=len(cycles_to_show(record)),
        rise=drawn(rise_chart(record, samples)),
        warmth=drawn(warmth_chart(record)),
        warmth_title=_warmth_title(record),
        run=drawn(run),
        why=words.named(why_text(record)),
        bound=words.bound_text(record),
        left_open=left_open_text(record),
        drops=drops,
        typed=typed,
        changes=compare(before, record) if before is not None else (),
        before_id=before.record_id if before is not None else "",
        facts=_facts(record),
        cautions=" ".join(words.cautions((plan.part,), words.hottest_c(record))),
        digest=digest,
        budgets=_budgets(record) if budget else (),
    )


def _typed_texts(
    entries: Sequence[Entry], withdrawn: Sequence[tuple[Entry, str]]
) -> list[tuple[str, bool]]:
    """What was typed in beside corrections and the release, each with whether it is gone."""
    kept = [e for e in entries if not isinstance(e, Correction | ReleaseEntry)]
    told = [(text, False) for entry in kept if (text := words.entry_text(entry))]
    return told + [(f"{words.entry_text(e)}; withdrawn: {why}", True) for e, why in withdrawn]


def _left_out(layout: _Layout, compared: bool, has_run: bool) -> str:
    """What the sheet has no room for; drop-outs say it beside their list."""
    lacking = (
        ("before and after", compared and not layout.changes_here),
        ("the current over the whole run", has_run and not layout.run_here),
    )
    return ", ".join(name for name, lacks in lacking if lacks)


def _warmth_title(record: RunRecord) -> str:
    if any(c.winding_temperature_c is not None for c in record.cycles):
        return "R20, hot resistance and winding temperature over the run"
    if any(c.resistance_ohm is not None for c in record.cycles):
        return "Resistance over the run"
    return "Steady current over the run"


def _row(judged: Judged, record: RunRecord) -> _Row:
    limit = judged.limit
    return _Row(
        name=words.NAMES[judged.characteristic],
        verdict=judged.verdict.value,
        value=words.judged_value(judged, record),
        limit=words.limit_text(limit, words.judged_scale(judged)),
        source=limit.source if limit is not None else "",
        reason=words.named(judged.reason),
        zone=words.zone_text(judged) or _simple(judged),
        does_not_prove=judged.does_not_prove,
    )


def _simple(judged: Judged) -> str:
    simple = judged.limit is not None and judged.limit.rule is DecisionRule.SIMPLE
    return DecisionRule.SIMPLE.value if simple else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    density: str
    changes_here: bool
    run_here: bool
    drops_here: int


def _layout(record: RunRecord, compared: bool, has_run: bool, typed: Sequence[str]) -> _Layout:
    """How small the print must be so that the page stays one, and what must give way."""
    changes, run = compared, has_run
    if _estimate(record, changes, run, typed) > _LINES_TIGHT:
        changes = False
    if _estimate(record, changes, run, typed) > _LINES_TIGHT:
        run = False
    lines = _estimate(record, changes, run, typed)
    density = "" if lines <= _LINES_FULL else "dense" if lines <= _LINES_DENSE else "tight"
    return _Layout(
        density=density,
        changes_here=changes,
        run_here=run,
        drops_here=DROPS_ON_PAGE if lines <= _LINES_TIGHT else 3,
    )


def _estimate(record: RunRecord, compared: bool, has_run: bool, typed: Sequence[str]) -> float:
    """About how many lines of print a record needs."""
    rows = sum(_row_lines(judged) for judged in record.characteristics)
    loud = 0 if record.proven_safe else 4 + len(words.safe_detail(record.made_safe)) // 110
    drops = -(-min(len(record.drop_outs), DROPS_ON_PAGE) // 3) + 2 if record.drop_outs else 1
    texts = [*record.warnings, *typed, record.plan.note, words.who_text(record)]
    texts += [why_text(record), left_open_text(record)]
    said = sum(-(-len(text) // 125) for text in texts)
    changes = (12 if compared else 0) + (2 if typed else 0)
    found = len(record.cold.findings)
    marks = 2 * record.simulated + record.plan.part.invented
    return 50 + marks + 8 * has_run + 1.1 * rows + loud + drops + said + changes + found


def _row_lines(judged: Judged) -> int:
    source = 1 + -(-len(judged.limit.source) // 38) if judged.limit else 1
    why = -(-len(judged.reason + words.zone_text(judged)) // 72)
    return max(2, source, why + -(-len(judged.does_not_prove) // 66))


def _facts(record: RunRecord) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    cold, plan, rig = record.cold, record.plan, record.rig
    measured = [
        ("pattern", f"{plan.pattern.title} ({plan.pattern.name})"),
        ("output", str(plan.output)),
        ("supply before", _value(cold.supply_v)),
        ("cold resistance", "over range" if cold.over_range else _value(cold.resistance_ohm)),
        ("R20", _value(cold.resistance_20c_ohm)),
        ("insulation", _value(cold.insulation_ohm)),
        ("lost on the link", f"{record.edges_lost} edges, {record.blocks_lost} sample blocks"),
        *(("found", finding) for finding in cold.findings),
    ]
    lead = _value(rig.lead_null_ohm)
    if rig.lead_null_date:
        lead += f", {rig.lead_null_date}"
    ratio = rig.clock_ratio_ppm
    identity = [
        ("rig", f"{rig.unique_id} at {rig.url}"),
        ("firmware", f"{rig.firmware}, protocol {rig.protocol}"),
        ("last reset", f"{rig.reset_cause}, boot {rig.boot_count}"),
        ("lead null", lead),
        ("clock against host", "too short to say" if ratio is None else f"{ratio:+.1f} ppm"),
        ("clamp", rig.clamp or "not declared"),
        ("part file", plan.part.digest[:16] or "–"),
    ]
    return measured, identity


def _value(measured: Measured | None) -> str:
    return "not measured" if measured is None else words.value_text(measured)


def _budgets(record: RunRecord) -> list[_Budget]:
    budgets = []
    for judged in record.characteristics:
        if judged.measured is not None and judged.measured.budget:
            budgets.append(_budget(judged, judged.measured))
    return budgets


def _budget(judged: Judged, measured: Measured) -> _Budget:
    scale = words.judged_scale(judged)
    total = measured.std_uncertainty**2
    lines = tuple(
        _BudgetLine(
            source=line.source,
            note=line.note,
            evaluation=line.evaluation,
            amount=f"{words.number(line.std_uncertainty, scale, 2)} {scale.unit}".strip(),
            share=f"{100 * line.std_uncertainty**2 / total:.0f} %",
        )
        for line in measured.budget
    )
    return _Budget(
        name=words.NAMES[judged.characteristic],
        value=words.judged_value(judged),
        combined=f"{words.number(measured.std_uncertainty, scale, 2)} {scale.unit}".strip(),
        lines=lines,
    )
