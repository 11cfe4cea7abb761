"""Movement as a verdict, where a part was recorded with its armature held."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchrig.judge.judge import judge_run, overall
from benchrig.judge.movement import ORDINARY_LEAST, judge_motion
from benchrig.judge.verdict import Verdict
from benchrig.measure.features import CycleFeatures, Motion, MotionAnswer, TurnOff
from benchrig.parts import library
from benchrig.parts.part import Characteristic
from benchrig.quantity import Measured

PART = library.load("demo-injector", Path("/nowhere"))
LIKE_HELD = Motion(
    answer=MotionAnswer.NO_SIGNATURE, reason="", blocked="20260101-080000-abcd", least_change=0.012
)
MOVED = replace(LIKE_HELD, answer=MotionAnswer.MOVED)
ALONE = replace(LIKE_HELD, blocked="", least_change=None)


def _cycles(*motions: Motion) -> list[CycleFeatures]:
    return [
        CycleFeatures(cycle=n, start_s=float(n), on_s=0.5, complete=True, motion=motion)
        for n, motion in enumerate(motions, 1)
    ]


@pytest.mark.parametrize(
    ("motions", "verdict", "words"),
    [
        ([LIKE_HELD] * 5, Verdict.FAIL, "1.2 % would have been seen"),
        ([replace(LIKE_HELD, least_change=0.08)] * 5, Verdict.INCONCLUSIVE, "less than 8 %"),
        ([LIKE_HELD] * 4 + [replace(LIKE_HELD, least_change=0.04)], Verdict.INCONCLUSIVE, "4 %"),
        ([LIKE_HELD] * 4 + [ALONE], Verdict.INCONCLUSIVE, "some good parts show none"),
        ([LIKE_HELD] * 4 + [MOVED], Verdict.INCONCLUSIVE, "in 1 of 5 cycles"),
        ([MOVED] * 5, Verdict.PASS, "with its armature held (record 20260101-080000-abcd)"),
        ([ALONE] * 5, Verdict.INCONCLUSIVE, "some good parts show none"),
    ],
)
def test_beside_the_part_held(motions: list[Motion], verdict: Verdict, words: str) -> None:
    """Behaving as held fails only where an ordinary movement would have been seen."""
    judged = judge_motion(PART, _cycles(*motions))
    assert judged is not None
    assert judged.verdict is verdict
    assert words in judged.reason
    assert judged.does_not_prove
    assert LIKE_HELD.least_change is not None
    assert LIKE_HELD.least_change < ORDINARY_LEAST < 0.04


def test_cycles_that_could_not_be_judged_are_counted() -> None:
    """A part seen to move in 2 of 5 cycles is not said to move in each."""
    unlike = replace(ALONE, answer=MotionAnswer.NOT_ASSESSED, reason="unlike a coil")
    judged = judge_motion(
        PART, _cycles(replace(ALONE, answer=MotionAnswer.MOVED), MOVED, *[unlike] * 3)
    )
    assert judged is not None
    assert judged.verdict is Verdict.PASS
    assert "each of the 2 cycles that could be judged" in judged.reason
    assert "3 more could not (unlike a coil)" in judged.reason
    all_judged = judge_motion(PART, _cycles(*[MOVED] * 2))
    assert all_judged is not None
    assert "could not" not in all_judged.reason


def test_one_cycle_is_no_cycles() -> None:
    """A run interrupted after its first cycle reads as a sentence."""
    judged = judge_motion(PART, _cycles(replace(ALONE, answer=MotionAnswer.MOVED)))
    assert judged is not None
    assert judged.reason == "a movement was seen in the 1 cycle"


class _Cold:
    supply_v = None
    resistance_ohm = resistance_20c_ohm = Measured(value=14.5, std_uncertainty=0.05, unit="ohm")
    over_range = False
    insulation_ohm = insulation_at_least_ohm = insulation_at_most_ohm = None


@pytest.mark.parametrize("held", [False, True])
def test_a_part_that_was_held_does_not_pass_and_has_no_times(held: bool) -> None:
    """Whatever the analysis believes to have seen: a wedge was in it."""
    time = Measured(value=1e-3, std_uncertainty=1e-5, unit="s")
    cycles = [
        replace(
            cycle,
            current_a=Measured(value=0.85, std_uncertainty=0.002, unit="A"),
            voltage_v=Measured(value=13.4, std_uncertainty=0.02, unit="V"),
            turn_off=TurnOff(assessed=True, reason="", closing_s=time),
        )
        for cycle in _cycles(*[replace(MOVED, end_s=time)] * 25)
    ]
    judged = judge_run(
        PART,
        cold=_Cold(),
        cycles=cycles,
        cycles_planned=25,
        temperature_c=21.0,
        four_wire=True,
        lead_null_valid=True,
        held=held,
    )
    found = {j.characteristic: j for j in judged}
    assert found[Characteristic.RESISTANCE_20C].verdict is Verdict.PASS
    assert found[Characteristic.CURRENT].verdict is Verdict.PASS
    word = overall(judged, complete=True)
    times = {Characteristic.OPENING_TIME, Characteristic.CLOSING_TIME} & set(found)
    if held:
        assert word is Verdict.INCONCLUSIVE
        assert not times
        assert "held by a tool" in found[Characteristic.MOTION].reason
    else:
        assert word is Verdict.PASS
        assert times
