"""Before and after, the history of a tag, and the golden part's control chart.

Whether a value changed is asked in judge/compare.py; nothing is taken as shared between the two
readings, so that U of the difference is too large rather than too small: "yes" stands, and "no"
may hide a small change.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.judge import compare as judge_compare
from benchrig.judge.golden import Chart
from benchrig.judge.verdict import SHAPES, Verdict
from benchrig.parts.part import UNITS, Characteristic
from benchrig.quantity import Measured
from benchrig.record.values import RunRecord, said_alone
from benchrig.report.svg import Frame, Plot, picture
from benchrig.report.words import (
    NAMES,
    Scale,
    faulty_cycles,
    moment,
    scale_for,
    value_text,
)
from benchrig.text import one_line
from benchrig.wire.simulated import MARK

YES = "yes"
NO = "no, within the uncertainty"
CANNOT_TELL = "cannot tell"
CHECKS_LEAST = 12.5  # room on a control chart, so that its numbers are whole ones


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One characteristic before and after, in words, and the numbers behind them."""

    characteristic: Characteristic
    name: str
    before: str
    after: str
    difference: str
    answer: str
    changed: bool | None  # None: cannot be told
    difference_value: float | None = None
    expanded: float | None = None  # of the difference


def measured_of(record: RunRecord, characteristic: Characteristic) -> Measured | None:
    """The number a record has for a characteristic, judged or not."""
    for judged in record.characteristics:
        if judged.characteristic is characteristic and judged.measured is not None:
            return judged.measured
    if characteristic is Characteristic.RESISTANCE_20C:
        return record.cold.resistance_20c_ohm
    found = _FROM_CYCLE.get(characteristic)
    if found is None:
        return None
    complete = [c for c in record.cycles if c.complete]
    return next((m for c in reversed(complete) if (m := found(c)) is not None), None)


_FROM_CYCLE: dict[Characteristic, Callable[..., Measured | None]] = {
    Characteristic.CURRENT: lambda cycle: cycle.current_a,
    Characteristic.OPENING_TIME: lambda cycle: cycle.motion and cycle.motion.end_s,
    Characteristic.INDUCTANCE: lambda cycle: cycle.rise and cycle.rise.inductance_h,
    Characteristic.SPEED: lambda cycle: cycle.ripple and cycle.ripple.speed_rpm,
}


def compare(before: RunRecord, after: RunRecord) -> tuple[Change, ...]:
    """Every characteristic both records speak of, with the answer to the one question."""
    changes = []
    for characteristic in Characteristic:
        if characteristic is Characteristic.DROP_OUTS:
            changes.append(_count_change(before, after))
            continue
        first, last = measured_of(before, characteristic), measured_of(after, characteristic)
        if first is not None or last is not None:
            changes.append(_change(characteristic, first, last))
    return tuple(changes)


def _change(
    characteristic: Characteristic, first: Measured | None, last: Measured | None
) -> Change:
    name = NAMES[characteristic]
    known = last or first
    scale = scale_for(known.unit if known else UNITS[characteristic], known.value if known else 1.0)
    texts = [value_text(m, scale) if m is not None else "not measured" for m in (first, last)]
    if first is None or last is None or first.unit != last.unit:
        return Change(
            characteristic=characteristic,
            name=name,
            before=texts[0],
            after=texts[1],
            difference="–",
            answer=CANNOT_TELL,
            changed=None,
        )
    change = judge_compare.compare(first, last)
    difference, u, changed = change.difference, change.std_uncertainty, change.significant
    return Change(
        characteristic=characteristic,
        name=name,
        before=texts[0],
        after=texts[1],
        difference=_signed(difference, u, last.unit, scale),
        answer=YES if changed else NO,
        changed=changed,
        difference_value=difference,
        expanded=judge_compare.COVERAGE * u,
    )


def _signed(difference: float, u: float, unit: str, scale: Scale) -> str:
    text = value_text(Measured(value=difference, std_uncertainty=u, unit=unit), scale)
    return text if text.startswith("-") else f"+{text}"


def _count_change(before: RunRecord, after: RunRecord) -> Change:
    first, last = faulty_cycles(before), faulty_cycles(after)
    enough = before.fault_rate_upper_95 is not None and after.fault_rate_upper_95 is not None
    changed = _rates_differ(first, before.cycles_done, last, after.cycles_done) if enough else None
    answer = CANNOT_TELL if changed is None else (YES if changed else "no, chance explains it")
    if changed is False and not first + last:
        answer = "no"
    return Change(
        characteristic=Characteristic.DROP_OUTS,
        name=NAMES[Characteristic.DROP_OUTS],
        before=f"{first} of {before.cycles_done}",
        after=f"{last} of {after.cycles_done}",
        difference=f"{last - first:+d}".replace("+0", "0")
        if before.cycles_done == after.cycles_done
        else "–",
        answer=answer,
        changed=changed,
    )


def _rates_differ(first: int, of_first: int, last: int, of_last: int) -> bool:
    """Fisher's exact test, two-sided at 5 %: counts of faulty cycles in two runs."""
    faulty = first + last
    whole = _log_ways(of_first + of_last, faulty)
    chances = [
        math.exp(_log_ways(of_first, k) + _log_ways(of_last, faulty - k) - whole)
        for k in range(max(0, faulty - of_last), min(of_first, faulty) + 1)
    ]
    seen = chances[first - max(0, faulty - of_last)]
    # Ways that are as many as those seen count too, but for the rounding of their logarithms.
    return math.fsum(chance for chance in chances if chance <= seen * (1 + 1e-7)) < 0.05


def _log_ways(n: int, k: int) -> float:
    """Logarithm of the ways to choose k of n: the numbers themselves have thousands of digits."""
    return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)


def before_after_line(before: RunRecord, after: RunRecord) -> str:
    """One line for a tray: what changed more than the uncertainty, or that nothing did."""
    changes = compare(before, after)
    moved = [f"{c.name} {c.before} → {c.after}" for c in changes if c.changed]
    both = (before, after)
    mixed = before.simulated != after.simulated  # else what is round the line says it
    verdicts = " → ".join(said_alone(r.verdict.value, mixed and r.simulated) for r in both)
    if moved:
        return f"{verdicts}; changed more than the uncertainty: {'; '.join(moved)}"
    if any(c.changed is False for c in changes):
        return f"{verdicts}; nothing changed more than the uncertainty"
    return f"{verdicts}; nothing can be compared"


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRow:
    """One record of a tag, in words."""

    record_id: str
    begun_at: str
    stage: str
    verdict: Verdict
    simulated: bool
    r20: str
    current: str
    motion: str
    drop_outs: str


def history_rows(records: Sequence[RunRecord]) -> tuple[HistoryRow, ...]:
    """The records of a tag in the order handed in."""
    return tuple(
        HistoryRow(
            record_id=record.record_id,
            begun_at=moment(record.begun_at),
            stage=record.plan.stage.value,
            verdict=record.verdict,
            simulated=record.simulated,
            r20=number_of(record, Characteristic.RESISTANCE_20C),
            current=number_of(record, Characteristic.CURRENT),
            motion=number_of(record, Characteristic.OPENING_TIME),
            drop_outs=f"{faulty_cycles(record)} of {record.cycles_done}",
        )
        for record in records
    )


def number_of(record: RunRecord, characteristic: Characteristic) -> str:
    """Value and U of a characteristic of a record, or a dash."""
    found = measured_of(record, characteristic)
    return "–" if found is None else value_text(found)


def history_lines(records: Sequence[RunRecord]) -> list[str]:
    """The history of a tag for a terminal of 80 columns: two lines a record."""
    lines = []
    for row in history_rows(records):
        verdict = f"{SHAPES[row.verdict]} {row.verdict.value}"
        drop_outs = f"drop-outs {row.drop_outs}"
        stage = row.stage.removeprefix("armature ")  # the line is full
        head = f"{row.begun_at[:10]}  {stage:8}  {verdict:14}  {drop_outs:17}  {row.record_id}"
        mark = f"  {MARK}  " if row.simulated else "    "
        values = (f"R20 {row.r20}", row.current, f"travel {row.motion}")
        lines += [one_line(head), one_line(mark + "  ".join(values))]
    return lines


def control_chart(chart: Chart, days: Sequence[str] = ()) -> str:
    """Readings in their order between control limits, as SVG; a point outside is marked.

    ``days`` (ISO 8601) name the readings that lie outside.
    """
    width, height = 980.0, 300.0
    name = NAMES[chart.characteristic]
    scale = scale_for(chart.unit, chart.points[-1])
    values = [value / scale.factor for value in chart.points]
    levels = [
        (text, level / scale.factor)
        for text, level in (
            ("upper limit", chart.high),
            ("centre", chart.centre),
            ("lower limit", chart.low),
        )
        if level is not None
    ]
    edges = [*values, *(level for _, level in levels)]
    room = 0.15 * (max(edges) - min(edges)) or 0.01 * abs(edges[0]) or 1.0
    plot = Plot(
        frame=Frame(left=64, top=24, width=width - 84, height=height - 66),
        x_range=(0.5, max(1.18 * len(values) + 0.5, CHECKS_LEAST)),
        y_range=(min(edges) - room, max(edges) + room),
    )
    plot.axes(x_label="check number", y_label=f"{name}, {scale.unit}", x_most=13)
    for text, level in levels:
        look = "axis" if text == "centre" else "limit"
        plot.level(look, level, f"{text} {level:.5g} {scale.unit}")
    plot.line("first", np.arange(1.0, len(values) + 1.0), np.asarray(values))
    for at, value in enumerate(values, 1):
        outside = at - 1 in chart.outside
        plot.dot("out" if outside else "dot", at, value, 5.0 if outside else 2.6)
        if outside:
            day = days[at - 1][:10] if at <= len(days) else f"check {at}"
            plot.mark("drop", at, value, f"{day} outside", side="above")
    return picture(width, height, f"{name} of the golden part", plot.markup())
