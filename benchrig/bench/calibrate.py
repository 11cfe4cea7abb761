"""Care of the rig: lead null, check of the day, two-point calibration with a reference resistor.

Point one is zero: everything off, feed open. Point two is a resistor of known value clipped in
place of a part, read first at the source's low current and then, with the feed closed, at
operating current while a calibrated meter reads the volts across it. Whatever ends that, the
resistor is shown to be off, by measurement, before anything else is said.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from benchrig.bench import prechecks
from benchrig.bench.look import Reading
from benchrig.bench.observer import Observer
from benchrig.bench.safety import SAFE_ROLES, Offsets, prove_off_or_alarm
from benchrig.bench.source import run_source
from benchrig.bench.uncancelled import finish
from benchrig.errors import PrecheckFailed
from benchrig.measure import coil
from benchrig.quantity import Measured
from benchrig.wire.messages import InputFlag, InputRole, ScheduleStep
from benchrig.wire.schedule import Schedule

SCHEDULE_ID = 0x5C20
ON_US_MAX = 10_000_000
LOOK_S = 0.3
GAIN_PLAUSIBLE = 0.05  # further off than this is a fault and not a gain
CALIBRATED_ROLES = (
    InputRole.PART_VOLTAGE,
    InputRole.PART_VOLTAGE_FINE,
    InputRole.CURRENT_COARSE,
    InputRole.CURRENT_FINE,
    InputRole.REFERENCE_VOLTAGE,
)
CALIBRATED_REL_U_MIN = 2e-4  # drift over the calibration's life; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class InputCalibration:
    """What two points gave for one input, in the terms of ``InputScale``."""

    input: int
    role: InputRole
    gain: float
    offset: float
    gain_rel_uncertainty: float
    offset_uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RigCheck:
    """One line of the check of the day."""

    name: str
    ok: bool
    found: str


async def take_null(observer: Observer) -> Measured:
    """Resistance of the leads, while the clips bite one another instead of a part."""
    await prechecks.clear_old_fault(observer, _quiet)
    await prechecks.baseline(observer)
    found = await _low_current_resistance(observer)
    if found.resistance_ohm is None:
        raise PrecheckFailed(
            [f"no lead null: {found.reason}"], advice="short the clips together at the part's end"
        )
    refusal = coil.null_refusal(found.resistance_ohm, 0.0)
    if refusal:
        raise PrecheckFailed([refusal])
    return found.resistance_ohm


async def check_rig(observer: Observer, resistor: Measured | None) -> list[RigCheck]:
    """The check of the day: zeroes, supply, and a known resistor where one is clipped on."""
    lines: list[RigCheck] = []

    def note(name: str, found: str, ok: bool = True) -> None:
        lines.append(RigCheck(name=name, ok=ok, found=found))

    await prechecks.clear_old_fault(observer, note)
    window = await observer.window((*SAFE_ROLES, InputRole.PART_VOLTAGE_FINE), LOOK_S)
    for role, reading in window.readings.items():
        words = role.name.lower().replace("_", " ")
        if role is InputRole.SUPPLY_VOLTAGE:
            ok = reading.mean >= prechecks.SUPPLY_V_MIN
            note(words, f"{reading.mean:.2f} V", ok)
            continue
        away = reading.codes_mean - reading.scale.zero_code
        note(words, f"{away:+.1f} codes from its zero", reading.at_live_zero)
    if resistor is not None:
        found = await _low_current_resistance(observer)
        if found.resistance_ohm is None:
            note("known resistor", found.reason, ok=False)
        else:
            off = found.resistance_ohm.value - resistor.value
            allowed = 2.0 * math.hypot(
                found.resistance_ohm.std_uncertainty, resistor.std_uncertainty
            )
            note(
                "known resistor",
                f"reads {found.resistance_ohm.value:.4g} ohm, is {resistor.value:.4g} ohm; "
                f"{off:+.3g} ohm, allowed {allowed:.2g} ohm",
                abs(off) <= allowed,
            )
    return lines


async def calibrate(
    observer: Observer,
    resistor: Measured,
    meter_v: Callable[[], Awaitable[Measured]],
    *,
    lead_null: Measured | None,
    lead_null_age_s: float | None,
) -> list[InputCalibration]:
    """Gain and offset of the inputs that judge a part.

    ``resistor`` is clipped to the observed output and bears the supply for some seconds.
    ``meter_v`` gives what a calibrated meter reads across the resistor while it is on, at its own
    ends. An input that is not at the part's terminals sees the leads too: without a fresh
    ``lead_null`` their drop would be taken for a gain, and such a rig is refused.
    """
    _refuse_without_null(observer, lead_null, lead_null_age_s)
    await prechecks.clear_old_fault(observer, _quiet)
    offsets, _ = await prechecks.baseline(observer)
    zero = (await observer.window(CALIBRATED_ROLES, LOOK_S)).readings
    low = (await run_source(observer, LOOK_S)).readings
    # What is not the resistor it is said to be never bears the supply.
    found = prechecks.resistance_of(observer, zero, low, None)
    if found.resistance_ohm is None:
        raise PrecheckFailed(
            [f"no resistor is read: {found.reason}"], advice="clip it on in place of a part"
        )
    fine = zero[InputRole.PART_VOLTAGE_FINE]
    clipped = _with_leads(fine, resistor, lead_null)
    done = [_low_current_gain(zero, low, observer, clipped), _reference(zero)]
    hot, volts = await _at_operating_current(observer, offsets, meter_v)
    coarse = zero[InputRole.PART_VOLTAGE]
    seen = _times(volts, _with_leads(coarse, resistor, lead_null), resistor)
    done.append(_entry(coarse, hot[InputRole.PART_VOLTAGE], seen))
    amperes = Measured(
        value=volts.value / resistor.value,
        std_uncertainty=volts.value / resistor.value * math.hypot(_rel(volts), _rel(resistor)),
        unit="A",
    )
    for role in (InputRole.CURRENT_FINE, InputRole.CURRENT_COARSE):
        if role in hot and hot[role].saturated_share == 0.0:
            done.append(_entry(zero[role], hot[role], amperes))
    return done


def _refuse_without_null(
    observer: Observer, lead_null: Measured | None, age_s: float | None
) -> None:
    """PrecheckFailed where an input sees leads that nobody has nulled."""
    scales = (observer.scale(InputRole.PART_VOLTAGE), observer.scale(InputRole.PART_VOLTAGE_FINE))
    if all(s is None or s.flags & InputFlag.AT_PART_TERMINALS for s in scales):
        return
    if refusal := coil.null_refusal(lead_null, age_s):
        raise PrecheckFailed(
            [f"{refusal}; the leads' drop would be taken for a gain"],
            advice="`benchrig rig null` takes it; then calibrate",
        )


def _with_leads(reading: Reading, resistor: Measured, lead_null: Measured | None) -> Measured:
    """What an input has across it, in ohm: the resistor, and the leads unless it is beyond them."""
    if lead_null is None or reading.scale.flags & InputFlag.AT_PART_TERMINALS:
        return resistor
    return Measured(
        value=resistor.value + lead_null.value,
        std_uncertainty=math.hypot(resistor.std_uncertainty, lead_null.std_uncertainty),
        unit="ohm",
    )


def _times(volts: Measured, clipped: Measured, resistor: Measured) -> Measured:
    """The meter's volts across the resistor, as an input sees them that has leads before it."""
    share = clipped.value / resistor.value
    leads_u = math.sqrt(max(clipped.std_uncertainty**2 - resistor.std_uncertainty**2, 0.0))
    return Measured(
        value=volts.value * share,
        std_uncertainty=volts.value * share * math.hypot(_rel(volts), leads_u / clipped.value),
        unit="V",
    )


async def _at_operating_current(
    observer: Observer, offsets: Offsets, meter_v: Callable[[], Awaitable[Measured]]
) -> tuple[dict[InputRole, Reading], Measured]:
    rig = observer.rig
    on_us = min(rig.outputs[observer.output].on_us_max, ON_US_MAX)
    steps = tuple(
        ScheduleStep(
            schedule_id=SCHEDULE_ID,
            step=number,
            outputs_mask=mask,
            duration_us=duration_us,
            change_us=0,
        )
        for number, (mask, duration_us) in enumerate(((1 << observer.output, on_us), (0, 50_000)))
    )
    observer.finished = False
    try:
        await prechecks.close_feed(observer, offsets)
        await rig.load(Schedule(schedule_id=SCHEDULE_ID, steps=steps, repeat_count=1))
        await rig.start(SCHEDULE_ID)
        window = await observer.window(
            (InputRole.PART_VOLTAGE, InputRole.CURRENT_FINE, InputRole.CURRENT_COARSE),
            LOOK_S,
            settle_s=0.1,
        )
        volts = await meter_v()
        if observer.finished or observer.fault is not None:
            raise PrecheckFailed(["the output went off before the meter was read"])
    finally:
        await _leave_off(observer, offsets)
    return window.readings, volts


async def _leave_off(observer: Observer, offsets: Offsets) -> None:
    """NotProvenSafe without evidence; an interrupt is heeded once there is some."""
    interrupts: list[None] = []
    evidence = await finish(prove_off_or_alarm(observer, offsets), lambda: interrupts.append(None))
    if evidence.feed_opened:
        raise PrecheckFailed(
            ["the output did not switch off; the feed had to be opened"],
            advice="the rig needs repair: replace the switch of the output that conducts",
        )
    if interrupts:
        raise asyncio.CancelledError


def _low_current_gain(
    zero: dict[InputRole, Reading],
    low: dict[InputRole, Reading],
    observer: Observer,
    resistor: Measured,
) -> InputCalibration:
    """The fine voltage input, tied to the reference resistor's voltage: only their ratio counts."""
    fine, reference = InputRole.PART_VOLTAGE_FINE, InputRole.REFERENCE_VOLTAGE
    through_v = low[reference].mean - zero[reference].mean
    expected_v = through_v * resistor.value / (observer.rig.identity.reference_resistor_mohm * 1e-3)
    u_v = expected_v * math.hypot(_rel(resistor), _noise_rel(low[reference], through_v))
    return _entry(zero[fine], low[fine], Measured(value=expected_v, std_uncertainty=u_v, unit="V"))


def _reference(zero: dict[InputRole, Reading]) -> InputCalibration:
    """Its gain is in that of the fine voltage input already: only their ratio is ever used."""
    reading = zero[InputRole.REFERENCE_VOLTAGE]
    away = reading.codes_mean - reading.scale.zero_code
    return InputCalibration(
        input=reading.scale.input,
        role=reading.scale.role,
        gain=1.0,
        offset=away * reading.scale.step,
        gain_rel_uncertainty=CALIBRATED_REL_U_MIN,
        offset_uncertainty=reading.scale.step / math.sqrt(12.0),
    )


def _entry(zero: Reading, point: Reading, known: Measured) -> InputCalibration:
    scale = zero.scale
    raw = (point.codes_mean - zero.codes_mean) * scale.step
    gain = known.value / raw if raw else math.inf
    away = zero.codes_mean - scale.zero_code
    if abs(gain - 1.0) > GAIN_PLAUSIBLE:
        words = scale.role.name.lower().replace("_", " ")
        off_percent = 100 * (raw / known.value - 1)
        raise PrecheckFailed(
            [
                f"the {words} input is off by {off_percent:+.1f} %: that is a fault, "
                "a wrong resistor or a wrong meter reading, not a gain"
            ]
        )
    noise = _noise_rel(point, raw)
    quantisation = scale.step / math.sqrt(12.0)
    return InputCalibration(
        input=scale.input,
        role=scale.role,
        gain=gain,
        offset=away * scale.step * gain,
        gain_rel_uncertainty=math.hypot(
            math.hypot(noise, quantisation / abs(raw)), max(_rel(known), CALIBRATED_REL_U_MIN)
        ),
        offset_uncertainty=math.hypot(quantisation, zero.deviation / math.sqrt(zero.count)),
    )


async def _low_current_resistance(observer: Observer) -> coil.CoilResistance:
    return await prechecks.low_current_resistance(observer, None)


def _rel(known: Measured) -> float:
    return known.std_uncertainty / abs(known.value)


def _noise_rel(reading: Reading, value: float) -> float:
    return reading.deviation / math.sqrt(reading.count) / abs(value)


def _quiet(name: str, found: str, ok: bool = True) -> None:
    """Nobody watches these checks."""
