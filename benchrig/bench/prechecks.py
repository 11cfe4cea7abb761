"""Everything that is looked at before the first full pulse.

Order: all off and inputs at their zero, supply, cold resistance through the low-current
source, feed closed with the outputs still off, then one short pulse. Each step may only be
reached when the one before it found nothing. A part that is plainly open or shorted is not
pulsed at all; that is a finding about the part and not a failed check.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchrig.bench.look import Reading, Window
from benchrig.bench.observer import Observer
from benchrig.bench.safety import (
    CURRENT_THRESHOLD_A,
    DECAY_WAIT_S,
    LOOK_S,
    SAFE_ROLES,
    VOLTAGE_THRESHOLD_V,
    Offsets,
)
from benchrig.bench.source import run_source
from benchrig.errors import PrecheckFailed, RigError
from benchrig.measure import coil
from benchrig.measure.insulation import assess_insulation
from benchrig.measure.reading import measured_mean, read
from benchrig.patterns.fit import objections
from benchrig.quantity import Measured
from benchrig.record.values import ColdCheck, RunPlan
from benchrig.wire.messages import (
    FaultReason,
    InputFlag,
    InputRole,
    OutputKind,
    ScheduleStep,
    StatusFlag,
)
from benchrig.wire.schedule import Schedule

BASELINE_S = 0.1
COLD_WINDOW_S = 0.4
SUPPLY_V_MIN = 9.0  # below it a 12 V part is not judged; common practice, no source
REFERENCE_RESISTOR_REL_U = 0.001 / 3**0.5  # 0.1 % part, rectangular
SHORT_OHM = 0.3  # below this nothing is switched onto the part
FIRST_PULSE_US = 5_000
FIRST_SCHEDULE_ID = 0x5C02
FINE_RANGE_SHARE = 0.85
Note = Callable[[str, str], None]  # name of the check, what was found


async def clear_old_fault(observer: Observer, note: Note) -> None:
    """A fault latched before this run is read, told, and cleared by name."""
    status = await observer.rig.read_status()
    if status.fault is FaultReason.NONE:
        return
    note("latched fault", f"the rig had switched everything off: {status.fault.name.lower()}")
    await observer.rig.clear_fault(status.fault)


async def check_feed_is_open(observer: Observer) -> None:
    """PrecheckFailed when the feed's own contact says closed though it was told to open.

    The part may well be off, by its output alone; but then nothing is left behind that output.
    """
    status = await observer.rig.read_status()
    if status.flags & StatusFlag.FEED_READBACK and not status.flags & StatusFlag.FEED_CLOSED:
        raise PrecheckFailed(
            ["the feed contactor does not open: it is stuck closed"],
            advice="switch the supply off; the rig needs repair before anything is run on it",
        )


async def baseline(observer: Observer) -> tuple[Offsets, Window]:
    """All off, feed open: offsets of the inputs. Refuses when anything seems to flow."""
    window = await observer.window(SAFE_ROLES, BASELINE_S)
    findings = []
    for role, reading in window.readings.items():
        if role is InputRole.SUPPLY_VOLTAGE:
            continue
        if not reading.at_live_zero:
            findings.append(
                f"the {_words(role)} input reads {reading.mean:.3g} with everything off; "
                "it is dead, or something still flows"
            )
    fine = window.mean(InputRole.CURRENT_FINE)
    if fine is not None and abs(fine) > 2 * CURRENT_THRESHOLD_A:
        findings.append(f"{fine * 1e3:.0f} mA flows with everything off")
    voltage = window.mean(InputRole.PART_VOLTAGE)
    if voltage is not None and abs(voltage) > VOLTAGE_THRESHOLD_V:
        findings.append(f"{voltage:.1f} V stands across the part with everything off")
    if findings:
        raise PrecheckFailed(findings)
    offsets: dict[InputRole, float] = {
        role: reading.mean
        for role, reading in window.readings.items()
        if role is not InputRole.SUPPLY_VOLTAGE
    }
    return Offsets(by_role=offsets), window


def check_supply(window: Window, plan: RunPlan) -> Measured | None:
    """The supply before load; PrecheckFailed when it is outside what the part may see."""
    reading = window.readings.get(InputRole.SUPPLY_VOLTAGE)
    if reading is None:
        return None
    found = read(reading.scale, reading.codes)
    supply_v = Measured(value=found.mean, std_uncertainty=found.std_uncertainty, unit="V")
    if supply_v.value < SUPPLY_V_MIN:
        raise PrecheckFailed(
            [f"the supply reads {supply_v.value:.1f} V, below {SUPPLY_V_MIN:g} V"],
            advice="switch the bench supply on, check its fuse and its current limit",
        )
    if supply_v.value > plan.part.ability.supply_v_max:
        raise PrecheckFailed(
            [
                f"the supply reads {supply_v.value:.1f} V, the part file allows "
                f"{plan.part.ability.supply_v_max:g} V"
            ]
        )
    return supply_v


async def low_current_resistance(
    observer: Observer, lead_null: Measured | None
) -> coil.CoilResistance:
    """What is clipped to the observed output, by the low-current source; feed open."""
    roles = (InputRole.PART_VOLTAGE_FINE, InputRole.REFERENCE_VOLTAGE)
    off = (await observer.window(roles, BASELINE_S)).readings
    window = await run_source(observer, COLD_WINDOW_S)
    return resistance_of(observer, off, window.readings, lead_null)


def resistance_of(
    observer: Observer,
    off: dict[InputRole, Reading],
    on: dict[InputRole, Reading],
    lead_null: Measured | None,
) -> coil.CoilResistance:
    """The same from looks that were taken, without the low-current source and with it."""
    part, reference = on[InputRole.PART_VOLTAGE_FINE], on[InputRole.REFERENCE_VOLTAGE]
    four_wire = bool(part.scale.flags & InputFlag.AT_PART_TERMINALS)
    reference_ohm = observer.rig.identity.reference_resistor_mohm * 1e-3
    return coil.cold_resistance(
        part_scale=part.scale,
        part_codes=part.codes,
        part_off_codes=off[InputRole.PART_VOLTAGE_FINE].codes,
        reference_scale=reference.scale,
        reference_codes=reference.codes,
        reference_off_codes=off[InputRole.REFERENCE_VOLTAGE].codes,
        reference_resistor_ohm=Measured(
            value=reference_ohm,
            std_uncertainty=reference_ohm * REFERENCE_RESISTOR_REL_U,
            unit="ohm",
        ),
        null=None if four_wire else lead_null,
    )


async def cold_check(
    observer: Observer,
    plan: RunPlan,
    lead_null: Measured | None,
    supply_v: Measured | None,
    offsets: Offsets,
) -> tuple[ColdCheck, str]:
    """Cold resistance by the low-current source, and why the part may not be pulsed, if so."""
    found = await low_current_resistance(observer, lead_null)
    r20 = None
    if found.resistance_ohm is not None and plan.temperature and plan.part.copper_winding:
        r20 = coil.r20_from(
            found.resistance_ohm,
            plan.temperature.value_c,
            plan.temperature.std_uncertainty_c,
        )
    cold = ColdCheck(
        supply_v=supply_v,
        offset_current_a=offsets.by_role.get(InputRole.CURRENT_FINE),
        resistance_ohm=found.resistance_ohm,
        resistance_20c_ohm=r20,
        over_range=found.over_range,
        findings=(found.reason,) if found.reason else (),
    )
    return cold, _part_fault(found)


def _part_fault(found: coil.CoilResistance) -> str:
    if found.resistance_ohm is None:
        return found.reason
    if found.resistance_ohm.value < SHORT_OHM:
        return f"the part reads {found.resistance_ohm.value:.2f} ohm: shorted; it is not pulsed"
    return ""


def choose_current_input(observer: Observer, cold: ColdCheck, plan: RunPlan) -> InputRole:
    """The finest current input that still holds what the part will draw."""
    fine = observer.scale(InputRole.CURRENT_FINE)
    if fine is None:
        return InputRole.CURRENT_COARSE
    supply_v = cold.supply_v.value if cold.supply_v else plan.part.ability.supply_v_max
    if cold.resistance_ohm is None or cold.resistance_ohm.value <= 0:
        return InputRole.CURRENT_COARSE
    full_scale_a = fine.step * ((1 << fine.bits) - 1 - fine.zero_code)
    fits = supply_v / cold.resistance_ohm.value < FINE_RANGE_SHARE * full_scale_a
    return InputRole.CURRENT_FINE if fits else InputRole.CURRENT_COARSE


def recheck_fit(observer: Observer, plan: RunPlan, cold: ColdCheck) -> None:
    """Part, pattern and output once more, now with what was measured."""
    if cold.supply_v is None or cold.resistance_ohm is None:
        return
    found = objections(
        plan.part,
        plan.pattern,
        observer.rig.outputs[plan.output],
        observer.rig.identity,
        cold.supply_v.value,
        resistance_ohm=cold.resistance_ohm.value,
        start_c=plan.temperature.value_c if plan.temperature else 20.0,
        fluid_confirmed=plan.fluid_confirmed,
    )
    if found:
        raise PrecheckFailed([str(objection) for objection in found])


async def close_feed(observer: Observer, offsets: Offsets) -> None:
    """Close the feed with every output off; refuses when current flows all the same."""
    rig = observer.rig
    await rig.close_feed()
    await asyncio.sleep(rig.identity.feed_settle_us * 1e-6)
    await look_for_stuck_output(observer, offsets)


async def look_for_stuck_output(observer: Observer, offsets: Offsets) -> None:
    """PrecheckFailed when something flows with the feed closed and every output off.

    After the last pulse this is the only look that can see a switch that has failed on: once
    the feed is open, nothing tells it from a sound one.
    """
    await asyncio.sleep(DECAY_WAIT_S)
    window = await observer.window(SAFE_ROLES, LOOK_S)
    current_a = window.largest_current_a(offsets.by_role)
    voltage_v = window.largest_voltage_v(offsets.by_role)
    found = ""
    if current_a is not None and abs(current_a) > 2 * CURRENT_THRESHOLD_A:
        found = f"{current_a * 1e3:.0f} mA flows"
    elif voltage_v is not None and abs(voltage_v) > 2 * VOLTAGE_THRESHOLD_V:
        found = f"{voltage_v:.1f} V stands across the part"
    if found:
        raise PrecheckFailed(
            [f"{found} with the feed closed and every output off: an output is stuck on"],
            advice="the rig needs repair: replace the switch of the output that conducts",
        )


async def insulation_check(observer: Observer, cold: ColdCheck) -> ColdCheck:
    """Leakage from winding to body: feed closed, every output off, the body clip on the part."""
    roles = (InputRole.INSULATION_CURRENT, InputRole.SUPPLY_VOLTAGE)
    if observer.scale(roles[0]) is None or observer.scale(roles[1]) is None:
        return cold
    await observer.rig.open_feed()
    await asyncio.sleep(observer.rig.identity.feed_settle_us * 1e-6 + DECAY_WAIT_S)
    off = await observer.window(roles, BASELINE_S)
    await observer.rig.close_feed()
    await asyncio.sleep(observer.rig.identity.feed_settle_us * 1e-6 + DECAY_WAIT_S)
    on = await observer.window(roles, BASELINE_S)
    supply = on.readings[InputRole.SUPPLY_VOLTAGE]
    leak = on.readings[InputRole.INSULATION_CURRENT]
    found = assess_insulation(
        scale=leak.scale,
        codes=leak.codes,
        off_codes=off.readings[InputRole.INSULATION_CURRENT].codes,
        source_v=measured_mean(read(supply.scale, supply.codes), "V", "supply voltage gain"),
    )
    return replace(
        cold,
        insulation_ohm=found.resistance_ohm,
        insulation_at_least_ohm=None if found.resistance_ohm else found.at_least_ohm,
        insulation_at_most_ohm=found.at_most_ohm,
        findings=(*cold.findings, *((found.reason,) if found.reason else ())),
    )


async def first_pulse(observer: Observer, plan: RunPlan, current_role: InputRole) -> str:
    """One short pulse with the current watched. Returns a finding about the part, or ""."""
    info = observer.rig.outputs[plan.output]
    on_us = max(FIRST_PULSE_US, info.on_us_min)
    if info.kind is OutputKind.RELAY:
        on_us = max(50_000, info.on_us_min)
    steps = (
        ScheduleStep(
            schedule_id=FIRST_SCHEDULE_ID,
            step=0,
            outputs_mask=1 << plan.output,
            duration_us=on_us,
            change_us=0,
        ),
        ScheduleStep(
            schedule_id=FIRST_SCHEDULE_ID,
            step=1,
            outputs_mask=0,
            duration_us=max(50_000, info.off_us_min),
            change_us=0,
        ),
    )
    observer.finished = False
    await observer.rig.load(Schedule(schedule_id=FIRST_SCHEDULE_ID, steps=steps, repeat_count=1))
    look = await observer.begin_look((InputRole.PART_VOLTAGE, current_role))
    await asyncio.sleep(0.005)  # let the stream begin before the edge
    await observer.rig.start(FIRST_SCHEDULE_ID)
    await observer.wait_turn(2.0 + on_us * 1e-6)
    if not observer.finished and not observer.stopped:
        raise RigError("the rig did not say that the first short pulse has ended")
    window = await observer.end_look(look, on_us * 1e-6 + 0.02)
    return _judge_pulse(observer, plan, window, current_role)


def _judge_pulse(observer: Observer, plan: RunPlan, window: Window, role: InputRole) -> str:
    if observer.fault is not None and observer.fault.fault is FaultReason.OVER_CURRENT:
        return "the rig's over-current trip opened on the first short pulse"
    voltage = _peak(window.readings[InputRole.PART_VOLTAGE])
    current = _peak(window.readings[role])
    if voltage < SUPPLY_V_MIN / 2:
        raise PrecheckFailed(
            [f"only {voltage:.1f} V reached the part on the first pulse"],
            advice="check the feed contactor, its fuse, and the clips of the voltage sense",
        )
    if current > plan.part.ability.current_a_max:
        return (
            f"{current:.2f} A on the first {FIRST_PULSE_US // 1000} ms pulse, "
            f"the part file allows {plan.part.ability.current_a_max:g} A"
        )
    return ""


def _peak(reading: Reading) -> float:
    """A high value that single noisy codes do not make."""
    ordered = np.sort(reading.codes)
    return reading.scale.value(float(ordered[-min(4, len(ordered))]))


def _words(role: InputRole) -> str:
    return role.name.lower().replace("_", " ")
