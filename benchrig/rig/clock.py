"""How fast the rig's clock runs against the host's, from statuses over time."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

ELAPSED_S_MIN = 5.0
UNCERTAINTY_PPM_MAX = 100.0
_SPAN_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockPoint:
    """A reading of both clocks; the rig's tick fell somewhere in the round trip."""

    sent_s: float
    answered_s: float
    tick: int

    @property
    def round_trip_s(self) -> float:
        """How well the two readings belong together."""
        return self.answered_s - self.sent_s

    @property
    def middle_s(self) -> float:
        """Host time best matching the tick."""
        return 0.5 * (self.sent_s + self.answered_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockRatio:
    """Host seconds in a second the rig declares, as a deviation from one."""

    ppm: float
    uncertainty_ppm: float  # half the greatest possible error, from the round trips


class ClockComparison:
    """Keeps the best point of the beginning and the best of the latest seconds."""

    def __init__(self, tick_s: float) -> None:
        self._tick_s = tick_s
        self.begin_anew()

    def begin_anew(self) -> None:
        """Forget all: the rig's ticks began anew."""
        self._first: ClockPoint | None = None
        self._begun_s = 0.0
        self._latest: deque[ClockPoint] = deque()

    def add(self, point: ClockPoint) -> None:
        """One more reading."""
        if self._first is None:
            self._first, self._begun_s = point, point.sent_s
        elif (
            point.sent_s - self._begun_s < _SPAN_S and point.round_trip_s < self._first.round_trip_s
        ):
            self._first = point
        while self._latest and point.sent_s - self._latest[0].sent_s >= _SPAN_S:
            self._latest.popleft()
        self._latest.append(point)

    def ratio(self) -> ClockRatio | None:
        """The ratio, or None while it is too coarse to be worth a number."""
        if self._first is None:
            return None
        last = min(self._latest, key=lambda point: point.round_trip_s)
        host_s = last.middle_s - self._first.middle_s
        rig_s = (last.tick - self._first.tick) * self._tick_s
        if host_s < ELAPSED_S_MIN or rig_s <= 0:
            return None
        apart_s = 0.5 * (self._first.round_trip_s + last.round_trip_s)
        uncertainty_ppm = 0.5e6 * (apart_s + self._tick_s) / host_s
        if uncertainty_ppm > UNCERTAINTY_PPM_MAX:
            return None
        return ClockRatio(ppm=1e6 * (host_s / rig_s - 1.0), uncertainty_ppm=uncertainty_ppm)
