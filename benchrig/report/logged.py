"""What a run log kept of a record, as the plain arrays a page draws.

A record counts its cycles from the run's first edge; the log keeps the rig's ticks, with the
cold check before. The cycles are found again by their own times, and nothing is drawn when
they cannot be.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.record.read import LogReader
from benchrig.record.replay import LoggedEdge, edges
from benchrig.record.values import RunRecord
from benchrig.report.charts import CycleTrace, RunTrace, Samples, cycles_to_show
from benchrig.report.decimate import thin
from benchrig.report.svg import Floats
from benchrig.wire.messages import InputRole

SAMPLES_MOST = 4_000_000  # more are thinned as they are read: first, last, least, greatest stay
_SLACK_S = 2e-3
_FINE_SHARE = 0.9  # of the fine range; above it the coarse input is read


def samples_of(log: LogReader, record: RunRecord) -> Samples:
    """Curves of the shown cycles and of the whole run; empty where the log has none."""
    groups = log.scales(record.record_id)
    first = (
        _first_tick(edges(log, record.record_id), record, groups[-1].tick_ns) if groups else None
    )
    if first is None or not record.cycles:
        return Samples()
    scale = _current_scale([s for group in groups for s in group.scales], record)
    if scale is None:
        return Samples()
    tick_s = 1e-9 * groups[-1].tick_ns
    end_s = record.cycles[-1].start_s + record.cycles[-1].on_s + 0.1
    blocks = log.samples(record.record_id, merged=True)
    time_s, current_a, cycles = [], [], _CycleCutter(record)
    step_s: float | None = None
    for at_s, amperes in _pieces(blocks, scale, first, tick_s):
        wanted = (at_s >= 0.0) & (at_s <= end_s)
        at_s, amperes = at_s[wanted], amperes[wanted]
        if at_s.size:
            cycles.add(at_s, amperes)
            group = _group(record, at_s)
            kept = thin(amperes, group)
            if kept.size < at_s.size:
                step_s = group * float(at_s[1] - at_s[0])
            time_s.append(at_s[kept])
            current_a.append(amperes[kept])
    if not time_s:
        return Samples()
    run = RunTrace(
        time_s=np.concatenate(time_s), current_a=np.concatenate(current_a), step_s=step_s
    )
    return Samples(cycles=cycles.traces(), run=run)


def _group(record: RunRecord, at_s: Floats) -> int:
    """How many samples may share four, so that the whole run stays within bounds."""
    if at_s.size < 2:
        return 1
    interval = float(at_s[1] - at_s[0])
    expected = (record.cycles[-1].start_s + record.cycles[-1].on_s) / max(interval, 1e-9)
    return max(1, int(4 * expected / SAMPLES_MOST))


def _first_tick(found: Sequence[LoggedEdge], record: RunRecord, tick_ns: int) -> int | None:
    """The tick of the run's first edge: where the record's own cycle times fit the log's."""
    mine = 1 << record.plan.output
    ons, previous = [], 0
    for edge in found:
        if edge.outputs_mask & mine and not previous & mine:
            ons.append(edge.tick)
        previous = edge.outputs_mask
    starts = np.asarray([cycle.start_s for cycle in record.cycles]) - record.cycles[0].start_s
    ticks = np.asarray(ons, dtype=np.int64)
    for place in range(len(ons) - len(starts), -1, -1):
        own = (ticks[place:] - ticks[place]) * (1e-9 * tick_ns)
        nearest = own[np.clip(np.searchsorted(own, starts - _SLACK_S), 0, own.size - 1)]
        if np.abs(nearest - starts).max() <= _SLACK_S:
            return int(ticks[place] - round(record.cycles[0].start_s * 1e9 / tick_ns))
    return None


def _current_scale(scales: Sequence[InputScale], record: RunRecord) -> InputScale | None:
    """The input that measured the part's current: the fine one while it stays in its range."""
    mine = {s.role: s for s in scales if s.outputs_mask & (1 << record.plan.output)}
    fine, coarse = mine.get(InputRole.CURRENT_FINE), mine.get(InputRole.CURRENT_COARSE)
    if fine is None or coarse is None:
        return coarse or fine
    greatest = max((c.current_a.value for c in record.cycles if c.current_a), default=0.0)
    full_a = ((1 << fine.bits) - 1 - fine.zero_code) * fine.step * fine.gain
    surges = [c.ripple.inrush_current_a for c in record.cycles if c.ripple]
    inrush = max((surge.value for surge in surges if surge), default=0.0)
    return fine if max(greatest, inrush) < _FINE_SHARE * full_a else coarse


def _pieces(
    blocks: Iterable[SampleBlock], scale: InputScale, first: int, tick_s: float
) -> Iterator[tuple[Floats, Floats]]:
    """Seconds since the first edge and amperes, each input at its own moment in the scan."""
    for block in blocks:
        if scale.input not in block.inputs:
            continue
        column = block.inputs.index(scale.input)
        scans = np.arange(len(block.codes), dtype=np.float64) + column / len(block.inputs)
        at_s: Floats = (block.tick - first + scans * block.scan_period_ticks) * tick_s
        yield at_s, scale.to_si(block.codes[:, column])


class _CycleCutter:
    """Collects the samples of the shown cycles, each from its switch-on."""

    def __init__(self, record: RunRecord) -> None:
        shown = cycles_to_show(record)
        self._cycles = [c for c in record.cycles if c.cycle in shown]
        self._parts: dict[int, list[tuple[Floats, Floats]]] = {c.cycle: [] for c in self._cycles}

    def add(self, at_s: Floats, amperes: Floats) -> None:
        for cycle in self._cycles:
            first, end = np.searchsorted(at_s, [cycle.start_s, cycle.start_s + cycle.on_s])
            if end > first:
                part = (at_s[first:end] - cycle.start_s, amperes[first:end])
                self._parts[cycle.cycle].append(part)

    def traces(self) -> tuple[CycleTrace, ...]:
        return tuple(
            CycleTrace(
                cycle=number,
                time_s=np.concatenate([at_s for at_s, _ in parts]),
                current_a=np.concatenate([amperes for _, amperes in parts]),
            )
            for number, parts in self._parts.items()
            if parts
        )
