"""Every refusal has words of its own, and those with a limit say the limit."""

from __future__ import annotations

import pytest

from benchrig.rig.refusals import FAULT_WORDS, refused, words
from benchrig.wire.messages import (
    FaultReason,
    RefusalReason,
    Refused,
    ScheduleCommit,
    Stream,
)

COMMIT = ScheduleCommit(schedule_id=1, steps_crc=0)


def test_every_reason_has_its_own_words() -> None:
    said = {words(COMMIT, reason, 3)[0] for reason in RefusalReason}
    assert len(said) == len(RefusalReason)
    assert set(FAULT_WORDS) == set(FaultReason)


@pytest.mark.parametrize(
    ("reason", "detail", "part"),
    [
        (RefusalReason.ON_TIME_OVER_CEILING, 6_500_000, "at most 6500 ms"),
        (RefusalReason.ON_TIME_UNDER_LEAST, 100, "at least 0.1 ms"),
        (RefusalReason.OFF_TIME_UNDER_LEAST, 50_000, "at least 50 ms"),
        (RefusalReason.RATE_TOO_HIGH, 175, "at least 175 µs"),
        (RefusalReason.TOO_MANY_STEPS, 32, "at most 32 steps"),
    ],
)
def test_the_nearest_that_would_be_accepted_is_said(
    reason: RefusalReason, detail: int, part: str
) -> None:
    error = refused(COMMIT, Refused(request=COMMIT.ID, reason=reason, detail=detail))
    assert part in error.advice
    assert error.reason == reason.name


def test_fields_are_named() -> None:
    stream = Stream(inputs_mask=0, scan_period_us=1)
    assert "inputs_mask" in words(stream, RefusalReason.BAD_VALUE, 0)[0]
    assert "duration_us" in words(COMMIT, RefusalReason.BAD_VALUE, 3)[0]
    assert "heartbeat" in words(COMMIT, RefusalReason.FAULT_LATCHED, 1)[0]
    for reason in (RefusalReason.BAD_VALUE, RefusalReason.WRONG_STATE, RefusalReason.FAULT_LATCHED):
        assert "99" in words(COMMIT, reason, 99)[0]  # from a later version: said as a number
