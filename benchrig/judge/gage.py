"""How much of what a tray shows is the rig and the person: gage repeatability and reproducibility.

Several people measure several parts several times, clipping anew each time. Two methods:
average and range, and analysis of variance; both as in the measurement systems analysis that
the automotive trade uses.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.judge.distributions import beta_cdf
from benchrig.judge.shewhart import d2, d2_star, d3_d4

NDC_FACTOR = 1.41  # distinct categories: 1.41 times part variation over gage variation
POOL_ABOVE = 0.25  # an interaction with a p-value above this is taken as noise
_GOOD, _CONDITIONAL = 10.0, 30.0  # percent of total variation


@dataclass(frozen=True, slots=True, kw_only=True)
class GageStudy:
    """Standard deviations: of the gage, of the parts, of both."""

    method: str
    repeatability: float  # equipment variation
    reproducibility: float  # appraiser variation
    gage: float
    parts: float
    total: float

    @property
    def percent_gage(self) -> float:
        """Share of the gage in the total variation, percent."""
        return 100 * self.gage / self.total if self.total else 0.0

    @property
    def distinct_categories(self) -> int:
        """How many classes of parts the gage can tell apart."""
        return math.floor(NDC_FACTOR * self.parts / self.gage) if self.gage else 0

    @property
    def sentence(self) -> str:
        """The result for people."""
        if self.percent_gage < _GOOD:
            word = "good"
        else:
            word = "conditional" if self.percent_gage <= _CONDITIONAL else "not usable"
        return (
            f"the gage makes {self.percent_gage:.1f} % of the variation ({word}), "
            f"{self.distinct_categories} distinct categories ({self.method})"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeStudy(GageStudy):
    """The average and range method with its intermediate results."""

    mean_range: float
    mean_ranges: tuple[float, ...]  # each person's
    means: tuple[float, ...]  # each person's
    range_of_means: float
    range_of_parts: float
    range_limit: float  # a range above it is a slip in one reading


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaStudy(GageStudy):
    """The analysis of variance with its sums of squares."""

    ss_parts: float
    ss_people: float
    ss_interaction: float
    ss_error: float
    pooled: bool  # the interaction was taken as noise


Readings = Sequence[Sequence[Sequence[float]]]  # [person][part][trial]


def _table(readings: Readings) -> NDArray[np.float64]:
    try:
        table = np.asarray(readings, dtype=np.float64)
    except ValueError as error:
        raise ValueError("each person measures each part equally often") from error
    if table.ndim != 3 or min(table.shape) < 2 or not np.isfinite(table).all():
        raise ValueError("a study needs two people, two parts and two trials or more, all finite")
    return table


def range_study(readings: Readings) -> RangeStudy:
    """The average and range method; up to 10 people, parts and trials."""
    table = _table(readings)
    people, parts, trials = table.shape
    ranges = np.ptp(table, axis=2)
    mean_range = float(ranges.mean())
    means = table.mean(axis=(1, 2))
    range_of_means = float(np.ptp(means))
    range_of_parts = float(np.ptp(table.mean(axis=(0, 2))))
    repeatability = mean_range / d2(trials)
    between = (range_of_means / d2_star(people)) ** 2 - repeatability**2 / (parts * trials)
    reproducibility = math.sqrt(max(0.0, between))
    gage = math.hypot(repeatability, reproducibility)
    part_variation = range_of_parts / d2_star(parts)
    return RangeStudy(
        method="average and range",
        repeatability=repeatability,
        reproducibility=reproducibility,
        gage=gage,
        parts=part_variation,
        total=math.hypot(gage, part_variation),
        mean_range=mean_range,
        mean_ranges=tuple(float(r) for r in ranges.mean(axis=1)),
        means=tuple(float(m) for m in means),
        range_of_means=range_of_means,
        range_of_parts=range_of_parts,
        range_limit=d3_d4(trials)[1] * mean_range,
    )


def anova_study(readings: Readings) -> AnovaStudy:
    """Two-way crossed analysis of variance; the interaction is pooled where it is noise."""
    table = _table(readings)
    people, parts, trials = table.shape
    grand = table.mean()
    by_part, by_person, by_cell = table.mean((0, 2)), table.mean((1, 2)), table.mean(2)
    ss_parts = float(people * trials * ((by_part - grand) ** 2).sum())
    ss_people = float(parts * trials * ((by_person - grand) ** 2).sum())
    ss_error = float(((table - by_cell[:, :, None]) ** 2).sum())
    cells = by_cell - by_part[None, :] - by_person[:, None] + grand
    ss_interaction = float(trials * (cells**2).sum())
    df_interaction, df_error = (people - 1) * (parts - 1), people * parts * (trials - 1)
    ms_error, ms_interaction = ss_error / df_error, ss_interaction / df_interaction
    pooled = _f_tail(ms_interaction, ms_error, df_interaction, df_error) > POOL_ABOVE
    if pooled:
        ms_error = (ss_error + ss_interaction) / (df_error + df_interaction)
        ms_interaction = ms_error
    var_interaction = max(0.0, (ms_interaction - ms_error) / trials)
    ms_people, ms_parts = ss_people / (people - 1), ss_parts / (parts - 1)
    var_people = max(0.0, (ms_people - ms_interaction) / (parts * trials))
    var_parts = max(0.0, (ms_parts - ms_interaction) / (people * trials))
    var_gage = ms_error + var_people + var_interaction
    return AnovaStudy(
        method="analysis of variance",
        repeatability=math.sqrt(ms_error),
        reproducibility=math.sqrt(var_people + var_interaction),
        gage=math.sqrt(var_gage),
        parts=math.sqrt(var_parts),
        total=math.sqrt(var_gage + var_parts),
        ss_parts=ss_parts,
        ss_people=ss_people,
        ss_interaction=ss_interaction,
        ss_error=ss_error,
        pooled=pooled,
    )


def _f_tail(ms: float, ms_error: float, df: int, df_error: int) -> float:
    """Probability of a ratio of mean squares as great as this when there is no effect."""
    if ms_error == 0:
        return 0.0 if ms > 0 else 1.0
    f = ms / ms_error
    return 1.0 - beta_cdf(df / 2, df_error / 2, df * f / (df * f + df_error))
