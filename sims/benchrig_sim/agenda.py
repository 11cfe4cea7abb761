"""What is to happen in a simulated rig, in order of true time."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass, field
from math import inf


@dataclass(order=True, slots=True)
class Due:
    """Something that will happen at a time; it may be put off until then."""

    t: float
    number: int
    act: Callable[[], None] = field(compare=False)
    boot: int | None = field(compare=False)  # None: outlives a reset
    irq: bool = field(compare=False)
    not_before: float = field(compare=False)

    def put_off(self, t: float) -> None:
        """Let it happen at a later time. Costs nothing until its earlier time has come."""
        self.not_before = t


class Agenda:
    """Everything that is due, the next first."""

    def __init__(self) -> None:
        self._due: list[Due] = []
        self._number = 0

    def put(self, t: float, act: Callable[[], None], *, boot: int | None, irq: bool) -> Due:
        """Do something at a true time; of two at one time, what was put first."""
        self._number += 1
        due = Due(t, self._number, act, boot, irq, t)
        heapq.heappush(self._due, due)
        return due

    def next_s(self) -> float:
        """When the next thing happens; inf: nothing is to come."""
        due = self._due
        while due and due[0].not_before > due[0].t:
            first = due[0]
            first.t = first.not_before
            heapq.heapreplace(due, first)
        return due[0].t if due else inf

    def take(self) -> Due:
        """The next thing, which is then no longer to come."""
        return heapq.heappop(self._due)
