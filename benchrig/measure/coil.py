"""Resistance of a coil, at part temperature and at 20 °C, and the winding as its own thermometer.

Copper follows R2 / R1 = (234.5 + T2) / (234.5 + T1), the winding rule in use for machines and
transformers (IEC 60034-1 prints 235; below 0.02 % apart at 100 °C).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchrig.measure.propagation import FloatArray, ratio
from benchrig.measure.reading import Codes, Reading, read, standard_error
from benchrig.measure.samples import InputScale
from benchrig.parts.copper import COPPER_K_C, REFERENCE_C, resistance_factor
from benchrig.quantity import Contribution, Measured

# Magnet wire of 98 % IACS has a temperature coefficient 2 % below that of pure annealed copper
# (it goes with conductivity): taken as a rectangular distribution of that half-width.
ALPHA_REL_U = 0.02 / math.sqrt(3.0)
LEAD_NULL_OHM_MAX = 0.5  # common practice, no source: more than this is a bad clip
LEAD_NULL_AGE_S_MAX = 8 * 3600.0  # one shift
TWO_WIRE_OHM_MIN = 5.0  # below it a two-wire reading without a fresh null proves nothing

VOLTAGE_GAIN = "voltage gain"
CURRENT_GAIN = "current gain"
LEAD_NULL = "lead null"
SHARED_GAINS = (VOLTAGE_GAIN, CURRENT_GAIN, LEAD_NULL)

# Leads nobody nulled: anything up to the most that a null may be.
NULL_NOT_TAKEN = Measured.from_budget(
    0.5 * LEAD_NULL_OHM_MAX,
    "ohm",
    (
        Contribution(
            source=LEAD_NULL,
            std_uncertainty=LEAD_NULL_OHM_MAX / math.sqrt(12.0),
            note=f"not taken: 0 to {LEAD_NULL_OHM_MAX:g} ohm, rectangular",
        ),
    ),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilResistance:
    """A resistance, or why there is none. ``at_least_ohm`` is known when over range."""

    resistance_ohm: Measured | None
    reason: str = ""
    over_range: bool = False
    at_least_ohm: float | None = None


def at_temperature(
    resistance: Measured, temperature_c: float, u_temperature_c: float, to_c: float
) -> Measured:
    """Resistance at another temperature, with what temperature and wire add."""
    if not (math.isfinite(u_temperature_c) and u_temperature_c > 0):
        raise ValueError("a temperature without its uncertainty corrects nothing")
    factor = resistance_factor(temperature_c, to_c)
    value = resistance.value * factor
    lines = [
        replace(line, std_uncertainty=line.std_uncertainty * factor)
        for line in resistance.budget
        or (Contribution(source="resistance", std_uncertainty=resistance.std_uncertainty),)
    ]
    lines.append(
        Contribution(
            source="part temperature",
            std_uncertainty=abs(value) * u_temperature_c / (COPPER_K_C + temperature_c),
        )
    )
    # d ln R(to) / d ln alpha of R (1 + alpha (to - ref)) / (1 + alpha (T - ref)), alpha at 20 °C.
    wire = abs(
        (to_c - REFERENCE_C) / (COPPER_K_C + to_c)
        - (temperature_c - REFERENCE_C) / (COPPER_K_C + temperature_c)
    )
    if wire > 0:
        lines.append(
            Contribution(
                source="copper of the wire",
                std_uncertainty=abs(value) * wire * ALPHA_REL_U,
                note="98 to 102 % IACS, rectangular",
            )
        )
    return Measured.from_budget(value, resistance.unit, tuple(lines))


def r20_from(r: Measured, temperature_c: float, u_t: float) -> Measured:
    """Resistance at 20 °C of a copper winding that had ``r`` at ``temperature_c``."""
    return at_temperature(r, temperature_c, u_t, REFERENCE_C)


def winding_temperature_from(
    hot: Measured,
    cold: Measured,
    cold_temperature_c: float,
    u_cold_temperature_c: float,
    *,
    shared: Sequence[str] = (),
) -> Measured:
    """Winding temperature from the ratio of two resistances: T2 = (R2 / R1) (K + T1) - K.

    ``shared`` names budget lines with a common cause in both resistances, such as
    ``SHARED_GAINS`` when the same inputs measured them: they cancel in the ratio.
    """
    if not (math.isfinite(u_cold_temperature_c) and u_cold_temperature_c > 0):
        raise ValueError("a temperature without its uncertainty is no reference")
    if cold.value <= 0 or hot.value <= 0:
        raise ValueError("a winding's resistance is above zero")
    quotient = ratio(hot, cold, "1", shared=shared)
    span = COPPER_K_C + cold_temperature_c
    lines = [replace(line, std_uncertainty=line.std_uncertainty * span) for line in quotient.budget]
    lines.append(
        Contribution(
            source="cold temperature", std_uncertainty=quotient.value * u_cold_temperature_c
        )
    )
    wire = abs(quotient.value - 1.0) * (COPPER_K_C + REFERENCE_C) * ALPHA_REL_U
    if wire > 0:
        lines.append(
            Contribution(
                source="copper of the wire",
                std_uncertainty=wire,
                note="98 to 102 % IACS, rectangular",
            )
        )
    return Measured.from_budget(quotient.value * span - COPPER_K_C, "°C", tuple(lines))


def null_refusal(null: Measured | None, age_s: float | None) -> str:
    """Why a lead null cannot be used, "" when it can."""
    if null is None:
        return "no lead null: short the clips at the part's end and take one"
    if age_s is None or age_s > LEAD_NULL_AGE_S_MAX:
        return "the lead null is older than a shift: take it again"
    if null.value > LEAD_NULL_OHM_MAX:
        return f"the lead null of {null.value:.2f} ohm is too high: look at the clips"
    if null.value < -3.0 * null.std_uncertainty:
        return "the lead null is below zero: take it again"
    return ""


def subtract_null(resistance: Measured, null: Measured) -> Measured:
    """Two-wire resistance less the leads; the null's uncertainty becomes a line of its own."""
    lines = resistance.budget or (
        Contribution(source="resistance", std_uncertainty=resistance.std_uncertainty),
    )
    line = Contribution(source=LEAD_NULL, std_uncertainty=null.std_uncertainty)
    if null is NULL_NOT_TAKEN:
        (line,) = null.budget
    return Measured.from_budget(resistance.value - null.value, resistance.unit, (*lines, line))


def resistance_from_pairs(
    voltage_v: FloatArray,
    current_a: FloatArray,
    *,
    voltage: Reading,
    current: Reading,
    null: Measured | None = None,
) -> Measured:
    """V / I from samples of the same instants; their correlation is kept (GUM 5.2).

    The arrays give the value and its type A part; the readings of the same windows give the
    rest. ``null`` is subtracted where the sense leads do not reach the part's terminals.
    """
    if voltage_v.shape != current_a.shape or voltage_v.size < 2:
        raise ValueError("V and I must be read together, twice or more")
    mean_v, mean_i = float(voltage_v.mean()), float(current_a.mean())
    if mean_v == 0.0 or mean_i == 0.0:
        raise ValueError("no resistance without voltage and current")
    value = mean_v / mean_i
    # (V - R I) / I is the ratio's own scatter: what V and I share (supply) is gone from it.
    scatter = standard_error(np.asarray((voltage_v - value * current_a) / mean_i))
    lines = [
        Contribution(
            source="noise, V and I together",
            std_uncertainty=max(scatter, 1e-9 * abs(value)),
            evaluation="A",
        ),
        *(
            Contribution(source=source, std_uncertainty=abs(value) * rel, note=note)
            for source, rel, note in (
                ("voltage quantisation", voltage.quantisation_u / abs(mean_v), "step / sqrt 12"),
                ("current quantisation", current.quantisation_u / abs(mean_i), "step / sqrt 12"),
                ("voltage offset", voltage.offset_u / abs(mean_v), ""),
                ("current offset", current.offset_u / abs(mean_i), ""),
                (VOLTAGE_GAIN, voltage.gain_rel_u, ""),
                (CURRENT_GAIN, current.gain_rel_u, ""),
            )
        ),
    ]
    result = Measured.from_budget(value, "ohm", tuple(lines))
    return result if null is None else subtract_null(result, null)


def cold_resistance(
    *,
    part_scale: InputScale,
    part_codes: Codes,
    reference_scale: InputScale,
    reference_codes: Codes,
    reference_resistor_ohm: Measured,
    part_off_codes: Codes | None = None,
    reference_off_codes: Codes | None = None,
    null: Measured | None = None,
) -> CoilResistance:
    """Ratiometric resistance at low current: the reference resistor carries the same current.

    The source's own value and its drift cancel. Give ``null`` only for a two-wire connection.
    """
    part = read(part_scale, part_codes, part_off_codes)
    reference = read(reference_scale, reference_codes, reference_off_codes)
    r_ref = reference_resistor_ohm.value
    if reference.over_range:
        return CoilResistance(
            resistance_ohm=None,
            over_range=True,
            reason="the reference reading is over range: the source's current is too high",
        )
    least = 8.0 * reference.std_uncertainty  # below it there is no current to speak of
    if part.over_range or reference.mean < least:
        bound = (
            r_ref * _ceiling(part_scale, part) / max(reference.mean, 0.0)
            if (reference.mean > least)
            else r_ref * max(part.mean, part.step) / least
        )
        text = "over range" if part.over_range else "no current flows"
        return CoilResistance(
            resistance_ohm=None,
            over_range=True,
            at_least_ohm=bound,
            reason=f"{text}: open, or above {bound / 1e3:.3g} kohm; look at the clips first",
        )
    value = r_ref * part.mean / reference.mean
    measured = _ratiometric(
        value,
        part,
        reference,
        part_scale,
        part_codes,
        reference_scale,
        reference_codes,
        reference_resistor_ohm,
    )
    if null is not None:
        measured = subtract_null(measured, null)
    return CoilResistance(resistance_ohm=measured)


def _ceiling(scale: InputScale, part: Reading) -> float:
    return max(part.mean, float(((1 << scale.bits) - 1 - scale.zero_code) * scale.step))


def _ratiometric(
    value: float,
    part: Reading,
    reference: Reading,
    part_scale: InputScale,
    part_codes: Codes,
    reference_scale: InputScale,
    reference_codes: Codes,
    resistor: Measured,
) -> Measured:
    scale = resistor.value / reference.mean  # ohm a volt of the part
    if part_codes.size == reference_codes.size and part_codes.size >= 2:
        # Read in turn with the same current: keep the correlation.
        slope = part.mean / reference.mean
        both = part_scale.to_si(part_codes) - slope * reference_scale.to_si(reference_codes)
        noise = scale * standard_error(np.asarray(both))
    else:
        noise = scale * math.hypot(part.noise_u, value / resistor.value * reference.noise_u)
    across = value / reference.mean  # ohm a volt of the reference
    lines = (
        Contribution(
            source="noise, both together",
            std_uncertainty=max(noise, 1e-9 * abs(value), 1e-9),
            evaluation="A",
        ),
        Contribution(
            source="part voltage quantisation",
            std_uncertainty=scale * part.quantisation_u,
            note="step / sqrt 12",
        ),
        Contribution(
            source="reference voltage quantisation",
            std_uncertainty=abs(across) * reference.quantisation_u,
            note="step / sqrt 12",
        ),
        Contribution(source="part voltage offset", std_uncertainty=scale * part.offset_u),
        Contribution(
            source="reference voltage offset", std_uncertainty=abs(across) * reference.offset_u
        ),
        Contribution(source="part voltage gain", std_uncertainty=abs(value) * part.gain_rel_u),
        Contribution(
            source="reference voltage gain", std_uncertainty=abs(value) * reference.gain_rel_u
        ),
        Contribution(
            source="reference resistor",
            std_uncertainty=abs(value) * resistor.std_uncertainty / resistor.value,
        ),
    )
    return Measured.from_budget(value, "ohm", tuple(x for x in lines if x.std_uncertainty > 0))
