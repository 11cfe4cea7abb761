"""From what a run gathered to its record, and from a record to an exit code."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from benchrig.bench.context import four_wire
from benchrig.bench.known import Known
from benchrig.errors import ExitCode
from benchrig.judge.judge import is_whole, judge_run, lost_voltage, overall
from benchrig.judge.resistance import joint_doubt
from benchrig.judge.statistics import upper_bound_95
from benchrig.judge.verdict import Judged, Verdict
from benchrig.measure.coil import null_refusal
from benchrig.measure.features import CycleFeatures
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


@dataclass(slots=True, kw_only=True)
class Gathered:
    """What came in while the run went on, and how it ended."""

    plan: RunPlan
    cold: ColdCheck = field(default_factory=ColdCheck)
    cycles: list[CycleFeatures] = field(default_factory=list)
    ending: Ending = Ending.COMPLETE
    reason: str = ""
    lead_null: Measured | None = None
    lead_null_age_s: float | None = None
    warm_resistance_ohm: Measured | None = None
    known: Known = field(default_factory=Known)
    warnings: list[str] = field(default_factory=list)


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
    """Judge what was gathered and build the record."""
    plan, cycles = gathered.plan, tuple(gathered.cycles)
    drop_outs = tuple(drop for cycle in cycles for drop in cycle.drop_outs)
    judged = judge(gathered, rig)
    supply_v = gathered.cold.supply_v
    complete = (
        gathered.ending is Ending.COMPLETE
        and isinstance(made_safe, SafeEvidence)
        and is_whole(cycles, plan.pattern.cycles, supply_v=supply_v, edges_lost=rig.edges_lost)
    )
    lost = lost_voltage(supply_v, cycles)
    faulty = len({drop.cycle for drop in drop_outs})
    doubt = joint_doubt(gathered.cold, cycles)
    return RunRecord(
        record_id=record_id,
        begun_at=begun_at,
        ended_at=ended_at,
        plan=plan,
        rig=replace(rig_identity, clock_ratio_ppm=rig.clock_ratio_ppm),
        ending=gathered.ending,
        ending_reason=gathered.reason,
        made_safe=made_safe,
        verdict=overall(judged, complete=complete),
        characteristics=judged,
        cold=gathered.cold,
        cycles_planned=plan.pattern.cycles,
        cycles_done=len(cycles),
        cycles=cycles,
        drop_outs=drop_outs,
        fault_rate_upper_95=upper_bound_95(len(cycles), faulty) if cycles else None,
        edges_lost=rig.edges_lost,
        blocks_lost=rig.blocks_lost,
        warnings=(*gathered.warnings, *(text for text in (doubt, lost) if text)),
    )


def judge(gathered: Gathered, rig: Rig) -> tuple[Judged, ...]:
    """The characteristics of what was gathered, judged against the part's limits."""
    plan = gathered.plan
    return judge_run(
        plan.part,
        cold=gathered.cold,
        cycles=gathered.cycles,
        held=plan.stage is Stage.HELD,
        cycles_planned=plan.pattern.cycles,
        temperature_c=plan.temperature.value_c if plan.temperature else None,
        four_wire=four_wire(rig.scales),
        lead_null_valid=not null_refusal(gathered.lead_null, gathered.lead_null_age_s),
        motion_reference=gathered.known.motion_reference,
        typed_in=gathered.known.typed_in,
    )


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
