"""A kind of part: what it is, what it can bear, and the limits that were published for it.

A limit always carries its source and, where it matters, the temperature it holds at. Typical
values are hints for the screen and never become limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class PartKind(StrEnum):
    """Plain trade terms. Kinds a rig of this sort must not drive are named so as to refuse them."""

    FUEL_INJECTOR = "fuel injector"
    EVAP_PURGE_SOLENOID = "EVAP canister purge solenoid"
    EGR_SOLENOID = "EGR solenoid"
    WASTEGATE_SOLENOID = "wastegate solenoid"
    FUEL_PRESSURE_REGULATOR_SOLENOID = "fuel pressure regulator solenoid"
    IDLE_AIR_CONTROL = "idle air control"
    SHIFT_SOLENOID = "shift solenoid"
    FUEL_PUMP = "fuel pump"
    WASHER_PUMP = "washer pump"
    OTHER_SOLENOID = "other solenoid"
    PIEZO_INJECTOR = "piezo injector"
    DIRECT_INJECTOR = "boosted direct injector"
    SQUIB = "squib"
    IGNITION = "ignition"

    @property
    def is_pump(self) -> bool:
        """Driven by a brushed motor rather than a coil with an armature."""
        return self in (PartKind.FUEL_PUMP, PartKind.WASHER_PUMP)

    @property
    def is_forbidden(self) -> bool:
        """Never to be driven by this program."""
        return self in (
            PartKind.PIEZO_INJECTOR,
            PartKind.DIRECT_INJECTOR,
            PartKind.SQUIB,
            PartKind.IGNITION,
        )


class Characteristic(StrEnum):
    """What can be judged. The value is the name in files, JSON and reports; unit in UNITS."""

    RESISTANCE_20C = "resistance_20c_ohm"  # R20, corrected to 20 °C
    CURRENT = "current_a"  # steady, at the measured voltage
    INDUCTANCE = "inductance_h"
    TIME_CONSTANT = "tau_s"
    MOTION = "motion"  # did the armature move (attribute, no number needed)
    OPENING_TIME = "opening_time_s"
    CLOSING_TIME = "closing_time_s"
    DROP_OUTS = "drop_outs"  # cycles with a drop-out
    INSULATION = "insulation_ohm"
    INRUSH_CURRENT = "inrush_current_a"
    SPEED = "speed_rpm"
    STATIC_FLOW = "static_flow_cc_per_min"
    DYNAMIC_FLOW = "dynamic_flow_ul"
    LEAK = "leak_drops_per_min"


UNITS: dict[Characteristic, str] = {
    Characteristic.RESISTANCE_20C: "ohm",
    Characteristic.CURRENT: "A",
    Characteristic.INDUCTANCE: "H",
    Characteristic.TIME_CONSTANT: "s",
    Characteristic.MOTION: "",
    Characteristic.OPENING_TIME: "s",
    Characteristic.CLOSING_TIME: "s",
    Characteristic.DROP_OUTS: "cycles",
    Characteristic.INSULATION: "ohm",
    Characteristic.INRUSH_CURRENT: "A",
    Characteristic.SPEED: "1/min",
    Characteristic.STATIC_FLOW: "cc/min",
    Characteristic.DYNAMIC_FLOW: "µL",
    Characteristic.LEAK: "drops/min",
}


class DecisionRule(StrEnum):
    """How a value near a limit is judged (ILAC-G8:09/2019)."""

    GUARD_BAND = "guard band"  # w = U, four zones, clause 4.2.3
    SIMPLE = "simple acceptance"  # w = 0, clause 4.2.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One published limit of one characteristic; at least one side is given."""

    characteristic: Characteristic
    low: float | None
    high: float | None
    source: str  # where it is printed: document and page, as the person wrote it
    rule: DecisionRule = DecisionRule.GUARD_BAND
    at_voltage_v: float | None = None  # the supply it holds at, for currents and times

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError("a limit needs a low or a high side")
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ValueError("a limit's low side must be below its high side")
        if not self.source.strip():
            raise ValueError("a limit needs its source")


@dataclass(frozen=True, slots=True, kw_only=True)
class Ability:
    """What the part can bear on the bench, dry."""

    on_s_max: float  # the longest single on-time
    duty_max: float  # the greatest mean on-share, 0..1
    winding_c_max: float  # cycling stops at this estimated winding temperature
    current_a_max: float  # trip above this
    supply_v_max: float
    dry_run_s_max: float | None = None  # pumps: total dry running time without fluid


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A kind of part, from a part file."""

    name: str  # the file's stem, what the person types
    title: str
    kind: PartKind
    invented: bool  # demo data: shown wherever the part is
    limits: tuple[Limit, ...]
    ability: Ability
    nominal_resistance_ohm: float | None = None  # a hint: choosing ranges, sanity of the clip
    copper_winding: bool = True  # False: ballast, diode or thermistor inside; no 20 °C correction
    polarity_matters: bool = False
    ripples_per_turn: int | None = None
    note: str = ""
    file: str = ""
    digest: str = ""  # SHA-256 of the file's bytes

    def limit(self, characteristic: Characteristic) -> Limit | None:
        """The limit of a characteristic, if the part file gives one."""
        return next((x for x in self.limits if x.characteristic is characteristic), None)
