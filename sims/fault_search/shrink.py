"""From a case that fails to the least list of faults that still fails."""

from __future__ import annotations

from collections.abc import Callable

from fault_search.case import Case


def shrink(case: Case, fails: Callable[[Case], bool]) -> tuple[int, ...]:
    """Places of a list of faults of which none can be left out (ddmin)."""
    places = tuple(range(len(case.faults)))
    if fails(case.keep(())):
        return ()
    parts = 2
    while len(places) >= 2:
        size = -(-len(places) // parts)
        chunks = [places[start : start + size] for start in range(0, len(places), size)]
        for chunk in chunks:
            rest = tuple(place for place in places if place not in chunk)
            if rest and fails(case.keep(rest)):
                places, parts = rest, max(parts - 1, 2)
                break
        else:
            if parts >= len(places):
                break
            parts = min(len(places), 2 * parts)
    return places
