"""Numbers with their uncertainty as a customer reads them."""

from __future__ import annotations

import math

from benchrig.parts.part import Characteristic, Limit

# A characteristic in a sentence, and as the person types it to leave it out.
SPOKEN: dict[Characteristic, str] = {
    Characteristic.RESISTANCE_20C: "resistance",
    Characteristic.CURRENT: "current",
    Characteristic.INDUCTANCE: "inductance",
    Characteristic.TIME_CONSTANT: "time constant",
    Characteristic.MOTION: "movement",
    Characteristic.OPENING_TIME: "opening time",
    Characteristic.CLOSING_TIME: "closing time",
    Characteristic.DROP_OUTS: "drop-outs",
    Characteristic.INSULATION: "insulation",
    Characteristic.INRUSH_CURRENT: "inrush current",
    Characteristic.SPEED: "speed",
    Characteristic.STATIC_FLOW: "static flow",
    Characteristic.DYNAMIC_FLOW: "dynamic flow",
    Characteristic.LEAK: "leak",
}

# SI unit -> (factor to the shown unit, shown unit), tried from the largest value down.
_SCALES: dict[str, tuple[tuple[float, float, str], ...]] = {
    "ohm": ((1e6, 1e-6, "Mohm"), (1e4, 1e-3, "kohm"), (0.0, 1.0, "ohm")),
    "A": ((0.1, 1.0, "A"), (0.0, 1e3, "mA")),
    "s": ((1.0, 1.0, "s"), (1e-3, 1e3, "ms"), (0.0, 1e6, "µs")),
    "H": ((1.0, 1.0, "H"), (0.0, 1e3, "mH")),
}


def shown_scale(value: float, unit: str) -> tuple[float, str]:
    """Factor and unit in which a value of this size is shown."""
    for least, factor, name in _SCALES.get(unit, ()):
        if abs(value) >= least:
            return factor, name
    return 1.0, unit


def with_uncertainty(value: float, expanded: float, unit: str) -> str:
    """``14.52 ± 0.06 ohm``: the uncertainty to two digits, the value to the same place."""
    factor, name = shown_scale(value, unit)
    places = 1 - math.floor(math.log10(expanded * factor))
    if places <= 0:
        tens = 10.0**-places
        shown = [f"{round(x * factor / tens) * tens:z.0f}" for x in (value, expanded)]
    else:
        shown = [f"{x * factor:z.{min(places, 12)}f}" for x in (value, expanded)]
    return f"{shown[0]} ± {shown[1]} {name}".rstrip()


def written(value: float, digits: int = 4) -> str:
    """A number to some significant digits, written out: ``12000``, ``0.0003``, never ``1e+04``."""
    if not value:
        return "0"
    places = digits - 1 - math.floor(math.log10(abs(value)))
    text = f"{round(value, places):.{max(0, places)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def plain(value: float, unit: str, like: float | None = None) -> str:
    """A number without uncertainty, in the unit that suits ``like`` (or itself)."""
    factor, name = shown_scale(value if like is None else like, unit)
    return f"{written(value * factor)} {name}".rstrip()


def limit_words(limit: Limit, unit: str, like: float | None = None) -> str:
    """``13.8 to 15.2 ohm``, ``at least 1 Mohm``; in the unit of ``like`` where it is given."""
    if limit.low is not None and limit.high is not None:
        factor, name = shown_scale(limit.high if like is None else like, unit)
        return f"{written(limit.low * factor)} to {written(limit.high * factor)} {name}".rstrip()
    if limit.low is not None:
        return f"at least {plain(limit.low, unit, like)}"
    return f"at most {plain(limit.high or 0.0, unit, like)}"


def listed(numbers: list[int], most: int = 6) -> str:
    """``3, 7, 9``, shortened when long."""
    shown = ", ".join(str(n) for n in numbers[:most])
    return shown if len(numbers) <= most else f"{shown} and {len(numbers) - most} more"
