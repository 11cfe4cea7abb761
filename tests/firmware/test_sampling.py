"""Conversions happen when their stamps say, whatever else the processor has to do."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from avr.emulator import HZ
from benchrig.wire.messages import Samples, Start, Stream
from tests.firmware.bare_rig import TICK_CYCLES, BareRig, schedule

LATE_S_MOST = 20e-6  # an edge or a request can hold a conversion up so long
LATE_S = 8e-6
LATE_SHARE_MOST = 0.01  # later than that is rare
STAMP_S = 1.5e-6  # a tick, and where in its interrupt the conversion is started
TRIP_INPUT = 3
PULSES = schedule((1, 40_000, 0), (0, 40_000, 0), repeats=6)


@pytest.fixture
def rig() -> Iterator[BareRig]:
    rig = BareRig()
    yield rig
    rig.close()


def lateness(rig: BareRig, inputs_mask: int, scan_period_us: int) -> NDArray[np.float64]:
    """Seconds from each conversion's stamp to its start, by the clock of the edges' stamps."""
    assert rig.conversions is not None
    streamed = np.array([c for c, channel in rig.conversions if inputs_mask >> channel & 1])
    step = scan_period_us * 1e-6 * HZ / inputs_mask.bit_count()
    told = np.concatenate(
        [b.tick * TICK_CYCLES + np.arange(b.count) * step for b in rig.of(Samples)]
    )
    boot = rig.emulator.take_edges()[0].cycle - rig.schedule_edges()[0].tick * TICK_CYCLES
    late: NDArray[np.float64] = (streamed[: len(told)] - told - boot) / HZ
    return late


@pytest.mark.parametrize(
    ("inputs_mask", "scan_period_us"),
    [(0b0010010, 100), (0b0110100, 150), (0b0010010, 200)],
    ids=["two inputs at 20 kS/s", "three inputs at 20 kS/s", "two inputs at 10 kS/s"],
)
def test_a_stream_beside_the_trip_keeps_its_slots(
    rig: BareRig, inputs_mask: int, scan_period_us: int
) -> None:
    """The trip converts its own input in between: it must neither delay nor swallow a slot."""
    rig.conversions = []
    rig.start(PULSES, Stream(inputs_mask=inputs_mask, scan_period_us=scan_period_us))
    rig.run_s(0.5, beating=True)
    trips = [c for c, channel in rig.conversions if channel == TRIP_INPUT]
    assert len(trips) > 500, "the trip did not watch"
    assert rig.blocks_lost() == 0
    late_s = lateness(rig, inputs_mask, scan_period_us)
    assert len(late_s) > 0.4 * inputs_mask.bit_count() / (scan_period_us * 1e-6)
    assert abs(np.median(late_s)) < STAMP_S
    assert (late_s > LATE_S).mean() < LATE_SHARE_MOST
    assert -STAMP_S < late_s.min() < late_s.max() < LATE_S_MOST


@pytest.mark.parametrize("wait_us", range(0, 50, 5))
def test_a_stream_is_stamped_right_wherever_in_a_slot_it_begins(rig: BareRig, wait_us: int) -> None:
    rig.load(schedule((1, 2_000, 0), (0, 2_000, 0)))
    rig.close_feed()
    rig.run_s(wait_us * 1e-6)
    rig.conversions = []
    rig.ask(Stream(inputs_mask=0b0010010, scan_period_us=100))
    rig.status()
    rig.emulator.take_edges()
    rig.do(Start(schedule_id=7))
    rig.run_s(0.02)
    assert abs(np.median(lateness(rig, 0b0010010, 100))) < STAMP_S
