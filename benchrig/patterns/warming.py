"""How warm a pattern would make a winding: an estimate made before anything is switched on.

One body in still air with the usual thermal values of the kind (``parts.hints``), driven by
V²/R with the resistance following the copper rule. It refuses what would plainly cook the
part; during a run the winding's own resistance tells its temperature and stops it.
"""

from __future__ import annotations

import math

from benchrig.parts.copper import REFERENCE_C, resistance_factor
from benchrig.parts.hints import Thermal
from benchrig.patterns.pattern import Pattern

_SETTLED = 6.0  # time constants after which a steady pattern's temperature repeats
_SLICE = 0.1  # of a time constant: the resistance is taken as constant that long


def peak_winding_c(
    pattern: Pattern,
    *,
    supply_v: float,
    resistance_20c_ohm: float,
    thermal: Thermal,
    ambient_c: float = REFERENCE_C,
    start_c: float | None = None,
) -> float:
    """The highest estimated winding temperature over the whole pattern."""
    winding_c = peak_c = ambient_c if start_c is None else start_c
    elapsed_s = 0.0
    steady = all(step.change_us == 0 for step in pattern.steps)
    for repeat in range(pattern.repeats):
        if steady and elapsed_s > _SETTLED * thermal.time_constant_s:
            break
        for step in pattern.steps:
            duration_s = 1e-6 * (step.duration_us + step.change_us * repeat)
            elapsed_s += duration_s
            slices = max(1, math.ceil(duration_s / (_SLICE * thermal.time_constant_s)))
            decay = math.exp(-duration_s / slices / thermal.time_constant_s)
            for _ in range(slices):
                rise_k = 0.0
                if step.on:
                    hot_ohm = resistance_20c_ohm * resistance_factor(REFERENCE_C, winding_c)
                    rise_k = thermal.resistance_k_per_w * supply_v**2 / hot_ohm
                final_c = ambient_c + rise_k
                winding_c = final_c + (winding_c - final_c) * decay
            peak_c = max(peak_c, winding_c)
    return peak_c
