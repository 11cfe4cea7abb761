"""A run again from its log: the same analyser over the stored codes.

What was judged can be judged again with a newer analysis, and a report gets its curves.
Nothing here needs a rig.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import dropwhile, takewhile

from benchrig.bench.context import cycle_context, four_wire
from benchrig.bench.known import Known, known_of
from benchrig.errors import LogError
from benchrig.judge.judge import is_whole, judge_run, overall
from benchrig.judge.verdict import Judged, Verdict
from benchrig.measure.coil import null_refusal
from benchrig.measure.cycle_window import MotionAssessor
from benchrig.measure.cycles import CycleAnalyser
from benchrig.measure.features import CycleFeatures
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.record.read import LogReader
from benchrig.record.values import Ending, EventKind, RunRecord, SafeEvidence, Stage


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """What the log holds of a run's cycling: edges, blocks of one stream, how to read them."""

    record: RunRecord
    edges: tuple[tuple[int, bool], ...]  # device tick, on
    blocks: tuple[SampleBlock, ...]
    scales: tuple[InputScale, ...]
    tick_s: float
    known: Known = field(default_factory=Known)  # reference and typed values it is judged with


def stored_run(log: LogReader, record_id: str) -> Stored:
    """The cycling part of a run, as the log holds it; LogError when it holds none."""
    record = log.record(record_id, corrected=False)
    edges, stream = _edges_and_stream(log, record_id)
    sets = log.scales(record_id)
    if stream is None or not sets:
        raise LogError(f"{record_id}: the part was never cycled, so there is nothing to analyse")
    wanted = tuple(_of_stream(log.samples(record_id, merged=True), stream))
    return Stored(
        record=record,
        edges=tuple(edges),
        blocks=wanted,
        scales=sets[-1].scales,
        tick_s=sets[-1].tick_ns * 1e-9,
        known=known_of(log, record),
    )


def _edges_and_stream(log: LogReader, record_id: str) -> tuple[list[tuple[int, bool]], int | None]:
    edges: list[tuple[int, bool]] = []
    stream: int | None = None
    for event in log.events(record_id):
        if event.kind is EventKind.STATE:
            if event.data.get("stream") is not None:
                stream = int(event.data["stream"])
            elif stream is not None:
                break
        elif event.kind is EventKind.EDGE and stream is not None:
            on = bool(event.data["on"])
            if not edges or edges[-1][1] != on:
                edges.append((int(event.data["tick"]), on))
    return edges, stream


def _of_stream(blocks: Iterator[SampleBlock], stream: int) -> Iterator[SampleBlock]:
    """The first that bear its number, which wraps, and begins anew when the rig restarts."""
    begun = dropwhile(lambda block: block.stream != stream, blocks)
    return takewhile(lambda block: block.stream == stream, begun)


def analyse_again(
    stored: Stored, *, assess_motion: MotionAssessor | None = None
) -> tuple[CycleFeatures, ...]:
    """The cycles of a stored run by today's analysis; by another look at motion where given."""
    record = stored.record
    context = cycle_context(
        record.plan,
        record.rig,
        stored.scales,
        tick_ns=round(stored.tick_s * 1e9),
        cold=record.cold,
        lead_null=record.rig.lead_null_ohm,
        defer_motion=True,  # of all at once, as in the run itself
        blocked=stored.known.blocked,
    )
    if assess_motion is not None:
        context = replace(context, assess_motion=assess_motion)
    analyser = CycleAnalyser(context)
    cycles: list[CycleFeatures] = []
    waiting = list(stored.edges)
    for block in stored.blocks:
        end = block.tick + len(block.codes) * block.scan_period_ticks
        while waiting and waiting[0][0] <= end:
            cycles += analyser.add_edge(*waiting.pop(0))
        cycles += analyser.add_block(block)
    for edge in waiting:
        cycles += analyser.add_edge(*edge)
    cycles += analyser.finish(still_on=False)
    return tuple(analyser.with_motion(cycles))


def judge_again(
    stored: Stored, cycles: tuple[CycleFeatures, ...]
) -> tuple[Verdict, tuple[Judged, ...]]:
    """The verdict of a stored run by today's rules and the limits it was run with."""
    record = stored.record
    plan = record.plan
    judged = judge_run(
        plan.part,
        cold=record.cold,
        cycles=cycles,
        held=plan.stage is Stage.HELD,
        cycles_planned=plan.pattern.cycles,
        temperature_c=plan.temperature.value_c if plan.temperature else None,
        four_wire=four_wire(stored.scales),
        lead_null_valid=not null_refusal(record.rig.lead_null_ohm, 0.0),
        motion_reference=stored.known.motion_reference,
        typed_in=stored.known.typed_in,
    )
    complete = (
        record.ending is Ending.COMPLETE
        and isinstance(record.made_safe, SafeEvidence)
        and is_whole(
            cycles,
            plan.pattern.cycles,
            supply_v=record.cold.supply_v,
            edges_lost=record.edges_lost,
        )
    )
    return overall(judged, complete=complete), judged
