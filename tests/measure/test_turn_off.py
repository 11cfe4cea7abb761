"""Turn-off against closed forms, at the rates where it can be read and where it cannot."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from benchrig.measure.features import TurnOff
from benchrig.measure.turn_off import Decay, assess_turn_off
from benchrig.quantity import Measured

V, R, L = 13.5, 14.5, 12e-3
TOP, TAU = V / R, L / R


def to_a_tenth_s(across_v: float) -> float:
    """Closed form: L di/dt + R i = -across until a tenth is left."""
    drop = TOP * R
    return TAU * math.log((drop + across_v) / (0.1 * drop + across_v))


@pytest.mark.parametrize(
    ("across_v", "to_tenth_ms"),
    # Closed form, reference coil: diode; diode and 24 V zener; low-side clamps of 36 and 60 V.
    [(0.7, 1.6017), (24.7, 0.3168), (22.5, 0.3407), (46.5, 0.1873)],
)
def test_decay_times_of_the_reference_coil(across_v: float, to_tenth_ms: float) -> None:
    assert to_a_tenth_s(across_v) * 1e3 == pytest.approx(to_tenth_ms, rel=3e-4)
    found = assess_turn_off(decay(across_v, 400_000.0, noise=1e-5)).decay_s
    assert found is not None
    assert found.value * 1e3 == pytest.approx(to_tenth_ms, abs=2.5e-3)  # a sample's interval


def decay(
    across_v: float, rate: float, seed: int = 0, dent: Any = 0.0, noise: float = 5e-4
) -> Decay:
    rng = np.random.default_rng(seed)
    time: Any = (np.arange(int(6e-3 * rate)) + rng.uniform(0, 1)) / rate
    a = across_v / R
    current = np.maximum(0.0, (TOP + a) * np.exp(-time / TAU) - a)
    if callable(dent):
        current = current + dent(time) * (current > 0)
    return Decay(
        time_s=time,
        current_a=current + rng.normal(0, noise, time.size),
        current_at_off_a=TOP,
        noise_a=noise,
        clamp="test clamp",
        resistance_ohm=Measured(value=R, std_uncertainty=0.02, unit="ohm"),
    )


def test_time_and_clamp_level_are_covered() -> None:
    inside = {"time": 0, "level": 0}
    levels = 0
    for seed in range(200):
        across = float(np.random.default_rng(seed).uniform(0.7, 30.0))
        found = assess_turn_off(decay(across, 40_000.0, seed))
        assert found.assessed
        assert found.clamp == "test clamp"
        assert found.decay_s is not None
        exact = to_a_tenth_s(across)
        inside["time"] += abs(found.decay_s.value - exact) <= 2 * found.decay_s.std_uncertainty
        if found.clamp_voltage_v is not None:
            levels += 1
            error = abs(found.clamp_voltage_v.value - across)
            inside["level"] += error <= 2 * found.clamp_voltage_v.std_uncertainty
    assert levels > 150
    assert inside["time"] >= 190
    assert inside["level"] >= 0.92 * levels


def test_too_slow_for_the_clamp_is_said() -> None:
    found = assess_turn_off(decay(46.5, 10_000.0))
    assert not found.assessed
    assert "too slowly" in found.reason
    assert found.decay_s is None


def test_a_rig_that_does_not_see_it_and_a_part_without_current() -> None:
    seen = decay(0.7, 10_000.0)
    for change, text in (
        ({"sees_turn_off": False}, "does not see"),
        ({"current_at_off_a": 0.005}, "no current"),
        ({"time_s": seen.time_s[:2], "current_a": seen.current_a[:2]}, "few samples"),
        ({"current_a": seen.current_a + 0.5}, "not fallen"),
    ):
        fields = {name: getattr(seen, name) for name in Decay.__slots__}
        found = assess_turn_off(Decay(**{**fields, **change}))
        assert not found.assessed
        assert text in found.reason


def seat(time: Any) -> Any:
    """Back-EMF of a closing armature: the current is held up until the seat at 1.2 ms."""
    return 0.05 * np.clip((time - 0.7e-3) / 0.5e-3, 0, None) ** 2 * (time < 1.2e-3)


def closing(found: TurnOff) -> Measured | None:
    assert found.assessed
    return found.closing_s


def test_closing_is_seen_with_a_diode_and_not_made_up() -> None:
    for seed in range(20):
        found = closing(assess_turn_off(decay(0.7, 40_000.0, seed, seat)))
        assert found is not None
        assert abs(found.value - 1.2e-3) < 3 * found.std_uncertainty
        noisy = assess_turn_off(decay(0.7, 40_000.0, seed, noise=6e-3))
        assert closing(noisy) is None
        still = assess_turn_off(decay(0.7, 40_000.0, seed))
        assert closing(still) is None
        assert "no closing signature" in still.reason


def test_iron_alone_never_closes() -> None:
    """Eddy currents: a sum of falling exponentials, however slow the second, is no seat."""
    for seed in range(20):
        time = np.arange(240) / 40_000.0
        current = 0.7 * np.exp(-time / 0.6e-3) + 0.23 * np.exp(-time / 2e-3)
        rng = np.random.default_rng(seed)
        found = assess_turn_off(
            Decay(
                time_s=time,
                current_a=current + rng.normal(0, 1e-3, time.size),
                current_at_off_a=0.93,
                noise_a=1e-3,
                clamp="diode",
            )
        )
        assert closing(found) is None


def test_closing_with_a_fast_clamp_is_not_assessed() -> None:
    found = assess_turn_off(decay(22.5, 20_000.0))
    assert found.assessed
    assert found.closing_s is None
    assert "closing not assessed" in found.reason
