"""References of a part that is good: recordings compared with later ones.

All coils are of the second physics (``tests.bench._motion_physics``).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from benchrig.errors import ExitCode
from benchrig.measure.linkage import Pulse
from benchrig.measure.motion_reference import (
    Likeness,
    MotionComparison,
    MotionReference,
    compare_with_reference,
    record_reference,
)
from tests.bench import _motion_physics as physics
from tests.cli.shell import Shell

Array = NDArray[np.float64]

TAU_S = 0.827586e-3
TIME: Array = np.arange(58, dtype=np.float64) * 1e-4
NOISE_A = 1e-3


def _coils(change: float, *, stuck: bool) -> physics.Waves:
    """The same coils moving and stuck: one seed."""
    return physics.simulate(np.random.default_rng(31), np.full(12, change), 7.1, stuck=stuck)


def _cycles(waves: physics.Waves, which: int, count: int, seed: int) -> Array:
    rng = np.random.default_rng(seed)
    clean = 0.931 * np.interp(TIME / TAU_S, waves.time, waves.current[which])
    return np.asarray(clean + rng.normal(0, NOISE_A, (count, len(TIME))))


def _pulses(cycles: Array) -> list[Pulse]:
    volts = np.ones(len(TIME))
    return [Pulse(time_s=TIME, current_a=row, voltage_v=volts, noise_a=NOISE_A) for row in cycles]


def _golden(waves: physics.Waves, which: int) -> MotionReference:
    return record_reference(_pulses(_cycles(waves, which, 25, 1)))


def _compared(
    waves: physics.Waves, which: int, seed: int, golden: MotionReference
) -> MotionComparison:
    return compare_with_reference(_pulses(_cycles(waves, which, 1, seed)), golden)


@pytest.fixture(scope="module")
def pair() -> tuple[physics.Waves, physics.Waves, int]:
    moving, stuck = _coils(0.1, stuck=False), _coils(0.1, stuck=True)
    good = np.flatnonzero((moving.end > 0.9) & (moving.end < 2.5) & (moving.landing > 1.3))
    return moving, stuck, int(good[0])


def test_the_same_part_again_is_alike(pair: tuple[physics.Waves, physics.Waves, int]) -> None:
    moving, _, which = pair
    golden = _golden(moving, which)
    again = _compared(moving, which, 2, golden)
    assert again.likeness is Likeness.ALIKE, again
    assert again.share is not None
    assert again.share.value == pytest.approx(1.0, abs=3 * again.share.std_uncertainty)
    assert again.end_later_s is not None


def test_a_blocked_part_is_said_not_to_move(
    pair: tuple[physics.Waves, physics.Waves, int],
) -> None:
    moving, stuck, which = pair
    golden = _golden(moving, which)
    blocked = _compared(stuck, which, 3, golden)
    assert blocked.likeness is Likeness.NO_MOVEMENT, blocked
    assert blocked.share is not None
    assert blocked.share.value < 0.35


def test_another_coil_is_not_alike(pair: tuple[physics.Waves, physics.Waves, int]) -> None:
    moving, _, which = pair
    golden = _golden(moving, which)
    ends = moving.end - moving.end[which]
    other = int(np.nanargmax(np.where(moving.end < 3.0, np.abs(ends), np.nan)))
    found = _compared(moving, other, 4, golden)
    assert found.likeness in (Likeness.OTHERWISE, Likeness.NO_MOVEMENT)


def test_a_reference_must_show_its_movement(
    pair: tuple[physics.Waves, physics.Waves, int],
) -> None:
    _, stuck, which = pair
    with pytest.raises(ValueError, match="must show its movement"):
        _golden(stuck, which)


def test_a_waveform_is_compared_with_one_of_the_good_part(
    pair: tuple[physics.Waves, physics.Waves, int], tmp_path: Path
) -> None:
    """By the command, from files: the same part, the same part blocked, and a poor reference."""

    def file(name: str, waves: physics.Waves, seed: int, points: int = 58) -> str:
        (cycle,) = _cycles(waves, which, 1, seed)
        rows = [f"{t:.4f},{i:.6f}" for t, i in zip(TIME[:points], cycle[:points], strict=True)]
        (tmp_path / name).write_text("\n".join(["time_s,current_a", *rows]))
        return str(tmp_path / name)

    moving, stuck, which = pair
    good = file("good.csv", moving, 1)
    shell = Shell(folder=tmp_path)
    again = shell("analyse", file("again.csv", moving, 2, points=56), "--reference", good)
    assert again.json["reference"]["likeness"] == Likeness.ALIKE, again.stdout
    blocked = file("blocked.csv", stuck, 3)
    assert shell("analyse", blocked, "--reference", good).json["reference"]["likeness"] == (
        Likeness.NO_MOVEMENT
    )
    backwards = shell("analyse", good, "--reference", blocked)
    assert backwards.code == ExitCode.INPUT_FILE
    assert "must show its movement" in backwards.stderr
