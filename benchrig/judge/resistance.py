"""Judging the cold check: resistance at 20 °C, an open circuit, insulation to the body."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from benchrig.judge.conformity import judge_value, not_assessed
from benchrig.judge.verdict import Judged, Verdict
from benchrig.judge.words import plain, with_uncertainty
from benchrig.measure.features import CycleFeatures
from benchrig.parts.copper import REFERENCE_C
from benchrig.parts.part import Characteristic, Limit, Part
from benchrig.quantity import Measured

TWO_WIRE_OHM_MIN = 5.0  # below it the leads matter too much without a fresh null
NEAR_REFERENCE_K = 2.0  # a winding that cannot be corrected must be this near to 20 °C
JOINT_RATIO = 1.15  # first hot reading over the cold one: more than a first pulse's heating
NOT_BY_RESISTANCE = (
    "the resistance says nothing about movement, sealing, flow or shorted turns that only "
    "show under voltage"
)


NO_BREAKDOWN = "a breakdown at higher voltage or when hot and wet"


class ColdValues(Protocol):
    """What the cold check gives; the record's ``ColdCheck`` has this shape."""

    @property
    def supply_v(self) -> Measured | None:
        """What the supply gave without load; None where the rig cannot measure it."""

    @property
    def resistance_ohm(self) -> Measured | None:
        """At low current, at the part's own temperature."""

    @property
    def resistance_20c_ohm(self) -> Measured | None:
        """Corrected to 20 °C; None where no temperature was given."""

    @property
    def over_range(self) -> bool:
        """The reading was beyond the source's reach: open, or a clip is off."""

    @property
    def insulation_ohm(self) -> Measured | None:
        """Winding to body, where the rig has the input."""

    @property
    def insulation_at_least_ohm(self) -> float | None:
        """A bound, where the leakage is below what the rig resolves."""

    @property
    def insulation_at_most_ohm(self) -> float | None:
        """A bound, where the leakage is beyond the input's range."""


def judge_resistance(
    part: Part,
    cold: ColdValues,
    *,
    temperature_c: float | None,
    four_wire: bool,
    lead_null_valid: bool,
) -> Judged:
    """R20 against its limit, or why it cannot be judged. Nothing is guessed."""
    characteristic, limit = (
        Characteristic.RESISTANCE_20C,
        part.limit(Characteristic.RESISTANCE_20C),
    )
    if cold.over_range:
        return Judged(
            characteristic=characteristic,
            verdict=Verdict.FAIL,
            reason="no continuity: the reading is over range; check clips and connector, "
            "then measure again before the part is blamed",
            limit=limit,
            does_not_prove="an over-range reading does not tell an open winding from a clip "
            "that makes no contact",
        )
    raw = cold.resistance_ohm
    if raw is None:
        return not_assessed(characteristic, "the cold resistance was not measured", limit=limit)
    read = with_uncertainty(raw.value, raw.expanded, raw.unit)
    if not four_wire and raw.value < TWO_WIRE_OHM_MIN and not lead_null_valid:
        reason = (
            f"read {read} through two wires without a fresh lead null; below "
            f"{TWO_WIRE_OHM_MIN:g} ohm the leads decide: null them and measure again"
        )
        return not_assessed(characteristic, reason, limit=limit)
    if temperature_c is None:
        reason = f"read {read}, but the part's temperature is not known; 1 K is 0.4 % for copper"
        return not_assessed(characteristic, reason, limit=limit)
    value = _at_20c(part, cold, temperature_c)
    if value is None:
        reason = (
            f"read {read} at {temperature_c:.1f} °C; without a copper winding there is no "
            f"correction to 20 °C: measure within {NEAR_REFERENCE_K:g} K of it"
            if not part.copper_winding
            else f"read {read}, but no value at 20 °C came with it"
        )
        return not_assessed(characteristic, reason, limit=limit)
    return judge_value(characteristic, value, limit, does_not_prove=NOT_BY_RESISTANCE)


def _at_20c(part: Part, cold: ColdValues, temperature_c: float) -> Measured | None:
    if part.copper_winding:
        return cold.resistance_20c_ohm
    near = abs(temperature_c - REFERENCE_C) <= NEAR_REFERENCE_K
    return cold.resistance_ohm if near else None


def judge_insulation(part: Part, cold: ColdValues) -> Judged | None:
    """Winding to body; None where it was neither measured nor limited."""
    limit = part.limit(Characteristic.INSULATION)
    if cold.insulation_ohm is None and (bounded := _bounded_insulation(cold, limit)) is not None:
        return bounded
    if limit is None and cold.insulation_ohm is None:
        return None
    return judge_value(
        Characteristic.INSULATION,
        cold.insulation_ohm,
        limit,
        missing="this rig has no insulation input, or it was not connected to the body",
        does_not_prove=NO_BREAKDOWN,
    )


def _bounded_insulation(cold: ColdValues, limit: Limit | None) -> Judged | None:
    """Judged by a bound, where the leakage is too small or too large for a number."""
    low = limit.low if limit else None
    least, most = cold.insulation_at_least_ohm, cold.insulation_at_most_ohm
    if least is None and most is None:
        return None
    verdict = Verdict.NOT_ASSESSED
    if most is not None:
        reason = f"the leakage is beyond the input's range: at most {plain(most, 'ohm')}"
        if low is not None and most < low:
            verdict = Verdict.FAIL
    else:
        reason = f"the leakage is below what the rig resolves: at least {plain(least or 0, 'ohm')}"
        if low is not None and least is not None and least >= low:
            verdict = Verdict.PASS
    return Judged(
        characteristic=Characteristic.INSULATION,
        verdict=verdict,
        reason=reason,
        limit=limit,
        does_not_prove=NO_BREAKDOWN,
    )


def joint_doubt(cold: ColdValues, cycles: Sequence[CycleFeatures]) -> str:
    """A warning when the first hot reading is far above the cold one; "" when it is not.

    A winding warms by a few kelvin in its first pulse; a resistance that only shows at
    operating current sits in a joint or a contact.
    """
    hot = next((c.resistance_ohm for c in cycles if c.resistance_ohm is not None), None)
    raw = cold.resistance_ohm
    if hot is None or raw is None or raw.value <= 0:
        return ""
    doubt = 3.0 * (hot.std_uncertainty**2 + raw.std_uncertainty**2) ** 0.5
    if hot.value <= JOINT_RATIO * raw.value + doubt:
        return ""
    return (
        f"at operating current the part reads {hot.value:.3g} ohm, cold {raw.value:.3g} ohm: "
        "more than a first pulse's heating; look for a bad joint, connector or clip"
    )
