"""Invented records, rich enough to fill every corner of a card or page.

Numbers follow a coil of 14.5 ohm at 20 °C on 13.5 V that warms while it is cycled; no
measurement of anything real is in here.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchrig.judge.golden import GoldenCheck, check_golden
from benchrig.judge.matching import Matching, TaggedValues, match_sets
from benchrig.judge.verdict import Judged, Verdict, Zone
from benchrig.measure.features import (
    CycleFeatures,
    DropOut,
    Motion,
    MotionAnswer,
    Ripple,
    RiseFit,
    TurnOff,
)
from benchrig.parts.part import Ability, Characteristic, Limit, Part, PartKind
from benchrig.patterns.pattern import Pattern, Step
from benchrig.quantity import Contribution, Measured
from benchrig.record.entries import (
    Correction,
    Entry,
    FlowEntry,
    LeadNullEntry,
    LeakEntry,
    SprayEntry,
)
from benchrig.record.values import (
    ColdCheck,
    Ending,
    NotProven,
    PartTemperature,
    RigIdentity,
    RunPlan,
    RunRecord,
    SafeEvidence,
    SafeReading,
    Stage,
    TemperatureBasis,
)
from benchrig.report.html import (
    CycleTrace,
    RunTrace,
    Samples,
    TrayRow,
    TraySheet,
    TypedLine,
    cycles_to_show,
)

HOSTILE = '<script>alert("x")</script>\x1b[31m"\' & \u202eevil'
DIGEST = "9f2c1d7e" * 8
SUPPLY_V = 13.5
R20_OHM = 14.52
START_C = 22.0

SOURCE = "Alder Lane workshop manual (invented), table 4, page 31"


def solenoid() -> Part:
    return Part(
        name="alder-purge-solenoid",
        title="Alder Lane purge solenoid, 14.5 ohm",
        kind=PartKind.EVAP_PURGE_SOLENOID,
        invented=True,
        limits=(
            Limit(characteristic=Characteristic.RESISTANCE_20C, low=13.0, high=16.0, source=SOURCE),
            Limit(
                characteristic=Characteristic.CURRENT,
                low=0.6,
                high=1.1,
                source=SOURCE,
                at_voltage_v=13.5,
            ),
            Limit(characteristic=Characteristic.DROP_OUTS, low=None, high=0.0, source=SOURCE),
        ),
        ability=Ability(
            on_s_max=30.0,
            duty_max=0.6,
            winding_c_max=110.0,
            current_a_max=1.6,
            supply_v_max=16.0,
        ),
        nominal_resistance_ohm=14.5,
        digest="ab" * 32,
    )


def six_second() -> Pattern:
    return Pattern(
        name="six-second",
        title="6 s on, 6 s off, 25 times",
        steps=(Step(on=True, duration_us=6_000_000), Step(on=False, duration_us=6_000_000)),
        repeats=25,
        source="common practice, no source",
    )


def evidence(residual_a: float = 0.00031) -> SafeEvidence:
    return SafeEvidence(
        readings=tuple(
            SafeReading(
                at_s=300.5 + 0.02 * n,
                current_a=residual_a * (1.0 - 0.1 * n),
                part_voltage_v=0.003,
                outputs_readback=0,
            )
            for n in range(4)
        ),
        threshold_current_a=0.005,
        threshold_voltage_v=0.2,
        feed_opened=True,
        inputs_alive="the live zero of each input was read",
        waited_s=0.52,
    )


def measured(value: float, relative: float, unit: str) -> Measured:
    u = abs(value) * relative
    return Measured.from_budget(
        value,
        unit,
        (
            Contribution(source="repeatability", std_uncertainty=0.5 * u, evaluation="A"),
            Contribution(source="shunt calibration", std_uncertainty=0.8 * u),
            Contribution(
                source="quantisation", std_uncertainty=math.sqrt(0.11) * u, note="LSB / sqrt(12)"
            ),
        ),
    )


def winding_c(cycle: int) -> float:
    return START_C + 41.0 * (1.0 - math.exp(-(cycle - 1) / 9.0)) + 4.0


def hot_ohm(cycle: int) -> float:
    return R20_OHM * (234.5 + winding_c(cycle)) / 254.5


def a_cycle(cycle: int, *, moves: bool = True, drop: DropOut | None = None) -> CycleFeatures:
    resistance = hot_ohm(cycle)
    current = SUPPLY_V / resistance
    tau = 0.0123 / resistance
    return CycleFeatures(
        cycle=cycle,
        start_s=12.0 * (cycle - 1),
        on_s=6.0,
        complete=True,
        current_a=measured(current, 0.003, "A"),
        voltage_v=measured(SUPPLY_V, 0.002, "V"),
        resistance_ohm=measured(resistance, 0.0035, "ohm"),
        winding_temperature_c=Measured(value=winding_c(cycle), std_uncertainty=1.4, unit="°C"),
        rise=RiseFit(
            converged=True,
            reason="",
            current_a=measured(current, 0.001, "A"),
            tau_s=measured(tau, 0.006, "s"),
            inductance_h=measured(0.0123, 0.01, "H"),
            resistance_ohm=measured(resistance, 0.004, "ohm"),
            residual_sum_squares=1e-4,
            points=80,
        ),
        motion=Motion(
            answer=MotionAnswer.MOVED if moves else MotionAnswer.NO_SIGNATURE,
            reason="" if moves else "no dent above the noise",
            false_alarm_rate=0.01,
            start_s=measured(0.0011, 0.03, "s") if moves else None,
            end_s=measured(0.0017, 0.02, "s") if moves else None,
            strength=4.2 if moves else 0.3,
        ),
        turn_off=TurnOff(
            assessed=True,
            reason="",
            clamp="low-side clamp 36 V",
            decay_s=measured(0.00042, 0.02, "s"),
            clamp_voltage_v=measured(36.2, 0.01, "V"),
        ),
        drop_outs=() if drop is None else (drop,),
    )


def rig() -> RigIdentity:
    return RigIdentity(
        url="sim:healthy",
        unique_id="00c0ffee12345678",
        firmware="1.0.0",
        protocol="1.0",
        reset_cause="power on",
        boot_count=7,
        clock_ratio_ppm=12.4,
        calibration_date="2026-11-02",
        calibration_expired=False,
        lead_null_ohm=measured(0.0871, 0.02, "ohm"),
        lead_null_date="2026-11-25T08:02:00+00:00",
        clamp="low-side clamp 36 V",
    )


def _r20(value: float, verdict: Verdict, zone: Zone, reason: str) -> Judged:
    part = solenoid()
    return Judged(
        characteristic=Characteristic.RESISTANCE_20C,
        verdict=verdict,
        reason=reason,
        measured=measured(value, 0.003, "ohm"),
        limit=part.limit(Characteristic.RESISTANCE_20C),
        zone=zone,
        guard_band=2 * 0.003 * value,
        conformance_probability=0.999 if verdict is Verdict.PASS else 0.02,
        does_not_prove="that the coil holds when hotter than it was here",
    )


def healthy() -> RunRecord:
    part = solenoid()
    return RunRecord(
        record_id="20261125-091500-k3f9",
        begun_at="2026-11-25T09:15:00+00:00",
        ended_at="2026-11-25T09:20:14+00:00",
        plan=RunPlan(
            part=part,
            pattern=six_second(),
            output=2,
            temperature=PartTemperature(
                value_c=START_C, std_uncertainty_c=1.0, basis=TemperatureBasis.PROBE
            ),
            tag="T-0412",
            part_number="AL-77 310 02",
            order="WO-1187",
            position="3",
            position_scheme="cylinder number",
            operator="M. Sample",
            stage=Stage.INCOMING,
            note="Customer says: rough idle when warm.",
        ),
        rig=rig(),
        ending=Ending.COMPLETE,
        ending_reason="",
        made_safe=evidence(),
        verdict=Verdict.PASS,
        verdict_reason="resistance and current within the published limits, no drop-out",
        characteristics=(
            _r20(14.52, Verdict.PASS, Zone.PASS, "14.52 ohm at 20 °C lies inside 13 to 16 ohm."),
            Judged(
                characteristic=Characteristic.CURRENT,
                verdict=Verdict.PASS,
                reason="The steady current lies inside the limit at 13.5 V.",
                measured=measured(0.914, 0.004, "A"),
                limit=part.limit(Characteristic.CURRENT),
                zone=Zone.PASS,
                guard_band=0.0073,
            ),
            Judged(
                characteristic=Characteristic.DROP_OUTS,
                verdict=Verdict.PASS,
                reason="The current held in all 25 cycles.",
                limit=part.limit(Characteristic.DROP_OUTS),
                does_not_prove="that a fault rarer than the bound below is absent",
            ),
            Judged(
                characteristic=Characteristic.MOTION,
                verdict=Verdict.PASS,
                reason="A dent in the current rise shows that the armature travelled.",
                does_not_prove="that the valve seals or flows what it should",
            ),
            Judged(
                characteristic=Characteristic.OPENING_TIME,
                verdict=Verdict.NOT_ASSESSED,
                reason="Measured, but the part file gives no limit.",
                measured=measured(0.0017, 0.02, "s"),
            ),
        ),
        cold=ColdCheck(
            supply_v=measured(13.62, 0.002, "V"),
            offset_current_a=0.0004,
            resistance_ohm=measured(14.634, 0.003, "ohm"),
            resistance_20c_ohm=measured(R20_OHM, 0.003, "ohm"),
            insulation_ohm=measured(4.7e7, 0.1, "ohm"),
        ),
        cycles_planned=25,
        cycles_done=25,
        cycles=tuple(a_cycle(n) for n in range(1, 26)),
        drop_outs=(),
        fault_rate_upper_95=0.1129,
        edges_lost=0,
        blocks_lost=0,
    )


def failing() -> RunRecord:
    """Opens when hot: drop-outs from cycle 14, R20 in order."""
    base = healthy()
    drops = tuple(
        DropOut(
            cycle=n,
            start_s=12.0 * (n - 1) + 3.1 + 0.1 * n,
            duration_s=0.00012 if n == 14 else 0.34 + 0.02 * n,
            depth=0.98,
            winding_temperature_c=winding_c(n),
        )
        for n in (14, 17, 18, 19, 21, 22, 23, 24, 25)
    )
    by_cycle = {drop.cycle: drop for drop in drops}
    judged = list(base.characteristics)
    judged[2] = replace(
        judged[2],
        verdict=Verdict.FAIL,
        reason="The current fell away in 9 of 25 cycles, each time with the winding above 55 °C.",
        does_not_prove="whether the break is in the coil or in its connector",
    )
    return replace(
        base,
        record_id="20261125-093000-m7qa",
        verdict=Verdict.FAIL,
        characteristics=tuple(judged),
        cycles=tuple(a_cycle(n, drop=by_cycle.get(n)) for n in range(1, 26)),
        drop_outs=drops,
        fault_rate_upper_95=0.541,
        warnings=("supply sagged to 12.9 V in cycle 3",),
    )


def inconclusive() -> RunRecord:
    """Inside the guard band, no part temperature, stopped early, an expired calibration."""
    base = healthy()
    judged = list(base.characteristics)
    judged[0] = Judged(
        characteristic=Characteristic.RESISTANCE_20C,
        verdict=Verdict.NOT_ASSESSED,
        reason="The part's temperature was not given, so its resistance at 20 °C is not known.",
        limit=base.plan.part.limit(Characteristic.RESISTANCE_20C),
    )
    judged[1] = replace(
        judged[1],
        verdict=Verdict.INCONCLUSIVE,
        measured=measured(1.098, 0.004, "A"),
        zone=Zone.CONDITIONAL_PASS,
        guard_band=0.0088,
        reason="Inside the limit by less than its uncertainty.",
    )
    return replace(
        base,
        record_id="20261125-094500-t2wd",
        plan=replace(base.plan, temperature=None, stage=Stage.RETEST),
        rig=replace(base.rig, calibration_date=None, calibration_expired=True),
        ending=Ending.STOPPED,
        ending_reason="the winding reached 110 °C in cycle 8",
        verdict=Verdict.INCONCLUSIVE,
        characteristics=tuple(judged),
        cycles_done=8,
        cycles=tuple(replace(a_cycle(n), winding_temperature_c=None) for n in range(1, 9)),
        cold=replace(base.cold, resistance_20c_ohm=None, findings=("no part temperature",)),
        fault_rate_upper_95=0.312,
    )


def not_proven() -> RunRecord:
    base = failing()
    return replace(
        base,
        record_id="20261125-101500-zz81",
        ending=Ending.FAULT,
        ending_reason="current flows with the output commanded off",
        made_safe=NotProven(
            reason="0.87 A flowed with every output off and the feed commanded open",
            last_current_a=0.87,
            feed_opened=False,
            declared="supply leads taken off the battery",
        ),
        cycles_done=3,
        cycles=base.cycles[:3],
        drop_outs=(),
        fault_rate_upper_95=None,
        edges_lost=2,
        blocks_lost=1,
    )


def pump() -> RunRecord:
    base = healthy()
    part = replace(
        solenoid(),
        name="alder-pump",
        title="Alder Lane in-tank pump",
        kind=PartKind.FUEL_PUMP,
        ripples_per_turn=8,
        limits=(
            Limit(characteristic=Characteristic.INRUSH_CURRENT, low=None, high=22.0, source=SOURCE),
            Limit(characteristic=Characteristic.SPEED, low=4200.0, high=None, source=SOURCE),
        ),
    )
    ripple = Ripple(
        assessed=True,
        reason="",
        inrush_current_a=measured(16.4, 0.02, "A"),
        running_current_a=measured(4.31, 0.01, "A"),
        frequency_hz=measured(623.0, 0.002, "Hz"),
        speed_rpm=measured(4672.0, 0.002, "1/min"),
        hump_unevenness=measured(0.11, 0.1, ""),
    )
    cycles = tuple(
        CycleFeatures(
            cycle=n,
            start_s=12.0 * (n - 1),
            on_s=6.0,
            complete=True,
            current_a=measured(4.31 - 0.02 * n, 0.01, "A"),
            voltage_v=measured(13.1, 0.002, "V"),
            ripple=ripple,
        )
        for n in range(1, 6)
    )
    return replace(
        base,
        record_id="20261125-104500-pu55",
        plan=replace(base.plan, part=part, fluid_confirmed=True, position="", tag="P-9"),
        characteristics=(
            Judged(
                characteristic=Characteristic.INRUSH_CURRENT,
                verdict=Verdict.PASS,
                reason="The inrush stays under the limit.",
                measured=ripple.inrush_current_a,
                limit=part.limits[0],
                zone=Zone.PASS,
                guard_band=0.66,
            ),
            Judged(
                characteristic=Characteristic.SPEED,
                verdict=Verdict.PASS,
                reason="The motor turns fast enough, from 8 ripples a turn.",
                measured=ripple.speed_rpm,
                limit=part.limits[1],
                zone=Zone.PASS,
                does_not_prove="pressure or flow",
            ),
        ),
        cold=replace(base.cold, resistance_20c_ohm=None),
        cycles_planned=5,
        cycles_done=5,
        cycles=cycles,
        fault_rate_upper_95=0.451,
    )


def hostile() -> RunRecord:
    """Markup and escape sequences wherever a person may type."""
    base = healthy()
    limits = tuple(replace(limit, source=HOSTILE) for limit in base.plan.part.limits)
    return replace(
        base,
        plan=replace(
            base.plan,
            part=replace(base.plan.part, title=HOSTILE, limits=limits, note=HOSTILE),
            tag=HOSTILE,
            part_number=HOSTILE,
            order=HOSTILE,
            position=HOSTILE,
            position_scheme=HOSTILE,
            operator=HOSTILE,
            note=HOSTILE,
        ),
        rig=replace(base.rig, url=HOSTILE, clamp=HOSTILE),
        characteristics=tuple(
            replace(
                judged,
                reason=HOSTILE,
                limit=judged.limit and replace(judged.limit, source=HOSTILE),
            )
            for judged in base.characteristics
        ),
        warnings=(HOSTILE,),
    )


def rise_samples(
    cycle: int, *, rate_hz: float = 20_000.0, on_s: float = 0.01, moves: bool = True
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Time since switch-on and current of one rise, with the armature's dent and some noise."""
    time_s = np.arange(round(rate_hz * on_s)) / rate_hz
    resistance = hot_ohm(cycle)
    current = SUPPLY_V / resistance * (1.0 - np.exp(-time_s * resistance / 0.0123))
    if moves:
        current -= 0.09 * np.exp(-(((time_s - 0.0017) / 0.0003) ** 2))
    noise = np.random.default_rng(cycle).normal(0.0, 0.002, time_s.size)
    return time_s, current + noise


def run_samples(
    record: RunRecord, *, rate_hz: float = 1_000.0
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Time since the first edge and current over the whole run, drop-outs included."""
    length_s = 12.0 * record.cycles_done
    time_s = np.arange(round(rate_hz * length_s)) / rate_hz
    current = np.zeros_like(time_s)
    for cycle in record.cycles:
        on = (time_s >= cycle.start_s) & (time_s < cycle.start_s + cycle.on_s)
        current[on] = SUPPLY_V / hot_ohm(cycle.cycle)
    for drop in record.drop_outs:
        lost = (time_s >= drop.start_s) & (
            time_s < drop.start_s + max(drop.duration_s, 1 / rate_hz)
        )
        current[lost] *= 1.0 - drop.depth
    return time_s, current + np.random.default_rng(1).normal(0.0, 0.001, time_s.size)


def with_r20(record: RunRecord, value: float) -> RunRecord:
    """The same record with another resistance at 20 °C."""
    judged = replace(record.characteristics[0], measured=measured(value, 0.003, "ohm"))
    cold = replace(record.cold, resistance_20c_ohm=measured(value, 0.003, "ohm"))
    return replace(record, characteristics=(judged, *record.characteristics[1:]), cold=cold)


def _typed_lines(slot: int) -> tuple[TypedLine, ...]:
    """Flow of every second slot, one of them outside its limit, and a leak without one."""
    if slot % 2:
        return ()
    flow = f"static flow {212 + slot} ± 2 cc/min at 300 kPa, test fluid"
    lines = [TypedLine(text=flow, verdict="FAIL" if slot == 4 else "PASS")]
    if slot == 6:
        lines += [
            TypedLine(text="leak 2 drops in 60 s at 300 kPa"),
            TypedLine(text="spray one-sided, <b>wet</b>"),
        ]
    return tuple(lines)


def tray() -> TraySheet:
    """Eight slots: most verdicts, an outlier, one retested, one still waiting."""
    kinds = [healthy, failing, inconclusive, healthy, healthy, healthy, failing]
    rows = []
    for n, make in enumerate(kinds, 1):
        record = make()
        if record.verdict is Verdict.PASS:
            record = with_r20(record, 14.4 + 0.06 * n)
        rows.append(
            TrayRow(
                slot=f"A{n}",
                position=("1", "3", "4", "2", "5R", "6", "7")[n - 1],
                tag=f"T-04{10 + n}",
                part_number="AL-77 310 02",
                record=replace(record, record_id=f"20261125-09{10 + n}00-k3f{n}"),
                before=with_r20(failing(), 14.2) if n == 4 else None,
                outlier="R20 3.4 sigma from the tag's last" if n == 6 else "",
                typed=_typed_lines(n),
            )
        )
    rows.append(TrayRow(slot="A8", position="8", tag="T-0418", part_number="AL-77 310 02"))
    return TraySheet(
        order="WO-1187",
        rows=tuple(rows),
        customer_words="runs rough when warm, worse uphill",
        scheme="cylinder number",
        golden="inside its limits, 14.51 ohm",
    )


def matching() -> Matching:
    """Nine parts into two sets of four by R20 and opening time; one is left over."""
    values = (14.46, 14.64, 14.70, 14.71, 14.16, 14.24, 14.27, 14.31, 15.9)
    parts = [
        TaggedValues(tag=f"T-04{11 + n}", values=(value, 0.0017 + 1e-5 * n))
        for n, value in enumerate(values)
    ]
    return match_sets(parts, 4, names=("R20", "opening time"))


def golden(today: float = 14.71) -> GoldenCheck:
    """Thirty mornings, the last one as given."""
    before = 14.5 + 0.03 * np.random.default_rng(5).normal(size=29)
    now = Measured(value=today, std_uncertainty=0.02, unit="ohm")
    resistance = Characteristic.RESISTANCE_20C
    return check_golden({resistance: now}, {resistance: before.tolist()})


def golden_days() -> list[str]:
    return [f"2026-11-{n + 1:02d}" for n in range(30)]


def trace(cycle: int) -> CycleTrace:
    time_s, current_a = rise_samples(cycle)
    return CycleTrace(cycle=cycle, time_s=time_s, current_a=current_a)


def logged(record: RunRecord) -> Samples:
    """What a log would hand over for a record."""
    time_s, current_a = run_samples(record)
    return Samples(
        cycles=tuple(trace(cycle) for cycle in cycles_to_show(record)),
        run=RunTrace(time_s=time_s, current_a=current_a),
    )


def stuck() -> RunRecord:
    base = healthy()
    return replace(
        base,
        record_id="20261125-110000-st0k",
        cycles=tuple(a_cycle(n, moves=False) for n in range(1, 26)),
    )


def typed() -> tuple[Entry, ...]:
    """What people typed in about the healthy record's tag."""
    at, who = "2026-11-25T10:00:00+00:00", "J. Sample"
    return (
        FlowEntry(
            at=at,
            who=who,
            tag="T-0412",
            stage="incoming",
            static_flow_cc_per_min=212.0,
            std_uncertainty=2.0,
            pressure_pa=300e3,
            fluid="test fluid",
        ),
        FlowEntry(
            at=at,
            who=who,
            tag="T-0412",
            stage="cleaned",
            static_flow_cc_per_min=219.0,
            dynamic_flow_ul=5.1,
            std_uncertainty=2.0,
        ),
        LeakEntry(
            at=at, who=who, tag="T-0412", stage="cleaned", drops=2, duration_s=60, pressure_pa=300e3
        ),
        SprayEntry(at=at, who=who, tag="T-0412", stage="incoming", text="one-sided"),
        Correction(at=at, who=who, field="tag", old="T-0142", new="T-0412", why="digits swapped"),
        LeadNullEntry(at=at, who=who, output=2, resistance_ohm=measured(0.087, 0.02, "ohm")),
    )
