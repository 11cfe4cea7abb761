"""From what a run measured to its verdict: one ``Judged`` a characteristic, and one word.

Plain arguments, no record: the same code judges a run, an analysis done again from the log,
and values typed in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from benchrig.judge.conformity import judge_value
from benchrig.judge.cycling import duration, judge_current, judge_drop_outs, judge_others
from benchrig.judge.movement import judge_motion, motion_of_held, without_movement
from benchrig.judge.resistance import ColdValues, judge_insulation, judge_resistance
from benchrig.judge.verdict import Judged, Verdict
from benchrig.measure.features import DRIVEN_SHARE, CycleFeatures, DropOut, Motion, RiseFit
from benchrig.parts.part import Characteristic, Part
from benchrig.quantity import Measured

# A part is only passed on one of these; everything else supports or contradicts.
NO_VOLTAGE = "no voltage at the part: look at supply, fuse, feed, leads and the rig's switch"
DECISIVE = (Characteristic.RESISTANCE_20C, Characteristic.CURRENT)


def judge_run(
    part: Part,
    *,
    cold: ColdValues,
    cycles: Sequence[CycleFeatures],
    cycles_planned: int,
    temperature_c: float | None,
    four_wire: bool,
    lead_null_valid: bool,
    drop_outs: Sequence[DropOut] | None = None,
    motion_reference: Motion | None = None,
    held: bool = False,
    typed_in: Mapping[Characteristic, Measured] | None = None,
) -> tuple[Judged, ...]:
    """Every characteristic of a run, judged.

    ``temperature_c`` is the part's before the run, None when nobody knows it. ``drop_outs``
    defaults to those of the cycles. ``motion_reference`` is the movement seen on a reference
    of this part. ``held``: a tool held the armature, so nothing is said of its movement, and
    the part does not pass. ``typed_in`` holds values measured elsewhere, such as flow.
    """
    if drop_outs is None:
        drop_outs = [drop for cycle in cycles for drop in cycle.drop_outs]
    judged = [
        judge_resistance(
            part,
            cold,
            temperature_c=temperature_c,
            four_wire=four_wire,
            lead_null_valid=lead_null_valid,
        ),
        judge_current(part, cycles),
        judge_drop_outs(part, cycles, cycles_planned=cycles_planned, drop_outs=drop_outs),
        motion_of_held() if held else judge_motion(part, cycles, reference=motion_reference),
        judge_insulation(part, cold),
        *judge_others(part, without_movement(cycles) if held else cycles),
        *(judge_typed(part, c, value) for c, value in (typed_in or {}).items()),
    ]
    return tuple(found for found in judged if found is not None)


def judge_typed(part: Part, characteristic: Characteristic, value: Measured) -> Judged:
    """A value measured elsewhere and typed in."""
    return judge_value(characteristic, value, part.limit(characteristic), prefix="typed in: ")


def overall(judged: Sequence[Judged], *, complete: bool) -> Verdict:
    """One word for the part.

    FAIL if anything failed; PASS only on a complete run with a decisive limit passed, no
    drop-out and nothing left open; else INCONCLUSIVE.
    """
    return _overall(judged, complete=complete)[0]


def overall_reason(judged: Sequence[Judged], *, complete: bool) -> str:
    """Why the overall verdict is what it is, in a sentence."""
    return _overall(judged, complete=complete)[1]


def _overall(judged: Sequence[Judged], *, complete: bool) -> tuple[Verdict, str]:
    by_verdict = {
        verdict: [j for j in judged if j.verdict is verdict]
        for verdict in (Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE)
    }
    if failed := by_verdict[Verdict.FAIL]:
        return Verdict.FAIL, "; ".join(j.reason for j in failed)
    if not complete:
        return Verdict.INCONCLUSIVE, "the run or its data are not complete"
    if unsure := by_verdict[Verdict.INCONCLUSIVE]:
        return Verdict.INCONCLUSIVE, "; ".join(j.reason for j in unsure)
    passed = {j.characteristic for j in by_verdict[Verdict.PASS]}
    if not passed & set(DECISIVE):
        reason = "neither resistance nor current was judged against a published limit"
        return Verdict.INCONCLUSIVE, reason
    if Characteristic.DROP_OUTS not in passed:
        return Verdict.INCONCLUSIVE, "nothing shows that the current stays"
    names = {Characteristic.RESISTANCE_20C: "resistance", Characteristic.CURRENT: "current"}
    within = " and ".join(names[c] for c in DECISIVE if c in passed)
    return Verdict.PASS, f"{within} within the published limits, no drop-out"


def is_complete(cycles: Sequence[CycleFeatures], cycles_planned: int) -> bool:
    """Every planned cycle was seen, and none lacks a sample."""
    return len(cycles) >= cycles_planned and all(cycle.complete for cycle in cycles)


def is_whole(
    cycles: Sequence[CycleFeatures],
    cycles_planned: int,
    *,
    supply_v: Measured | None,
    edges_lost: int,
) -> bool:
    """Whether nothing speaks against the data of a run; without that no part passes."""
    return (
        is_complete(cycles, cycles_planned)
        and not lost_voltage(supply_v, cycles)
        and edges_lost == 0
    )


def lost_voltage(supply_v: Measured | None, cycles: Sequence[CycleFeatures]) -> str:
    """Why the drive speaks against the data, "" when it does not.

    A current that was gone for another cause than the part, or for one that nobody can tell; or
    less than half of what the supply gave before in a steady cycle: a short behind a current
    limit, or a voltage input that answers nothing. The part was not tried as planned.
    """
    for cycle in cycles:
        if cycle.drive:
            return f"cycle {cycle.cycle}: {cycle.drive}"
        if cycle.undriven:
            first = cycle.undriven[0]
            return (
                f"cycle {cycle.cycle}: the current was gone for {duration(first.duration_s)} from "
                f"{first.start_s:.3f} s on: {first.why or NO_VOLTAGE}"
            )
        if low := _low_voltage(supply_v, cycle):
            return f"cycle {cycle.cycle}: {low}"
    return ""


def _low_voltage(supply_v: Measured | None, cycle: CycleFeatures) -> str:
    if supply_v is None or cycle.voltage_v is None:
        return ""
    if cycle.voltage_v.value >= DRIVEN_SHARE * supply_v.value:
        return ""
    return (
        f"only {cycle.voltage_v.value:.2f} V at the part, the supply gave "
        f"{supply_v.value:.2f} V before"
    )


def without_false_rises(
    supply_v: Measured | None, cycles: Sequence[CycleFeatures]
) -> tuple[CycleFeatures, ...]:
    """The cycles, their rise set aside where the voltage at the part gave way under it."""
    return tuple(
        replace(cycle, rise=RiseFit(converged=False, reason=low))
        if (low := _low_voltage(supply_v, cycle)) and cycle.rise is not None
        else cycle
        for cycle in cycles
    )


def left_open(part: Part, *, wiggled: bool) -> tuple[str, ...]:
    """What a run says nothing about even when it passes; printed with every verdict."""
    lines = []
    if part.kind.is_pump:
        lines.append("pressure and delivery were not measured by this run")
    else:
        lines.append("flow, spray, leak and sealing were not measured by this run")
        lines.append("a part that runs dry opens sooner and closes later than under pressure")
    if not wiggled:
        lines.append("connector and leads were not moved")
    lines.append("the vehicle's wiring, driver and supply were not tested")
    return tuple(lines)
