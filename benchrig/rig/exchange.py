"""One conversation over one link: a reader, one request at a time, and no way back once lost."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from typing import Any

from benchrig.errors import LinkError, ProtocolViolation, RigError
from benchrig.measure.samples import SampleBlock
from benchrig.rig.events import EdgeEvent, EventReader, LinkLost, RigEvent
from benchrig.rig.link import Link
from benchrig.wire.messages import Message, MessageError
from benchrig.wire.runs import FrameRun
from benchrig.wire.session import FLUSH, Answered, HostSession, Nonsense, SamplesRun, Unasked

# An answer is asked for again after each of these; the last wait forgives a host that was busy.
ANSWER_PATIENCE_S = (0.05, 0.05, 0.05, 0.6)
EVENTS_MAX = 8192


class Exchange:
    """Requests and their answers, and the events between them, in order."""

    def __init__(self, link: Link) -> None:
        self.link = link
        # A link in this program has the answer at once: it is taken without waking the reader.
        self._ask: Callable[[bytes], bytes] | None = getattr(link, "ask", None)
        self.session = HostSession()
        self.reader = EventReader()
        self.events_dropped = 0
        self.violations = 0
        self._violation = ""
        self._lock = asyncio.Lock()
        self._answer: Message | RigError | None = None
        self._waiting: asyncio.Future[None] | None = None  # for an answer, or for long enough
        self._lost: RigError | None = None
        self._events: deque[RigEvent] = deque()
        self._news = asyncio.Event()
        self._closing = False

    @property
    def lost(self) -> bool:
        """Nothing can be asked any more."""
        return self._lost is not None

    # --- asking ---

    async def request(
        self, message: Message, patience_s: tuple[float, ...] = ANSWER_PATIENCE_S
    ) -> Message:
        """The rig's answer, which may be Refused. Repeats as often as ``patience_s`` is long."""
        async with self._lock:
            self.check()
            self._answer = None
            self.reader.asking(message)
            frame = self.session.ask(message)
            try:
                for wait_s in patience_s:
                    self._write(frame)
                    await self._wait(wait_s)
                    if isinstance(self._answer, RigError):
                        raise self._answer
                    if self._answer is not None:
                        return self._answer
                raise self._silent(message, sum(patience_s))
            finally:
                self._answer = None
                self.session.abandon()

    async def _wait(self, wait_s: float) -> None:
        """Until an answer, the end, or so long."""
        if self._answer is not None:
            return
        loop = asyncio.get_running_loop()
        self._waiting = loop.create_future()
        timer = loop.call_later(wait_s, self._wake)
        try:
            await self._waiting
        finally:
            timer.cancel()
            self._waiting = None

    def _wake(self) -> None:
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(None)

    def flush(self) -> None:
        """End whatever an earlier program left half said on the line."""
        self._write(FLUSH)

    def check(self) -> None:
        """Raise what ended the conversation, if it has ended."""
        if self._lost is not None:
            raise _again(self._lost)

    def _write(self, data: bytes) -> None:
        try:
            if self._ask is None:
                self.link.write(data)
                return
            come = self._ask(data)
        except LinkError as error:
            self.lose(error)
            raise
        if come:
            self._take(come)

    def _silent(self, message: Message, waited_s: float) -> RigError:
        name, what = self.link.name, type(message).__name__
        if self._violation:
            error: RigError = ProtocolViolation(f"{name}: {self._violation}")
        else:
            bad = self.session.frames_bad
            error = LinkError(
                f"{name}: no answer to {what} within {waited_s:.2g} s",
                advice=f"{bad} damaged frames came: is it a rig, at 1,000,000 baud?"
                if bad
                else "is the rig powered and the cable in?",
            )
        self.lose(error)
        return _again(error)

    # --- hearing ---

    async def read_until_lost(self) -> None:
        """The reader's task: until the link ends."""
        try:
            while data := await self.link.read():
                self._take(data)
            self.lose(LinkError(f"{self.link.name}: the link was closed by the other end"))
        except LinkError as error:
            self.lose(error)

    def _take(self, data: bytes) -> None:
        for item in self.session.receive(data):
            try:
                match item:
                    case SamplesRun(frames=frames):
                        self._take_run(frames)
                    case Unasked(message=message):
                        self._tell(self.reader.read(message))
                    case Answered(request=request, answer=answer):
                        self._tell(self.reader.answered(request, answer))
                        self._answer = answer
                        self._wake()
                    case Nonsense(reason=reason):
                        self._violated(reason)
            except MessageError as error:
                self._violated(str(error))

    def _take_run(self, frames: FrameRun) -> None:
        block = self.reader.read_run(frames)
        if block is not None:
            self._tell([block])
            return
        for payload in frames.payloads():
            try:
                self._tell(self.reader.read_payload(payload))
            except MessageError as error:
                self._violated(str(error))

    def _violated(self, reason: str) -> None:
        """A damaged frame may pass its check once in a long while, so one does not end a run."""
        self.violations += 1
        self._violation = reason

    def lose(self, error: RigError) -> None:
        """The conversation is over; everybody who waits is told. The first reason stays."""
        if self._lost is None:
            self._lost = error
            if not self._closing:
                self._tell([LinkLost(reason=error.message)])
        if self._answer is None:
            self._answer = _again(error)
        self._wake()
        self._news.set()

    def close(self) -> None:
        """The host ends it."""
        self._closing = True
        self.lose(LinkError(f"{self.link.name}: the link is closed"))

    # --- events ---

    def _tell(self, events: list[RigEvent]) -> None:
        for event in events:
            if len(self._events) >= EVENTS_MAX:
                self._drop_oldest()
            self._events.append(event)
        if events:
            self._news.set()

    def _drop_oldest(self) -> None:
        """Nobody listens: memory stays bounded and the loss is counted as any other."""
        dropped = self._events.popleft()
        self.events_dropped += 1
        if isinstance(dropped, SampleBlock):
            self.reader.blocks_lost += dropped.blocks
        elif isinstance(dropped, EdgeEvent):
            self.reader.edges_lost += 1

    async def wait_events(self) -> list[RigEvent]:
        """All events that have come, at least one; empty once the conversation is over."""
        while not self._events and self._lost is None:
            self._news.clear()
            await self._news.wait()
        return self.take_events()

    def take_events(self) -> list[RigEvent]:
        """All events that have come, without waiting."""
        events = list(self._events)
        self._events.clear()
        return events


def _again(error: RigError) -> RigError:
    """The same error once more, so that no two tasks share one traceback."""
    kind: Any = type(error)
    fresh: RigError = kind(error.message, advice=error.advice)
    return fresh
