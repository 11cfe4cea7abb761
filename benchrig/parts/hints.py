"""What is common for a kind of part: shown beside a reading, never used as a limit.

All values are common practice of the trade, with no single source. The thermal values serve
one purpose: to say beforehand that a pattern would cook a winding. During a run the winding's
temperature is measured and stops it.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.parts.part import PartKind

HINT_SOURCE = "common practice, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """Usual ranges of a kind, for the screen."""

    resistance_20c_ohm: tuple[float, float] | None
    current_13v5_a: tuple[float, float] | None
    note: str = ""

    def sentence(self) -> str:
        """The hint in one line, with what it is not."""
        said = []
        if self.resistance_20c_ohm:
            low, high = self.resistance_20c_ohm
            said.append(f"{low:g} to {high:g} ohm at 20 °C")
        if self.current_13v5_a:
            low, high = self.current_13v5_a
            said.append(f"{low:g} to {high:g} A at 13.5 V")
        said += [self.note] if self.note else []
        return f"commonly {'; '.join(said)} ({HINT_SOURCE}; not a limit)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermal:
    """One-body heating of a winding in still air, on the pessimistic side."""

    resistance_k_per_w: float
    time_constant_s: float


COMMON: dict[PartKind, Common] = {
    PartKind.FUEL_INJECTOR: Common(
        resistance_20c_ohm=(11.0, 18.0),
        current_13v5_a=(0.75, 1.2),
        note="low-ohm injectors 1.5 to 5 ohm, which need a current-limiting driver",
    ),
    PartKind.EVAP_PURGE_SOLENOID: Common(
        resistance_20c_ohm=(14.0, 60.0), current_13v5_a=(0.3, 0.7)
    ),
    PartKind.EGR_SOLENOID: Common(resistance_20c_ohm=(20.0, 45.0), current_13v5_a=(0.3, 0.7)),
    PartKind.WASTEGATE_SOLENOID: Common(resistance_20c_ohm=(20.0, 45.0), current_13v5_a=(0.3, 0.7)),
    PartKind.IDLE_AIR_CONTROL: Common(
        resistance_20c_ohm=(8.0, 50.0),
        current_13v5_a=(0.25, 1.5),
        note="rotary valves 8 to 20 ohm, stepper coils 28 to 50 ohm and equal within 10 %",
    ),
    PartKind.SHIFT_SOLENOID: Common(
        resistance_20c_ohm=(10.0, 30.0),
        current_13v5_a=None,
        note="pressure-control types 3 to 6 ohm, which are current-driven",
    ),
    PartKind.FUEL_PUMP: Common(
        resistance_20c_ohm=(0.3, 1.5),
        current_13v5_a=(3.0, 8.0),
        note="armature resistance; inrush 2 to 4 times the running current",
    ),
    PartKind.WASHER_PUMP: Common(resistance_20c_ohm=(1.0, 5.0), current_13v5_a=(1.0, 4.0)),
}

_SMALL_VALVE = Thermal(resistance_k_per_w=12.0, time_constant_s=120.0)
_LARGE_VALVE = Thermal(resistance_k_per_w=9.0, time_constant_s=180.0)

THERMAL: dict[PartKind, Thermal] = {
    PartKind.FUEL_INJECTOR: _SMALL_VALVE,
    PartKind.EVAP_PURGE_SOLENOID: _LARGE_VALVE,
    PartKind.EGR_SOLENOID: _LARGE_VALVE,
    PartKind.WASTEGATE_SOLENOID: _LARGE_VALVE,
    PartKind.FUEL_PRESSURE_REGULATOR_SOLENOID: _LARGE_VALVE,
    PartKind.IDLE_AIR_CONTROL: _LARGE_VALVE,
    PartKind.SHIFT_SOLENOID: _SMALL_VALVE,
    PartKind.OTHER_SOLENOID: _SMALL_VALVE,
}


def common(kind: PartKind) -> Common | None:
    """Usual values of a kind, or None where nothing is common enough to say."""
    return COMMON.get(kind)
