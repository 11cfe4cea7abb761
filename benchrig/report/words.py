"""Words, shapes and numbers as a person reads them; shared by the screen and the page.

SI comes in, and leaves with the prefix a reader expects. Uncertainty is shown expanded
(k = 2), rounded to two digits, the value to the same place (GUM 7.2.6).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchrig.judge.verdict import Judged
from benchrig.judge.words import written
from benchrig.measure.features import DropOut, MotionAnswer
from benchrig.parts.part import UNITS, Characteristic, Limit, Part
from benchrig.quantity import Measured
from benchrig.record.entries import (
    Correction,
    CustomerEntry,
    Entry,
    FlowEntry,
    LeakEntry,
    ReleaseEntry,
    SprayEntry,
    WorkEntry,
)
from benchrig.record.values import Ending, NotProven, RunRecord, SafeEvidence, Stage

NAMES: dict[Characteristic, str] = {
    Characteristic.RESISTANCE_20C: "R20 (at 20 °C)",
    Characteristic.CURRENT: "Steady current",
    Characteristic.INDUCTANCE: "Inductance",
    Characteristic.TIME_CONSTANT: "Time constant",
    Characteristic.MOTION: "Armature movement",
    Characteristic.OPENING_TIME: "Opening time",
    Characteristic.CLOSING_TIME: "Closing time",
    Characteristic.DROP_OUTS: "Cycles with a drop-out",
    Characteristic.INSULATION: "Insulation to the body",
    Characteristic.INRUSH_CURRENT: "Inrush current",
    Characteristic.SPEED: "Motor speed",
    Characteristic.STATIC_FLOW: "Static flow",
    Characteristic.DYNAMIC_FLOW: "Dynamic flow per pulse",
    Characteristic.LEAK: "Leak",
}

_PREFIXES: tuple[tuple[float, str], ...] = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"))
_MICRO = (1e-6, "µ")
# Unit in a record -> (shown unit, prefixes allowed, where the unprefixed unit begins).
_SHOWN: dict[str, tuple[str, tuple[tuple[float, str], ...], float]] = {
    "ohm": ("Ω", _PREFIXES[:3], 0.0),
    "A": ("A", _PREFIXES[2:], 0.1),
    "V": ("V", _PREFIXES[2:], 0.1),
    "s": ("s", (*_PREFIXES[2:], _MICRO), 1.0),
    "H": ("H", (*_PREFIXES[2:], _MICRO), 1.0),
}


def named(text: str) -> str:
    """A sentence of the judge's with the characteristics' names as people say them."""
    for characteristic, name in NAMES.items():
        if "_" in characteristic.value:
            text = text.replace(characteristic.value, name)
    return text


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Divide by ``factor`` to show a number in ``unit``."""

    factor: float
    unit: str


def scale_for(unit: str, magnitude: float) -> Scale:
    """The prefix in which a number of this size reads best."""
    if unit not in _SHOWN:
        return Scale(factor=1.0, unit=unit)
    symbol, prefixes, plain_from = _SHOWN[unit]
    size = abs(magnitude)
    for factor, prefix in prefixes:
        if size >= (plain_from if factor == 1.0 else factor):
            return Scale(factor=factor, unit=prefix + symbol)
    factor, prefix = prefixes[-1]
    return Scale(factor=factor, unit=prefix + symbol)


def decimals_for(uncertainty: float) -> int:
    """Decimals that keep two digits of an uncertainty; below 0: tens, hundreds."""
    if not uncertainty > 0:
        return 3
    exponent = math.floor(math.log10(uncertainty))
    if round(uncertainty / 10.0 ** (exponent - 1)) >= 100:  # 0.0996 rounds to 0.10
        exponent += 1
    return 1 - exponent


def number(value: float, scale: Scale, digits: int = 4) -> str:
    """A number without uncertainty, to some significant digits, in the scale's unit."""
    return written(value / scale.factor, digits)


def quantity(value: float, unit: str, digits: int = 3) -> str:
    """A plain number with its unit, for example ``0.31 mA``."""
    scale = scale_for(unit, value)
    return f"{number(value, scale, digits)} {scale.unit}".strip()


def value_text(measured: Measured, scale: Scale | None = None) -> str:
    """``14.52 ± 0.08 Ω``: value and expanded uncertainty in one prefix."""
    scale = scale or scale_for(measured.unit, measured.value)
    expanded = measured.expanded / scale.factor
    places = decimals_for(expanded)
    shown = round(measured.value / scale.factor, places) + 0.0  # -0.0 is 0
    decimals = max(0, places)
    text = f"{shown:.{decimals}f} ± {round(expanded, places):.{decimals}f} {scale.unit}"
    return text.strip()


def limit_text(limit: Limit | None, scale: Scale | None = None) -> str:
    """``11 to 18 Ω``, ``≤ 2 ms``; "no limit given" when the part file has none."""
    if limit is None:
        return "no limit given"
    low, high = limit.low, limit.high
    if scale is None:
        scale = scale_for(UNITS[limit.characteristic], high if high is not None else low or 0.0)
    digits = 6 if limit.at_voltage_v is None else 4  # one scaled to a voltage is no print
    if low is None and high is not None:
        text = f"≤ {number(high, scale, digits)}"
    elif high is None and low is not None:
        text = f"≥ {number(low, scale, digits)}"
    else:
        text = f"{number(low or 0.0, scale, digits)} to {number(high or 0.0, scale, digits)}"
    text = f"{text} {scale.unit}".strip()
    if limit.at_voltage_v is not None:
        text += f" at {number(limit.at_voltage_v, Scale(factor=1.0, unit='V'), 4)} V"
    return text


def judged_scale(judged: Judged) -> Scale:
    """One prefix for a value and its limit, so that the eye can compare them."""
    unit = UNITS[judged.characteristic]
    if judged.measured is not None:
        return scale_for(judged.measured.unit, judged.measured.value)
    if judged.limit is not None:
        bound = judged.limit.high if judged.limit.high is not None else judged.limit.low
        return scale_for(unit, bound or 0.0)
    return scale_for(unit, 1.0)


def judged_value(judged: Judged, record: RunRecord | None = None) -> str:
    """The measured value of a judged characteristic, a count of cycles, or a dash."""
    if judged.measured is not None:
        return value_text(judged.measured, judged_scale(judged))
    if record is not None and judged.characteristic is Characteristic.DROP_OUTS:
        return f"{faulty_cycles(record)} of {record.cycles_done} cycles"
    held = record is not None and record.plan.stage is Stage.HELD
    if record is not None and judged.characteristic is Characteristic.MOTION and not held:
        seen = [c.motion for c in record.cycles if c.motion is not None]
        moved = sum(motion.answer is MotionAnswer.MOVED for motion in seen)
        return f"{moved} of {len(seen)} cycles" if seen else "–"
    return "–"


def faulty_cycles(record: RunRecord) -> int:
    """Cycles with a drop-out."""
    return len({drop.cycle for drop in record.drop_outs})


def ending_text(record: RunRecord) -> str:
    """How the run ended, in words."""
    text = {
        Ending.INTERRUPTED: "run interrupted",
        Ending.FAULT: "run ended by a fault",
        Ending.LINK_LOST: "run ended, link lost",
        Ending.CHECK_FAILED: "not run, a check failed",
    }.get(record.ending, f"run {record.ending.value}")
    if record.ending is Ending.INTERRUPTED:
        return f"{text} by the operator"
    return f"{text}: {record.ending_reason}" if record.ending_reason else text


def zone_text(judged: Judged) -> str:
    """The zone and guard band in words, when a guard band applied."""
    if judged.zone is None:
        return ""
    text = judged.zone.value
    if judged.guard_band:
        scale = judged_scale(judged)
        text += f", guard band {number(judged.guard_band, scale, 2)} {scale.unit}".rstrip()
    return text


def safe_line(made_safe: SafeEvidence | NotProven) -> str:
    """The line that must be the largest: is the part off, and what shows it."""
    if isinstance(made_safe, SafeEvidence):
        return f"PART IS OFF  measured residual {milliamps(made_safe.residual_current_a)}"
    return "NOT PROVEN SAFE"


def milliamps(current_a: float) -> str:
    """A residual current, always in mA, never rounded to a bare 0 while it is not."""
    shown = abs(current_a) * 1e3
    return f"{shown:.2f} mA" if shown < 10 else f"{shown:.0f} mA"


def safe_detail(made_safe: SafeEvidence | NotProven) -> str:
    """What the safe line rests on."""
    if isinstance(made_safe, SafeEvidence):
        feed = "feed opened" if made_safe.feed_opened else "switched off by its output"
        return (
            f"{len(made_safe.readings)} readings in a row below "
            f"{milliamps(made_safe.threshold_current_a)} and "
            f"{quantity(made_safe.threshold_voltage_v, 'V')} at the part, {feed}, "
            f"{quantity(made_safe.waited_s, 's')} after switch-off; "
            f"inputs known to work: {made_safe.inputs_alive}"
        )
    last = (
        "no current could be read"
        if made_safe.last_current_a is None
        else f"last current seen {quantity(made_safe.last_current_a, 'A')}"
    )
    feed = "feed opened" if made_safe.feed_opened else "feed not opened"
    declared = f'; declared by the person: "{made_safe.declared}"' if made_safe.declared else ""
    return f"{made_safe.reason}; {last}; {feed}{declared}"


def bound_text(record: RunRecord) -> str:
    """What the cycles seen do and do not say about how often the part fails."""
    faulty = faulty_cycles(record)
    done = f"{record.cycles_done} of {record.cycles_planned} cycles done"
    if record.fault_rate_upper_95 is None:
        return f"{done}; too few cycles to bound the fault rate"
    seen = "none with a drop-out" if not faulty else f"{faulty} with a drop-out"
    rate = record.fault_rate_upper_95
    bound = f"fewer than {written(100 * rate, 3)} %" if rate < 1 else "up to all"
    if faulty:
        return (
            f"{done}, {seen}: it fails. How often it would in service this run does not tell "
            f"(at 95 % confidence, as it was driven here, in {bound} of its cycles)"
        )
    return (
        f"{done}, {seen}: at 95 % confidence the part fails in {bound} of its cycles, "
        "and this run cannot say less"
    )


def cautions(parts: Sequence[Part], hottest_c: float | None = None) -> tuple[str, ...]:
    """Where work on these parts can hurt, in a few short sentences."""
    lines = ["Removed, drained, dry and capped parts only; ventilate, no flame or spark near."]
    if any(part.kind.is_pump for part in parts):
        lines.append("A pump run dry wears and heats; keep fingers off the coupling.")
    if not parts or not all(part.kind.is_pump for part in parts):
        lines.append("Armatures and valve flaps pinch.")
    if hottest_c is not None and hottest_c >= 48.0:
        lines.append(f"The winding reached about {hottest_c:.0f} °C: let it cool before handling.")
    else:
        lines.append("Coils can burn the hand.")
    lines.append("Supply off before a clip is opened. Eye protection always.")
    return tuple(lines)


def hottest_c(record: RunRecord) -> float | None:
    """The greatest winding temperature of the run."""
    seen = [c.winding_temperature_c.value for c in record.cycles if c.winding_temperature_c]
    return max(seen, default=None)


def who_text(record: RunRecord) -> str:
    """Order, tag, number, position as written, stage; what is empty is left out."""
    plan = record.plan
    position = plan.position
    if position and plan.position_scheme:
        position += f" ({plan.position_scheme}, as labelled)"
    pairs = (
        ("order", plan.order),
        ("tag", plan.tag),
        ("part number", plan.part_number),
        ("position", position),
        ("stage", "" if plan.stage is Stage.SINGLE else plan.stage.value),
        ("operator", plan.operator),
    )
    return " · ".join(f"{name} {text}" for name, text in pairs if text)


def temperature_text(record: RunRecord) -> str:
    """How warm the part was before the run and how that is known."""
    known = record.plan.temperature
    if known is None:
        return "part temperature not given"
    return (
        f"part at {known.value_c:.1f} ± {2 * known.std_uncertainty_c:.1f} °C, {known.basis.value}"
    )


def drop_out_text(drop: DropOut) -> str:
    """One drop-out: when, how long, how deep, how hot."""
    warm = (
        ""
        if drop.winding_temperature_c is None
        else f", winding about {drop.winding_temperature_c:.0f} °C"
    )
    return (
        f"drop-out in cycle {drop.cycle} at {drop.start_s:.3f} s for "
        f"{quantity(drop.duration_s, 's')}, {100 * drop.depth:.0f} % of the current lost{warm}"
    )


def drop_out_short(drop: DropOut) -> str:
    """The same on a short line, for a list under its heading."""
    known = drop.winding_temperature_c
    warm = "" if known is None else f", {known:.0f} °C"
    lost = f"{100 * drop.depth:.0f} % lost"
    return (
        f"cycle {drop.cycle}, {drop.start_s:.3f} s: {quantity(drop.duration_s, 's')}, {lost}{warm}"
    )


def moment(stamp: str) -> str:
    """A stamp (ISO 8601) to the minute, as it stood on the bench's own clock."""
    return stamp[:16].replace("T", " ")


def typed_text(entry: FlowEntry | LeakEntry | SprayEntry) -> str:
    """What was measured elsewhere, without its stage, who and when."""
    if isinstance(entry, FlowEntry):
        return _flow_words(entry)
    if isinstance(entry, LeakEntry):
        drops = "drop" if entry.drops == 1 else "drops"
        said = f"leak {entry.drops} {drops} in {entry.duration_s:g} s"
        return said + _pressure_words(entry.pressure_pa)
    return f"spray {entry.text}"


def entry_text(entry: Entry) -> str:
    """What a person typed in, with who and when; "" for entries that are no matter of a page."""
    if isinstance(entry, FlowEntry | LeakEntry | SprayEntry):
        said = f"{entry.stage}: {typed_text(entry)}"
    elif isinstance(entry, WorkEntry):
        said = f"done: {entry.text}"
    elif isinstance(entry, CustomerEntry):
        said = f"customer: {entry.name}" + (f", asked: {entry.asked}" if entry.asked else "")
    elif isinstance(entry, ReleaseEntry):
        said = "released"
    elif isinstance(entry, Correction):
        said = f'corrected: {entry.field} "{entry.old}" → "{entry.new}", because {entry.why}'
    else:
        return ""
    note = f"; {entry.note}" if entry.note else ""
    return f"{said}{note} ({entry.who or 'unnamed'}, {moment(entry.at)})"


def _flow_words(entry: FlowEntry) -> str:
    # One uncertainty for two values of two units belongs to neither.
    both = None not in (entry.static_flow_cc_per_min, entry.dynamic_flow_ul)
    u = None if both else entry.std_uncertainty
    expanded = f" ± {2 * u:.2g}" if u else ""
    values = []
    if entry.static_flow_cc_per_min is not None:
        values.append(f"static flow {entry.static_flow_cc_per_min:g}{expanded} cc/min")
    if entry.dynamic_flow_ul is not None:
        values.append(f"dynamic flow {entry.dynamic_flow_ul:g}{expanded} µL a pulse")
    how = ", ".join(t for t in (entry.fluid, entry.instrument) if t)
    text = f"{', '.join(values)}{_pressure_words(entry.pressure_pa)}"
    return f"{text}, {how}" if how else text


def _pressure_words(pressure_pa: float | None) -> str:
    return "" if pressure_pa is None else f" at {pressure_pa / 1e3:g} kPa"
