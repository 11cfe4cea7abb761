"""The golden part's expected values, held against what was read on the day they were set."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchrig.bench.goldenday import check_day, set_expected
from benchrig.record.log import RunLog
from benchrig.record.values import RunRecord
from tests.record.made import measured, record

AT = "2026-11-01T08:00:00+00:00"


def reading(ohm: float, u: float) -> RunRecord:
    made = record()
    cold = replace(made.cold, resistance_20c_ohm=measured(ohm, "ohm", u))
    return replace(made, cold=cold, cycles=())


def accepted(tmp_path: Path, first_ohm: float, then_ohm: float, u: float) -> bool:
    with RunLog.open(tmp_path / "golden.db") as log:
        set_expected(log, reading(first_ohm, u), who="", at=AT)
        day = check_day(log, reading(then_ohm, u), who="", at=AT)
    return day.accepted


@pytest.mark.parametrize(("away", "good"), [(5.5, True), (5.8, False), (-5.5, True), (-5.8, False)])
def test_far_is_far_for_the_uncertainty_of_both_days(
    tmp_path: Path, away: float, good: bool
) -> None:
    # Four standard uncertainties of a difference of two readings: 4 * sqrt(2) = 5.66.
    assert accepted(tmp_path, 14.5, 14.5 + away * 0.02, 0.02) is good


def test_two_readings_of_a_sound_bench_agree(tmp_path: Path) -> None:
    # Held against one reading as if it were the truth, 3 of 100 sound days would be stopped.
    draw = np.random.default_rng(4)
    stopped = 0
    for n in range(40):
        (tmp_path / str(n)).mkdir()
        first, then = (14.5 + 0.02 * draw.normal(size=2)).tolist()
        stopped += not accepted(tmp_path / str(n), first, then, 0.02)
    assert stopped == 0
