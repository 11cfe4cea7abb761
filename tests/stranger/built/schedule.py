"""Schedules: loading, the checks at commit, and the run through the steps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from .codec import InputRole, OutputKind, Reason, crc16
from .config import RigConfig

U32_MOST = 0xFFFF_FFFF
STEP_LEAST_US = 50


class RefusalError(Exception):
    """A request is refused."""

    def __init__(self, reason: Reason, detail: int = 0) -> None:
        """Say why."""
        super().__init__(reason.name)
        self.reason = reason
        self.detail = detail


@dataclass
class Step:
    """One step as it was sent."""

    body: bytes
    mask: int
    duration_us: int
    change_us: int

    def at(self, repeat: int) -> int:
        """Return the duration in a repeat, counted from 0."""
        return self.duration_us + repeat * self.change_us


@dataclass
class Schedule:
    """A schedule being loaded or committed."""

    ident: int
    step_count: int
    repeat_count: int
    steps: dict[int, Step] = field(default_factory=dict)

    def ordered(self) -> list[Step]:
        """Return the steps in their order."""
        return [self.steps[k] for k in range(self.step_count)]

    def crc(self) -> int:
        """Return the CRC over the bodies of the steps."""
        return crc16(b"".join(step.body for step in self.ordered()))

    def uses(self, mask: int) -> bool:
        """Return whether a step uses one of these outputs."""
        return any(step.mask & mask for step in self.ordered())


def source_mask(config: RigConfig) -> int:
    """Return the outputs that are low-current sources."""
    kind = OutputKind.LOW_CURRENT_SOURCE
    return sum(1 << n for n, out in enumerate(config.outputs) if out.kind == kind)


def check_whole(schedule: Schedule, crc: int) -> None:
    """Rule 2: all steps are there and are what the host sent."""
    for number in range(schedule.step_count):
        if number not in schedule.steps:
            raise RefusalError(Reason.SCHEDULE_INCOMPLETE, number)
    if crc != schedule.crc():
        raise RefusalError(Reason.STEPS_CRC_MISMATCH, schedule.crc())


def check_rules(schedule: Schedule, config: RigConfig, ceilings: bool) -> None:
    """Rules 3 to 7."""
    last = schedule.repeat_count - 1
    steps = schedule.ordered()
    for step in steps:
        if step.duration_us < STEP_LEAST_US:
            raise RefusalError(Reason.BAD_VALUE, 3)
        if not STEP_LEAST_US <= step.at(last) <= U32_MOST:
            raise RefusalError(Reason.BAD_VALUE, 4)
    for step in steps:
        if step.mask >> len(config.outputs):
            raise RefusalError(Reason.NO_SUCH_OUTPUT, len(config.outputs))
    if steps[-1].mask:
        raise RefusalError(Reason.NOT_ENDING_OFF, steps[-1].mask)
    _check_masks(steps, config)
    for output in range(len(config.outputs)):
        _check_times(steps, output, last, config, ceilings)


def _check_masks(steps: list[Step], config: RigConfig) -> None:
    """Rule 6: the source has one companion, and no two outputs share a current input."""
    sources = source_mask(config)
    current = (InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE)
    shared = [spec.outputs_mask & ~sources for spec in config.inputs if spec.role in current]
    for number, step in enumerate(steps):
        on, others = (step.mask & sources).bit_count(), (step.mask & ~sources).bit_count()
        if on and (on, others) != (1, 1):
            raise RefusalError(Reason.BAD_VALUE, 2)
        if any((step.mask & mask).bit_count() > 1 for mask in shared):
            raise RefusalError(Reason.SHARED_INPUT, number)


def _runs(steps: list[Step], output: int) -> list[tuple[bool, list[Step]]]:
    """Return the adjoining steps in which an output is on, or off, in turn."""
    runs: list[tuple[bool, list[Step]]] = []
    for step in steps:
        on = bool(step.mask >> output & 1)
        if runs and runs[-1][0] == on:
            runs[-1][1].append(step)
        else:
            runs.append((on, [step]))
    return runs


def _check_times(
    steps: list[Step], output: int, last: int, config: RigConfig, ceilings: bool
) -> None:
    """Rule 7 for one output: on-times, then off-times."""
    spec = config.outputs[output]
    runs = _runs(steps, output)
    if not any(on for on, _ in runs):
        return
    for on, members in runs:
        for repeat in (0, last):
            total = sum(step.at(repeat) for step in members)
            if on and total > spec.on_us_max and ceilings:
                raise RefusalError(Reason.ON_TIME_OVER_CEILING, spec.on_us_max)
            if on and total < spec.on_us_min:
                raise RefusalError(Reason.ON_TIME_UNDER_LEAST, spec.on_us_min)
    inner = runs[1:-1] if not runs[0][0] else runs[:-1]
    gaps = [
        sum(step.at(repeat) for step in members)
        for on, members in inner
        if not on
        for repeat in (0, last)
    ]
    lead = [] if runs[0][0] else runs[0][1]
    for repeat in {0, last - 1} if last else ():
        trail_us = sum(step.at(repeat) for step in runs[-1][1])
        gaps.append(trail_us + sum(step.at(repeat + 1) for step in lead))
    if any(gap < spec.off_us_min for gap in gaps):
        raise RefusalError(Reason.OFF_TIME_UNDER_LEAST, spec.off_us_min)


@dataclass(frozen=True)
class Leg:
    """One step of a run with its place in time, in ticks."""

    mask: int
    begin: int
    end: int
    repeat: int
    last_of_repeat: bool
    last_off: bool


def legs(schedule: Schedule, config: RigConfig, begin: int, endless: bool) -> Iterator[Leg]:
    """Go through the steps of a run in ticks of the rig's clock."""
    steps = schedule.ordered()
    count = len(steps)
    final_on = max((k for k, step in enumerate(steps) if step.mask), default=-1)
    changing = [step.mask ^ steps[(k + 1) % count].mask for k, step in enumerate(steps)]
    grids = [_grid_ns(mask, config) for mask in changing]
    elapsed_ns, start, repeat = 0, begin, 0
    while endless or repeat < schedule.repeat_count:
        told = min(repeat, schedule.repeat_count - 1)
        for number, step in enumerate(steps):
            grid = grids[number]
            elapsed_ns += (step.at(told) * 1000 + grid // 2) // grid * grid
            end = begin + elapsed_ns // config.tick_ns
            final = repeat + 1 == schedule.repeat_count and number == final_on + 1
            yield Leg(step.mask, start, end, repeat, number + 1 == count, final and not endless)
            start = end
        repeat += 1


def _grid_ns(changing: int, config: RigConfig) -> int:
    """Return the coarsest grid of the outputs that change at a step's end."""
    grids = [out.resolution_ns for n, out in enumerate(config.outputs) if changing >> n & 1]
    return max(grids, default=config.tick_ns)
