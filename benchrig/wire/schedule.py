"""A schedule as the rig runs it, and the rules it is checked against.

Both ends use the same check: the simulated rig when a schedule is committed, the host before
it sends one. The firmware has its own in C; the vectors in firmware_protocol.md bind all three.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from benchrig.wire.frames import crc16
from benchrig.wire.messages import (
    InputInfo,
    InputRole,
    OutputInfo,
    OutputKind,
    RefusalReason,
    ScheduleStep,
)

DURATION_US_MIN = 50  # no two edges of a schedule are nearer than this
DURATION_US_MAX = 0xFFFF_FFFF
_MASK_FIELD, _DURATION_FIELD, _CHANGE_FIELD = 2, 3, 4  # places in ScheduleStep.LAYOUT
_CURRENT_ROLES = (InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """Steps, done ``repeat_count`` times; step numbers are their places, from 0."""

    schedule_id: int
    steps: tuple[ScheduleStep, ...]
    repeat_count: int

    @property
    def steps_crc(self) -> int:
        """The CRC over all step bodies in order, as ScheduleCommit carries it."""
        return crc16(b"".join(step.body() for step in self.steps))

    @property
    def outputs_mask(self) -> int:
        """Every output that any step switches on."""
        mask = 0
        for step in self.steps:
            mask |= step.outputs_mask
        return mask

    @property
    def duration_us(self) -> int:
        """From the first edge to the end of the last step."""
        count = self.repeat_count
        return sum(
            count * step.duration_us + step.change_us * count * (count - 1) // 2
            for step in self.steps
        )

    def duration_at(self, step: int, repeat: int) -> int:
        """Duration of a step in a repeat (from 0), µs."""
        return self.steps[step].duration_us + self.steps[step].change_us * repeat


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleRefusal:
    """Why a schedule may not run: the wire's reason and detail, and where it was found."""

    reason: RefusalReason
    detail: int
    step: int | None = None
    output: int | None = None


def uses_source(schedule: Schedule, outputs: Sequence[OutputInfo]) -> bool:
    """Whether the schedule switches the low-current source on (it then needs an open feed)."""
    return bool(schedule.outputs_mask & _source_mask(outputs))


def check_schedule(
    schedule: Schedule,
    outputs: Sequence[OutputInfo],
    inputs: Sequence[InputInfo],
    steps_max: int = 255,
) -> ScheduleRefusal | None:
    """The first rule that the schedule breaks, in the order of firmware_protocol.md, or None."""
    if len(schedule.steps) > steps_max:
        return ScheduleRefusal(reason=RefusalReason.TOO_MANY_STEPS, detail=steps_max)
    for found in _findings(schedule, outputs, inputs):
        return found
    return None


def _findings(
    schedule: Schedule, outputs: Sequence[OutputInfo], inputs: Sequence[InputInfo]
) -> Iterator[ScheduleRefusal]:
    yield from _check_durations(schedule)
    yield from _check_outputs_exist(schedule, len(outputs))
    last = schedule.steps[-1].outputs_mask
    if last:
        yield ScheduleRefusal(
            reason=RefusalReason.NOT_ENDING_OFF, detail=last, step=len(schedule.steps) - 1
        )
    yield from _check_together(schedule, outputs, inputs)
    for output in outputs:
        yield from _check_times(schedule, output)


def _check_durations(schedule: Schedule) -> Iterator[ScheduleRefusal]:
    for number, step in enumerate(schedule.steps):
        last = schedule.duration_at(number, schedule.repeat_count - 1)
        if step.duration_us < DURATION_US_MIN:
            yield _bad_value(_DURATION_FIELD, number)
        if not DURATION_US_MIN <= last <= DURATION_US_MAX:
            yield _bad_value(_CHANGE_FIELD, number)


def _check_outputs_exist(schedule: Schedule, count: int) -> Iterator[ScheduleRefusal]:
    for number, step in enumerate(schedule.steps):
        if step.outputs_mask >> count:
            yield ScheduleRefusal(reason=RefusalReason.NO_SUCH_OUTPUT, detail=count, step=number)


def _check_together(
    schedule: Schedule, outputs: Sequence[OutputInfo], inputs: Sequence[InputInfo]
) -> Iterator[ScheduleRefusal]:
    source = _source_mask(outputs)
    shunts = [info.outputs_mask & ~source for info in inputs if info.role in _CURRENT_ROLES]
    for number, step in enumerate(schedule.steps):
        switched = step.outputs_mask & ~source
        if step.outputs_mask & source and switched.bit_count() != 1:
            yield _bad_value(_MASK_FIELD, number)
        if any((switched & shared).bit_count() > 1 for shared in shunts):
            yield ScheduleRefusal(reason=RefusalReason.SHARED_INPUT, detail=number, step=number)


def _check_times(schedule: Schedule, output: OutputInfo) -> Iterator[ScheduleRefusal]:
    """On-times and off-times of one output; they are linear in the repeat, so ends suffice."""
    bit = 1 << output.output
    on_runs, off_runs = _runs(schedule, bit)
    repeats = {0, schedule.repeat_count - 1}
    for run in on_runs:
        for repeat in sorted(repeats):
            on_us = sum(schedule.duration_at(step, repeat) for step in run)
            if on_us > output.on_us_max:
                yield ScheduleRefusal(
                    reason=RefusalReason.ON_TIME_OVER_CEILING,
                    detail=output.on_us_max,
                    step=run[0],
                    output=output.output,
                )
            if on_us < output.on_us_min:
                yield ScheduleRefusal(
                    reason=RefusalReason.ON_TIME_UNDER_LEAST,
                    detail=output.on_us_min,
                    step=run[0],
                    output=output.output,
                )
    for off_us, step in _off_times(schedule, off_runs, bool(on_runs)):
        if off_us < output.off_us_min:
            yield ScheduleRefusal(
                reason=RefusalReason.OFF_TIME_UNDER_LEAST,
                detail=output.off_us_min,
                step=step,
                output=output.output,
            )


def _runs(schedule: Schedule, bit: int) -> tuple[list[list[int]], list[list[int]]]:
    """Steps of each contiguous on-time, and of each off-time, within one pass."""
    on_runs: list[list[int]] = []
    off_runs: list[list[int]] = []
    before: bool | None = None
    for number, step in enumerate(schedule.steps):
        now = bool(step.outputs_mask & bit)
        runs = on_runs if now else off_runs
        if now is not before:
            runs.append([])
        runs[-1].append(number)
        before = now
    return on_runs, off_runs


def _off_times(
    schedule: Schedule, off_runs: list[list[int]], is_used: bool
) -> Iterator[tuple[int, int]]:
    """(off-time, its first step) of each off-time between two on-times, at its extremes."""
    if not is_used:
        return
    final = len(schedule.steps) - 1
    leading = [run for run in off_runs if run[0] == 0]
    trailing = [run for run in off_runs if run[-1] == final]
    for run in off_runs:
        if run not in leading and run not in trailing:
            for repeat in sorted({0, schedule.repeat_count - 1}):
                yield sum(schedule.duration_at(step, repeat) for step in run), run[0]
    if schedule.repeat_count > 1 and trailing:
        head = leading[0] if leading else []
        for repeat in sorted({0, schedule.repeat_count - 2}):
            off_us = sum(schedule.duration_at(step, repeat) for step in trailing[0])
            off_us += sum(schedule.duration_at(step, repeat + 1) for step in head)
            yield off_us, trailing[0][0]


def _source_mask(outputs: Sequence[OutputInfo]) -> int:
    return sum(1 << o.output for o in outputs if o.kind is OutputKind.LOW_CURRENT_SOURCE)


def _bad_value(field: int, step: int) -> ScheduleRefusal:
    return ScheduleRefusal(reason=RefusalReason.BAD_VALUE, detail=field, step=step)
