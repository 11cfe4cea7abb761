"""One reader of everything a rig sends during a run.

Samples go to the sinks and to the cycle analyser, edges and faults to whoever waits. A
``Window`` is a look at the inputs that is certain to lie after the request: each look starts
a stream of its own, and only blocks of that stream count.

Invariant: the observer never commands anything but streams, so watching cannot energise.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from benchrig.bench.look import (
    Look,
    Window,
)
from benchrig.errors import LinkError, RigError
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.rig.client import Rig, RigClientState
from benchrig.rig.events import (
    EdgeEvent,
    FaultEvent,
    FinishedEvent,
    LinkLost,
    RigEvent,
    RigRestarted,
)
from benchrig.wire.messages import InputRole
from benchrig.wire.packing import codes_per_block

WINDOW_SCANS_MIN = 16
EDGES_KEPT = 64  # enough to place a late block between its edges

GONE = (RigClientState.LOST, RigClientState.CLOSED)


class Observer:
    """Takes the events of a rig as they come and hands each thing to those who asked."""

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
        """``was_on``: by an earlier link or program."""
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
        self.finished = False  # the schedule ended by itself
        self._was_on = was_on
        self._feed_closures_before = rig.feed_closures
        self.edges: list[tuple[int, bool]] = []  # (tick, our output is on)
        self._collect: tuple[int, list[SampleBlock]] | None = None
        self._news = asyncio.Event()
        self._turn = asyncio.Event()

    async def __aenter__(self) -> Observer:
        self.rig.listen(self._take_news)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.rig.listen(None)

    @property
    def is_over(self) -> bool:
        """The schedule has ended, or the rig is gone: nothing of it is on any more."""
        return self.finished or self._broken_off

    @property
    def energised(self) -> bool:
        """The supply may have been put onto the part: the feed was told to close."""
        return self._was_on or self.rig.feed_closures > self._feed_closures_before

    @property
    def stopped(self) -> bool:
        """Fault, restart, lost link, bug: the run cannot go on."""
        return self.mistake is not None or self._broken_off

    @property
    def _broken_off(self) -> bool:
        return self.fault is not None or self.lost is not None or self.restarted

    def scale(self, role: InputRole) -> InputScale | None:
        """The input of this role that measures the observed output."""
        mask = 1 << self.output
        fitting = [s for s in self.rig.scales if s.role is role]
        return next((s for s in fitting if s.outputs_mask & mask), fitting[0] if fitting else None)

    async def window(
        self, roles: tuple[InputRole, ...], duration_s: float, *, settle_s: float = 0.0
    ) -> Window:
        """Look at some inputs for a while; raises RigError when the samples do not come."""
        if settle_s:
            await asyncio.sleep(settle_s)
        look = await self.begin_look(roles)
        return await self.end_look(look, duration_s, longest=True)

    async def begin_look(self, roles: tuple[InputRole, ...]) -> Look:
        """Begin to look at some inputs, from now until ``end_look``."""
        scales = [s for role in roles if (s := self.scale(role)) is not None]
        if not scales:
            raise RigError("the rig has none of the inputs that this check needs")
        period_us = max(self.rig.identity.conversion_period_us_min * len(scales), 100)
        info = await self.rig.stream([s.input for s in scales], period_us)
        period_s = info.scan_period_ticks * self.rig.tick_s
        most = codes_per_block(info.code_bits, len(scales)) // len(scales)
        look = Look(
            scales={s.input: s for s in scales}, period_s=period_s, filling_s=most * period_s
        )
        self._collect = (info.stream, look.blocks)
        return look

    async def end_look(self, look: Look, least_s: float, *, longest: bool = False) -> Window:
        """All that was seen of it, once that is as long as this; ``longest``: and no longer.

        RigError when the samples do not come.
        """
        scans = max(WINDOW_SCANS_MIN, round(least_s / look.period_s))
        try:
            async with asyncio.timeout(1.0 + 3.0 * least_s):
                if look.scans < scans:
                    await asyncio.sleep((scans - look.scans) * look.period_s + look.filling_s)
                status = await self.rig.read_status()  # what was sampled by then comes before it
                while look.scans < scans:
                    self._news.clear()
                    self._raise_if_gone()
                    await self._news.wait()
                    status = await self.rig.read_status()
        except TimeoutError as error:
            raise RigError("the rig's samples stopped coming") from error
        finally:
            self._collect = None
        return look.window(scans if longest else look.scans, status)

    async def wait_turn(self, most_s: float) -> None:
        """Until the schedule ends, something stops the run, ``wake``, or so long has passed."""
        if self.finished or self.stopped:
            return
        self._turn.clear()
        timer = asyncio.get_running_loop().call_later(most_s, self._turn.set)
        try:
            await self._turn.wait()
        finally:
            timer.cancel()

    def wake(self) -> None:
        """Let whoever waits for a turn look again."""
        self._turn.set()

    def begin_anew(self) -> None:
        """Look at a rig that restarted in the middle, which dropped everything by itself."""
        if self.restarted:
            self.restarted, self.has_restarted = False, True

    def _raise_if_gone(self) -> None:
        if self.lost is not None:
            raise LinkError(f"the link to the rig was lost: {self.lost}")
        if self.restarted:
            raise RigError("the rig has restarted on its own")

    def _take_news(self) -> None:
        """Whatever is wrong with some news: what comes after it is taken."""
        try:
            self._take_events(self.rig.take_events())
        except Exception as error:  # noqa: BLE001 - kept, and raised once the part is off
            self._note_mistake(error)
        if self.lost is None and self.rig.state in GONE:
            self.lost = "the link was closed"
            self.wake()
        self._news.set()

    def _take_events(self, events: Sequence[RigEvent]) -> None:
        waiting: list[SampleBlock] = []
        for event in events:
            if isinstance(event, SampleBlock):
                waiting.append(event)
                continue
            self._take_blocks(waiting)
            self._take_event(event)
        self._take_blocks(waiting)

    def _note_mistake(self, error: Exception) -> None:
        self.mistake = self.mistake or error
        self.wake()

    def _take_event(self, event: RigEvent) -> None:
        match event:
            case EdgeEvent():
                self._take_edge(event)
            case FaultEvent():
                self.fault = self.fault or event
                self.wake()
            case FinishedEvent():
                self.finished = True
                self.wake()
            case RigRestarted():
                self.restarted = True
                self.wake()
            case LinkLost():
                self.lost = event.reason
                self.wake()

    def _take_edge(self, event: EdgeEvent) -> None:
        on = bool(event.outputs_mask >> self.output & 1)
        if not self.edges or self.edges[-1][1] != on:
            self.edges.append((event.tick, on))
            del self.edges[:-EDGES_KEPT]
        self._hand("on_edge", event)

    def _hand(self, listener: str, news: object) -> None:
        """Tell a listener. One that throws is told nothing more, and the run hears of it.

        Making safe lives on what is read here: no mistake in judging samples may end it.
        """
        call = getattr(self, listener)
        if call is None:
            return
        try:
            call(news)
        except Exception as error:  # noqa: BLE001 - kept, and raised once the part is off
            setattr(self, listener, None)
            self._note_mistake(error)

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
        self._hand("on_block", block)


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
