"""A run of a part whose armature a tool held: what its iron does, kept for its later runs."""

from __future__ import annotations

from collections.abc import Sequence

from benchrig.bench.known import keep_blocked
from benchrig.bench.replay import Stored, analyse_again, stored_run
from benchrig.errors import LogError
from benchrig.measure.cycle_window import Rise
from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.linkage import Pulse
from benchrig.measure.motion import unusable
from benchrig.measure.motion_held import HeldRecording, record_held
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, RunRecord

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


def learned_from(stored: Stored) -> HeldRecording:
    """The reference that a stored run of a held part gives; ValueError where it gives none."""
    pulses: list[Pulse] = []

    def collect(rises: Sequence[Rise]) -> list[Motion]:
        for time, current, noise_a, voltage in rises:
            if voltage is not None and not unusable(time, current):
                pulses.append(
                    Pulse(time_s=time, current_a=current, voltage_v=voltage, noise_a=noise_a)
                )
        held = Motion(answer=MotionAnswer.NOT_ASSESSED, reason="the armature was held")
        return [held] * len(rises)

    analyse_again(stored, assess_motion=collect)
    if not pulses:
        raise ValueError("no on-time of it can be read for movement")
    return record_held(pulses[:ON_TIMES_MAX], origin=stored.record.record_id)
