"""The limit of the timing against what can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.bench import _motion_limit
from tests.bench._motion_limit import SCALE_RANGE, limit_of
from tests.bench._motion_physics import Parameters, Waves

Array = NDArray[np.float64]

TIME: Array = np.linspace(0.0, 5.0, 501)
AT: Array = np.arange(0.1, 5.0, 0.1)
NOISE = 1e-3
LATER = 0.2  # of the end, over the range of the one parameter


def _run(size: float) -> tuple[Parameters, Array]:
    """A wave whose place is known and whose height is not; the end grows with the height."""
    drawn = {"height": np.random.default_rng(2).permutation(np.linspace(0.0, 1.0, 101))}
    return drawn, size * np.exp(-(((TIME - 2) / 0.3) ** 2))


def _p95(
    size: float, monkeypatch: pytest.MonkeyPatch, *, held: bool = False
) -> tuple[float, Array]:
    drawn, wave = _run(size)

    def run(parameters: Parameters, change: Array, duration: float) -> Waves:
        height = parameters["height"]
        shown = height * (1 - parameters.get("held", np.zeros_like(height)))
        current = 1 - np.exp(-TIME) + shown[:, None] * wave
        return Waves(TIME, current, height * 0, 1 + LATER * height, 0 * height)

    for name, value in {"TESTED": 50, "TRIALS": 20, "SAMPLES": 4000}.items():
        monkeypatch.setattr(_motion_limit, name, value)
    limit = limit_of(
        drawn,
        run,
        {"height": False},
        lambda w: np.ones(len(w.end), np.bool_),
        0.1,
        5.0,
        {"held": np.ones(1)} if held else None,
    )
    return limit.p95(AT, NOISE, NOISE / 5 if held else None), wave


def test_a_record_that_says_nothing_leaves_the_spread(monkeypatch: pytest.MonkeyPatch) -> None:
    """The middle of the range is then the best answer, so errors are even in +-half of it."""
    found, _ = _p95(1e-7, monkeypatch)
    assert found == pytest.approx(LATER * 0.475, rel=0.05)


def test_a_clear_record_leaves_the_noise(monkeypatch: pytest.MonkeyPatch) -> None:
    """Least squares for height, time constant and final current together (BLUE)."""
    found, wave = _p95(0.05, monkeypatch)
    _agrees(found, wave, 1.0)


def test_a_recording_of_the_coil_held_tells_the_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same by hand, with a second record that the height does not change."""
    for name in _motion_limit.OTHERWISE:  # nothing had changed since
        monkeypatch.setitem(_motion_limit.OTHERWISE, name, 1e-9)
    found, wave = _p95(0.05, monkeypatch, held=True)
    plain, _ = _p95(0.05, monkeypatch)
    assert found < 0.9 * plain
    _agrees(found, wave, 0.2)


def _agrees(found: float, wave: Array, held_noise: float) -> None:
    """95 % of |error| against least squares; noise of the part held over that of the record."""
    rise = 1 - np.exp(-TIME) + 0.5 * wave
    rows = (wave, -TIME * np.gradient(rise, TIME) * SCALE_RANGE, rise * SCALE_RANGE)
    slopes = np.array([np.interp(AT, TIME, row) for row in rows]) / NOISE
    if held_noise < 1:
        still = 1 - np.exp(-TIME)
        held = (0 * TIME, -TIME * np.gradient(still, TIME) * SCALE_RANGE, still * SCALE_RANGE)
        beside = np.array([np.interp(AT, TIME, row) for row in held]) / (NOISE * held_noise)
        slopes = np.hstack([slopes, beside])
    ends = np.array([LATER, SCALE_RANGE * (1 + LATER / 2), 0.0])
    deviation = float(np.sqrt(ends @ np.linalg.solve(slopes @ slopes.T, ends)))
    assert deviation < 0.02 * LATER  # the bounds of the spread hardly matter
    assert found == pytest.approx(1.96 * deviation, rel=0.08)
