"""Matched sets: parts sorted into sets of k that differ as little as possible within a set.

The spread of a set is (max - min) / mean, the largest over its characteristics. A matching
minimises the worst set's spread, then the sum of spreads. Small trays are searched
completely and the result is said to be optimal; for larger ones it is the best found, beside
a lower bound that no matching can beat.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from benchrig.errors import UsageError
from benchrig.judge.matching_search import (
    Columns,
    Sets,
    complete_search,
    improved,
    lower_bound,
    set_spread,
)
from benchrig.judge.statistics import Spread

EXACT_PARTS = 12  # always searched completely
TRY_EXACT_PARTS = 28  # searched completely where the budget lets it
NODE_BUDGET = 150_000
_CLOSE = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class TaggedValues:
    """One part to be matched: its tag and a value for each characteristic."""

    tag: str
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedSet:
    """One set, in ascending order of its first characteristic."""

    parts: tuple[TaggedValues, ...]
    spread: float  # ratio, the largest over the characteristics


@dataclass(frozen=True, slots=True, kw_only=True)
class Matching:
    """The sets, tightest first, and how good they are known to be."""

    names: tuple[str, ...]
    sets: tuple[MatchedSet, ...]
    leftovers: tuple[TaggedValues, ...]
    optimal: bool  # no matching has a smaller worst spread
    worst_spread: float
    bound: float  # no matching of these parts has a worst spread below this
    definition: Spread = Spread.RANGE

    def to_json(self) -> dict[str, Any]:
        """For ``--json``; values are numbers for one characteristic, else lists by name."""
        return {
            "sets": [
                {
                    "tags": [part.tag for part in each.parts],
                    "values": self._values(each.parts),
                    "spread_percent": 100 * each.spread,
                }
                for each in self.sets
            ],
            "optimal": self.optimal,
            "worst_spread_percent": 100 * self.worst_spread,
            "bound_percent": 100 * self.bound,
            "leftovers": [part.tag for part in self.leftovers],
            "characteristics": list(self.names),
            "spread_definition": self.definition.value,
        }

    def _values(self, parts: Sequence[TaggedValues]) -> Any:
        if len(self.names) == 1:
            return [part.values[0] for part in parts]
        return {name: [p.values[c] for p in parts] for c, name in enumerate(self.names)}

    def sentence(self) -> str:
        """How good the matching is, for people."""
        worst = f"worst spread {100 * self.worst_spread:.3g} % ({self.definition.value})"
        if self.optimal:
            return f"{worst}; optimal: no other sorting has a smaller one"
        return f"{worst}; best found, and none can be below {100 * self.bound:.3g} %"


def match_sets(
    parts: Sequence[TaggedValues],
    size: int,
    *,
    count: int | None = None,
    names: tuple[str, ...] = ("value",),
) -> Matching:
    """Sort parts into ``count`` sets of ``size`` (as many as there can be unless given).

    With ``size`` dividing the number of parts, every part lands in a set; else the leftovers
    are those without which the rest matches best. Raises UsageError for what cannot be done.
    """
    count = _checked_count(parts, size, count, names)
    columns = _columns(parts, names)
    bound = lower_bound(columns, size, count)
    sets = improved(columns, size, count, enough=bound * (1 + _CLOSE))
    optimal = _worst(columns, sets) <= bound * (1 + _CLOSE) + _CLOSE
    if len(parts) <= TRY_EXACT_PARTS:
        budget = None if len(parts) <= EXACT_PARTS else NODE_BUDGET
        sets, finished = complete_search(columns, size, count, sets, budget)
        optimal = optimal or finished
    worst = _worst(columns, sets)
    return _matching(parts, names, columns, sets, optimal, worst if optimal else bound)


def _checked_count(
    parts: Sequence[TaggedValues], size: int, count: int | None, names: tuple[str, ...]
) -> int:
    if size < 2:
        raise UsageError(f"a set has two parts or more, not {size}")
    most = len(parts) // size
    if most == 0:
        raise UsageError(f"{len(parts)} parts make no set of {size}")
    if count is not None and not 1 <= count <= most:
        raise UsageError(f"{len(parts)} parts make 1 to {most} sets of {size}, not {count}")
    twice = [tag for tag, times in Counter(part.tag for part in parts).items() if times > 1]
    if twice:
        raise UsageError(f"a tag belongs to one part; given twice: {', '.join(sorted(twice))}")
    for part in parts:
        if len(part.values) != len(names):
            raise UsageError(f"{part.tag}: {len(part.values)} values for {len(names)} names")
        if not all(math.isfinite(v) and v > 0 for v in part.values):
            raise UsageError(f"{part.tag}: a spread needs finite values above zero")
    return most if count is None else count


def _columns(parts: Sequence[TaggedValues], names: tuple[str, ...]) -> Columns:
    return tuple(tuple(float(part.values[c]) for part in parts) for c in range(len(names)))


def _worst(columns: Columns, sets: Sets) -> float:
    return max(set_spread(columns, members) for members in sets)


def _matching(
    parts: Sequence[TaggedValues],
    names: tuple[str, ...],
    columns: Columns,
    sets: Sets,
    optimal: bool,
    bound: float,
) -> Matching:
    made = [
        MatchedSet(
            parts=tuple(parts[i] for i in sorted(members, key=lambda i: (columns[0][i], i))),
            spread=set_spread(columns, members),
        )
        for members in sets
    ]
    used = {i for members in sets for i in members}
    return Matching(
        names=names,
        sets=tuple(sorted(made, key=lambda each: (each.spread, each.parts[0].values))),
        leftovers=tuple(part for i, part in enumerate(parts) if i not in used),
        optimal=optimal,
        worst_spread=max(each.spread for each in made),
        bound=bound,
    )
