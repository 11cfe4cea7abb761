"""Room and time that the firmware takes, measured in the emulator."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from benchrig.firmware import build
from benchrig.wire.messages import Stream
from tests.firmware.bare_rig import BareRig, schedule

FAST = Stream(inputs_mask=0b0011000, scan_period_us=100)
RX_CYCLES_MOST = 2 * 160  # two bytes wait in the receiver; the emulator would not lose a third


@pytest.fixture
def rig() -> Iterator[BareRig]:
    rig = BareRig()
    yield rig
    rig.close()


def test_static_memory_and_the_deepest_stack_fit(rig: BareRig) -> None:
    rig.start(schedule((1, 300, 0), (0, 300, 0), repeats=3_000), FAST)
    rig.emulator.watch_stack(True)
    rig.run_s(0.25, beating=True)
    rig.run_s(0.30)  # through a fault as well
    rig.emulator.watch_stack(False)
    assert rig.emulator.stack_bytes_most > 60, "nothing was watched"
    assert build.committed().ram_bytes + rig.emulator.stack_bytes_most <= build.RAM_BYTES_MOST
    assert build.committed().flash_bytes <= build.FLASH_BYTES_MOST


def test_load_and_waits_under_the_fastest_stream(rig: BareRig) -> None:
    rig.start(schedule((4, 2_500, 0), (0, 7_500, 0), repeats=100), FAST)
    slept, since = rig.emulator.slept_cycles, rig.emulator.cycle
    rig.run_s(0.8, beating=True)
    busy = 1.0 - (rig.emulator.slept_cycles - slept) / (rig.emulator.cycle - since)
    assert 0.5 < busy < 0.97
    assert rig.emulator.latency_most("USART_RX") <= RX_CYCLES_MOST
    assert rig.emulator.latency_most("TIMER1_COMPA") <= 170, "later, an edge would show it"
    assert rig.emulator.resets == 0
