"""Conversions happen when their stamps say, whatever else the processor has to do."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from avr.emulator import HZ
from benchrig.wire.messages import Samples, Stream
from tests.firmware.bare_rig import TICK_CYCLES, BareRig, schedule

LATE_S = 8e-6  # a conversion this late is one that an edge or a request held up
LATE_SHARE_MOST = 0.004
TRIP_INPUT = 3
PULSES = schedule((1, 40_000, 0), (0, 40_000, 0), repeats=6)


@pytest.fixture
def rig() -> Iterator[BareRig]:
    rig = BareRig()
    yield rig
    rig.close()


@pytest.mark.parametrize(
    ("inputs_mask", "scan_period_us", "late_s_most"),
    [(0b0010010, 100, 50.5e-6), (0b0110100, 150, 50.5e-6), (0b0010010, 200, 12e-6)],
    ids=["two inputs at 20 kS/s", "three inputs at 20 kS/s", "two inputs at 10 kS/s"],
)
def test_a_stream_beside_the_trip_keeps_its_slots(
    rig: BareRig, inputs_mask: int, scan_period_us: int, late_s_most: float
) -> None:
    """The trip converts its own input in between: it must neither delay nor swallow a slot."""
    rig.conversions = []
    rig.start(PULSES, Stream(inputs_mask=inputs_mask, scan_period_us=scan_period_us))
    rig.run_s(0.5, beating=True)
    streamed = np.array([c for c, channel in rig.conversions if inputs_mask >> channel & 1])
    trips = [c for c, channel in rig.conversions if channel == TRIP_INPUT]
    assert len(trips) > 500, "the trip did not watch"
    assert rig.blocks_lost() == 0
    blocks = rig.of(Samples)
    inputs = inputs_mask.bit_count()
    told = np.concatenate(
        [
            b.tick * TICK_CYCLES + np.arange(b.count) * (scan_period_us * 1e-6 * HZ / inputs)
            for b in blocks
        ]
    )
    late_s = (streamed[: len(told)] - told) / HZ  # paired from the first conversion on
    late_s -= np.median(late_s)  # the rig's ticks begin with its boot
    assert len(told) > 0.4 * inputs / (scan_period_us * 1e-6)
    assert (late_s > LATE_S).mean() < LATE_SHARE_MOST
    assert -1e-6 < late_s.min() < late_s.max() < late_s_most
