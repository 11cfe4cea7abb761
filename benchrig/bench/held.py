"""A run of a part whose armature a tool held: what its iron does, kept for its later runs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchrig.bench.known import keep_blocked
from benchrig.bench.replay import Stored, analyse_again, stored_run
from benchrig.errors import LogError
from benchrig.measure.cycle_window import Rise
from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.motion_blocked import BlockedReference
from benchrig.measure.motion_reference import record_blocked
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, RunRecord

Array = NDArray[np.float64]

ON_TIMES_MAX = 25  # more would lower the noise below that of the iron's own repeatability


def keep_held(log: RunLog, record: RunRecord, at: str) -> str:
    """Keep a held part's on-times as its reference, from the log's raw samples; why not, or ""."""
    if record.ending is not Ending.COMPLETE:
        return f"the run did not complete: {record.ending_reason or record.ending}"
    try:
        reference = learned_from(stored_run(log, record.record_id))
    except (LogError, ValueError) as error:
        return str(error)
    keep_blocked(log, record, reference, at)
    return ""


def learned_from(stored: Stored) -> BlockedReference:
    """The reference that a stored run of a held part gives; ValueError where it gives none."""
    on_times: list[tuple[Array, Array]] = []
    noises: list[float] = []

    def collect(rises: Sequence[Rise]) -> list[Motion]:
        on_times.extend((time, current) for time, current, _ in rises)
        noises.extend(noise_a for *_, noise_a in rises)
        held = Motion(answer=MotionAnswer.NOT_ASSESSED, reason="the armature was held")
        return [held] * len(rises)

    analyse_again(stored, assess_motion=collect)
    if not on_times:
        raise ValueError("no on-time of it can be read for movement")
    return record_blocked(
        on_times[:ON_TIMES_MAX],
        noise_a=float(np.median(noises)),
        origin=stored.record.record_id,
    )
