"""The emulated rig as a link in this process, on the emulator's own time."""

from __future__ import annotations

import asyncio
from math import ceil

from avr.build import ToolMissing
from avr.emulator import FIRMWARE_ELF, HZ, Emulator
from avr.plant import Bench, open_bench
from avr.virtual_time import EmulatedTimeLoop
from benchrig.errors import LinkError, UsageError
from benchrig.rig.link import BREAK_S, Inbox

BOOT_S = 0.03  # a rig on the bench has long been powered when somebody opens its port
GATHER_S = 0.025  # how long samples are gathered; all else is seen as soon as it is there


class AvrLink:
    """One host's handle on an emulated rig; the rig goes on when it is closed."""

    def __init__(self, emulator: Emulator, bench: Bench, name: str, loop: EmulatedTimeLoop) -> None:
        self.emulator = emulator
        self.bench = bench
        self._name = name
        self._loop = loop
        self._inbox = Inbox()
        loop.emulate(self)

    @property
    def name(self) -> str:
        """What the person typed."""
        return self._name

    def now_s(self) -> float:
        """The rig's true time."""
        return self.emulator.now_s

    @property
    def heard(self) -> bool:
        """Whether the host still has this link open."""
        return not self._inbox.closed

    def run_for(self, seconds: float) -> bool:
        """Called by the loop when the host waits."""
        wait = min(seconds, GATHER_S, self.bench.next_s() - self.emulator.now_s)
        cycles = max(1, ceil(wait * HZ))
        self.emulator.run_to(self.emulator.cycle + cycles, stop_when_said=True)
        self.bench.on_time(self.emulator.cycle)
        if self.bench.unplugged and not self._inbox.closed:
            self._inbox.close(LinkError(f"{self._name}: the rig is gone"))
            return True
        data = self.emulator.read()
        if not data or self._inbox.closed:
            return False
        self._inbox.put(data)
        return True

    async def read(self) -> bytes:
        """See benchrig.rig.link.Link."""
        return await self._inbox.read()

    def write(self, data: bytes) -> None:
        """See benchrig.rig.link.Link."""
        self._inbox.check()
        self.emulator.write(data)

    async def send_break(self) -> None:
        """See benchrig.rig.link.Link."""
        self._inbox.check()
        self.emulator.send_break(BREAK_S)
        await asyncio.sleep(BREAK_S)

    async def close(self) -> None:
        """Let go of the line; the rig stays powered, and goes on by itself."""
        self._inbox.close()

    def power_off(self) -> None:
        """The rig is gone for good; its memory is freed."""
        self._loop.forget(self)
        self._inbox.close()
        self.emulator.close()


def open_bench_link(bench: Bench, name: str = "avr") -> AvrLink:
    """A link to a rig with this bench behind it, powered on just now, on the running loop."""
    loop = asyncio.get_running_loop()
    if not isinstance(loop, EmulatedTimeLoop):
        raise UsageError(
            "an emulated rig needs the emulator's event loop",
            advice="run with asyncio.Runner(loop_factory=avr.virtual_time.new_event_loop)",
        )
    try:
        emulator = Emulator(elf=FIRMWARE_ELF, on_adc=bench.on_adc, on_pins=bench.on_pins)
    except ToolMissing as error:
        raise UsageError(str(error)) from error
    bench.attach(emulator)
    emulator.run_s(BOOT_S)
    return AvrLink(emulator, bench, name, loop)


def open_avr_link(scenario: str) -> AvrLink:
    """The firmware in an emulator with a scenario's parts on it."""
    return open_bench_link(open_bench(scenario), f"avr:{scenario}")
