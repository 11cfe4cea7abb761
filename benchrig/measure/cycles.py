"""Cycles out of a stream: edges and sample blocks in, features of each on-time out.

The analyser keeps what the cycle under way needs and forgets the rest, so a run of any length
takes bounded memory. Time zero is the run's first on edge, by the rig's clock. The same class
reads a run as it happens and again from the log.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from benchrig.measure.cycle_features import analyse_cycle
from benchrig.measure.cycle_window import CycleContext, RunMemory, Window
from benchrig.measure.dropouts import noise_beside_dips
from benchrig.measure.features import CycleFeatures
from benchrig.measure.propagation import FloatArray
from benchrig.measure.reading import Codes
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.wire.messages import InputRole

TAIL_S = 0.03  # after the off edge: the decay and a little quiet
ZERO_S_MAX = 0.1  # quiet time before an on edge that gives the zero
KEEP_OFF_S = 0.25  # of quiet time kept back while edges may still arrive
SCAN_OFF_S = 0.5
ON_S_MAX = 70.0  # longer than any pattern's on-time: the off edge was lost
UNEXPECTED_A = 0.02
UNEXPECTED_SIGMAS = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class UnexpectedCurrent:
    """Current while the output was off: a leak, a welded contact, a shorted switch."""

    start_s: float  # since the run's first edge; below 0 before it
    duration_s: float
    peak_a: float


@dataclass(slots=True)
class _OnTime:
    on_tick: int
    off_tick: int | None = None
    next_tick: int | None = None
    end_lost: bool = False  # the edge that ended it never came: how long it lasted is not known


def _end_of(block: SampleBlock) -> int:
    return block.tick + len(block.codes) * block.scan_period_ticks


def _ticks_of(pieces: list[Codes], begins: list[int], period: int) -> FloatArray:
    """When each scan of some pieces began; in one stroke where there is no gap."""
    scans = sum(len(piece) for piece in pieces)
    if begins[0] + (scans - len(pieces[-1])) * period == begins[-1]:
        return np.arange(begins[0], begins[0] + scans * period, period, dtype=np.float64)
    ends = [begin + len(piece) * period for begin, piece in zip(begins, pieces, strict=True)]
    runs = zip(begins, ends, strict=True)
    return np.concatenate([np.arange(*run, period, dtype=np.float64) for run in runs])


class CycleAnalyser:
    """Feed it in order: ``add_edge`` for the run's output, ``add_block`` for the stream."""

    def __init__(self, context: CycleContext) -> None:
        self.context = context
        self.memory = RunMemory()
        self.unexpected: list[UnexpectedCurrent] = []
        self.cycles_done = 0
        self._blocks: list[SampleBlock] = []
        self._pending: list[_OnTime] = []
        self._first_tick: int | None = None
        self._quiet_from: int | None = None  # off since this tick, as far as not yet looked at
        self._rest_from: int | None = None  # the last decay is over from this tick on
        self._wanted = 0  # no cycle can be complete before this tick
        self._tick_s = context.tick_ns * 1e-9

    def add_edge(self, tick: int, on: bool) -> list[CycleFeatures]:
        """The output changed at an (unwrapped) tick."""
        if on:
            if self._first_tick is None:
                self._first_tick = tick
            if self._pending:
                last = self._pending[-1]
                if last.off_tick is None:
                    last.off_tick, last.end_lost = tick, True
                last.next_tick = tick
            self._pending.append(_OnTime(on_tick=tick))
        elif self._pending and self._pending[-1].off_tick is None:
            self._pending[-1].off_tick = tick
        return self._advance()

    def add_block(self, block: SampleBlock) -> list[CycleFeatures]:
        """Samples of the stream; a new stream forgets what the old one left unfinished."""
        if self._blocks and block.stream != self._blocks[-1].stream:
            self._blocks.clear()
        self._blocks.append(block)
        if not self._pending:
            self._look_at_quiet(block)
            return []
        return self._advance() if _end_of(block) >= self._wanted else []

    def finish(self, *, still_on: bool = True) -> list[CycleFeatures]:
        """No more samples will come: whatever was switched on is given as far as it goes.

        ``still_on=False``: nothing is on any more, so an edge that did not come was lost, and
        nothing can be said of the on-time it ended.
        """
        done = []
        end = self._end_tick()
        for on_time in self._pending:
            if on_time.off_tick is None:
                on_time.off_tick = max(end, on_time.on_tick + 1)
                on_time.end_lost = not still_on
            done.append(self._analyse(on_time))
        self._pending.clear()
        if self._blocks and self._quiet_from is not None:
            self._scan_quiet(self._quiet_from, end)
        return done

    def with_motion(self, cycles: Iterable[CycleFeatures]) -> list[CycleFeatures]:
        """The same cycles with motion assessed, where the context deferred it.

        Takes a while for a long run; run it when the part is safe, or in a thread.
        """
        assess, rises = self.context.assess_motion, self.memory.rises
        motions = assess(list(rises.values())) if assess is not None and rises else []
        found = dict(zip(rises, motions, strict=True))
        rises.clear()
        return [
            c if c.motion is not None else replace(c, motion=found.get(c.cycle)) for c in cycles
        ]

    def _current_scale(self, inputs: tuple[int, ...]) -> InputScale | None:
        for role in (InputRole.CURRENT_FINE, InputRole.CURRENT_COARSE):
            scale = self.context.scale_of(role, inputs)
            if scale is not None:
                return scale
        return None

    # --- when ----------------------------------------------------------------------------

    @property
    def end_tick(self) -> int:
        """Where the samples end that it was given."""
        return self._end_tick()

    def _end_tick(self) -> int:
        if not self._blocks:
            return self._first_tick or 0
        return _end_of(self._blocks[-1])

    def _ticks(self, seconds: float) -> int:
        return round(seconds / self._tick_s)

    def _advance(self) -> list[CycleFeatures]:
        done = []
        end = self._end_tick()
        while self._pending:
            first = self._pending[0]
            if first.off_tick is None:
                self._wanted = first.on_tick + self._ticks(ON_S_MAX)
                if end < self._wanted:
                    break
                first.off_tick = end
            self._wanted = first.off_tick + self._ticks(TAIL_S)
            if first.next_tick is not None:
                self._wanted = min(self._wanted, first.next_tick)
            if end < self._wanted:
                break
            self._pending.pop(0)
            done.append(self._analyse(first))
        return done

    # --- what ----------------------------------------------------------------------------

    def _analyse(self, on_time: _OnTime) -> CycleFeatures:
        assert on_time.off_tick is not None
        assert self._first_tick is not None
        if self._quiet_from is not None:
            self._scan_quiet(self._quiet_from, on_time.on_tick, to_edge=True)
        window = self._window(on_time, on_time.off_tick)
        self.cycles_done += 1
        features = analyse_cycle(
            self.context,
            window,
            self.memory,
            self.cycles_done,
            (on_time.on_tick - self._first_tick) * self._tick_s,
        )
        self._quiet_from = self._rest_from = on_time.off_tick + self._decay_ticks(on_time)
        self._forget(on_time.off_tick)
        return features

    def _decay_ticks(self, on_time: _OnTime) -> int:
        """How long after an off edge a current is still the part's own decay."""
        assert on_time.off_tick is not None
        allowed = self._ticks(max(0.05, 12.0 * (self.memory.tau_s or 0.0)))
        if on_time.next_tick is not None:
            allowed = min(allowed, (on_time.next_tick - on_time.off_tick) // 2)
        return allowed

    def _window(self, on_time: _OnTime, off_tick: int) -> Window:
        to_tick = off_tick + self._ticks(TAIL_S)
        if on_time.next_tick is not None:
            to_tick = min(to_tick, on_time.next_tick)
        begin = to_tick if on_time.end_lost else on_time.on_tick  # nothing can be said of it
        codes, ticks, inputs, period = self._cut(begin, to_tick)
        on_ticks = off_tick - on_time.on_tick
        seen = int(np.diff(np.searchsorted(ticks, (on_time.on_tick, off_tick)))[0])
        due = on_ticks / period if period else 0.0
        # The first and the last scan of an on-time fall either side of the edges: not missing.
        missing = round(due) - seen if due - seen > 1.5 else 0
        return Window(
            inputs=inputs,
            codes=codes,
            time_s=(ticks - on_time.on_tick) * self._tick_s,
            period_s=max(period, 1) * self._tick_s,
            on_s=on_ticks * self._tick_s,
            zero=self._zero(on_time.on_tick),
            missing=missing if inputs else max(1, round(on_ticks * self._tick_s * 1e4)),
        )

    def _zero(self, on_tick: int) -> Codes | None:
        begin = on_tick - self._ticks(ZERO_S_MAX)
        if self._rest_from is not None:
            begin = max(begin, self._rest_from)
        codes, *_ = self._cut(begin, on_tick, to_edge=True)
        return codes if codes.shape[0] else None

    def _cut(
        self, begin: int, end: int, *, to_edge: bool = False
    ) -> tuple[Codes, FloatArray, tuple[int, ...], int]:
        """Whole scans whose start lies in [begin, end).

        ``to_edge``: none that is under way at ``end``, since it has inputs converted after it.
        """
        chosen = [b for b in self._blocks if b.tick < end and _end_of(b) > begin]
        if not chosen:
            return np.empty((0, 0), np.int16), np.empty(0), (), 0
        period = chosen[0].scan_period_ticks
        if to_edge:
            end -= period - 1
        pieces, begins = [], []
        for block in chosen:  # stored runs come in blocks of many seconds: take what is wanted
            first = max(0, -((block.tick - begin) // period))
            stop = min(len(block.codes), max(first, -((block.tick - end) // period)))
            pieces.append(block.codes[first:stop])
            begins.append(block.tick + period * first)
        return np.concatenate(pieces), _ticks_of(pieces, begins, period), chosen[0].inputs, period

    def _forget(self, before_tick: int) -> None:
        keep = before_tick - self._ticks(ZERO_S_MAX)
        first = 0
        for first, block in enumerate(self._blocks):  # noqa: B007
            if _end_of(block) > keep:
                break
        del self._blocks[:first]

    # --- while off -----------------------------------------------------------------------

    def _look_at_quiet(self, block: SampleBlock) -> None:
        if self._quiet_from is None:
            self._quiet_from = block.tick
        until = block.tick - self._ticks(KEEP_OFF_S)
        if until - self._quiet_from < self._ticks(SCAN_OFF_S):
            return
        self._scan_quiet(self._quiet_from, until)
        self._forget(until)

    def _scan_quiet(self, begin: int, end: int, *, to_edge: bool = False) -> None:
        """Look for current where none should be, in [begin, end)."""
        self._quiet_from = max(begin, end)
        if end <= begin:
            return
        codes, ticks, inputs, period = self._cut(begin, end, to_edge=to_edge)
        scale = self._current_scale(inputs)
        if scale is None or codes.shape[0] == 0:
            return
        column = np.ascontiguousarray(codes[:, inputs.index(scale.input)])
        # An offset is no current: allow for what is not known of it.
        least = max(UNEXPECTED_A, 3.0 * scale.offset_uncertainty)
        if max(abs(scale.value(int(code))) for code in (column.min(), column.max())) < least:
            return
        current = scale.to_si(column)
        least += UNEXPECTED_SIGMAS * noise_beside_dips(current, abs(scale.step))
        where = np.flatnonzero(current > least)
        if where.size == 0:
            return
        origin = self._first_tick if self._first_tick is not None else 0
        breaks = np.flatnonzero(np.diff(where) > 3)
        firsts = where[np.concatenate(([0], breaks + 1))]
        lasts = where[np.concatenate((breaks, [where.size - 1]))]
        for first, last in zip(firsts, lasts, strict=True):
            self.unexpected.append(
                UnexpectedCurrent(
                    start_s=float(ticks[first] - origin) * self._tick_s,
                    duration_s=float(ticks[last] - ticks[first] + period) * self._tick_s,
                    peak_a=float(current[first : last + 1].max()),
                )
            )
