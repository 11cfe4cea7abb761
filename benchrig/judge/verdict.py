"""Verdicts as data: what was judged, against what, how sure, and why."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from benchrig.parts.part import Characteristic, Limit
from benchrig.quantity import Measured


class Verdict(StrEnum):
    """One word for one characteristic or the whole part."""

    PASS = "PASS"
    FAIL = "FAIL"
    INCONCLUSIVE = "INCONCLUSIVE"
    NOT_ASSESSED = "NOT ASSESSED"


# A verdict is a word and a shape before it is a colour.
SHAPES: dict[Verdict, str] = {
    Verdict.PASS: "●",
    Verdict.FAIL: "✕",
    Verdict.INCONCLUSIVE: "◆",
    Verdict.NOT_ASSESSED: "○",
}


class Zone(StrEnum):
    """Where a value lies against a limit with a guard band (ILAC-G8:09/2019, 4.2.3)."""

    PASS = "pass"
    CONDITIONAL_PASS = "conditional pass"
    CONDITIONAL_FAIL = "conditional fail"
    FAIL = "fail"


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One characteristic, judged."""

    characteristic: Characteristic
    verdict: Verdict
    reason: str  # one sentence a customer can read
    measured: Measured | None = None
    limit: Limit | None = None
    zone: Zone | None = None
    guard_band: float | None = None  # w, in the unit of the value
    conformance_probability: float | None = None  # JCGM 106:2012
    does_not_prove: str = ""  # what this verdict leaves open
