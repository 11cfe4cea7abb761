"""What stands round the parts, and what a checker can read off the bench."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class CircuitSpec:
    """What stands round the parts."""

    supply_v: float = 13.5
    supply_ohm: float = 0.05
    supply_limit_a: float = 10.0
    feed_ohm: float = 0.01
    switch_ohm: float = 0.02
    shunt_ohm: float = 0.05
    clamp_v: float = 36.0  # low-side clamp over ground; None is a freewheel diode
    freewheel_v: float | None = None  # a diode across each part instead of the clamp
    four_wire: bool = True
    source_a: float = 0.030
    source_compliance_v: float = 5.0
    reference_ohm: float = 33.0
    ambient_c: float = 22.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantEdge:
    """The true contacts from this time on."""

    t: float
    outputs_mask: int
    feed_closed: bool
    source_on: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTruth:
    """What only the physics knows."""

    resistance_20c_ohm: float
    resistance_ohm: float
    temperature_c: float
    current_a: float
    connected: bool
