"""Units as flow benches show them, and the one each becomes: cc/min, or µL for one pulse."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchrig.errors import UsageError
from benchrig.parts.part import Characteristic
from benchrig.tomlfile import did_you_mean

LB_G = 453.59237  # exact, NIST SP 811, appendix B.8


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowUnit:
    """A unit as written, and how a number in it becomes the one that is kept."""

    name: str
    static: bool
    to_kept: Callable[[float], float]

    @property
    def kept(self) -> str:
        """The unit in the log."""
        return "cc/min" if self.static else "µL"

    @property
    def field(self) -> str:
        """The name in an entry, which is the characteristic's too."""
        return self.characteristic.value

    @property
    def characteristic(self) -> Characteristic:
        """What the number is a value of."""
        return Characteristic.STATIC_FLOW if self.static else Characteristic.DYNAMIC_FLOW


# Name -> (static, times so much, by mass). 1 cc in 1000 pulses is 1 µL for each.
UNITS: dict[str, tuple[bool, float, bool]] = {
    "cc/min": (True, 1.0, False),
    "mL/min": (True, 1.0, False),
    "L/min": (True, 1000.0, False),
    "L/h": (True, 1000.0 / 60.0, False),
    "cc/15s": (True, 4.0, False),
    "cc/30s": (True, 2.0, False),
    "g/min": (True, 1.0, True),
    "lb/hr": (True, LB_G / 60.0, True),
    "µL": (False, 1.0, False),
    "mm3": (False, 1.0, False),
    "cc/1000": (False, 1.0, False),
}
_SAME = {"ul": "µL", "μl": "µL", "mm³": "mm3", "ml/min": "mL/min", "l/min": "L/min", "l/h": "L/h"}


def unit_of(name: str, density_g_per_ml: float | None) -> FlowUnit:
    """The unit of a name; UsageError where there is none, or where a density lacks or is over."""
    known = {each.lower(): each for each in UNITS} | _SAME
    found = known.get(name.strip().lower())
    if found is None:
        raise UsageError(
            f"--unit {name!r} is no unit of a flow{did_you_mean(name, list(UNITS))}",
            advice=f"one of {', '.join(UNITS)}",
        )
    static, factor, by_mass = UNITS[found]
    if by_mass and density_g_per_ml is None:
        raise UsageError(
            f"{found} is a flow by mass, and becomes one by volume only at a density",
            advice="add --density-g-per-ml, of the test fluid at its temperature",
        )
    if not by_mass and density_g_per_ml is not None:
        raise UsageError(f"--density-g-per-ml belongs to a flow by mass, not to {found}")
    divide = density_g_per_ml if by_mass and density_g_per_ml else 1.0
    return FlowUnit(name=found, static=static, to_kept=lambda value: value * factor / divide)
