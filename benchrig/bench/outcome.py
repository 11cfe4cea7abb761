"""From what a run gathered to its record, and from a record to an exit code."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from benchrig.bench.context import four_wire
from benchrig.bench.known import Known
from benchrig.errors import ExitCode
from benchrig.judge.consistency import contradictions
from benchrig.judge.evidence import Evidence, Judgement, judge_evidence
from benchrig.judge.statistics import upper_bound_95
from benchrig.judge.verdict import Verdict
from benchrig.measure.features import CycleFeatures
from benchrig.measure.samples import InputScale
from benchrig.parts.part import Characteristic
from benchrig.quantity import Measured
from benchrig.record.values import (
    ColdCheck,
    Ending,
    NotProven,
    RigIdentity,
    RunPlan,
    RunRecord,
    SafeEvidence,
    Stage,
)
from benchrig.rig.client import Rig
from benchrig.wire.messages import InputRole

RISE = (Characteristic.INDUCTANCE, Characteristic.TIME_CONSTANT)


@dataclass(slots=True, kw_only=True)
class Gathered:
    """What came in while the run went on, and how it ended."""

    plan: RunPlan
    cold: ColdCheck = field(default_factory=ColdCheck)
    cycles: list[CycleFeatures] = field(default_factory=list)
    ending: Ending = Ending.COMPLETE
    reason: str = ""
    warm_resistance_ohm: Measured | None = None
    known: Known = field(default_factory=Known)
    warnings: list[str] = field(default_factory=list)
    over_current_a: float | None = None


def assemble(
    gathered: Gathered,
    *,
    record_id: str,
    begun_at: str,
    ended_at: str,
    rig: Rig,
    rig_identity: RigIdentity,
    made_safe: SafeEvidence | NotProven,
) -> RunRecord:
    """Build the record of what was gathered, and judge it."""
    plan, cycles = gathered.plan, tuple(gathered.cycles)
    record = RunRecord(
        record_id=record_id,
        begun_at=begun_at,
        ended_at=ended_at,
        plan=plan,
        rig=replace(rig_identity, clock_ratio_ppm=rig.clock_ratio_ppm),
        ending=gathered.ending,
        ending_reason=gathered.reason,
        made_safe=made_safe,
        verdict=Verdict.NOT_ASSESSED,
        characteristics=(),
        cold=gathered.cold,
        cycles_planned=plan.pattern.cycles,
        cycles_done=0,
        cycles=(),
        drop_outs=(),
        fault_rate_upper_95=None,
        edges_lost=rig.edges_lost,
        blocks_lost=rig.blocks_lost,
        over_current_a=gathered.over_current_a,
    )
    judged, judgement = judge_record(record, cycles, rig.scales, gathered.known)
    return replace(judged, warnings=(*gathered.warnings, *judgement.warnings))


def judge_record(
    record: RunRecord,
    cycles: Sequence[CycleFeatures],
    scales: tuple[InputScale, ...],
    known: Known,
) -> tuple[RunRecord, Judgement]:
    """A record with these cycles and what is said of them; its warnings stay as they are."""
    judgement = judge_evidence(evidence_of(record, cycles, scales, known))
    drop_outs = tuple(drop for cycle in cycles for drop in cycle.drop_outs)
    faulty = len({drop.cycle for drop in drop_outs})
    judged = replace(
        record,
        verdict=judgement.verdict,
        verdict_reason=judgement.reason,
        headline=judgement.headline,
        characteristics=judgement.judged,
        cycles_done=len(cycles),
        cycles=tuple(cycles),
        drop_outs=drop_outs,
        fault_rate_upper_95=upper_bound_95(len(cycles), faulty) if cycles else None,
    )
    return judged, judgement


def evidence_of(
    record: RunRecord,
    cycles: Sequence[CycleFeatures],
    scales: tuple[InputScale, ...],
    known: Known,
) -> Evidence:
    """All that a verdict on a run may stand on; the record's own verdict is not part of it."""
    plan = record.plan
    return Evidence(
        part=plan.part,
        cold=record.cold,
        cycles=tuple(cycles),
        cycles_planned=plan.pattern.cycles,
        ran_to_the_end=record.ending is Ending.COMPLETE,
        proven_safe=record.proven_safe,
        edges_lost=record.edges_lost,
        temperature_c=plan.temperature.value_c if plan.temperature else None,
        four_wire=four_wire(scales),
        lead_null=record.rig.lead_null_ohm,
        lead_null_age_s=_lead_null_age_s(record),
        held=plan.stage is Stage.HELD,
        motion_reference=known.motion_reference,
        typed_in=known.typed_in,
        contradictions=contradictions(
            plan.part,
            record.cold,
            cycles,
            clock_ratio_ppm=record.rig.clock_ratio_ppm,
            clock_tolerance_ppm=record.rig.clock_tolerance_ppm,
        ),
        ending_reason=record.ending_reason,
        left_out=(*plan.without, *(() if plan.body_clip else (Characteristic.INSULATION,))),
        out_of_reach=_out_of_reach(record, scales),
        over_current_a=record.over_current_a,
    )


def _out_of_reach(record: RunRecord, scales: tuple[InputScale, ...]) -> tuple[Characteristic, ...]:
    """What this rig cannot measure on this output, however it is asked."""
    found = [Characteristic.STATIC_FLOW, Characteristic.DYNAMIC_FLOW, Characteristic.LEAK]
    roles = {scale.role for scale in scales}
    if InputRole.INSULATION_CURRENT not in roles:
        found.append(Characteristic.INSULATION)
    if record.rig.relay or InputRole.PART_VOLTAGE not in roles:
        found += (*RISE, Characteristic.OPENING_TIME, Characteristic.CLOSING_TIME)
    return tuple(found)


def _lead_null_age_s(record: RunRecord) -> float | None:
    """Age of the lead null when the run began, by the wall clock."""
    if record.rig.lead_null_date is None:
        return None
    taken, begun = (
        datetime.fromisoformat(stamp).astimezone()
        for stamp in (record.rig.lead_null_date, record.begun_at)
    )
    return (begun - taken).total_seconds()


def exit_code_for(record: RunRecord) -> ExitCode:
    """The one rule from record to exit code; the README prints the table."""
    if not record.proven_safe:
        return ExitCode.NOT_PROVEN_SAFE
    if record.ending is Ending.INTERRUPTED:
        return ExitCode.INTERRUPTED
    if record.verdict is Verdict.FAIL:
        return ExitCode.PART_FAILED
    if record.ending in (Ending.FAULT, Ending.LINK_LOST, Ending.CHECK_FAILED, Ending.FOUND_OPEN):
        return ExitCode.RIG
    return ExitCode.PASS if record.verdict is Verdict.PASS else ExitCode.INCONCLUSIVE
