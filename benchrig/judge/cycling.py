"""Judging what the cycles gave: current, drop-outs, armature motion, times, pump values."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from benchrig.judge.conformity import NO_LIMIT, judge_value, margin, not_assessed
from benchrig.judge.statistics import proof_of_clean_cycles
from benchrig.judge.verdict import Judged, Verdict
from benchrig.judge.words import listed
from benchrig.measure.features import CycleFeatures, DropOut
from benchrig.measure.rise import STRUCTURED
from benchrig.parts.part import Characteristic, Limit, Part
from benchrig.quantity import Contribution, Measured

VOLTAGE_TOLERANCE = 0.03  # what does not scale with the supply is judged this near to its own
SCALING_MAX = 0.25  # a coil's current scales with the supply, but is not carried further
DROP_OUTS_SHOWN = 3
Getter = Callable[[CycleFeatures], Measured | None]


def judge_current(part: Part, cycles: Sequence[CycleFeatures]) -> Judged:
    """Steady current at the voltage measured with it: the cycle nearest to a limit decides."""
    characteristic, limit = Characteristic.CURRENT, part.limit(Characteristic.CURRENT)
    whole = [c for c in cycles if c.complete]
    able = [c for c in whole if not _never_on(c)]
    seen = [(c, current) for c in able if (current := _current(part, c))]
    if not seen:
        reason = "no complete cycle gave a steady current"
        if whole and not able:
            reason = "no current flowed in any cycle: told as drop-outs"
        return not_assessed(characteristic, reason, limit=limit)
    if limit is None:
        middle = sorted(seen, key=lambda pair: pair[1].value)[len(seen) // 2][1]
        return not_assessed(characteristic, NO_LIMIT, measured=middle)
    judged = [_current_of(part, limit, cycle, current) for cycle, current in seen]
    decided = [j for j in judged if j.verdict is not Verdict.NOT_ASSESSED]
    return min(decided, key=_relative_margin) if decided else judged[0]


def _never_on(cycle: CycleFeatures) -> bool:
    """The current was gone all the time: told once, as a drop-out, and not as a current of 0 A."""
    return sum(drop.duration_s for drop in cycle.all_drop_outs) > 0.9 * cycle.on_s


def _current(part: Part, cycle: CycleFeatures) -> Measured | None:
    if part.kind.is_pump and cycle.ripple is not None and cycle.ripple.running_current_a:
        return cycle.ripple.running_current_a
    return cycle.current_a


def _relative_margin(judged: Judged) -> float:
    assert judged.measured is not None
    assert judged.limit is not None
    inside = margin(judged.measured.value, judged.limit.low, judged.limit.high)
    return inside / judged.measured.std_uncertainty


def _current_of(part: Part, limit: Limit, cycle: CycleFeatures, current: Measured) -> Judged:
    prefix = f"cycle {cycle.cycle}: "
    if limit.at_voltage_v is None:
        return judge_value(Characteristic.CURRENT, current, limit, prefix=prefix)
    if cycle.voltage_v is None:
        reason = f"{prefix}the limit holds at {limit.at_voltage_v:g} V; no voltage was measured"
        return not_assessed(Characteristic.CURRENT, reason, measured=current, limit=limit)
    ratio = cycle.voltage_v.value / limit.at_voltage_v
    most = VOLTAGE_TOLERANCE if part.kind.is_pump else SCALING_MAX
    if ratio < 1 and limit.high is not None and current.value - current.expanded > limit.high:
        # A motor or a coil that draws too much at less voltage draws too much.
        low_volts = f"{prefix}at only {cycle.voltage_v.value:.2f} V, "
        return judge_value(Characteristic.CURRENT, current, limit, prefix=low_volts)
    if abs(ratio - 1) > most:
        reason = f"{prefix}{_wrong_voltage(cycle.voltage_v, limit)}"
        return not_assessed(Characteristic.CURRENT, reason, measured=current, limit=limit)
    if part.kind.is_pump:
        return judge_value(Characteristic.CURRENT, current, limit, prefix=prefix)
    at_measured = _scaled(limit, ratio, cycle.voltage_v.value)
    widened = _with_voltage(current, cycle.voltage_v)
    return judge_value(
        Characteristic.CURRENT,
        widened,
        at_measured,
        prefix=f"{prefix}at {cycle.voltage_v.value:.2f} V, ",
        does_not_prove="that the part moves or seals",
    )


def _wrong_voltage(voltage: Measured, limit: Limit) -> str:
    return (
        f"measured at {voltage.value:.2f} V, the limit holds at {limit.at_voltage_v:g} V; "
        "set the supply and measure again"
    )


def _scaled(limit: Limit, ratio: float, voltage_v: float) -> Limit:
    """A coil's current limit at the voltage measured: the current follows the voltage."""
    return replace(
        limit,
        low=None if limit.low is None else limit.low * ratio,
        high=None if limit.high is None else limit.high * ratio,
        at_voltage_v=voltage_v,
        source=f"{limit.source} (printed for {limit.at_voltage_v:g} V; scaled to the voltage "
        "measured at the part)",
    )


def _with_voltage(current: Measured, voltage: Measured) -> Measured:
    """The current with what the voltage's uncertainty adds to the comparison."""
    added = current.value * voltage.std_uncertainty / voltage.value
    lines = current.budget or (
        Contribution(source="current", std_uncertainty=current.std_uncertainty),
    )
    line = Contribution(source="voltage of the comparison", std_uncertainty=abs(added))
    return Measured(
        value=current.value,
        std_uncertainty=(current.std_uncertainty**2 + added**2) ** 0.5,
        unit=current.unit,
        budget=(*lines, line),
    )


def judge_drop_outs(
    part: Part,
    cycles: Sequence[CycleFeatures],
    *,
    cycles_planned: int,
    drop_outs: Sequence[DropOut],
) -> Judged:
    """Did the current stay? Any drop-out fails unless the part file allows a number."""
    characteristic, limit = Characteristic.DROP_OUTS, part.limit(Characteristic.DROP_OUTS)
    allowed = limit.high if limit is not None and limit.high is not None else 0.0
    faulty = sorted({d.cycle for d in drop_outs})
    if not cycles:
        return not_assessed(characteristic, "no cycle was seen", limit=limit)
    if len(faulty) > allowed:
        return Judged(
            characteristic=characteristic,
            verdict=Verdict.FAIL,
            reason=_drop_out_words(faulty, len(cycles), drop_outs),
            limit=limit,
            does_not_prove="whether the winding or the part's own connector opened",
        )
    unseen = [c.cycle for c in cycles if not c.complete or c.undriven]
    if unseen or len(cycles) < cycles_planned:
        what = f"samples are missing in cycle {listed(unseen)}" if unseen else "the run ended early"
        if undriven := [c.cycle for c in cycles if c.undriven]:
            cause = "for another cause, or an unknown one,"
            what = f"the current was gone {cause} in cycle {listed(undriven)}"
        count = f"drop-outs in {len(faulty)} of" if faulty else "no drop-out seen in"
        return Judged(
            characteristic=characteristic,
            verdict=Verdict.INCONCLUSIVE,
            reason=f"{count} {len(cycles) - len(unseen)} complete cycles of "
            f"{cycles_planned} planned, but {what}: one could hide there",
            limit=limit,
        )
    allowed_words = ", which the limit allows" if faulty else ""
    count = f"drop-outs in {len(faulty)} of" if faulty else "no drop-out in"
    return Judged(
        characteristic=characteristic,
        verdict=Verdict.PASS,
        reason=f"{count} {len(cycles)} cycles{allowed_words}",
        limit=limit,
        does_not_prove=proof_of_clean_cycles(len(cycles)) if not faulty else "",
    )


def _drop_out_words(faulty: list[int], seen: int, drop_outs: Sequence[DropOut]) -> str:
    each = []
    shown = sorted(drop_outs, key=lambda d: d.start_s)[:DROP_OUTS_SHOWN]
    for drop in shown:
        words = f"cycle {drop.cycle} at {drop.start_s:.3f} s for {duration(drop.duration_s)}"
        if drop.winding_temperature_c is not None:
            words += f", winding about {drop.winding_temperature_c:.0f} °C"
        each.append(words)
    more = len(drop_outs) - len(each)
    rest = f"; {more} more" if more > 0 else ""
    why = f"; {shown[0].why}" if shown and shown[0].why else ""
    return (
        f"the current dropped out in {len(faulty)} of {seen} cycles: {'; '.join(each)}{rest}{why}"
    )


def duration(seconds: float) -> str:
    """A duration for a sentence."""
    return f"{seconds:.2f} s" if seconds >= 1 else f"{seconds * 1e3:.3g} ms"


_OTHERS: tuple[tuple[Characteristic, Getter], ...] = (
    (Characteristic.INDUCTANCE, lambda c: c.rise.inductance_h if c.rise else None),
    (Characteristic.TIME_CONSTANT, lambda c: c.rise.tau_s if c.rise else None),
    (Characteristic.OPENING_TIME, lambda c: c.motion.end_s if c.motion else None),
    (Characteristic.CLOSING_TIME, lambda c: c.turn_off.closing_s if c.turn_off else None),
    (
        Characteristic.INRUSH_CURRENT,
        lambda c: c.ripple.inrush_current_a if c.ripple else None,
    ),
    (Characteristic.SPEED, lambda c: c.ripple.speed_rpm if c.ripple else None),
)


def judge_others(part: Part, cycles: Sequence[CycleFeatures]) -> Iterator[Judged]:
    """What else was measured or limited: the median complete cycle is judged."""
    for characteristic, getter in _OTHERS:
        limit = part.limit(characteristic)
        seen = [(c, value) for c in cycles if c.complete and (value := getter(c)) is not None]
        if not seen:
            if limit is not None:
                yield not_assessed(characteristic, _why_none(characteristic, cycles), limit=limit)
            continue
        cycle, value = _median(seen)
        prefix = f"median of {len(seen)} cycles: "
        if limit is not None and (wrong := _voltage_doubt(limit, cycle)):
            yield not_assessed(characteristic, prefix + wrong, measured=value, limit=limit)
            continue
        judged = judge_value(characteristic, value, limit, prefix=prefix if limit else "")
        yield _capped(judged, cycle)


def _capped(judged: Judged, cycle: CycleFeatures) -> Judged:
    """What is read off one exponential is no verdict where the rise is not one."""
    of_rise = judged.characteristic in (Characteristic.INDUCTANCE, Characteristic.TIME_CONSTANT)
    if not of_rise or cycle.rise is None or STRUCTURED not in cycle.rise.reason:
        return judged
    if judged.verdict not in (Verdict.PASS, Verdict.FAIL):
        return judged
    doubt = (
        "the rise is not one exponential (the armature moves, or the iron saturates), so its "
        "uncertainty does not hold"
    )
    return replace(judged, verdict=Verdict.INCONCLUSIVE, reason=f"{judged.reason}; but {doubt}")


def _voltage_doubt(limit: Limit, cycle: CycleFeatures) -> str:
    if limit.at_voltage_v is None:
        return ""
    if cycle.voltage_v is None:
        return f"the limit holds at {limit.at_voltage_v:g} V; no voltage was measured"
    if abs(cycle.voltage_v.value / limit.at_voltage_v - 1) > VOLTAGE_TOLERANCE:
        return _wrong_voltage(cycle.voltage_v, limit)
    return ""


def _median(seen: list[tuple[CycleFeatures, Measured]]) -> tuple[CycleFeatures, Measured]:
    middle = statistics.median_low(value.value for _, value in seen)
    return next(pair for pair in seen if pair[1].value == middle)


def _why_none(characteristic: Characteristic, cycles: Sequence[CycleFeatures]) -> str:
    for cycle in cycles:
        part_of = {
            Characteristic.INDUCTANCE: cycle.rise,
            Characteristic.TIME_CONSTANT: cycle.rise,
            Characteristic.OPENING_TIME: cycle.motion,
            Characteristic.CLOSING_TIME: cycle.turn_off,
            Characteristic.INRUSH_CURRENT: cycle.ripple,
            Characteristic.SPEED: cycle.ripple,
        }[characteristic]
        if part_of is not None and part_of.reason:
            return part_of.reason
    return "no complete cycle gave a value"
