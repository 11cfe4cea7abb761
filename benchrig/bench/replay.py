"""A run again from its log: the same analyser over the stored codes.

What was judged can be judged again with a newer analysis, and a report gets its curves.
Nothing here needs a rig.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from itertools import dropwhile, takewhile

from benchrig.bench.context import cycle_context
from benchrig.bench.known import Known, known_of
from benchrig.bench.outcome import judge_record
from benchrig.errors import LogError
from benchrig.judge.evidence import Judgement
from benchrig.judge.verdict import Verdict
from benchrig.measure.cycle_window import MotionAssessor
from benchrig.measure.cycles import CycleAnalyser
from benchrig.measure.features import CycleFeatures
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.record.read import LogReader
from benchrig.record.values import EventKind, RunRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class Stored:
    """What the log holds of a run's cycling: edges, blocks of one stream, how to read them."""

    record: RunRecord
    edges: tuple[tuple[int, bool], ...]  # device tick, on
    blocks: tuple[SampleBlock, ...]
    scales: tuple[InputScale, ...]
    tick_s: float
    known: Known = field(default_factory=Known)  # reference and typed values it is judged with
    still_on: bool = False  # the run stopped watching while the output was on


def stored_run(log: LogReader, record_id: str) -> Stored:
    """A run as the log holds it; without edges and blocks where the part was never cycled."""
    record = log.record(record_id, corrected=False)
    cycling = _cycling(log, record_id)
    sets = log.scales(record_id)
    if not sets:
        raise LogError(f"{record_id}: the log does not say how its codes become values")
    wanted: tuple[SampleBlock, ...] = ()
    if cycling.stream is not None:
        blocks = _of_stream(log.samples(record_id, merged=True), cycling.stream)
        wanted = tuple(_until(blocks, cycling.until_tick))
    return Stored(
        record=record,
        edges=tuple(cycling.edges),
        blocks=wanted,
        scales=sets[-1].scales,
        tick_s=sets[-1].tick_ns * 1e-9,
        known=known_of(log, record),
        still_on=cycling.still_on,
    )


@dataclass(slots=True)
class _Cycling:
    """What the events of a run tell of its cycling."""

    edges: list[tuple[int, bool]] = field(default_factory=list)
    stream: int | None = None
    until_tick: int | None = None  # None: as far as the samples go
    still_on: bool = False


def _cycling(log: LogReader, record_id: str) -> _Cycling:
    found = _Cycling()
    for event in log.events(record_id):
        if event.kind is EventKind.STATE:
            if event.data.get("stream") is not None:
                found.stream = int(event.data["stream"])
            elif found.stream is not None:
                found.until_tick = event.data.get("until_tick")
                found.still_on = bool(event.data.get("still_on"))
                break
        elif event.kind is EventKind.EDGE and found.stream is not None:
            on = bool(event.data["on"])
            if not found.edges or found.edges[-1][1] != on:
                found.edges.append((int(event.data["tick"]), on))
    return found


def _until(blocks: Iterator[SampleBlock], end_tick: int | None) -> Iterator[SampleBlock]:
    """Scans that ended by a tick: the run did not wait for those after it."""
    for block in blocks:
        end = block.tick + len(block.codes) * block.scan_period_ticks
        if end_tick is None or end <= end_tick:
            yield block
            continue
        scans = (end_tick - block.tick) // block.scan_period_ticks
        if scans > 0:
            yield replace(block, codes=block.codes[:scans])
        return


def _of_stream(blocks: Iterator[SampleBlock], stream: int) -> Iterator[SampleBlock]:
    """The first that bear its number, which wraps, and begins anew when the rig restarts."""
    begun = dropwhile(lambda block: block.stream != stream, blocks)
    return takewhile(lambda block: block.stream == stream, begun)


def analyse_again(
    stored: Stored, *, assess_motion: MotionAssessor | None = None
) -> tuple[CycleFeatures, ...]:
    """The cycles of a stored run by today's analysis; by another look at motion where given."""
    record = stored.record
    if not stored.edges:
        return ()
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
    cycles += analyser.finish(still_on=stored.still_on)
    return tuple(analyser.with_motion(cycles))


def judge_again(stored: Stored, cycles: tuple[CycleFeatures, ...]) -> tuple[RunRecord, Judgement]:
    """The record as today's rules would make it of these cycles, with its own limits.

    What was warned of while the run went on stays; the judge's own warnings are in the second.
    """
    blank = replace(stored.record, verdict=Verdict.NOT_ASSESSED)
    return judge_record(blank, cycles, stored.scales, stored.known)
