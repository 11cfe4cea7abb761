"""What is to happen in a simulated rig, in order of true time."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from dataclasses import dataclass
from math import inf


@dataclass(slots=True)
class Due:
    """Something that will happen at a time; it may be put off until then."""

    act: Callable[[], None]
    boot: int | None  # None: outlives a reset
    irq: bool
    not_before: float

    def put_off(self, t: float) -> None:
        """Let it happen at a later time. Costs nothing until its earlier time has come."""
        self.not_before = t


class Agenda:
    """Everything that is due, the next first."""

    def __init__(self) -> None:
        self._due: list[tuple[float, int, Due]] = []
        self._number = 0

    def put(self, t: float, act: Callable[[], None], *, boot: int | None, irq: bool) -> Due:
        """Do something at a true time; of two at one time, what was put first."""
        self._number += 1
        due = Due(act, boot, irq, t)
        heapq.heappush(self._due, (t, self._number, due))
        return due

    def next_s(self) -> float:
        """When the next thing happens; inf: nothing is to come."""
        while self._due:
            t, number, due = self._due[0]
            if due.not_before <= t:
                return t
            heapq.heapreplace(self._due, (due.not_before, number, due))
        return inf

    def take(self) -> Due:
        """The next thing, which is then no longer to come."""
        return heapq.heappop(self._due)[2]
