"""Armature motion: the answers at their rates, the instants with their u.

Coils come from ``tests.bench._motion_physics`` (mass, spring, bounce, diffusing flux), which
shares nothing with the estimators: those simulate no coil. Coils of others' equations with
stronger iron: ``tests/outside``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.linkage import Pulse
from benchrig.measure.motion import WHAT_TELLS, assess_motion, assess_motions, assess_pulses
from benchrig.measure.motion_held import record_held
from benchrig.measure.motion_record import estimate_noise
from tests.bench import _motion_physics as physics
from tests.bench.motion import TAU_S, coils_of, pulses_of, share, timed

Array = NDArray[np.float64]

SETTING = (10, 10, 1)
CHANGE = 0.1
COILS = 40
Coils = dict[str, list[Pulse]]


@pytest.fixture(scope="module")
def drawn() -> tuple[Coils, Array]:
    """A pulse of each coil, moving, stuck and held, and the true ends."""
    coils = coils_of(physics, CHANGE, 72, count=COILS)
    rng = np.random.default_rng(1)
    waves = {"moving": coils.moving, "stuck": coils.stuck, "held": coils.held}
    rows = range(len(coils.end))
    return {
        name: [pulses_of(coils.time, (i[k], v[k]), SETTING, rng)[0] for k in rows]
        for name, (i, v) in waves.items()
    }, coils.end * TAU_S


def _answers(pulses: list[Pulse]) -> list[Motion]:
    return [assess_pulses([pulse]) for pulse in pulses]


def test_stuck_coils_are_not_called_moved(drawn: tuple[Coils, Array]) -> None:
    found = _answers(drawn[0]["stuck"])
    assert len(found) > COILS / 2
    assert share(found, MotionAnswer.MOVED) == 0
    assert share(found, MotionAnswer.NO_SIGNATURE) > 0.6  # of the rest it cannot be told


def test_moving_coils_are_found_and_timed(drawn: tuple[Coils, Array]) -> None:
    found = _answers(drawn[0]["moving"])
    assert share(found, MotionAnswer.MOVED) >= 0.95
    z, errors = timed(found, drawn[1])
    assert np.median(np.abs(errors)) < 30e-6
    assert np.mean(np.abs(z) < 2) >= 0.9


def test_beside_the_part_held_less_is_seen(drawn: tuple[Coils, Array]) -> None:
    """Another temperature and supply, and half of the coils' noise: the iron is the same."""
    pulses, _ = drawn
    for row in range(12):
        held = record_held([pulses["held"][row]] * 4, origin="R-1")
        still = assess_pulses([pulses["stuck"][row]], held=held)
        alone = assess_pulses([pulses["stuck"][row]])
        assert still.answer is not MotionAnswer.MOVED
        assert still.blocked == "R-1"
        if still.least_change is not None and alone.least_change is not None:
            assert still.least_change <= alone.least_change
        moved = assess_pulses([pulses["moving"][row]], held=held)
        assert moved.answer is MotionAnswer.MOVED
        assert moved.blocked == "R-1"


def test_a_recording_that_shows_a_movement_proves_nothing_by_likeness(
    drawn: tuple[Coils, Array],
) -> None:
    """It is kept, since iron alone may look so, but a part alike is then not told to be stuck."""
    pulse = drawn[0]["moving"][0]
    found = assess_pulses([pulse], held=record_held([pulse]))
    assert found.answer is MotionAnswer.CANNOT_TELL
    assert "was the armature held there?" in found.reason


def test_a_recording_that_is_no_rise_is_refused(drawn: tuple[Coils, Array]) -> None:
    pulse = drawn[0]["held"][0]
    with pytest.raises(ValueError, match="cannot be used"):
        record_held([replace(pulse, current_a=0 * pulse.current_a)])


def test_a_ripple_of_the_supply_is_no_movement_once_the_voltage_is_seen() -> None:
    """A coil of one line: the current follows the supply, by the exact step of an RL circuit."""
    time = np.arange(75) * 1e-4
    rng = np.random.default_rng(5)
    fine = np.arange(0, 7.6e-3, 1e-6)
    moved = {True: 0, False: 0}
    for phase in np.linspace(0, 6, 20):
        volts = 13.5 + 0.25 * np.sin(2 * np.pi * 1.1e3 * fine + phase)
        current = np.zeros_like(fine)
        keep = np.exp(-1e-6 / TAU_S)
        for k in range(1, len(fine)):
            current[k] = keep * current[k - 1] + (1 - keep) * volts[k - 1] / 14.5
        i = np.interp(time, fine, current) + rng.normal(0, 1e-3, len(time))
        v = np.interp(time, fine, volts) + rng.normal(0, 5e-3, len(time))
        for seen in (True, False):
            found = assess_motion(time, i, noise_a=1.1e-3, voltage_v=v if seen else None)
            moved[seen] += found.answer is MotionAnswer.MOVED
            assert ("steady supply" in found.reason) is not seen
    assert moved[True] == 0


@pytest.mark.parametrize(
    ("points", "every", "word"),
    [(18, 1, "record too short"), (75, 3, "rate too low"), (8, 1, "record too short")],
)
def test_not_assessed_says_why(
    drawn: tuple[Coils, Array], points: int, every: int, word: str
) -> None:
    pulse, part = drawn[0]["moving"][0], slice(0, points, every)
    motion = assess_motion(
        pulse.time_s[part], pulse.current_a[part], voltage_v=pulse.voltage_v[part]
    )
    assert motion.answer is MotionAnswer.NOT_ASSESSED
    assert word in motion.reason
    assert motion.end_s is None


def test_noise_that_hides_a_movement_is_no_answer(drawn: tuple[Coils, Array]) -> None:
    pulse = drawn[0]["stuck"][0]
    noisy = pulse.current_a + np.random.default_rng(3).normal(0, 0.05, len(pulse.current_a))
    found = assess_pulses([replace(pulse, current_a=noisy, noise_a=0.05)])
    assert found.answer is MotionAnswer.CANNOT_TELL
    assert WHAT_TELLS in found.reason


def test_other_shapes_are_not_assessed() -> None:
    time = np.arange(50) * 1e-4
    nothing = assess_motion(time, np.zeros(50), noise_a=1e-3)
    assert nothing.answer is MotionAnswer.NOT_ASSESSED
    falling = assess_motion(time, -0.01 * (1 - np.exp(-time / 3e-4)), noise_a=1e-3)
    assert falling.answer is MotionAnswer.NOT_ASSESSED
    gap = np.concatenate([time[:20], time[20:] + 1e-3])
    assert "missing" in assess_motion(gap, np.ones(50), noise_a=1e-3).reason


def test_noise_is_found_in_the_record(drawn: tuple[Coils, Array]) -> None:
    rows = np.array([pulse.current_a for pulse in drawn[0]["moving"][:40]])
    assert estimate_noise(rows) == pytest.approx(drawn[0]["moving"][0].noise_a, rel=0.1)
    # Codes that never change still leave the spread within a step (GUM 4.3.7).
    still = np.full((1, 50), 0.93)
    still[0, :5] = 0.93 - 0.05
    assert estimate_noise(still) > 0


def test_one_answer_from_all_on_times(drawn: tuple[Coils, Array]) -> None:
    """Cycles of one part speak together; one that cannot be used says so for itself."""
    pulse = drawn[0]["moving"][1]
    whole = (pulse.time_s, pulse.current_a, pulse.noise_a, pulse.voltage_v)
    short = (pulse.time_s[:8], pulse.current_a[:8], pulse.noise_a, pulse.voltage_v[:8])
    found = assess_motions([whole, short, whole])
    assert found[0] is found[2]
    assert found[0].answer is MotionAnswer.MOVED
    assert found[1].answer is MotionAnswer.NOT_ASSESSED
    assert assess_motions([]) == []
    with pytest.raises(ValueError, match="same number of points"):
        assess_motion(pulse.time_s, pulse.current_a[:-1])
