"""The schedule rules: the document's vectors, and a slow judge that plays every edge."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.wire.messages import (
    ClampKind,
    InputFlag,
    InputInfo,
    InputRole,
    OutputInfo,
    OutputKind,
    RefusalReason,
    ScheduleBegin,
    ScheduleCommit,
    ScheduleStep,
    from_payload,
)
from benchrig.wire.schedule import Schedule, ScheduleRefusal, check_schedule, uses_source
from tests.wire.spec_document import VECTORS, Vector, decode


def output(number: int, kind: OutputKind = OutputKind.SOLID_STATE) -> OutputInfo:
    return OutputInfo(
        output=number,
        kind=kind,
        on_us_min=100,
        off_us_min=100,
        on_us_max=10_000_000,
        resolution_ns=500,
        trip_current_ma=9000,
        clamp=ClampKind.LOW_SIDE_CLAMP,
        clamp_mv=36_000,
        rated_operations=0,
    )


OUTPUTS = (*map(output, range(8)), output(8, OutputKind.LOW_CURRENT_SOURCE))
SHUNT = InputInfo(
    input=0,
    role=InputRole.CURRENT_COARSE,
    bits=10,
    flags=InputFlag.SEES_TURN_OFF,
    full_scale=10_000_000,
    zero_code=16,
    outputs_mask=0x1FF,
)


def schedule(*steps: tuple[int, int, int], repeats: int = 1) -> Schedule:
    return Schedule(
        schedule_id=7,
        steps=tuple(
            ScheduleStep(
                schedule_id=7, step=place, outputs_mask=mask, duration_us=us, change_us=change
            )
            for place, (mask, us, change) in enumerate(steps)
        ),
        repeat_count=repeats,
    )


COMMITS = [
    vector
    for vector in VECTORS
    if vector.kind == "refused"
    and decode(vector.frame("request"))[0][0] == ScheduleCommit.ID
    and vector.title not in ("SCHEDULE_INCOMPLETE", "STEPS_CRC_MISMATCH")
]


@pytest.mark.parametrize("vector", COMMITS, ids=lambda v: v.title)
def test_the_documents_commits_are_refused_for_the_documents_reason(vector: Vector) -> None:
    said = [from_payload(decode(bytes.fromhex(line))[0])[0] for line in vector.values["setup"]]
    begin, *steps = said
    assert isinstance(begin, ScheduleBegin)
    loaded = Schedule(
        schedule_id=begin.schedule_id,
        steps=tuple(step for step in steps if isinstance(step, ScheduleStep)),
        repeat_count=begin.repeat_count,
    )
    commit = from_payload(decode(vector.frame("request"))[0])[0]
    assert commit == ScheduleCommit(schedule_id=7, steps_crc=loaded.steps_crc)
    refusal = check_schedule(loaded, OUTPUTS, (SHUNT,))
    assert refusal is not None
    assert (refusal.reason.name, refusal.detail) == (vector.title, int(vector.one("detail")))


def test_what_is_right_is_accepted() -> None:
    six_second = schedule((1, 6_000_000, 0), (0, 6_000_000, 0), repeats=25)
    assert check_schedule(six_second, OUTPUTS, (SHUNT,)) is None
    assert six_second.duration_us == 300_000_000
    cold = schedule((0x102, 200_000, 0), (0, 100, 0))
    assert check_schedule(cold, OUTPUTS, (SHUNT,)) is None
    assert uses_source(cold, OUTPUTS)
    assert not uses_source(six_second, OUTPUTS)
    swept = schedule((4, 1000, 20), (0, 9000, -20), repeats=400)
    assert check_schedule(swept, OUTPUTS, (SHUNT,)) is None
    assert swept.duration_us == 400 * 10_000


def test_without_a_shared_shunt_outputs_may_be_on_together() -> None:
    both = schedule((3, 1000, 0), (0, 1000, 0))
    assert check_schedule(both, OUTPUTS, ()) is None
    refusal = check_schedule(both, OUTPUTS, (SHUNT,))
    assert refusal == ScheduleRefusal(reason=RefusalReason.SHARED_INPUT, detail=0, step=0)


def test_too_many_steps() -> None:
    long = schedule(*((mask, 1000, 0) for mask in (1, 0) * 10))
    refusal = check_schedule(long, OUTPUTS, (), steps_max=19)
    assert refusal == ScheduleRefusal(reason=RefusalReason.TOO_MANY_STEPS, detail=19)


# --- a judge that shares no idea with the check: it plays every repeat and looks at the edges --


def played(plan: Schedule, number: int) -> list[tuple[bool, int]]:
    """(on, duration) of one output over the whole schedule, merged."""
    merged: list[tuple[bool, int]] = []
    for repeat in range(plan.repeat_count):
        for step in plan.steps:
            is_on = bool(step.outputs_mask >> number & 1)
            us = step.duration_us + step.change_us * repeat
            if merged and merged[-1][0] == is_on:
                merged[-1] = (is_on, merged[-1][1] + us)
            else:
                merged.append((is_on, us))
    return merged


def is_right(plan: Schedule) -> bool:
    for repeat in range(plan.repeat_count):
        for step in plan.steps:
            if step.duration_us + step.change_us * repeat < 50:
                return False
    if plan.steps[-1].outputs_mask:
        return False
    for info in OUTPUTS[:2]:
        times = played(plan, info.output)
        if any(on and not info.on_us_min <= us <= info.on_us_max for on, us in times):
            return False
        ons = [place for place, (on, _) in enumerate(times) if on]
        for before, after in pairwise(ons):
            if sum(us for _, us in times[before + 1 : after]) < info.off_us_min:
                return False
    return True


STEP = st.tuples(
    st.integers(0, 3),
    st.sampled_from([1, 49, 50, 60, 99, 100, 101, 150, 5_000_000, 9_999_900, 10_000_000]),
    st.sampled_from([0, 0, 0, 1, -1, 25, -25, 100]),
)


@settings(max_examples=400)
@given(st.lists(STEP, min_size=1, max_size=5), st.integers(1, 5), st.booleans())
def test_the_check_agrees_with_playing_it(
    steps: list[tuple[int, int, int]], repeats: int, ends_off: bool
) -> None:
    if ends_off:
        steps = [*steps, (0, 200, 0)]
    plan = schedule(*steps, repeats=repeats)
    assert (check_schedule(plan, OUTPUTS, ()) is None) == is_right(plan)
