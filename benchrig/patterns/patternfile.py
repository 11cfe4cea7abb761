"""Pattern files: TOML to ``Pattern``.

::

    title = "..."
    source = "common practice, no source"
    repeats = 25

    [[steps]]            # on and off by turns; the first is on, the last is off
    state = "on"
    duration_s = 6       # or duration_ms, or duration_us
    change_us = 20       # optional: added at each repeat
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from benchrig.patterns.pattern import ON_S_MAX, REPEATS_MAX, Pattern, Step
from benchrig.tomlfile import KeyPath, TomlDocument, is_number, read_toml, validate

STEP_S_MAX = 3600.0
CHANGE_US_MAX = 32_767  # an i16 on the wire
_US_PER = {"duration_us": 1, "duration_ms": 1_000, "duration_s": 1_000_000}


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class StepModel(_Strict):
    """One ``[[steps]]`` table."""

    state: Literal["on", "off"]
    duration_s: float | None = Field(default=None, gt=0, le=STEP_S_MAX)
    duration_ms: float | None = Field(default=None, gt=0, le=STEP_S_MAX * 1e3)
    duration_us: int | None = Field(default=None, gt=0, le=int(STEP_S_MAX * 1e6))
    change_us: int = Field(default=0, ge=-CHANGE_US_MAX, le=CHANGE_US_MAX)


class PatternModel(_Strict):
    """A whole pattern file."""

    title: str = Field(min_length=1, max_length=120)
    source: str = Field(default="", max_length=300)
    repeats: int = Field(ge=1, le=REPEATS_MAX)
    wiggle: bool = False
    steps: list[StepModel] = Field(min_length=2, max_length=255)


def read_pattern(path: Path) -> Pattern:
    """The pattern of a file; raises InputFileError with every fault."""
    return pattern_from(read_toml(path), path.stem)


def pattern_from(document: TomlDocument, name: str) -> Pattern:
    """The pattern a parsed document describes."""
    model = validate(document, PatternModel, (_check_order, _check_durations))
    raw_steps = document.data["steps"]
    return Pattern(
        name=name,
        title=model.title,
        steps=tuple(
            Step(on=step.state == "on", duration_us=_whole_us(raw), change_us=step.change_us)
            for step, raw in zip(model.steps, raw_steps, strict=True)
        ),
        repeats=model.repeats,
        source=model.source,
        wiggle=model.wiggle,
        file=document.file,
        digest=document.digest,
    )


def _whole_us(step: Mapping[str, Any]) -> int:
    key = next(key for key in _US_PER if key in step)
    return int(_exact_us(step[key], key))


def _exact_us(value: float, key: str) -> Fraction:
    """The duration in µs as it was written: 0.1 s is 100 000 µs, not its binary neighbour."""
    return Fraction(str(value)) * _US_PER[key]


# --- rules between keys; they see raw data of any type ----------------------------------------


def _check_order(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    states = [step.get("state") for step in _steps(data)]
    for number, state in enumerate(states):
        if number and state in ("on", "off") and state == states[number - 1]:
            yield ("steps", number, "state"), f'"{state}" follows "{state}"; on and off take turns'
    if states and states[0] == "off":
        yield ("steps", 0, "state"), 'a pattern begins with "on"'
    if states and states[-1] == "on":
        yield ("steps", len(states) - 1, "state"), 'a pattern ends with "off"'


def _check_durations(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, str]]:
    repeats = data.get("repeats")
    for number, step in enumerate(_steps(data)):
        path: KeyPath = ("steps", number)
        given = [key for key in _US_PER if key in step]
        if len(given) != 1:
            yield path, "needs one of duration_s, duration_ms and duration_us"
            continue
        if not is_number(value := step[given[0]]) or not 0 < value <= STEP_S_MAX * 1e6:
            continue  # the model has said so
        first = _exact_us(value, given[0])
        if first.denominator != 1:
            yield (*path, given[0]), f"{value:g} is not a whole number of µs"
        yield from _check_change((*path, given[0]), step, first, repeats)


def _check_change(
    path: KeyPath, step: Mapping[str, Any], first: Fraction, repeats: object
) -> Iterator[tuple[KeyPath, str]]:
    change = step.get("change_us", 0)
    last = first
    if isinstance(change, int) and isinstance(repeats, int) and 1 <= repeats <= REPEATS_MAX:
        last += change * (repeats - 1)
    if last <= 0:
        yield (
            (*path[:-1], "change_us"),
            f"the last repeat's duration is {int(last)} µs, not above 0",
        )
    if step.get("state") == "off" and first <= STEP_S_MAX * 1e6 < last:
        yield (
            (*path[:-1], "change_us"),
            f"off for {float(last) * 1e-6:g} s in the last repeat; no step lasts longer than "
            f"{STEP_S_MAX:g} s",
        )
    if step.get("state") == "on" and max(first, last) > ON_S_MAX * 1e6:
        longest = float(max(first, last)) * 1e-6
        yield path, f"on for {longest:g} s; no pattern switches on for more than {ON_S_MAX:g} s"


def _steps(data: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    steps = data.get("steps")
    if not isinstance(steps, list) or not all(isinstance(step, Mapping) for step in steps):
        return []
    return steps
