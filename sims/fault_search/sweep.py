"""For every frame of a run, in both directions, one fault of each kind at that frame."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from benchrig_sim.faults import LINE_KINDS, Fault, FaultKind
from fault_search.case import Case, plain_case
from fault_search.play import Stage

# What is not of the line strikes when the frame passes.
STRIKE_KINDS = (
    FaultKind.UNPLUG,
    FaultKind.RESET,
    FaultKind.BROWN_OUT,
    FaultKind.HANG_INTERRUPTS_ON,
    FaultKind.HANG_INTERRUPTS_OFF,
    FaultKind.SCHEDULE_STALLS,
    FaultKind.WELDED_OUTPUT,
    FaultKind.WELDED_FEED,
    FaultKind.ADC_STUCK,
    FaultKind.PART_OPEN,
    FaultKind.PART_SHORTED,
    FaultKind.SUPPLY_OFF,
    FaultKind.FLOOD,
)
STALL_S = 0.2


def sweep_base() -> Case:
    """The job that is swept: a short pattern and few samples, so that frames are few."""
    return replace(plain_case(7), on_us=100_000, off_us=100_000, repeats=2, conversion_us=400)


def frames_of(case: Case) -> tuple[int, int]:
    """How many frames go in and out in a job without faults."""
    with Stage() as stage:
        rig = stage.play(case).rig
    return rig.striker.line_in.frames, rig.striker.line_out.frames


def sweep_cases(every: int = 1, offset: int = 0) -> Iterator[Case]:
    """All cases of the sweep, or each n-th; the stride is prime to the kinds, so all kinds come."""
    base = sweep_base()
    frames_in, frames_out = frames_of(base)
    kinds = (*sorted(LINE_KINDS), *STRIKE_KINDS)
    number = offset
    for inward, frames in ((True, frames_in), (False, frames_out)):
        for frame in range(1, frames + 1):
            for kind in kinds:
                number += 1
                if number % every == 0:
                    fault = Fault(
                        kind=kind,
                        at_frame_in=frame if inward else None,
                        at_frame_out=None if inward else frame,
                        duration_s=STALL_S if kind in LINE_KINDS else 0.0,
                        value=None if kind is not FaultKind.ADC_STUCK else 0.0,
                    )
                    yield replace(base, seed=number, faults=(fault,))
