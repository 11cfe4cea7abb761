"""The pattern nearest to a refused one that part, output and supply can take."""

from __future__ import annotations

import math
from dataclasses import replace

from benchrig.patterns.fit import (
    Setting,
    dry_run,
    extremes,
    is_single,
    obstacles,
    operations_left,
    resolution,
    rest_factor,
    winding,
)
from benchrig.patterns.pattern import Pattern, Step
from benchrig.patterns.patternfile import STEP_S_MAX
from benchrig.wire.schedule import DURATION_US_MIN


def nearest_pattern(pattern: Pattern, setting: Setting) -> Pattern | None:
    """The pattern nearest to this one that ``setting`` can take, or None when there is none."""
    try:
        near = _with_times(pattern, setting)
        near = _with_repeats(near, setting)
        near = _with_rest(near, setting)
    except ValueError:  # no such pattern can be written
        return None
    if any(extremes(step, near.repeats)[1] > STEP_S_MAX * 1e6 for step in near.steps):
        return None  # nor one with a rest longer than a pattern file holds
    return None if any(obstacles(near, setting)) else near


def _with_times(pattern: Pattern, setting: Setting) -> Pattern:
    steps = []
    for number, step in enumerate(pattern.steps, 1):
        least = setting.on_us_min if step.on else setting.off_us_min
        most = setting.on_us_max if step.on else 10**12
        if least > most:
            raise ValueError("no duration fits part and output")
        if number == len(pattern.steps) and pattern.repeats == 1:
            least = DURATION_US_MIN
        short, long = extremes(step, pattern.repeats)
        fits = least <= short and long <= most and not any(resolution(1, step, setting))
        steps.append(step if fits else Step(on=step.on, duration_us=_clamp(step, least, most)))
    return replace(pattern, steps=tuple(steps))


def _with_repeats(pattern: Pattern, setting: Setting) -> Pattern:
    most = float(pattern.repeats)
    left = operations_left(setting)
    if left is not None:
        most = min(most, left * pattern.repeats // pattern.cycles)
    if any(dry_run(pattern, setting)):
        most = min(most, _dry_repeats(pattern, setting.part.ability.dry_run_s_max or 0.0))
    return replace(pattern, repeats=int(most))


def _dry_repeats(pattern: Pattern, dry_s: float) -> int:
    low, high = 0, pattern.repeats
    while low < high:
        middle = (low + high + 1) // 2
        if replace(pattern, repeats=middle).on_total_s <= dry_s:
            low = middle
        else:
            high = middle - 1
    return low


def _with_rest(pattern: Pattern, setting: Setting) -> Pattern:
    """Off-times stretched until duty and winding temperature are within what the part bears."""
    if not is_single(pattern) and pattern.duty > setting.part.ability.duty_max:
        pattern = _stretched(pattern, rest_factor(pattern, setting.part.ability.duty_max))
    for _ in range(12):  # at most 4096 times the rest; then there is none
        if not any(winding(pattern, setting)):
            break
        pattern = _stretched(pattern, 2.0)
    return pattern


def _stretched(pattern: Pattern, factor: float) -> Pattern:
    steps = (
        s if s.on else replace(s, duration_us=math.ceil(s.duration_us * factor) + 1)
        for s in pattern.steps
    )
    return replace(pattern, steps=tuple(steps))


def _clamp(step: Step, least: int, most: int) -> int:
    return min(max(step.duration_us, least), most)
