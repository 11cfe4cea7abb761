"""What a verdict stands on, and what it leaves open: two sentences for card and page."""

from __future__ import annotations

from benchrig.judge.judge import left_open
from benchrig.judge.verdict import Verdict
from benchrig.record.values import RunRecord
from benchrig.report.words import NAMES


def why_text(record: RunRecord) -> str:
    """Why the one word for the part is what it is; "" for a record that does not say.

    A FAIL is told by the names of what failed, whose rows say why.
    """
    _, _, left_out = record.headline.partition("; ")
    if record.verdict is Verdict.FAIL:
        failed = (j for j in record.characteristics if j.verdict is Verdict.FAIL)
        return ", ".join(NAMES[j.characteristic] for j in failed)
    return "; ".join(text for text in (record.verdict_reason, left_out) if text)


def left_open_text(record: RunRecord) -> str:
    """What this run says nothing about."""
    plan = record.plan
    return "Left open: " + "; ".join(left_open(plan.part, wiggled=plan.pattern.wiggle))
