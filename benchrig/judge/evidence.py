"""The one door to the judge: all a verdict may stand on, as one value, and what follows from it.

A run as it ends, a record judged again from its log, a tray and the golden part come through
here. What is not in the value cannot change the verdict, so the same value gives the same words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from benchrig.judge.judge import is_whole, judge_run, lost_voltage, overall, overall_reason
from benchrig.judge.resistance import ColdValues, joint_doubt
from benchrig.judge.verdict import Judged, Verdict
from benchrig.measure.coil import null_refusal
from benchrig.measure.features import CycleFeatures, Motion
from benchrig.parts.part import Characteristic, Part
from benchrig.quantity import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What a run gathered, in the judge's words. SI units.

    ``lead_null_age_s`` is the null's age when the run began. ``contradictions`` are sentences of
    witnesses that cannot both be right; with one of them nothing is said for or against the part.
    """

    part: Part
    cold: ColdValues
    cycles: tuple[CycleFeatures, ...]
    cycles_planned: int
    ran_to_the_end: bool  # the pattern was done as planned
    proven_safe: bool  # measured to be off afterwards
    edges_lost: int
    temperature_c: float | None  # the part's before the run; None: nobody knows it
    four_wire: bool
    lead_null: Measured | None
    lead_null_age_s: float | None
    held: bool = False  # a tool held the armature
    motion_reference: Motion | None = None
    typed_in: Mapping[Characteristic, Measured] = field(default_factory=dict)
    contradictions: tuple[str, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether nothing speaks against the data; without that no part passes."""
        return (
            self.ran_to_the_end
            and self.proven_safe
            and is_whole(
                self.cycles,
                self.cycles_planned,
                supply_v=self.cold.supply_v,
                edges_lost=self.edges_lost,
            )
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What is said of the part."""

    verdict: Verdict
    reason: str  # why that word, one sentence
    judged: tuple[Judged, ...]
    warnings: tuple[str, ...]
    complete: bool


def judge_evidence(evidence: Evidence) -> Judgement:
    """The verdict, each characteristic, and what to warn of."""
    judged = judge_run(
        evidence.part,
        cold=evidence.cold,
        cycles=evidence.cycles,
        held=evidence.held,
        cycles_planned=evidence.cycles_planned,
        temperature_c=evidence.temperature_c,
        four_wire=evidence.four_wire,
        lead_null_valid=not null_refusal(evidence.lead_null, evidence.lead_null_age_s),
        motion_reference=evidence.motion_reference,
        typed_in=evidence.typed_in,
    )
    complete = evidence.complete
    verdict = overall(judged, complete=complete)
    reason = overall_reason(judged, complete=complete)
    if evidence.contradictions and verdict is not Verdict.INCONCLUSIVE:
        verdict, reason = Verdict.INCONCLUSIVE, "; ".join(evidence.contradictions)
    warnings = (
        joint_doubt(evidence.cold, evidence.cycles),
        lost_voltage(evidence.cold.supply_v, evidence.cycles),
        *evidence.contradictions,
    )
    return Judgement(
        verdict=verdict,
        reason=reason,
        judged=judged,
        warnings=tuple(text for text in warnings if text),
        complete=complete,
    )
