"""Insulation from winding to body: a source voltage over the leakage current it drives.

A good part leaks less than the rig can resolve. Then the answer is "at least", never a number
made of noise.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.measure.reading import Codes, read
from benchrig.measure.samples import InputScale
from benchrig.quantity import Contribution, Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class Insulation:
    """A resistance to body, or a bound, or why there is neither."""

    resistance_ohm: Measured | None
    at_least_ohm: float | None = None  # 97.5 % sure, one-sided
    at_most_ohm: float | None = None  # the current input was over range
    reason: str = ""


def assess_insulation(
    *,
    scale: InputScale,
    codes: Codes,
    source_v: Measured,
    off_codes: Codes | None = None,
    series_ohm: float = 0.0,
) -> Insulation:
    """Resistance from the insulation input; ``off_codes`` were taken with the source off."""
    if source_v.value <= 0:
        raise ValueError("the insulation source's voltage is above zero")
    current = read(scale, codes, off_codes)
    if current.over_range:
        most = source_v.value / current.mean if current.mean > 0 else None
        return Insulation(
            resistance_ohm=None,
            at_most_ohm=most,
            reason="the leakage current is over range: winding and body are connected",
        )
    u = current.std_uncertainty
    low = source_v.value - 2.0 * source_v.std_uncertainty
    bound = max(low / (max(current.mean, 0.0) + 2.0 * u) - series_ohm, 0.0)
    if current.mean < 4.0 * u:
        return Insulation(
            resistance_ohm=None,
            at_least_ohm=bound,
            reason="the leakage current is below what this rig resolves",
        )
    total = source_v.value / current.mean
    share = total / current.mean
    lines = (
        Contribution(
            source="leakage current noise",
            std_uncertainty=share * current.noise_u,
            evaluation="A",
        ),
        Contribution(
            source="leakage current quantisation",
            std_uncertainty=share * current.quantisation_u,
            note="step / sqrt 12",
        ),
        Contribution(source="leakage current offset", std_uncertainty=share * current.offset_u),
        Contribution(source="leakage current gain", std_uncertainty=total * current.gain_rel_u),
        Contribution(
            source="source voltage",
            std_uncertainty=total * source_v.std_uncertainty / source_v.value,
        ),
    )
    measured = Measured.from_budget(
        total - series_ohm, "ohm", tuple(x for x in lines if x.std_uncertainty > 0)
    )
    return Insulation(resistance_ohm=measured, at_least_ohm=bound)
