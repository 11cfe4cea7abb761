"""What the cycle analyser must know, put together in one place for a run and its replay."""

from __future__ import annotations

import functools

from benchrig.measure.cycle_window import CycleContext
from benchrig.measure.motion import assess_motions
from benchrig.measure.motion_held import HeldRecording
from benchrig.measure.ripple import assess_ripple
from benchrig.measure.samples import InputScale
from benchrig.quantity import Measured
from benchrig.record.values import ColdCheck, RigIdentity, RunPlan
from benchrig.wire.messages import InputFlag, InputRole

SENSE_ROLES = (InputRole.PART_VOLTAGE, InputRole.PART_VOLTAGE_FINE)


def cycle_context(
    plan: RunPlan,
    rig: RigIdentity,
    scales: tuple[InputScale, ...],
    *,
    tick_ns: int,
    cold: ColdCheck,
    lead_null: Measured | None,
    defer_motion: bool = False,
    blocked: HeldRecording | None = None,
) -> CycleContext:
    """The analyser's context of a plan on a rig with these scales."""
    temperature, part = plan.temperature, plan.part
    clock_rel_u = rig.clock_tolerance_ppm * 1e-6
    return CycleContext(
        scales=scales,
        tick_ns=tick_ns,
        output=plan.output,
        part_kind=part.kind,
        clamp=rig.clamp,
        copper_winding=part.copper_winding,
        part_temperature_c=temperature.value_c if temperature else None,
        u_part_temperature_c=temperature.std_uncertainty_c if temperature else None,
        lead_null=None if four_wire(scales) else lead_null,
        relay=rig.relay,
        supply_v=None if cold.supply_v is None else cold.supply_v.value,
        cold_resistance=cold.resistance_ohm,
        assess_motion=functools.partial(assess_motions, held=blocked),
        assess_ripple=functools.partial(
            assess_ripple, ripples_per_turn=part.ripples_per_turn, clock_relative=clock_rel_u
        ),
        defer_motion=defer_motion,
        clock_rel_u=clock_rel_u,
    )


def four_wire(scales: tuple[InputScale, ...]) -> bool:
    """Whether every sense input reads at the part's terminals."""
    sense = [s for s in scales if s.role in SENSE_ROLES]
    return bool(sense) and all(s.flags & InputFlag.AT_PART_TERMINALS for s in sense)
