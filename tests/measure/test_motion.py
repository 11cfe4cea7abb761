"""Armature motion: the detector at its rate, the three answers, the instants with their u.

Coils come from ``tests.bench._motion_physics``, a second physics written apart from the
product's own family (mass, spring, bounce, diffusing flux), so nothing here is tested on the
simulation it was built from.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from benchrig.measure import motion as motion_module
from benchrig.measure.features import MotionAnswer
from benchrig.measure.motion import END_MODEL, assess_batch, assess_motion, assess_motions
from benchrig.measure.motion_record import estimate_noise
from tests.bench import _motion_physics as physics

Array = NDArray[np.float64]

TAU_S = 0.827586e-3  # the 14.5 ohm, 12 mH reference coil
FINAL_A = 0.931034
STEP_A = 2.0 / 1024
SLOW_COVERED = 0.8  # of ends within 2 u, slow and soft landings alone: short of 0.95
NOISE_A = float(np.hypot(1e-3, STEP_A / np.sqrt(12)))
TIME: Array = np.asarray(np.arange(50) * 1e-4, dtype=np.float64)


def _codes(waves: physics.Waves, seed: int) -> Array:
    """Samples at 10 kS/s with 1 mA of noise, through 10 bits over 2 A."""
    rng = np.random.default_rng(seed)
    clean = np.array([np.interp(TIME / TAU_S, waves.time, line) for line in waves.current])
    noisy = FINAL_A * clean + rng.normal(0.0, 1e-3, clean.shape)
    return np.asarray(np.round(noisy / STEP_A) * STEP_A)


@pytest.fixture(scope="module")
def stuck() -> Array:
    rng = np.random.default_rng(71)
    return _codes(physics.simulate(rng, np.full(500, 0.1), 6.2, stuck=True), 1)


@pytest.fixture(scope="module")
def moving() -> tuple[Array, Array, Array]:
    """Currents, starts and ends of coils that change by 10 % and land with speed."""
    rng = np.random.default_rng(72)
    waves = physics.simulate(rng, np.full(250, 0.1), 6.2)
    fit = (waves.end > 0.9) & (waves.end < 2.5) & (waves.end - waves.start < 0.65)
    return _codes(waves, 2)[fit], waves.start[fit] * TAU_S, waves.end[fit] * TAU_S


def test_stuck_coils_are_rarely_called_moved(stuck: Array) -> None:
    batch = assess_batch(TIME, stuck, noise_a=NOISE_A, false_alarm_rate=0.01)
    assert not any(batch.reasons)
    assert np.count_nonzero(batch.moved) <= 12  # 5 expected; 12 is past 3 standard deviations


def test_moving_coils_are_found_and_timed(moving: tuple[Array, Array, Array]) -> None:
    currents, _, ends = moving
    batch = assess_batch(TIME, currents, noise_a=NOISE_A)
    assert np.mean(batch.moved) >= 0.99
    errors = np.abs(batch.end_s - ends)
    assert np.median(errors) < 20e-6
    assert np.quantile(errors, 0.9) < 60e-6


def _stated(ends: Array, currents: Array) -> tuple[Array, Array]:
    """|error| and standard uncertainty of the ends that were timed."""
    batch = assess_batch(TIME, currents, noise_a=NOISE_A)
    timed = batch.moved & np.isfinite(batch.end_s)
    assert np.mean(timed) > 0.9
    stated = np.hypot(batch.end_posterior_s, END_MODEL * batch.tau_s)
    return np.abs(batch.end_s - ends)[timed], stated[timed]


def test_the_uncertainty_covers_brisk_armatures(moving: tuple[Array, Array, Array]) -> None:
    errors, stated = _stated(moving[2], moving[0])
    assert np.mean(errors < 2 * stated) >= 0.93  # 0.95 less two deviations of 200 coils


def test_the_uncertainty_covers_slow_and_soft_landings() -> None:
    """Where the end can hardly be seen, the answer says so by its uncertainty."""
    waves = physics.simulate(np.random.default_rng(73), np.full(400, 0.1), 6.2)
    slow = (waves.end - waves.start > 0.65) | (waves.landing < 1.3)
    fit = slow & (waves.end > 0.5) & (waves.end < 4.0)
    errors, stated = _stated(waves.end[fit] * TAU_S, _codes(waves, 3)[fit])
    assert np.mean(errors < 2 * stated) >= SLOW_COVERED
    assert np.median(stated) > 40e-6


def test_a_coil_unlike_the_family_is_not_timed(moving: tuple[Array, Array, Array]) -> None:
    """A wave on the current that no coil makes: moved or not, no instant is told from it."""
    wave = 7e-3 * np.sin(2 * np.pi * 2.2e3 * TIME)
    found = assess_batch(TIME, moving[0][:40] + wave, noise_a=NOISE_A)
    assert np.all(np.isnan(found.end_s) | (found.misfit <= motion_module.MISFIT_MAX))
    assert np.mean(np.isnan(found.end_s)) > 0.9
    one = assess_motion(TIME, moving[0][0] + wave, noise_a=NOISE_A)
    if one.answer is MotionAnswer.MOVED:
        assert one.end_s is None
        assert "unlike" in one.reason


def test_a_warming_winding_needs_few_grids() -> None:
    """A quarter more resistance over a run must not mean new filters for every cycle."""
    rng = np.random.default_rng(4)
    motion_module._detector.cache_clear()
    for warm in np.linspace(1.0, 1.26, 40):
        rise = FINAL_A / warm * (1 - np.exp(-TIME * warm / TAU_S))
        assess_motion(TIME, rise + rng.normal(0, 1e-3, len(TIME)), noise_a=NOISE_A)
    assert motion_module._detector.cache_info().misses <= 7


def test_three_answers(stuck: Array, moving: tuple[Array, Array, Array]) -> None:
    quiet = assess_motion(TIME, stuck[0], noise_a=NOISE_A)
    assert quiet.answer is MotionAnswer.NO_SIGNATURE
    assert "not proof" in quiet.reason
    assert quiet.end_s is None
    found = assess_motion(TIME, moving[0][0], noise_a=NOISE_A)
    assert found.answer is MotionAnswer.MOVED
    assert found.end_s is not None
    assert found.start_s is not None
    assert found.start_s.value < found.end_s.value
    assert abs(found.end_s.value - moving[2][0]) < 4 * found.end_s.std_uncertainty
    assert len(found.end_s.budget) == 2


@pytest.mark.parametrize(
    ("points", "every", "noise_a", "word"),
    [
        (18, 1, NOISE_A, "record too short"),
        (50, 3, NOISE_A, "rate too low"),
        (50, 1, 0.05, "noise too high"),
        (8, 1, NOISE_A, "record too short"),
    ],
)
def test_not_assessed_says_why(
    moving: tuple[Array, Array, Array], points: int, every: int, noise_a: float, word: str
) -> None:
    motion = assess_motion(TIME[:points:every], moving[0][0][:points:every], noise_a=noise_a)
    assert motion.answer is MotionAnswer.NOT_ASSESSED
    assert word in motion.reason
    assert motion.end_s is None


def test_other_shapes_are_not_assessed() -> None:
    ramp = assess_motion(TIME, np.where(TIME < 1e-3, 0.9, 0.2 + 0 * TIME), noise_a=NOISE_A)
    assert ramp.answer is MotionAnswer.NOT_ASSESSED
    nothing = assess_motion(TIME, np.zeros(50), noise_a=NOISE_A)
    assert nothing.answer is MotionAnswer.NOT_ASSESSED
    gap = np.concatenate([TIME[:20], TIME[20:] + 1e-3])
    assert "missing" in assess_motion(gap, np.ones(50), noise_a=NOISE_A).reason


def test_a_current_that_settles_below_zero_is_none() -> None:
    """An output that closed on no supply: a little decay, then the input's own offset."""
    falling = 0.003 * np.exp(-TIME / 0.3e-3) - 0.001
    found = assess_batch(TIME, np.array([falling, -falling]), noise_a=NOISE_A)
    assert found.reasons[0] == "no current to assess"
    assert not found.moved.any()


def test_noise_is_found_in_the_record(moving: tuple[Array, Array, Array]) -> None:
    assert estimate_noise(moving[0][:50]) == pytest.approx(NOISE_A, rel=0.1)
    # Codes that never change still leave the spread within a step (GUM 4.3.7).
    still = np.full((1, 50), 0.93)
    still[0, :5] = 0.93 - 0.05
    assert estimate_noise(still) > 0


def test_on_times_assessed_together_say_what_each_says_alone(
    stuck: Array, moving: tuple[Array, Array, Array]
) -> None:
    """Two sets of instants, two coils, noises apart; one too short and one that is no rise."""
    rows: list[Array] = [*moving[0][:6], *stuck[:6]]
    noises = [NOISE_A * factor for factor in (1.0, 1.02, 0.5, 1.0, 2.0, 1.0) * 2]
    rises: list[tuple[Array, Array, float]] = [
        (TIME[2:] if place % 3 == 0 else TIME, row[2:] if place % 3 == 0 else row, noise)
        for place, (row, noise) in enumerate(zip(rows, noises, strict=True))
    ]
    rises[3] = (TIME[:8], rows[3][:8], NOISE_A)
    rises[8] = (TIME, np.full(TIME.shape, 0.2), NOISE_A)
    together = assess_motions(rises)
    for (time, row, noise), one in zip(rises, together, strict=True):
        alone = assess_motion(time, row, noise_a=noise)
        assert (one.answer, one.reason) == (alone.answer, alone.reason)
        for found, expected in ((one.end_s, alone.end_s), (one.start_s, alone.start_s)):
            assert (found is None) == (expected is None)
            if found is not None and expected is not None:
                assert found.value == pytest.approx(expected.value, abs=1e-8)
                assert found.std_uncertainty == pytest.approx(expected.std_uncertainty, rel=1e-3)
    assert {m.answer for m in together} == set(MotionAnswer)
    assert assess_motions([]) == []
