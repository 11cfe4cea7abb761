"""The one door to the judge: all a verdict may stand on, as one value, and what follows from it.

A run as it ends, a record judged again from its log, a tray and the golden part come through
here. What is not in the value cannot change the verdict, so the same value gives the same words.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from benchrig.judge.conformity import not_assessed
from benchrig.judge.judge import (
    is_whole,
    judge_run,
    lost_voltage,
    overall,
    overall_reason,
    without_false_rises,
)
from benchrig.judge.resistance import ColdValues, joint_doubt
from benchrig.judge.verdict import Judged, Verdict
from benchrig.judge.words import SPOKEN
from benchrig.measure.coil import null_refusal
from benchrig.measure.features import CycleFeatures, Motion
from benchrig.parts.part import Characteristic, Part
from benchrig.quantity import Measured

TRIP_S = 1e-3  # the rig trips within it


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
    ending_reason: str = ""  # why it did not run to the end
    left_out: tuple[Characteristic, ...] = ()  # by the person, aloud
    out_of_reach: tuple[Characteristic, ...] = ()  # this rig cannot measure it at all
    over_current_a: float | None = None  # the rig's trip level, where it dropped the part

    @property
    def over_current(self) -> str:
        """Why the part drew too much, "" where that is not shown.

        The rig's trip input saw it in several conversions, and after the switch-off the inputs
        read nothing and were shown alive, so it does not stick. Where the on-time was long enough
        for the stream's own input, that must have seen more than usual as well.
        """
        if self.over_current_a is None or not self.proven_safe:
            return ""
        if not self.cycles:
            return f"drew more than {self.over_current_a:g} A in the first short pulse"
        last = self.cycles[-1]
        usual = max((c.most_a or 0.0 for c in self.cycles[:-1]), default=0.0)
        if last.most_a is not None and last.on_s > TRIP_S and last.most_a < 1.3 * usual:
            return ""
        return f"drew more than {self.over_current_a:g} A in cycle {last.cycle}"

    @property
    def shortfall(self) -> str:
        """Why the run or its data are not complete, "" when they are."""
        if self.complete:
            return ""
        if not self.proven_safe:
            return "nothing shows that the part is off"
        if lost := lost_voltage(self.cold.supply_v, self.cycles):
            return lost
        if not self.ran_to_the_end:
            return f"the run did not end as planned: {self.ending_reason or 'it was broken off'}"
        if self.edges_lost:
            return f"the run or its data are not complete: {self.edges_lost} edges are missing"
        return "the run or its data are not complete"

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
    headline: str  # the word with what it leaves out
    judged: tuple[Judged, ...]
    warnings: tuple[str, ...]
    complete: bool


def judge_evidence(evidence: Evidence) -> Judgement:
    """The verdict, each characteristic, and what to warn of."""
    judged = judge_run(
        evidence.part,
        cold=evidence.cold,
        cycles=without_false_rises(evidence.cold.supply_v, evidence.cycles),
        held=evidence.held,
        cycles_planned=evidence.cycles_planned,
        temperature_c=evidence.temperature_c,
        four_wire=evidence.four_wire,
        lead_null_valid=not null_refusal(evidence.lead_null, evidence.lead_null_age_s),
        motion_reference=evidence.motion_reference,
        typed_in=evidence.typed_in,
    )
    judged = tuple(_as_left_out(j) if j.characteristic in evidence.left_out else j for j in judged)
    if over := evidence.over_current:
        judged = tuple(_drew_too_much(j, over) for j in judged)
    complete = evidence.complete
    verdict = overall(judged, complete=complete)
    reason = overall_reason(judged, complete=complete)
    if verdict is Verdict.INCONCLUSIVE and not complete:
        reason = evidence.shortfall
    if verdict is Verdict.PASS and (open_ := _unassessed(evidence, judged)):
        verdict, reason = Verdict.INCONCLUSIVE, open_
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
        headline=_headline(evidence, judged, verdict),
        judged=judged,
        warnings=tuple(text for text in warnings if text),
        complete=complete,
    )


def _as_left_out(judged: Judged) -> Judged:
    if judged.verdict is Verdict.NOT_ASSESSED:
        return judged
    return not_assessed(judged.characteristic, "left out by the operator", limit=judged.limit)


def _drew_too_much(judged: Judged, over: str) -> Judged:
    if judged.characteristic is not Characteristic.CURRENT:
        return judged
    return replace(
        judged,
        verdict=Verdict.FAIL,
        reason=f"{over}; clips that touch, or leads that chafe, look the same",
        measured=None,
        zone=None,
        guard_band=None,
        conformance_probability=None,
        does_not_prove="that the part itself is shorted: look at clips and leads first",
    )


def _unassessed(evidence: Evidence, judged: tuple[Judged, ...]) -> str:
    """Which published limits that this rig can measure were not judged, and why not."""
    excused = (*evidence.left_out, *evidence.out_of_reach)
    found = [
        f"{SPOKEN[j.characteristic]} was not judged: {j.reason}"
        for j in judged
        if j.limit is not None
        and j.verdict is Verdict.NOT_ASSESSED
        and j.characteristic not in excused
    ]
    return "; ".join(found)


def _headline(evidence: Evidence, judged: tuple[Judged, ...], verdict: Verdict) -> str:
    """The word, with the limits that were left out and those that this rig cannot measure."""
    assessed = {j.characteristic for j in judged if j.verdict is not Verdict.NOT_ASSESSED}
    limited = {limit.characteristic for limit in evidence.part.limits} - assessed
    left = [SPOKEN[c] for c in evidence.left_out if c in limited]
    beyond = [SPOKEN[c] for c in evidence.out_of_reach if c in limited]
    words = [verdict.value]
    if left:
        words.append("without " + ", ".join(left))
    if beyond:
        words.append("not measured by this rig: " + ", ".join(beyond))
    return "; ".join(words)
