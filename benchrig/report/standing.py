"""What a verdict stands on, and what it leaves open: two sentences for card and page."""

from __future__ import annotations

from benchrig.judge.judge import is_whole, left_open, overall, overall_reason
from benchrig.judge.verdict import Verdict
from benchrig.record.values import Ending, RunRecord
from benchrig.report.words import NAMES


def why_text(record: RunRecord) -> str:
    """Why the one word for the part is what it is.

    A FAIL is told by the names of what failed, whose rows say why. A record of other rules than
    today's is not explained by them.
    """
    complete = (
        record.ending is Ending.COMPLETE
        and record.proven_safe
        and is_whole(
            record.cycles,
            record.cycles_planned,
            supply_v=record.cold.supply_v,
            edges_lost=record.edges_lost,
        )
    )
    judged = record.characteristics
    if record.verdict is Verdict.FAIL:
        return ", ".join(NAMES[j.characteristic] for j in judged if j.verdict is Verdict.FAIL)
    if overall(judged, complete=complete) is not record.verdict:
        return ""
    return overall_reason(judged, complete=complete)


def left_open_text(record: RunRecord) -> str:
    """What this run says nothing about."""
    plan = record.plan
    return "Left open: " + "; ".join(left_open(plan.part, wiggled=plan.pattern.wiggle))
