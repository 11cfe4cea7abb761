"""Movement on coils of others' equations, thinned; the whole: ``python -m tests.bench iron``."""

from __future__ import annotations

import pytest

from benchrig.measure.features import MotionAnswer
from tests.bench.iron import answers
from tests.outside.iron_classes import IRONS, draw


@pytest.mark.parametrize("iron", sorted(set(IRONS) - {"saturation, eddy, hysteresis"}))
def test_a_stuck_armature_is_not_called_moved(iron: str) -> None:
    """None of 20: one would be by chance in 5 runs of 100 at the stated rate."""
    found = answers(draw(iron, 20))
    assert [m.answer for m in found].count(MotionAnswer.MOVED) == 0


def test_a_moving_one_is_found_in_iron_that_saturates() -> None:
    drawn = draw("saturation", 20, change=(0.1, 0.2))
    found = answers(drawn)
    assert [m.answer for m in found].count(MotionAnswer.MOVED) >= 14
