"""The two clocks compared: no number while it is coarse, the right one afterwards."""

from __future__ import annotations

import random

import pytest

from benchrig.rig.clock import ClockComparison, ClockPoint

TICK_S = 500e-9


def compared(seconds: float, drift_ppm: float, seed: int, trip_s: float = 0.003) -> ClockComparison:
    """Statuses every 100 ms over a link whose delay wanders; the rig's clock runs fast."""
    generator = random.Random(seed)
    clock = ClockComparison(TICK_S)
    for beat in range(int(seconds * 10)):
        sent = 100.0 + 0.1 * beat + 0.002 * generator.random()
        there, back = (trip_s * (0.1 + generator.random() ** 3) for _ in range(2))
        rig_s = (sent + there) * (1 + drift_ppm * 1e-6)
        tick = round(rig_s / TICK_S)
        clock.add(ClockPoint(sent_s=sent, answered_s=sent + there + back, tick=tick))
    return clock


@pytest.mark.parametrize("drift_ppm", [-80.0, 0.0, 35.0])
def test_the_drift_is_found_within_its_uncertainty(drift_ppm: float) -> None:
    for seed in range(20):
        ratio = compared(120, drift_ppm, seed).ratio()
        assert ratio is not None
        # A rig whose clock runs fast declares more seconds than the host counts.
        assert abs(ratio.ppm + drift_ppm) <= 2 * ratio.uncertainty_ppm + 0.01
        assert ratio.uncertainty_ppm < 10


def test_there_is_no_number_too_early_or_over_a_slow_link() -> None:
    assert ClockComparison(TICK_S).ratio() is None
    assert compared(3, 0, 1).ratio() is None
    assert compared(8, 0, 1, trip_s=0.5).ratio() is None
