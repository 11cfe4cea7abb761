"""Copper leads by gauge: a plausibility check on a measured lead null, never in place of it.

Clips and connector pins add 5-50 mohm each and change, so the null is measured. A null far
below what the wire alone must have, or far above it, says that something else was measured.
"""

from __future__ import annotations

import math

from benchrig.parts.copper import REFERENCE_C, resistance_factor

ANNEALED_COPPER_OHM_M = 1.0 / 58e6  # IEC 60028: 1/58 ohm mm²/m at 20 °C
_INCH_M = 0.0254


def awg_diameter_m(gauge: int) -> float:
    """Diameter of a solid wire by American Wire Gauge: 0.005 in · 92^((36 - n) / 39)."""
    return 0.005 * _INCH_M * math.pow(92.0, (36 - gauge) / 39)


def awg_ohm_per_m(gauge: int, temperature_c: float = REFERENCE_C) -> float:
    """Resistance of a metre of solid annealed copper; stranded wire runs 2-5 % higher."""
    area_m2 = math.pi / 4.0 * awg_diameter_m(gauge) ** 2
    return ANNEALED_COPPER_OHM_M / area_m2 * resistance_factor(REFERENCE_C, temperature_c)


def null_doubt(null_ohm: float, gauge: int, length_m: float) -> str:
    """Why a null does not fit leads of this gauge, ``length_m`` out and back; "" when it does."""
    wire = 2.0 * length_m * awg_ohm_per_m(gauge)
    if null_ohm < 0.8 * wire:
        return f"the null of {null_ohm:.3f} ohm is below the {wire:.3f} ohm of the wire alone"
    # Four joints of up to 50 mohm (common practice, no source) and 5 % for stranding.
    most = 1.05 * wire + 0.2
    if null_ohm > most:
        return f"the null of {null_ohm:.3f} ohm is above the {most:.3f} ohm of wire and good joints"
    return ""
