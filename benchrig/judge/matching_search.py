"""The search behind matched sets: a bound, a good start made better, and a complete search.

Everything is counted, not timed, and the one random sequence is seeded: the same tray gives
the same sets on any machine.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Iterator
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

Columns = tuple[tuple[float, ...], ...]  # one column a characteristic, one row a part
Sets = list[tuple[int, ...]]
Key = tuple[float, float]  # worst spread, sum of spreads

_ALL_SPLITS_MAX = 500  # two sets are split anew in every way up to this many ways
_SHAKES = 16
_EFFORT = 12_000.0
_EQUAL = 1e-12


def set_spread(columns: Columns, members: tuple[int, ...]) -> float:
    """(max - min) / mean, the largest over the characteristics."""
    worst = 0.0
    for column in columns:
        values = [column[i] for i in members]
        worst = max(worst, (max(values) - min(values)) * len(values) / sum(values))
    return worst


def key_of(columns: Columns, sets: Sets) -> Key:
    """What a matching is judged by: the worst spread, then the sum."""
    spreads = [set_spread(columns, members) for members in sets]
    return max(spreads), sum(spreads)


def better(a: Key, b: Key) -> bool:
    """``a`` is truly smaller than ``b``, beyond rounding."""
    if abs(a[0] - b[0]) > _EQUAL:
        return a[0] < b[0]
    return a[1] < b[1] - _EQUAL


# --- a bound ------------------------------------------------------------------------------------


def spread_of_ratio(ratio: float, size: int) -> float:
    """The least spread of ``size`` values whose greatest is ``ratio`` times the least.

    The mean is at most that of one least and otherwise greatest values.
    """
    return size * (ratio - 1) / (1 + (size - 1) * ratio)


def lower_bound(columns: Columns, size: int, count: int) -> float:
    """No matching of these parts has a worst spread below this."""
    each = [_ratio_bound(column, size, count) for column in columns]
    return max([_neighbour_bound(columns, size, count), *each])


def _ratio_bound(column: tuple[float, ...], size: int, count: int) -> float:
    """By one characteristic: the smallest worst ratio is had by neighbours in sorted order."""
    values = sorted(column)
    best = [[math.inf] * (count + 1) for _ in range(len(values) + 1)]
    for end in range(len(values) + 1):
        best[end][0] = 1.0
        for made in range(1, min(count, end // size) + 1):
            ratio = values[end - 1] / values[end - size]
            with_it = max(best[end - size][made - 1], ratio)
            best[end][made] = min(best[end - 1][made], with_it)
    return spread_of_ratio(best[-1][count], size)


def _neighbour_bound(columns: Columns, size: int, count: int) -> float:
    """By all characteristics: each part in a set needs size - 1 others about it."""
    table = np.array(columns)
    ratio = np.maximum(table[:, :, None] / table[:, None, :], table[:, None, :] / table[:, :, None])
    apart = (size * (ratio - 1) / (1 + (size - 1) * ratio)).max(axis=0)
    needs = np.sort(np.sort(apart, axis=1)[:, size - 1])[::-1]  # column 0 is the part itself
    left_over = table.shape[1] - size * count
    return float(needs[left_over])


# --- a good start, made better ------------------------------------------------------------------


class _Effort:
    """How much may still be looked at; counted, not timed, so that results repeat."""

    def __init__(self, size: int) -> None:
        self.left = _EFFORT
        self.each = 1 + len(_splits(size)) / 100  # a pair of sets with many splits costs more

    def take(self) -> bool:
        self.left -= self.each
        return self.left >= 0


def improved(columns: Columns, size: int, count: int, *, enough: float) -> Sets:
    """The best matching found by splitting pairs of sets anew, from several starts."""
    effort = _Effort(size)
    best = min(
        (_polished(columns, start, effort) for start in _starts(columns, size, count)),
        key=lambda sets: key_of(columns, sets),
    )
    shuffle = random.Random(len(columns[0]) * 1009 + size)
    for _ in range(_SHAKES):
        if key_of(columns, best)[0] <= enough or effort.left <= 0:
            break
        start, changed = _shaken(best, shuffle)
        tried = _polished(columns, start, effort, changed)
        if better(key_of(columns, tried), key_of(columns, best)):
            best = tried
    return best


def _starts(columns: Columns, size: int, count: int) -> Iterator[Sets]:
    table = np.array(columns)
    orders = [np.argsort(row, kind="stable") for row in table]
    if len(columns) > 1:
        logs = np.log(table)
        centred = logs - logs.mean(axis=1, keepdims=True)
        axis = np.linalg.svd(centred, full_matrices=False)[0][:, 0]
        orders.append(np.argsort(axis @ centred, kind="stable"))
    for order in orders:
        yield _in_order(columns, [int(i) for i in order], size, count)


def _in_order(columns: Columns, order: list[int], size: int, count: int) -> Sets:
    """The best sets of neighbours in an order; leftovers may stand anywhere between."""
    # best[end][made]: key and the end of the last set among the first ``end`` parts.
    none: tuple[Key, int] = ((math.inf, math.inf), -1)
    best = [[none] * (count + 1) for _ in range(len(order) + 1)]
    for end in range(len(order) + 1):
        best[end][0] = ((0.0, 0.0), 0)
        for made in range(1, min(count, end // size) + 1):
            spread = set_spread(columns, tuple(order[end - size : end]))
            worst, total = best[end - size][made - 1][0]
            with_it: tuple[Key, int] = ((max(worst, spread), total + spread), end)
            best[end][made] = min(best[end - 1][made], with_it)
    sets: Sets = []
    end = len(order)
    for made in range(count, 0, -1):
        end = best[end][made][1]
        sets.append(tuple(order[end - size : end]))
        end -= size
    return sets


def _shaken(sets: Sets, shuffle: random.Random) -> tuple[Sets, list[int]]:
    """Some neighbouring sets thrown together and dealt anew."""
    chosen = shuffle.sample(range(len(sets)), min(3, len(sets)))
    pool = [i for number in chosen for i in sets[number]]
    shuffle.shuffle(pool)
    size = len(sets[0])
    shaken = list(sets)
    for place, number in enumerate(chosen):
        shaken[number] = tuple(pool[place * size : (place + 1) * size])
    return shaken, chosen


def _polished(
    columns: Columns, sets: Sets, effort: _Effort, changed: Iterable[int] | None = None
) -> Sets:
    """Pairs of sets split anew, and leftovers taken in, until nothing gets better.

    ``changed`` names the sets worth a look, when the others are known to be at rest.
    """
    table, sets = np.array(columns), list(sets)
    waiting = dict.fromkeys(range(len(sets)) if changed is None else changed)  # kept in order
    while waiting:
        a = next(iter(waiting))
        del waiting[a]
        for b in range(len(sets)):
            if b == a or not effort.take():
                continue
            if pair := _best_split(table, sets[a], sets[b]):
                sets[a], sets[b] = pair
                waiting |= {a: None, b: None}
        if not waiting:
            waiting |= dict.fromkeys(_take_outsiders(columns, sets))
    return sets


def _take_outsiders(columns: Columns, sets: Sets) -> list[int]:
    """Leftovers put where they fit better than a member; the numbers of the sets changed."""
    used = {i for members in sets for i in members}
    left = [i for i in range(len(columns[0])) if i not in used]
    changed = []
    for number, members in enumerate(sets):
        for place, outsider in enumerate(left):
            if taken := _with_outsider(columns, members, outsider):
                (left[place],) = set(members) - set(taken)
                sets[number] = members = taken
                changed.append(number)
    return changed


def _with_outsider(
    columns: Columns, members: tuple[int, ...], outsider: int
) -> tuple[int, ...] | None:
    choices = [(*(m for m in members if m != out), outsider) for out in members]
    found = min(choices, key=lambda each: set_spread(columns, each))
    smaller = set_spread(columns, found) < set_spread(columns, members) - _EQUAL
    return found if smaller else None


@lru_cache(maxsize=16)
def _splits(size: int) -> NDArray[np.intp]:
    """Ways to part 2k places into two halves, the present one first; row: first, then second."""
    places = range(2 * size)
    if math.comb(2 * size, size) // 2 <= _ALL_SPLITS_MAX:
        firsts = [(0, *rest) for rest in combinations(range(1, 2 * size), size - 1)]
    else:  # one exchanged against one
        firsts = [tuple(range(size))]
        firsts += [
            (*(i for i in range(size) if i != out), into)
            for out in range(size)
            for into in range(size, 2 * size)
        ]
    rows = [(*first, *(i for i in places if i not in first)) for first in firsts]
    return np.array(rows, dtype=np.intp)


def _best_split(
    table: NDArray[np.float64], a: tuple[int, ...], b: tuple[int, ...]
) -> tuple[tuple[int, ...], tuple[int, ...]] | None:
    size = len(a)
    union = np.array(a + b)
    rows = _splits(size)
    values = table[:, union[rows]].reshape(table.shape[0], len(rows), 2, size)
    spread = ((values.max(axis=3) - values.min(axis=3)) / values.mean(axis=3)).max(axis=0)
    worst, total = spread.max(axis=1), spread.sum(axis=1)
    found = int(np.lexsort((total, np.round(worst, 13)))[0])
    now = (float(worst[0]), float(total[0]))
    if not better((float(worst[found]), float(total[found])), now):
        return None
    members = [int(i) for i in union[rows[found]]]
    return tuple(members[:size]), tuple(members[size:])


# --- a complete search --------------------------------------------------------------------------


class _BudgetSpentError(Exception):
    pass


class _Search:
    """Branch and bound: the first unused part opens a set or is left over."""

    def __init__(self, columns: Columns, size: int, best: Sets, budget: int | None) -> None:
        order = sorted(range(len(columns[0])), key=lambda i: columns[0][i])
        self.columns: Columns = tuple(tuple(column[i] for i in order) for column in columns)
        self.order = order
        self.size = size
        self.best_sets = best  # in the caller's numbers
        self.best = key_of(columns, best)
        self.budget = budget
        self.made: Sets = []

    def run(self, left_over: int) -> None:
        self._next(tuple(range(len(self.order))), left_over, 0.0, 0.0)

    def _next(self, unused: tuple[int, ...], left_over: int, worst: float, total: float) -> None:
        if len(unused) == left_over:
            if better((worst, total), self.best):
                self.best = (worst, total)
                self.best_sets = [tuple(self.order[i] for i in s) for s in self.made]
            return
        first, rest = unused[0], unused[1:]
        self._grow((first,), rest, 0, unused, left_over, worst, total)
        if left_over:
            self._next(rest, left_over - 1, worst, total)

    def _grow(
        self,
        members: tuple[int, ...],
        rest: tuple[int, ...],
        start: int,
        unused: tuple[int, ...],
        left_over: int,
        worst: float,
        total: float,
    ) -> None:
        self._count()
        least = self._least_spread(members)
        if not better((max(worst, least), total + least), self.best):
            return
        if len(members) == self.size:
            taken = set(members)
            remaining = tuple(i for i in unused if i not in taken)
            self.made.append(members)
            self._next(remaining, left_over, max(worst, least), total + least)
            self.made.pop()
            return
        for at in range(start, len(rest) - (self.size - len(members)) + 1):
            self._grow((*members, rest[at]), rest, at + 1, unused, left_over, worst, total)

    def _least_spread(self, members: tuple[int, ...]) -> float:
        """The least spread a set can end with that has these members: the rest at the top."""
        least, missing = 0.0, self.size - len(members)
        for column in self.columns:
            values = [column[i] for i in members]
            top = max(values)
            total = sum(values) + missing * top
            least = max(least, (top - min(values)) * self.size / total)
        return least

    def _count(self) -> None:
        if self.budget is not None:
            self.budget -= 1
            if self.budget < 0:
                raise _BudgetSpentError


def complete_search(
    columns: Columns, size: int, count: int, best: Sets, budget: int | None
) -> tuple[Sets, bool]:
    """The best matching there is, or the best found when the budget of nodes is spent."""
    search = _Search(columns, size, best, budget)
    try:
        search.run(len(columns[0]) - size * count)
    except _BudgetSpentError:
        return search.best_sets, False
    return search.best_sets, True
