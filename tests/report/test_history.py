"""Before and after, history and the golden part's chart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchrig.parts.part import Characteristic
from benchrig.quantity import Measured
from benchrig.record.values import Stage
from benchrig.report.history import (
    CANNOT_TELL,
    NO,
    YES,
    before_after_line,
    compare,
    control_chart,
    history_lines,
    history_rows,
)
from tests.report import sample_records as samples

R20 = Characteristic.RESISTANCE_20C


def _with_u(value: float, u: float) -> Measured:
    return Measured(value=value, std_uncertainty=u, unit="ohm")


def _pair(before: float, after: float, u: float) -> tuple[bool | None, str]:
    def record(value: float) -> object:
        base = samples.healthy()
        judged = replace(base.characteristics[0], measured=_with_u(value, u))
        return replace(base, characteristics=(judged, *base.characteristics[1:]))

    changes = compare(record(before), record(after))  # type: ignore[arg-type]
    change = next(c for c in changes if c.characteristic is R20)
    return change.changed, change.answer


def test_a_change_counts_when_it_exceeds_its_uncertainty() -> None:
    # u of the difference is 0.1 sqrt(2) = 0.1414, U = 0.2828 ohm.
    assert _pair(14.5, 14.5 + 0.28, 0.1) == (False, NO)
    assert _pair(14.5, 14.5 + 0.29, 0.1) == (True, YES)
    assert _pair(14.5, 14.5 - 0.29, 0.1) == (True, YES)


def test_unchanged_parts_are_rarely_called_changed() -> None:
    """Drawn from one true value with u known: k = 2 leaves 4.55 % (normal distribution)."""
    rng = np.random.default_rng(11)
    called = sum(
        _pair(14.5 + 0.1 * float(a), 14.5 + 0.1 * float(b), 0.1)[0] is True
        for a, b in rng.normal(size=(600, 2))
    )
    assert 10 <= called <= 46  # 27 expected, 3.7 standard deviations either way


def test_what_was_not_measured_is_not_compared() -> None:
    changes = compare(samples.healthy(), samples.inconclusive())
    change = next(c for c in changes if c.characteristic is R20)
    assert change.answer == CANNOT_TELL
    assert change.after == "not measured"


def test_drop_outs_are_compared_by_an_exact_test() -> None:
    scipy_stats = pytest.importorskip("scipy.stats")
    from benchrig.report.history import _rates_differ

    for first, of_first, last, of_last in (
        (9, 25, 0, 25),
        (1, 25, 0, 25),
        (5, 25, 0, 25),
        (6, 25, 0, 25),
        (3, 8, 9, 25),
        (25, 25, 3, 10),
        (9_000, 65_535, 9_300, 65_535),  # a week of soaking: minutes, were each chance a fraction
        (9_000, 65_535, 9_200, 65_535),
        (40_000, 65_535, 39_990, 65_535),
    ):
        table = [[first, of_first - first], [last, of_last - last]]
        p = scipy_stats.fisher_exact(table).pvalue
        assert _rates_differ(first, of_first, last, of_last) is bool(p < 0.05), table
    line = before_after_line(samples.failing(), samples.healthy())
    assert line == (
        "FAIL → PASS; changed more than the uncertainty: Cycles with a drop-out 9 of 25 → 0 of 25"
    )
    one = replace(samples.failing(), drop_outs=samples.failing().drop_outs[:1])
    assert "nothing changed" in before_after_line(one, samples.healthy())


def test_the_history_keeps_the_order_handed_in() -> None:
    records = [samples.failing(), samples.healthy(), samples.inconclusive()]
    rows = history_rows(records)
    assert [row.record_id for row in rows] == [record.record_id for record in records]
    assert rows[0].drop_outs == "9 of 25"
    assert rows[2].r20 == "–"
    lines = history_lines([*records, samples.hostile()])
    assert len(lines) == 8
    assert "✕ FAIL" in lines[0]
    assert records[0].record_id in lines[0]
    assert "R20 14.520 ± 0.087 Ω" in lines[3]
    assert "drop-outs 9 of 25" in lines[0]
    assert max(map(len, lines[:6])) <= 80
    held = replace(records[2], plan=replace(records[2].plan, stage=Stage.HELD))
    assert "  held  " in history_lines([held])[0]
    assert len(history_lines([held])[0]) <= 80


def test_the_control_chart_marks_what_is_outside_and_only_that() -> None:
    outside = samples.golden().charts[0]
    svg = control_chart(outside, samples.golden_days())
    assert svg.count("<polygon") == len(outside.outside) == 1
    assert "2026-11-30 outside" in svg
    assert f"upper limit {outside.high:.5g} Ω" in svg
    inside = control_chart(samples.golden(14.5).charts[0])
    assert inside.count("<polygon") == 0
    assert inside.count("<circle") == 30
    learning = replace(outside, points=outside.points[:3], low=None, high=None, centre=None)
    assert "limit" not in control_chart(replace(learning, outside=()))
