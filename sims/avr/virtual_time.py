"""An event loop whose clock is the emulated processor's: nobody waits, nothing races.

While a rig is emulated on the loop, waiting runs the emulator; before that the clock jumps, as
on the simulator's loop. Time goes on for the firmware only while the host's program waits, so
the host's own work costs no emulated time and a run repeats exactly.
"""

from __future__ import annotations

import asyncio
import selectors
from typing import Any, Protocol

from benchrig_sim.virtual_time import Deadlock, VirtualTimeLoop, _JumpingSelector

SILENT_S = 60.0  # with nothing timed on the host, a rig that says nothing for so long never will


class Emulated(Protocol):
    """Something that lives on emulated time."""

    def run_for(self, seconds: float) -> bool:
        """Run for so long at the most; true when it stopped early because it has something."""
        ...

    def now_s(self) -> float:
        """Its time."""
        ...

    @property
    def heard(self) -> bool:
        """Whether anybody still listens to it."""
        ...


class _EmulatingSelector(_JumpingSelector):
    """Waiting runs whatever is emulated instead of moving a number."""

    def __init__(self) -> None:
        super().__init__()
        self.emulated: list[Emulated] = []

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if not self.emulated or self.threads or (timeout is not None and timeout <= 0.0):
            return super().select(timeout)
        if timeout is None and not any(one.heard for one in self.emulated):
            return super().select(timeout)  # the program is at its end: no rig will wake it
        ready: list[tuple[selectors.SelectorKey, int]] = self._real.select(0)
        if ready:
            return ready
        end = self.now_s + (SILENT_S if timeout is None else timeout)
        while self.now_s < end:
            if self._run(end - self.now_s):
                return []
        if timeout is None:
            raise Deadlock(f"nothing is timed, and the rig has been silent for {SILENT_S:.0f} s")
        self.now_s = max(self.now_s, end)
        return []

    def _run(self, seconds: float) -> bool:
        """One piece of time for all; with several, the first sets the pace."""
        first, *others = self.emulated
        before = first.now_s()
        found = first.run_for(seconds)
        took = first.now_s() - before
        self.now_s += took
        for other in others:
            found = other.run_for(took) or found
        return found


class EmulatedTimeLoop(VirtualTimeLoop):
    """The loop for runs on ``avr:SCENARIO``."""

    def __init__(self) -> None:
        self._jumping = _EmulatingSelector()
        asyncio.SelectorEventLoop.__init__(self, self._jumping)
        self._clock_resolution = 1e-9

    def emulate(self, something: Emulated) -> None:
        """From now on the loop's time is also this one's."""
        self._emulating().emulated.append(something)

    def forget(self, something: Emulated) -> None:
        """It no longer lives on this loop."""
        emulated = self._emulating().emulated
        if something in emulated:
            emulated.remove(something)

    def _emulating(self) -> _EmulatingSelector:
        selector: Any = self._jumping
        assert isinstance(selector, _EmulatingSelector)
        return selector


def new_event_loop() -> asyncio.AbstractEventLoop:
    """A loop factory for ``asyncio.Runner``."""
    return EmulatedTimeLoop()
