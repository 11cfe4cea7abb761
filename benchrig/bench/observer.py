"""One reader of everything a rig sends during a run.

Samples go to the sinks and to the cycle analyser, edges and faults to whoever waits. A
``Window`` is a look at the inputs that is certain to lie after the request: each window starts
a stream of its own, and only blocks of that stream count.

Invariant: the observer never commands anything but streams, so watching cannot energise.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from benchrig.errors import LinkError, RigError
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.rig.client import Rig
from benchrig.rig.events import (
    EdgeEvent,
    FaultEvent,
    FinishedEvent,
    LinkLost,
    RigEvent,
    RigRestarted,
)
from benchrig.wire.messages import InputRole

WINDOW_SCANS_MIN = 16
LIVE_ZERO_TOLERANCE_CODES = 12  # offset and noise of uncalibrated electronics
EDGES_KEPT = 64  # enough to place a late block between its edges

CURRENT_ROLES = (InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE)
VOLTAGE_ROLES = (InputRole.PART_VOLTAGE, InputRole.PART_VOLTAGE_FINE)
ANSWERING_ROLES = (*CURRENT_ROLES, *VOLTAGE_ROLES)  # to an output that is on


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One input over one window, in SI."""

    role: InputRole
    scale: InputScale
    mean: float
    deviation: float  # standard deviation of single samples
    count: int
    codes_mean: float
    saturated_share: float
    codes: NDArray[np.int16]

    @property
    def at_live_zero(self) -> bool:
        """The input stands near the code that means nothing, and not at a dead 0."""
        near = abs(self.codes_mean - self.scale.zero_code) <= LIVE_ZERO_TOLERANCE_CODES
        return near and (self.scale.zero_code == 0 or self.codes_mean > 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Readings of some inputs, all taken after the request."""

    readings: dict[InputRole, Reading]

    def mean(self, role: InputRole) -> float | None:
        """Mean of an input, None where the rig has no such input."""
        reading = self.readings.get(role)
        return None if reading is None else reading.mean

    def largest_current_a(self, offsets: dict[InputRole, float]) -> float | None:
        """The current furthest from its off-reading over all current inputs of this window."""
        values = [
            self.readings[role].mean - offsets.get(role, 0.0)
            for role in CURRENT_ROLES
            if role in self.readings
        ]
        return max(values, key=abs) if values else None

    def largest_voltage_v(self, offsets: dict[InputRole, float]) -> float | None:
        """The voltage across the part furthest from its off-reading."""
        values = [
            self.readings[role].mean - offsets.get(role, 0.0)
            for role in VOLTAGE_ROLES
            if role in self.readings
        ]
        return max(values, key=abs) if values else None


@dataclass(slots=True, kw_only=True)
class Liveness:
    """Which inputs answered while the output was last commanded on."""

    on_edges: int = 0
    answered: dict[InputRole, int] = field(default_factory=dict)  # role -> number of that on-edge

    def alive(self) -> tuple[InputRole, ...]:
        """Inputs that showed current or voltage during the latest on-time."""
        if self.on_edges == 0:
            return ()
        return tuple(role for role, edge in self.answered.items() if edge >= self.on_edges)


class Observer:
    """Reads ``rig.events()`` in one task and hands each thing to those who asked."""

    def __init__(
        self,
        rig: Rig,
        output: int,
        *,
        on_raw: Callable[[SampleBlock], None] | None = None,
        on_block: Callable[[SampleBlock], None] | None = None,
        on_edge: Callable[[EdgeEvent], None] | None = None,
        was_on: bool = False,
    ) -> None:
        """``was_on``: by an earlier link or program; its inputs have shown nothing to this one."""
        self.rig = rig
        self.output = output
        self.on_raw = on_raw  # every block as the rig sent it
        self.on_block = on_block  # the same samples, neighbouring blocks joined
        self.on_edge = on_edge
        self.fault: FaultEvent | None = None
        self.restarted = False  # and nobody has said yet that this is known
        self.has_restarted = False
        self.feed_stuck = False  # told to open, its own contact still says closed
        self.mistake: Exception | None = None  # in a callback; watching goes on without it
        self.lost: str | None = None
        self.finished = asyncio.Event()  # the schedule ended by itself
        self.stopped = asyncio.Event()  # fault, restart, lost link, bug: the run cannot go on
        self.liveness = Liveness(on_edges=int(was_on))
        self.edges: list[tuple[int, bool]] = []  # (tick, our output is on)
        self._by_input = {scale.input: scale for scale in rig.scales}
        self._collect: tuple[int, list[SampleBlock]] | None = None
        self._news = asyncio.Event()
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Observer:
        self._task = asyncio.create_task(self._pump(), name="observer")
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)
            if not self._task.cancelled() and (error := self._task.exception()) is not None:
                raise error

    @property
    def is_over(self) -> bool:
        """The schedule has ended, or the rig is gone: nothing of it is on any more."""
        over = self.fault is not None or self.lost is not None or self.restarted
        return over or self.finished.is_set()

    def scale(self, role: InputRole) -> InputScale | None:
        """The input of this role that measures the observed output."""
        mask = 1 << self.output
        fitting = [s for s in self.rig.scales if s.role is role]
        return next((s for s in fitting if s.outputs_mask & mask), fitting[0] if fitting else None)

    async def window(
        self, roles: tuple[InputRole, ...], duration_s: float, *, settle_s: float = 0.0
    ) -> Window:
        """Look at some inputs for a while; raises RigError when the samples do not come."""
        scales = [s for role in roles if (s := self.scale(role)) is not None]
        if not scales:
            raise RigError("the rig has none of the inputs that this check needs")
        period_us = max(self.rig.identity.conversion_period_us_min * len(scales), 100)
        info = await self.rig.stream([s.input for s in scales], period_us)
        scans = max(WINDOW_SCANS_MIN, round(duration_s * 1e6 / period_us))
        skip = round(settle_s * 1e6 / period_us)
        blocks: list[SampleBlock] = []
        self._collect = (info.stream, blocks)
        try:
            async with asyncio.timeout(1.0 + 3.0 * (duration_s + settle_s)):
                while sum(len(b.codes) for b in blocks) < scans + skip:
                    self._news.clear()
                    self._raise_if_gone()
                    await self._news.wait()
        except TimeoutError as error:
            raise RigError("the rig's samples stopped coming") from error
        finally:
            self._collect = None
        order = blocks[0].inputs
        codes = np.concatenate([b.codes for b in blocks])[skip : skip + scans]
        by_input = {s.input: s for s in scales}
        return Window(
            readings={
                by_input[number].role: _reading(by_input[number], codes[:, column])
                for column, number in enumerate(order)
            }
        )

    def begin_anew(self) -> None:
        """Look at a rig that restarted in the middle, which dropped everything by itself.

        What its inputs answered before says nothing about them now.
        """
        if self.restarted:
            self.restarted, self.has_restarted = False, True
            self.liveness.answered.clear()

    def _raise_if_gone(self) -> None:
        if self.lost is not None:
            raise LinkError(f"the link to the rig was lost: {self.lost}")
        if self.restarted:
            raise RigError("the rig has restarted on its own")

    async def _pump(self) -> None:
        while batch := await self.rig.wait_events():
            waiting: list[SampleBlock] = []
            for event in batch:
                if isinstance(event, SampleBlock):
                    waiting.append(event)
                    continue
                self._take_blocks(waiting)
                self._take_event(event)
            self._take_blocks(waiting)
            self._news.set()
        if self.lost is None:
            self.lost = "the link was closed"
        self.stopped.set()
        self._news.set()

    def _take_event(self, event: RigEvent) -> None:
        match event:
            case EdgeEvent():
                self._take_edge(event)
            case FaultEvent():
                self.fault = self.fault or event
                self.stopped.set()
            case FinishedEvent():
                self.finished.set()
            case RigRestarted():
                self.restarted = True
                self.stopped.set()
            case LinkLost():
                self.lost = event.reason
                self.stopped.set()

    def _take_edge(self, event: EdgeEvent) -> None:
        on = bool(event.outputs_mask >> self.output & 1)
        if not self.edges or self.edges[-1][1] != on:
            self.edges.append((event.tick, on))
            del self.edges[:-EDGES_KEPT]
            if on:
                self.liveness.on_edges += 1
        self._hand("on_edge", event)

    def _hand(self, listener: str, news: object) -> None:
        """Tell a listener. One that throws is told nothing more, and the run hears of it.

        Making safe lives on what this task reads: no mistake in judging samples may end it.
        """
        call = getattr(self, listener)
        if call is None:
            return
        try:
            call(news)
        except Exception as error:  # noqa: BLE001 - kept, and raised once the part is off
            self.mistake = self.mistake or error
            setattr(self, listener, None)
            self.stopped.set()

    def _take_blocks(self, blocks: list[SampleBlock]) -> None:
        """Blocks as they came go to the log; for everything else neighbours are joined."""
        for block in blocks:
            self._hand("on_raw", block)
        for joined in join_neighbours(blocks):
            self._take_joined(joined)
        blocks.clear()

    def _take_joined(self, block: SampleBlock) -> None:
        if self._collect is not None and block.stream == self._collect[0]:
            self._collect[1].append(block)
        self._note_liveness(block)
        self._hand("on_block", block)

    def _note_liveness(self, block: SampleBlock) -> None:
        live = self.liveness
        silent = [
            (column, scale)
            for column, scale in enumerate(self._by_input[number] for number in block.inputs)
            # One answer an on-time is enough.
            if scale.role in ANSWERING_ROLES and live.answered.get(scale.role) != live.on_edges
        ]
        if not silent or not self.edges or not len(block.codes):
            return
        last_on = next((tick for tick, on in reversed(self.edges) if on), None)
        if last_on is None:
            return
        off_after = next((tick for tick, on in self.edges[-2:] if not on and tick > last_on), None)
        first = _scans_before(block, last_on)
        stop = len(block.codes) if off_after is None else _scans_before(block, off_after)
        if first >= stop:
            return
        for column, scale in silent:
            codes = np.sort(block.codes[first:stop, column])
            # The third highest: one or two noisy codes are no answer.
            if codes[-min(3, len(codes))] - scale.zero_code > LIVE_ZERO_TOLERANCE_CODES:
                live.answered[scale.role] = live.on_edges


def _scans_before(block: SampleBlock, tick: int) -> int:
    """How many scans of a block began before a tick."""
    scans = -((block.tick - tick) // block.scan_period_ticks)
    return min(max(scans, 0), len(block.codes))


def join_neighbours(blocks: Sequence[SampleBlock]) -> Iterator[SampleBlock]:
    """Blocks that follow each other without a gap, as one; the first one's number stays."""
    group: list[SampleBlock] = []
    for block in blocks:
        if group and not _follows(group[-1], block):
            yield _joined(group)
            group = []
        group.append(block)
    if group:
        yield _joined(group)


def _follows(one: SampleBlock, other: SampleBlock) -> bool:
    return (
        one.stream == other.stream
        and one.block + one.blocks == other.block
        and one.inputs == other.inputs
        and one.scan_period_ticks == other.scan_period_ticks
        and one.tick + len(one.codes) * one.scan_period_ticks == other.tick
    )


def _joined(group: list[SampleBlock]) -> SampleBlock:
    if len(group) == 1:
        return group[0]
    return replace(
        group[0],
        codes=np.concatenate([block.codes for block in group]),
        blocks=sum(block.blocks for block in group),
    )


def _reading(scale: InputScale, codes: NDArray[np.int16]) -> Reading:
    """Mean and deviation of the codes first: SI is a straight line of them."""
    wide, count = codes.astype(np.float64), len(codes)
    mean = float(np.add.reduce(wide)) / count
    apart = wide - mean
    spread = float(np.dot(apart, apart) / (count - 1)) ** 0.5 if count > 1 else 1.0
    return Reading(
        role=scale.role,
        scale=scale,
        mean=scale.value(mean),
        deviation=spread * abs(scale.step * scale.gain),
        count=count,
        codes_mean=mean,
        saturated_share=np.count_nonzero(scale.saturated(codes)) / count,
        codes=codes,
    )
