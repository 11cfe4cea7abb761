"""A pattern as the rig's own schedule."""

from __future__ import annotations

from benchrig.patterns.pattern import Pattern
from benchrig.wire.messages import OutputInfo, ScheduleStep
from benchrig.wire.schedule import Schedule


def to_schedule_steps(
    pattern: Pattern, output: OutputInfo, schedule_id: int
) -> tuple[ScheduleStep, ...]:
    """The steps on one output, in order; whether it can take them is asked in fit.py."""
    return tuple(
        ScheduleStep(
            schedule_id=schedule_id,
            step=number,
            outputs_mask=1 << output.output if step.on else 0,
            duration_us=step.duration_us,
            change_us=step.change_us,
        )
        for number, step in enumerate(pattern.steps)
    )


def to_schedule(pattern: Pattern, output: OutputInfo, schedule_id: int = 1) -> Schedule:
    """The whole schedule, to be loaded, committed and started."""
    return Schedule(
        schedule_id=schedule_id,
        steps=to_schedule_steps(pattern, output, schedule_id),
        repeat_count=pattern.repeats,
    )
