"""The emulated rig as a link in this process, on the emulator's own time."""

from __future__ import annotations

import asyncio

from avr.build import ToolMissing
from avr.emulator import FIRMWARE_ELF, HZ, Emulator
from avr.plant import Bench, open_bench
from avr.virtual_time import EmulatedTimeLoop
from benchrig.errors import UsageError
from benchrig.rig.link import BREAK_S, Inbox

BOOT_S = 0.03  # a rig on the bench has long been powered when somebody opens its port
LOOK_S = 0.0005  # how soon an answer is seen
GATHER_S = 0.010  # and how long what comes by itself is gathered


class AvrLink:
    """One host's handle on an emulated rig; the rig goes on when it is closed."""

    def __init__(self, emulator: Emulator, bench: Bench, name: str, loop: EmulatedTimeLoop) -> None:
        self.emulator = emulator
        self.bench = bench
        self._name = name
        self._loop = loop
        self._inbox = Inbox()
        self._asked = False
        loop.emulate(self)

    @property
    def name(self) -> str:
        """What the person typed."""
        return self._name

    def now_s(self) -> float:
        """The rig's true time."""
        return self.emulator.now_s

    def run_for(self, seconds: float) -> bool:
        """Called by the loop when the host waits."""
        look = LOOK_S if self._asked else GATHER_S
        cycles = max(1, round(min(seconds, look) * HZ))
        self.emulator.run_to(self.emulator.cycle + cycles)
        self.bench.on_time(self.emulator.cycle)
        data = self.emulator.read()
        if not data or self._inbox.closed:
            return False
        self._asked = False
        self._inbox.put(data)
        return True

    async def read(self) -> bytes:
        """See benchrig.rig.link.Link."""
        return await self._inbox.read()

    def write(self, data: bytes) -> None:
        """See benchrig.rig.link.Link."""
        self._inbox.check()
        self.emulator.write(data)
        self._asked = True

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
