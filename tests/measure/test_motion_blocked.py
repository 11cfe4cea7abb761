"""A part told from its own recording with the armature held.

All coils are of the second physics (``tests.bench._motion_physics``), which is not the one
that the product's family comes from.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from benchrig.measure import motion_bank
from benchrig.measure.features import MotionAnswer
from benchrig.measure.motion import assess_motion
from benchrig.measure.motion_blocked import beside_blocked, learn_blocked
from tests.bench import _motion_physics as physics

Array = NDArray[np.float64]

TAU_S = 0.827586e-3
FINAL_A = 0.931034
STEP_A = 2.0 / 1024
NOISE_A = float(np.hypot(1e-3, STEP_A / np.sqrt(12)))
TIME: Array = np.arange(50, dtype=np.float64) * 1e-4
COILS = 40
FEW = 2  # of them, called moved by chance: 1 % asked, and 3 are past 4 deviations
SMALL = 0.02  # change of inductance that is hard to see in one pulse without a reference
# Armature held, change of inductance, winding resistance, supply; simulated all together.
STATES = {
    "held": (True, SMALL, 1.0, 1.0),
    "held warm": (True, SMALL, 1.02, 0.99),
    "held cold": (True, SMALL, 0.95, 1.0),
    "held hot": (True, SMALL, 1.05, 1.0),
    "stuck warm": (True, SMALL, 1.08, 1.0),
    "stuck hot": (True, SMALL, 1.12, 1.0),
    "moving": (False, SMALL, 1.0, 1.0),
    "moving little": (False, SMALL / 2, 1.0, 1.0),
    "moving hardly": (False, SMALL / 4, 1.0, 1.0),
    "moving well": (False, 0.1, 1.0, 1.0),
    "moving warm": (False, 0.03, 1.08, 1.0),
    "moving hot": (False, 0.03, 1.12, 1.0),
}

Waves = dict[str, Array]  # currents of the coils in each state


@pytest.fixture(scope="module")
def waves() -> tuple[Array, Waves]:
    """Coils whose armatures are fast, as those of valves are, in every state."""
    drawn = physics.draw(np.random.default_rng(41), 3 * COILS)
    first = physics.run(drawn, np.full(3 * COILS, SMALL), 3.0)
    fit = (first.end > 0.9) & (first.end < 2.5) & (first.end - first.start < 0.65)
    coils = {name: value[..., np.flatnonzero(fit)[:COILS]] for name, value in drawn.items()}
    states = []
    for held, _, resistance, volts in STATES.values():
        state = coils | {"resistance": np.full(COILS, resistance), "volts": np.full(COILS, volts)}
        states.append(state | ({"lift": np.full(COILS, 1e3)} if held else {}))
    joined = {name: np.concatenate([s[name] for s in states], axis=-1) for name in states[0]}
    change = np.repeat([change for _, change, *_ in STATES.values()], COILS)
    run = physics.run(joined, change, 6.2)
    parts = np.split(run.current, len(STATES))
    return run.time, dict(zip(STATES, parts, strict=True))


Coils = tuple[Array, Waves]


def _recorded(
    waves: Coils, state: str, row: int, rng: np.random.Generator, at: Array = TIME
) -> Array:
    clean = FINAL_A * np.interp(at / TAU_S, waves[0], waves[1][state][row])
    return np.asarray(np.round((clean + rng.normal(0, 1e-3, len(at))) / STEP_A) * STEP_A)


def _moved(
    waves: Coils, held: Sequence[str], now: str, at: Array = TIME, on_times: int = 25
) -> float:
    """Share of coils called moved beside their own recording; each must be compared."""
    rng = np.random.default_rng(6)
    seen = []
    for row in range(COILS):
        rows = [(TIME, _recorded(waves, s, row, rng)) for s in held for _ in range(on_times)]
        reference = learn_blocked(rows, noise_a=NOISE_A)
        record = _recorded(waves, now, row, rng, at)
        found = beside_blocked(at, record, reference, noise_a=NOISE_A)
        assert not found.reason, found.reason
        seen.append(found.moved)
    return float(np.mean(seen))


def test_small_movements_are_found_and_stuck_coils_are_not(waves: Coils) -> None:
    """One pulse, at another temperature and supply than when the armature was held."""
    assert _moved(waves, ["held warm"], "moving") >= 0.95
    assert _moved(waves, ["held warm"], "held") <= FEW / COILS
    rng = np.random.default_rng(6)
    alone = [
        assess_motion(TIME, _recorded(waves, "moving little", row, rng), noise_a=NOISE_A).answer
        for row in range(COILS)
    ]
    assert np.mean([a is MotionAnswer.MOVED for a in alone]) < 0.5
    assert _moved(waves, ["held warm"], "moving little") > 0.5


def test_a_warm_coil_is_told_from_a_cold_recording(waves: Coils) -> None:
    """8 % more resistance are 20 K; no on-time of the recording was as warm."""
    assert _moved(waves, ["held"], "stuck warm") <= FEW / COILS
    assert _moved(waves, ["held"], "moving warm") >= 0.95


def test_the_slope_is_learned_from_a_coil_that_warms(waves: Coils) -> None:
    held = ["held cold", "held", "held hot"]
    assert _moved(waves, held, "stuck hot", on_times=5) <= FEW / COILS
    assert _moved(waves, held, "moving hot", on_times=5) >= 0.85
    rng = np.random.default_rng(2)
    rows = [(TIME, _recorded(waves, state, 0, rng)) for state in held for _ in range(25)]
    reference = learn_blocked(rows)
    assert reference.learned
    assert reference.noise_a == pytest.approx(NOISE_A / np.sqrt(75), rel=0.2)
    span = np.log(reference.final_high_a / reference.final_low_a)
    assert span == pytest.approx(np.log(1.05 / 0.95), rel=0.1)


def test_samples_may_fall_between_those_of_the_recording(waves: Coils) -> None:
    later: Array = TIME + 0.4e-4
    assert _moved(waves, ["held warm"], "held", at=later) <= FEW / COILS
    assert _moved(waves, ["held"], "moving", at=later) >= 0.9


def test_the_least_change_is_one_that_is_found(waves: Coils) -> None:
    """Most coils that change so much are found, few that change by a quarter of it."""
    rng = np.random.default_rng(3)
    reference = learn_blocked([(TIME, _recorded(waves, "held", 0, rng))], noise_a=NOISE_A / 5)
    now = _recorded(waves, "held", 0, rng)
    beside = beside_blocked(TIME, now, reference, noise_a=NOISE_A)
    assert beside.least_change == pytest.approx(SMALL, rel=0.25)
    assert _moved(waves, ["held"], "moving") >= 0.95
    assert _moved(waves, ["held"], "moving hardly") < 0.5


def test_the_answers_say_what_they_were_told_from(waves: Coils) -> None:
    rng = np.random.default_rng(4)
    rows = [(TIME, _recorded(waves, "held", 0, rng)) for _ in range(9)]
    reference = learn_blocked(rows, noise_a=NOISE_A, origin="R-1")
    now = _recorded(waves, "held", 0, rng)
    still = assess_motion(TIME, now, noise_a=NOISE_A, blocked=reference)
    assert still.answer is MotionAnswer.NO_SIGNATURE
    assert still.blocked == "R-1"
    assert still.least_change is not None
    assert "armature held" in still.reason
    now = _recorded(waves, "moving well", 0, rng)
    moved = assess_motion(TIME, now, noise_a=NOISE_A, blocked=reference)
    assert moved.answer is MotionAnswer.MOVED
    assert moved.blocked == "R-1"
    assert moved.end_s == assess_motion(TIME, now, noise_a=NOISE_A).end_s


@pytest.mark.parametrize(
    ("scale", "every", "why"), [(0.7, 1, "the final current is -30 %"), (1, 2, "another rate")]
)
def test_what_cannot_be_compared_is_answered_without(
    waves: Coils, scale: float, every: int, why: str
) -> None:
    rng = np.random.default_rng(5)
    rows = [(TIME, _recorded(waves, "held", 0, rng)) for _ in range(9)]
    reference = learn_blocked(rows, noise_a=NOISE_A, origin="R-2")
    now = scale * _recorded(waves, "held", 0, rng)[::every]
    found = assess_motion(TIME[::every], now, noise_a=NOISE_A, blocked=reference)
    assert found.blocked == ""
    assert found.least_change is None
    assert "is not used: " in found.reason
    assert why in found.reason


def test_a_wave_of_which_no_movement_is_capable_is_no_movement(waves: Coils) -> None:
    """A ripple on the supply is neither the part held nor a part that moves."""
    rng = np.random.default_rng(7)
    reference = learn_blocked([(TIME, _recorded(waves, "held", 0, rng))], noise_a=NOISE_A)
    wave = 12e-3 * np.sin(2 * np.pi * 1.9e3 * TIME)
    now = _recorded(waves, "held", 0, rng) + wave
    found = beside_blocked(TIME, now, reference, noise_a=NOISE_A)
    assert not found.moved
    assert "no movement is capable" in found.reason


def test_a_recording_that_is_no_rise_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot be used"):
        learn_blocked([(TIME, np.zeros(len(TIME)))])


def test_a_warmer_coil_of_the_family_is_the_same_coil() -> None:
    """Its own equations with resistance and supply written out, by scipy's LSODA."""
    rng = np.random.default_rng(8)
    coils = motion_bank.draw_coils(rng, np.zeros(4), np.full(4, 1e3))
    resistance, volts = np.full(4, 1.15, np.float32), np.full(4, 0.95, np.float32)
    _, cold = motion_bank.simulate(coils, 4.0)
    time, warm = motion_bank.simulate(motion_bank.warmed(coils, resistance, volts), 4.0)
    for row in range(4):
        changed = warm[row] - cold[row]
        aim = _integrated(coils, row, time / 1.15, 1.15, 0.95) * 1.15 / 0.95
        aim = aim - _integrated(coils, row, time, 1.0, 1.0)
        assert np.ptp(aim) > 2e-3
        # The first steps after switch-on are coarse for the eddy currents.
        np.testing.assert_allclose(changed[3:], aim[3:], atol=4e-4)


def _integrated(
    coils: motion_bank.Coils, row: int, times: Array, resistance: float, volts: float
) -> Array:
    from scipy.integrate import solve_ivp

    c = {name: float(getattr(coils, name)[row]) for name in coils.__slots__}

    def rates(time: float, state: Array) -> list[float]:
        current, flux, slow = state
        level = flux / (1 - c["leakage"])
        bent = (1 - c["knee"]) * level**2 + c["knee"] * level**6
        poor = c["poor"] * np.exp(-abs(level) / c["poor_flux"])
        drive = level * (1 + c["saturation"] * bent + poor) + slow
        voltage = c["eddy_resistance"] * (current - drive)
        supply = volts * (1 + c["sag"] * (1 - np.exp(-time / c["sag_tau"])))
        return [
            (supply - resistance * current - voltage) / c["leakage"],
            voltage,
            (voltage - c["slow_resistance"] * slow) / c["slow_inductance"],
        ]

    done = solve_ivp(rates, (0, times[-1]), [0.0, 0.0, 0.0], "LSODA", times, rtol=1e-8, atol=1e-10)
    return np.asarray(done.y[0], dtype=np.float64)
