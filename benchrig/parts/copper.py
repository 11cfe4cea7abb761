"""The copper rule: resistance of a winding against temperature.

R2 / R1 = (234.5 + T2) / (234.5 + T1), T in °C: the rule of the winding-resistance method with
the constant of annealed copper. It stands here, below measuring, because limits that were
printed for another temperature are converted by it too.
"""

from __future__ import annotations

COPPER_K_C = 234.5  # minus the temperature at which the straight line reaches zero
REFERENCE_C = 20.0


def resistance_factor(from_c: float, to_c: float) -> float:
    """Multiply a copper winding's resistance at ``from_c`` by this to have it at ``to_c``."""
    if min(from_c, to_c) <= -COPPER_K_C:
        raise ValueError(f"copper temperatures must be above {-COPPER_K_C} °C")
    return (COPPER_K_C + to_c) / (COPPER_K_C + from_c)
