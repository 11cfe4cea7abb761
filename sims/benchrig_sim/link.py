"""The simulated rig as a link in this process, on the running loop's time.

``open_sim_link("healthy?seed=3&fault=welded-output@cycle2")`` has the shape of
``benchrig.rig.link.Link``. Wake-ups are what a simulated hour costs, so samples are gathered
for ``GATHER_S``; answers go over at once, with all that came before them. That is several of a
host's heartbeats, so that while they beat they fetch it all.
"""

from __future__ import annotations

import asyncio
from math import inf

from benchrig.errors import LinkError
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario

GATHER_S = 0.5
LOOK_S = 0.02  # an edge or a fault is told this soon
CLOCK_WIDTH_S = 2e-9  # twice the resolution of the virtual clock


class SimLink:
    """One host's handle on a simulated rig. A rig may outlive it and be given to another."""

    def __init__(self, rig: SimRig, name: str = "sim") -> None:
        self.rig = rig
        self._name = name
        self._loop = asyncio.get_running_loop()
        self._offset_s = rig.now_s - self._loop.time()
        self._plugged_in = rig.plugged_in
        self._data: list[bytes] = []
        self._ready = asyncio.Event()
        self._closed = False
        self._broken = False
        self._timer: asyncio.TimerHandle | None = None
        self._woken_s = -inf
        self._plan()

    @property
    def name(self) -> str:
        """What the person typed."""
        return self._name

    def now_s(self) -> float:
        """The rig's true time now."""
        return self._loop.time() + self._offset_s

    async def read(self) -> bytes:
        """Bytes that have come; b"" once closed; LinkError when unplugged."""
        while not self._data:
            if self._broken:
                self._raise_broken()
            if self._closed:
                return b""
            self._ready.clear()
            await self._ready.wait()
        data = b"".join(self._data)
        self._data.clear()
        return data

    def write(self, data: bytes) -> None:
        """Send; the rig has it at once."""
        come = self.ask(data)
        if come:
            self._data.append(come)
            self._ready.set()

    def ask(self, data: bytes) -> bytes:
        """Send, and take all that has come by then; nobody who reads is woken for it."""
        self._check()
        now = self.now_s()
        self.rig.on_bytes(data, now)
        self._data.append(self._fetch(now))
        if self._broken:
            self._raise_broken()
        come = b"".join(self._data)
        self._data.clear()
        return come

    async def send_break(self) -> None:
        """Hold the line low."""
        self._check()
        now = self.now_s()
        self.rig.on_break(now)
        self._deliver(now)

    async def close(self) -> None:
        """Let go; the rig goes on by itself."""
        self._closed = True
        self._stop_looking()
        self._ready.set()

    def again(self) -> SimLink:
        """The same rig through a new link, as after plugging it in again."""
        self.rig.advance(self.now_s())
        if self.rig.unplugged:
            self._raise_broken()
        return SimLink(self.rig, self._name)

    def _check(self) -> None:
        if self._broken:
            self._raise_broken()
        if self._closed:
            raise LinkError("the link is closed")

    def _raise_broken(self) -> None:
        raise LinkError(
            f"{self._name}: the rig is gone", advice="look at the cable and the rig's power"
        )

    def _deliver(self, now: float) -> None:
        """Give what the rig has said by now to whoever reads."""
        data = self._fetch(now)
        if data:
            self._data.append(data)
            self._ready.set()

    def _fetch(self, now: float) -> bytes:
        """What the rig has said by now; the next look is planned."""
        self._woken_s = now
        data = self.rig.advance(now)
        if self.rig.unplugged or self.rig.plugged_in != self._plugged_in:
            self._broken = True
            self._ready.set()
            return b""
        self._plan()
        return data

    def _plan(self) -> None:
        """Look when there may be news. A look that comes too early plans again, at less cost."""
        timer = self._timer
        if self._closed or self._broken:
            self._stop_looking()
            return
        busy = self.rig.sampler is not None or self.rig.firmware.feed_closed
        soonest = max(self.rig.next_event_s(), self._woken_s + LOOK_S)
        when = min(soonest, self._woken_s + GATHER_S if busy else inf) - self._offset_s
        if timer is not None and timer.when() <= when:
            return
        self._stop_looking()
        if when < inf:
            self._timer = self._loop.call_at(when, self._look)

    def _stop_looking(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _look(self) -> None:
        """Fetch when the rig has said something or long enough was gathered."""
        self._timer = None
        now = self.now_s()
        said = self.rig.has_said(now)
        # What is due now waits for a look of ours: planning again would plan for now again, for
        # ever. The loop may call early by its clock's resolution, so "now" has a width.
        due = self.rig.next_event_s() <= now + CLOCK_WIDTH_S
        if said or due or now - self._woken_s >= GATHER_S - 1e-9:
            self._deliver(now)
        else:
            self._plan()


def open_sim_link(spec: str) -> SimLink:
    """A link to a rig that was powered on just now. spec: NAME or a path, then ?key=value&..."""
    return SimLink(SimRig(open_scenario(spec).rig), f"sim:{spec}")
