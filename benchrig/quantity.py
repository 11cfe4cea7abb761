"""A value with its standard uncertainty, its unit and where the uncertainty comes from.

Unknown uncertainty has no encoding here: a number whose uncertainty is not known is not a
``Measured``. Zero is refused for the same reason.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """One line of an uncertainty budget, already in the unit of the result.

    ``std_uncertainty`` is sensitivity times input uncertainty (GUM 5.1.3). Contributions of
    one budget are uncorrelated; what is correlated is combined before it becomes a line.
    """

    source: str
    std_uncertainty: float
    evaluation: str = "B"  # GUM type A (statistics of readings) or B (anything else)
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A measured quantity: value, standard uncertainty (k = 1), unit, and its budget."""

    value: float
    std_uncertainty: float
    unit: str
    budget: tuple[Contribution, ...] = ()

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"a measured value must be finite, not {self.value!r}")
        if not (math.isfinite(self.std_uncertainty) and self.std_uncertainty > 0):
            raise ValueError(
                f"a standard uncertainty must be finite and above 0, not {self.std_uncertainty!r}"
            )

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U for k = 2, about 95 % coverage for a normal distribution."""
        return 2.0 * self.std_uncertainty

    @classmethod
    def from_budget(cls, value: float, unit: str, budget: tuple[Contribution, ...]) -> Measured:
        """Combine uncorrelated contributions by root sum of squares (GUM 5.1.2)."""
        combined = math.sqrt(sum(line.std_uncertainty**2 for line in budget))
        return cls(value=value, std_uncertainty=combined, unit=unit, budget=budget)
