"""The host's side of one rig: handshake, heartbeat, requests by name, events in order.

``async with open_rig(url) as rig`` gives a rig that has told who it is and whose heartbeat
runs. Leaving asks it to open its feed. A lost link ends everything: nothing reconnects, whoever
waits gets LinkError, and whoever listens is told last of all that it is lost.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from enum import Enum
from typing import Protocol, TypeVar

from benchrig.errors import ProtocolViolation, RigError
from benchrig.measure.samples import InputScale
from benchrig.rig.clock import ClockComparison, ClockRatio
from benchrig.rig.events import RigEvent, StreamInfo
from benchrig.rig.exchange import Exchange
from benchrig.rig.heartbeat import Heartbeat
from benchrig.rig.link import Link, open_link, open_link_again
from benchrig.rig.refusals import refused
from benchrig.wire.messages import (
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    Accepted,
    AllOff,
    ClearFault,
    CloseFeed,
    DescribeInput,
    DescribeOutput,
    FaultReason,
    Hello,
    Identity,
    InputInfo,
    Message,
    OpenFeed,
    OutputInfo,
    ReadStatus,
    RefusalReason,
    Refused,
    ScheduleBegin,
    ScheduleCommit,
    Start,
    Status,
    StopStream,
    Stream,
    Streaming,
)
from benchrig.wire.schedule import Schedule

# A board may sit in its boot loader for two seconds after its port was opened.
HELLO_PATIENCE_S = (0.1,) * 40
_GOODBYE_S = 0.5
_M = TypeVar("_M", bound=Message)


class VersionNotSpoken(RigError):
    """Host and rig speak different major versions of the protocol."""


class RigClientState(Enum):
    """Where a connection stands; it only ever moves down this list."""

    OPENING = "opening"
    OPEN = "open"
    LOST = "lost"
    CLOSED = "closed"


class Correction(Protocol):
    """A calibration: what it knows of an input of the rig with this unique id."""

    def correct(self, unique_id: int, scale: InputScale) -> InputScale:
        """The scale with gain, offset and their uncertainties, or the same scale."""
        ...


class Rig:
    """An open rig. Made by ``open_rig``."""

    identity: Identity
    outputs: tuple[OutputInfo, ...]
    inputs: tuple[InputInfo, ...]
    scales: tuple[InputScale, ...]

    def __init__(self, link: Link) -> None:
        self._exchange = Exchange(link)
        self._heartbeat: Heartbeat | None = None  # once it is open
        self._closed = False
        self.feed_closures = 0  # how often it was told to close, whether or not it did

    # --- what is known ---

    @property
    def name(self) -> str:
        """The link's name."""
        return self._exchange.link.name

    @property
    def state(self) -> RigClientState:
        """Where the connection stands."""
        if self._closed:
            return RigClientState.CLOSED
        if self._exchange.lost:
            return RigClientState.LOST
        return RigClientState.OPENING if self._heartbeat is None else RigClientState.OPEN

    @property
    def tick_s(self) -> float:
        """Length of a device tick."""
        return self.identity.tick_ns * 1e-9

    @property
    def blocks_lost(self) -> int:
        """Sample blocks numbered by the rig that never became events."""
        return self._exchange.reader.blocks_lost

    @property
    def edges_lost(self) -> int:
        """Edges numbered by the rig that never became events."""
        return self._exchange.reader.edges_lost

    @property
    def unasked_lost(self) -> int:
        """Unasked messages of any kind that were lost on the way."""
        return self._exchange.session.unasked_lost

    @property
    def frames_bad(self) -> int:
        """Damaged frames from the rig."""
        return self._exchange.session.frames_bad

    @property
    def violations(self) -> int:
        """Whole frames that the protocol does not allow."""
        return self._exchange.violations

    @property
    def status(self) -> Status:
        """The rig's latest word on its state, at most a heartbeat's period old."""
        return self._exchange.status

    @property
    def clock_ratio(self) -> ClockRatio | None:
        """Host clock against rig clock; None while too little time has passed."""
        return self._exchange.clock.ratio()

    @property
    def clock_ratio_ppm(self) -> float | None:
        """The same as a bare number."""
        ratio = self.clock_ratio
        return None if ratio is None else ratio.ppm

    # --- asking ---

    async def request(self, message: Message) -> Message:
        """Ask anything; RigRefused when the rig says no, LinkError when it is lost."""
        answer = await self._exchange.request(message)
        if isinstance(answer, Refused):
            raise refused(message, answer)
        return answer

    async def hello(self) -> Identity:
        """Ask who the rig is, with the patience a boot loader needs."""
        question = Hello(protocol_major=PROTOCOL_MAJOR, protocol_minor=PROTOCOL_MINOR)
        self._exchange.flush()
        answer = await self._exchange.request(question, HELLO_PATIENCE_S)
        speaks = PROTOCOL_MAJOR
        if isinstance(answer, Refused):
            if answer.reason is not RefusalReason.VERSION_NOT_SPOKEN:
                raise refused(question, answer)
            speaks = answer.detail
        elif isinstance(answer, Identity):
            speaks = answer.protocol_major
        if speaks != PROTOCOL_MAJOR or not isinstance(answer, Identity):
            raise VersionNotSpoken(
                f"{self.name}: the rig speaks protocol version {speaks}, "
                f"this program speaks {PROTOCOL_MAJOR}",
                advice="update the rig's firmware or this program",
            )
        self.identity = answer
        return answer

    async def read_status(self) -> Status:
        """Read the rig's state now."""
        return await self._ask(ReadStatus(), Status)

    async def load(self, schedule: Schedule) -> None:
        """Send a whole schedule and have the rig check it."""
        await self.request(
            ScheduleBegin(
                schedule_id=schedule.schedule_id,
                step_count=len(schedule.steps),
                repeat_count=schedule.repeat_count,
            )
        )
        for step in schedule.steps:
            await self.request(step)
        await self.request(
            ScheduleCommit(schedule_id=schedule.schedule_id, steps_crc=schedule.steps_crc)
        )

    async def close_feed(self) -> int:
        """Close the feed; returns the tick."""
        self.feed_closures += 1
        return await self._do(CloseFeed())

    async def open_feed(self) -> int:
        """All outputs off, feed open; returns the tick. Never refused."""
        return await self._do(OpenFeed())

    async def all_off(self) -> int:
        """All outputs off, feed as it was; returns the tick. Never refused."""
        return await self._do(AllOff())

    async def start(self, schedule_id: int) -> int:
        """Run the committed schedule; returns the tick of its first edge."""
        return await self._do(Start(schedule_id=schedule_id))

    async def clear_fault(self, fault: FaultReason) -> int:
        """Clear a fault that was read; returns the tick."""
        return await self._do(ClearFault(fault=fault))

    async def stream(self, inputs: Sequence[int], scan_period_us: int) -> StreamInfo:
        """Sample these inputs, in rising order; replaces an earlier stream."""
        mask = 0
        for number in inputs:
            mask |= 1 << number
        await self._ask(Stream(inputs_mask=mask, scan_period_us=scan_period_us), Streaming)
        info = self._exchange.reader.stream
        if info is None:
            raise ProtocolViolation(
                f"{self.name}: it restarted as it began to sample, or samples what nobody asked"
            )
        return info

    async def stop_stream(self) -> int:
        """Stop sampling; returns the tick."""
        return await self._do(StopStream())

    async def _do(self, message: Message) -> int:
        return self._exchange.reader.tick((await self._ask(message, Accepted)).tick)

    async def _ask(self, message: Message, kind: type[_M]) -> _M:
        answer = await self.request(message)
        if not isinstance(answer, kind):  # the session lets no other answer through
            raise ProtocolViolation(f"{self.name}: {type(answer).__name__} is no answer")
        return answer

    async def link_again(self, url: str) -> Link:
        """A new link to this rig, once this one is lost; the old one is let go first."""
        link = self._exchange.link
        self._exchange.close()
        await link.close()  # a port that is held here could not be opened again
        return await open_link_again(link, url)

    # --- events ---

    def listen(self, listener: Callable[[], None] | None) -> None:
        """Call this whenever events have come, at once for those before; None: nobody.

        It takes them with ``take_events`` and must not raise. Once the link is lost there will
        be no more; ``state`` says so.
        """
        self._exchange.listen(listener)

    def take_events(self) -> list[RigEvent]:
        """All events that have come, in order."""
        return self._exchange.take_events()

    # --- life ---

    async def _open(self, calibration: Correction | None) -> None:
        identity = await self.hello()
        self._exchange.clock = ClockComparison(self.tick_s)
        self.outputs = tuple(
            [
                await self._ask(DescribeOutput(output=n), OutputInfo)
                for n in range(identity.output_count)
            ]
        )
        self.inputs = tuple(
            [
                await self._ask(DescribeInput(input=n), InputInfo)
                for n in range(identity.input_count)
            ]
        )
        scales = (InputScale.from_info(info) for info in self.inputs)
        self.scales = tuple(
            s if calibration is None else calibration.correct(identity.unique_id, s) for s in scales
        )
        await self.read_status()
        self._heartbeat = Heartbeat(self._exchange)

    async def _say_goodbye(self) -> None:
        """Whatever happened, the last thing asked of a rig is to drop everything."""
        if self._heartbeat is None:
            return
        self._heartbeat.stop()
        if not self._exchange.lost:
            with suppress(RigError, TimeoutError):
                async with asyncio.timeout(_GOODBYE_S):
                    await self.open_feed()


@asynccontextmanager
async def open_rig(url: str, calibration: Correction | None = None) -> AsyncIterator[Rig]:
    """Open the rig that ``url`` names; see rig/link.py for what a url can be."""
    async with rig_on(await open_link(url), calibration) as rig:
        yield rig


@asynccontextmanager
async def rig_on(link: Link, calibration: Correction | None = None) -> AsyncIterator[Rig]:
    """The rig at the other end of an open link, which is closed on leaving."""
    rig = Rig(link)
    exchange = rig._exchange
    reader = asyncio.create_task(exchange.read_until_lost(), name=f"rig[{link.name}].reader")
    try:
        await rig._open(calibration)
        yield rig
    finally:
        try:
            await rig._say_goodbye()
        finally:
            rig._closed = True
            exchange.close()
            reader.cancel()
            (end,) = await asyncio.gather(reader, return_exceptions=True)
            await link.close()
            for mistake in (end, exchange.mistake):
                if isinstance(mistake, Exception):  # of ours: never hide it
                    raise mistake
