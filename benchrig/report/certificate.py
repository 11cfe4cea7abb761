"""What a page needs to leave the shop: who for, when, by which rule, under what, released by whom.

The items follow the list of ISO/IEC 17025:2017, clause 7.8 (see ``.docs/certificate.md``); nothing
here claims an accreditation. Pure functions of a record and of what was typed in about it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchrig.parts.part import DecisionRule
from benchrig.record.entries import Entry, ReleaseEntry
from benchrig.record.values import RunRecord
from benchrig.report import words
from benchrig.report.shop import NO_SHOP, ShopDetails

NOT_RELEASED = "NOT RELEASED: nobody has put a name to this page"
COVERAGE = (
    "± is the expanded uncertainty U, twice the standard uncertainty (k = 2), which holds the "
    "value with about 95 % where the distribution is normal; contributions by the GUM."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Commission:
    """Who the work is for, as typed: the shop, its customer, and what was asked."""

    shop: ShopDetails = NO_SHOP
    customer: str = ""
    asked: str = ""


def parties(record: RunRecord, commission: Commission) -> list[tuple[str, str]]:
    """Names and words of the head, in the order they are read; what is empty is left out."""
    plan = record.plan
    position = plan.position
    if position and plan.position_scheme:
        position += f" ({plan.position_scheme}, as labelled)"
    tested = words.moment(record.begun_at)
    ended = words.moment(record.ended_at)
    tested += f" to {ended[11:] if ended[:10] == tested[:10] else ended}"
    pairs = (
        ("Customer", commission.customer),
        ("Order", plan.order),
        ("Tag", plan.tag),
        ("Part number", plan.part_number),
        ("Position", position),
        ("Stage", "" if plan.stage.value == "single" else plan.stage.value),
        ("Tested", tested),
        ("Tested by", plan.operator),
        ("Asked", commission.asked),
    )
    return [(name, text) for name, text in pairs if text]


def decision_text(record: RunRecord) -> str:
    """The decision rules that were in use, and the coverage, in words."""
    rules = {j.limit.rule for j in record.characteristics if j.limit is not None}
    said = []
    if DecisionRule.GUARD_BAND in rules:
        said.append(
            "PASS only where the value lies inside its limit by at least U, FAIL only where it "
            "lies outside by more than U, INCONCLUSIVE between "
            "(guard band w = U, ILAC-G8:09/2019, 4.2.3)"
        )
    if DecisionRule.SIMPLE in rules:
        said.append(
            "where the part file asks for simple acceptance, the value alone decides, and the risk "
            "of a wrong answer near the limit is shared (ILAC-G8:09/2019, 4.2.1)"
        )
    if not said:
        said.append("no limit with a source was given, so no value was judged against one")
    return f"{'; '.join(said)}. {COVERAGE}"


def calibration_text(record: RunRecord) -> str:
    """Whether the rig's inputs were calibrated, in plain words."""
    rig = record.rig
    if rig.calibration_date is None:
        return "NOT CALIBRATED: the inputs are taken as built to 1 %, which is in every U"
    if rig.calibration_expired:
        return (
            f"CALIBRATION EXPIRED: calibrated {rig.calibration_date}; "
            "the uncertainties are those of uncalibrated electronics"
        )
    return f"calibrated {rig.calibration_date} against a reference that the log names"


def released_text(entries: Sequence[Entry]) -> str:
    """Who released the page and when, or that nobody has."""
    released = [entry for entry in entries if isinstance(entry, ReleaseEntry)]
    if not released:
        return NOT_RELEASED
    last = released[-1]
    note = f" ({last.note})" if last.note else ""
    return f"Released by {last.who}, {words.moment(last.at)}{note}"
