"""Plans, records and blocks for the log's tests. Everything in them is invented."""

from __future__ import annotations

import numpy as np

from benchrig.judge.verdict import Judged, Verdict, Zone
from benchrig.measure.features import CycleFeatures, DropOut, Motion, MotionAnswer, RiseFit
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.parts.part import Ability, Characteristic, Limit, Part, PartKind
from benchrig.patterns.pattern import Pattern, Step
from benchrig.quantity import Contribution, Measured
from benchrig.record.values import (
    ColdCheck,
    Ending,
    EventKind,
    NotProven,
    PartTemperature,
    RigIdentity,
    RunEvent,
    RunPlan,
    RunRecord,
    SafeEvidence,
    SafeReading,
    Stage,
    TemperatureBasis,
)
from benchrig.wire.messages import InputFlag, InputRole

RIG_ID = "00000000000000a1"


def measured(value: float, unit: str, u: float = 0.05) -> Measured:
    budget = (
        Contribution(source="noise", std_uncertainty=0.6 * u, evaluation="A"),
        Contribution(source="gain", std_uncertainty=0.8 * u, note="two-point"),
    )
    return Measured(value=value, std_uncertainty=u, unit=unit, budget=budget)


def plan(tag: str = "T-1", order: str = "N-7", stage: Stage = Stage.SINGLE) -> RunPlan:
    limit = Limit(
        characteristic=Characteristic.RESISTANCE_20C, low=11.0, high=13.0, source="invented, p. 1"
    )
    part = Part(
        name="marsh-purge",
        title="Marsh purge solenoid (invented)",
        kind=PartKind.EVAP_PURGE_SOLENOID,
        invented=True,
        limits=(limit,),
        ability=Ability(
            on_s_max=10, duty_max=0.5, winding_c_max=120, current_a_max=2, supply_v_max=15
        ),
    )
    steps = (Step(on=True, duration_us=6_000_000), Step(on=False, duration_us=6_000_000))
    return RunPlan(
        part=part,
        pattern=Pattern(name="six-second", title="Six seconds", steps=steps, repeats=25),
        output=0,
        temperature=PartTemperature(
            value_c=21.5, std_uncertainty_c=0.7, basis=TemperatureBasis.SOAKED
        ),
        tag=tag,
        order=order,
        stage=stage,
        position="4",
        position_scheme="cylinder number",
        operator="µ. Ohm",
    )


def rig(unique_id: str = RIG_ID) -> RigIdentity:
    return RigIdentity(
        url="sim:healthy",
        unique_id=unique_id,
        firmware="0.1.0",
        protocol="1.0",
        reset_cause="POWER_ON",
        boot_count=3,
        lead_null_ohm=measured(0.042, "ohm", 0.002),
    )


def evidence() -> SafeEvidence:
    readings = tuple(
        SafeReading(at_s=300.0 + k, current_a=3e-4 * k, part_voltage_v=0.01, outputs_readback=0)
        for k in range(3)
    )
    return SafeEvidence(
        readings=readings,
        threshold_current_a=0.02,
        threshold_voltage_v=0.5,
        feed_opened=False,
        inputs_alive="live zero on both inputs",
        waited_s=0.1,
    )


NOT_PROVEN = NotProven(
    reason="link lost", last_current_a=1.1, feed_opened=False, declared="supply disconnected"
)


def cycle(number: int) -> CycleFeatures:
    rng = np.random.default_rng(number)
    hot = 12.5 + 0.02 * number + float(rng.normal(0, 0.01))
    return CycleFeatures(
        cycle=number,
        start_s=12.0 * (number - 1),
        on_s=6.0,
        complete=True,
        current_a=measured(13.2 / hot, "A", 0.004),
        voltage_v=measured(13.2, "V", 0.02),
        resistance_ohm=measured(hot, "ohm", 0.04),
        winding_temperature_c=measured(30.0 + number, "°C", 1.1),
        rise=RiseFit(
            converged=True, reason="", tau_s=measured(float(rng.normal(8e-3, 1e-5)), "s", 2e-5)
        ),
        motion=Motion(answer=MotionAnswer.MOVED, reason="", start_s=measured(4e-3, "s", 5e-5)),
    )


def record(
    record_id: str = "20260102-030405-abcd",
    *,
    tag: str = "T-1",
    cycles: int = 25,
    made_safe: SafeEvidence | NotProven | None = None,
    run_plan: RunPlan | None = None,
) -> RunRecord:
    made_safe = made_safe or evidence()
    run_plan = run_plan or plan(tag)
    safe = isinstance(made_safe, SafeEvidence)
    done = safe and cycles >= 25
    judged = Judged(
        characteristic=Characteristic.RESISTANCE_20C,
        verdict=Verdict.PASS,
        reason="well inside",
        measured=measured(12.1, "ohm"),
        limit=run_plan.part.limits[0],
        zone=Zone.PASS,
        guard_band=0.1,
        conformance_probability=1.0,
    )
    day, time = record_id[:8], record_id[9:15]
    begun = f"{day[:4]}-{day[4:6]}-{day[6:]}T{time[:2]}:{time[2:4]}:{time[4:]}"
    return RunRecord(
        record_id=record_id,
        begun_at=begun,
        ended_at=begun + ".5",
        plan=run_plan,
        rig=rig(),
        ending=Ending.COMPLETE if done else Ending.LINK_LOST,
        ending_reason="" if done else "unplugged",
        made_safe=made_safe,
        verdict=Verdict.PASS if done else Verdict.INCONCLUSIVE,
        characteristics=(judged,),
        cold=ColdCheck(supply_v=measured(13.4, "V"), resistance_ohm=measured(12.2, "ohm")),
        cycles_planned=25,
        cycles_done=cycles,
        cycles=tuple(cycle(n) for n in range(1, cycles + 1)),
        drop_outs=(
            DropOut(cycle=3, start_s=25.1, duration_s=1e-3, depth=0.9, winding_temperature_c=None),
        ),
        fault_rate_upper_95=0.113 if done else None,
        edges_lost=0,
        blocks_lost=0,
    )


def scale(number: int, role: InputRole = InputRole.CURRENT_COARSE) -> InputScale:
    return InputScale(
        input=number,
        role=role,
        bits=10,
        zero_code=16.0,
        step=10.0 / 1024,
        flags=InputFlag.SEES_TURN_OFF,
        outputs_mask=0xFF,
    )


def event(number: int, kind: EventKind = EventKind.EDGE) -> RunEvent:
    return RunEvent(kind=kind, at_s=0.1 * number, message=f"m{number}", data={"n": number})


def block(
    number: int, *, scans: int = 60, inputs: tuple[int, ...] = (1, 3), stream: int = 1
) -> SampleBlock:
    rng = np.random.default_rng(number)
    codes = np.round(rng.normal(300, 0.7, (scans, len(inputs)))).astype(np.int16)
    return SampleBlock(
        stream=stream,
        block=number,
        tick=1000 + number * scans * 200,
        inputs=inputs,
        scan_period_ticks=200,
        codes=codes,
    )
