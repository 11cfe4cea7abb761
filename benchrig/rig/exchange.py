"""One conversation over one link: a reader, one request at a time, and no way back once lost."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Iterator
from typing import Any

from benchrig.errors import LinkError, ProtocolViolation, RigError
from benchrig.measure.samples import SampleBlock
from benchrig.rig.clock import ClockComparison, ClockPoint
from benchrig.rig.events import EdgeEvent, EventReader, LinkLost, RigEvent, RigRestarted
from benchrig.rig.link import Link
from benchrig.wire.messages import Heartbeat, Message, MessageError, Status
from benchrig.wire.runs import FrameRun
from benchrig.wire.session import FLUSH, Answered, HostSession, Nonsense, SamplesRun, Unasked

# An answer is asked for again after each of these; the last wait forgives a host that was busy.
ANSWER_PATIENCE_S = (0.05, 0.05, 0.05, 0.6)
EVENTS_MAX = 8192


class Exchange:
    """Requests and their answers, and the events between them, in order."""

    status: Status  # the latest

    def __init__(self, link: Link) -> None:
        self.link = link
        # A link in this program has the answer at once: it is taken without waking the reader.
        self._ask_link: Callable[[bytes], bytes] | None = getattr(link, "ask", None)
        self.session = HostSession()
        self.reader = EventReader()
        self.clock = ClockComparison(1.0)
        self.mistake: Exception | None = None  # of ours, in a beat: nobody waited to be told
        self.events_dropped = 0
        self.violations = 0
        self._violation = ""
        self._lock = asyncio.Lock()
        self._asked: Message = Heartbeat()
        self._asking = False
        self._patience_s: tuple[float, ...] = ()
        self._waits: Iterator[float] = iter(())
        self._sent_s = 0.0
        self._timer: asyncio.TimerHandle | None = None
        self._answer: Message | Exception | None = None
        self._waiting: asyncio.Future[None] | None = None
        self._beat_due = False
        self._lost: RigError | None = None
        self._events: deque[RigEvent] = deque()
        self._listener: Callable[[], None] | None = None
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
        try:
            async with self._lock:
                await self._until_answered()  # a heartbeat, if one is under way
                self.check()
                try:
                    self._ask(message, patience_s)
                    await self._until_answered()
                    if self._answer is None:
                        raise self._end()
                    if isinstance(self._answer, Exception):
                        raise self._answer
                    return self._answer
                finally:
                    self._settle()
                    self.session.abandon()
        finally:
            if self._beat_due:
                self.beat()

    def beat(self) -> None:
        """Ask for a Status as ``request`` does, as soon as nothing else is asked; nobody waits."""
        self._beat_due = self._asking or self._lock.locked()
        if not self._beat_due and self._lost is None:
            self._ask(Heartbeat(), ANSWER_PATIENCE_S)

    def _ask(self, message: Message, patience_s: tuple[float, ...]) -> None:
        """Begin to ask; nothing else may be under way."""
        self.session.ask(message)
        self._asked, self._answer, self._asking = message, None, True
        self._patience_s, self._waits = patience_s, iter(patience_s)
        self._sent_s = asyncio.get_running_loop().time()
        self.reader.asking(message)
        self._say()

    def _say(self) -> None:
        """Say it, and again after each wait; who never answers is lost."""
        wait_s = next(self._waits, None)
        if wait_s is None:
            self.lose(self._silence())
            return
        try:
            self._write(self.session.repeat())
        except Exception as mistake:  # noqa: BLE001 - told to who waits, or to who opened the rig
            self._fail(mistake)
        if self._asking:
            self._timer = asyncio.get_running_loop().call_later(wait_s, self._say)

    def _fail(self, mistake: Exception) -> None:
        """A mistake of ours ends one question; the part is made safe by those that follow."""
        if isinstance(self._asked, Heartbeat):
            self.mistake = self.mistake or mistake
        self._answer = mistake
        self.session.abandon()
        self._settle()

    async def _until_answered(self) -> None:
        while self._asking:
            self._waiting = asyncio.get_running_loop().create_future()
            try:
                await self._waiting
            finally:
                self._waiting = None

    def _settle(self) -> None:
        """What was asked is answered, or will not be."""
        self._asking = False
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(None)

    def flush(self) -> None:
        """End whatever an earlier program left half said on the line."""
        self._write(FLUSH)

    def check(self) -> None:
        """Raise what ended the conversation, if it has ended."""
        if self._lost is not None:
            raise self._end()

    def _end(self) -> RigError:
        """What ended it once more, so that no two tasks share one traceback."""
        error = self._lost
        assert error is not None
        kind: Any = type(error)
        fresh: RigError = kind(error.message, advice=error.advice)
        return fresh

    def _write(self, data: bytes) -> None:
        try:
            if self._ask_link is None:
                self.link.write(data)
                return
            come = self._ask_link(data)
        except LinkError as error:
            self.lose(error)
            return
        if come:
            self._take(come)

    def _silence(self) -> RigError:
        name, what = self.link.name, type(self._asked).__name__
        if self._violation:
            return ProtocolViolation(f"{name}: {self._violation}")
        bad = self.session.frames_bad
        return LinkError(
            f"{name}: no answer to {what} within {sum(self._patience_s):.2g} s",
            advice=f"{bad} damaged frames came: is it a rig, at 1,000,000 baud?"
            if bad
            else "is the rig powered and the cable in?",
        )

    # --- hearing ---

    async def read_until_lost(self) -> None:
        """The reader's task: until the link ends."""
        try:
            while data := await self.link.read():
                self._take(data)
            self.lose(LinkError(f"{self.link.name}: the link was closed by the other end"))
        except LinkError as error:
            self.lose(error)
        except Exception as mistake:
            self.lose(LinkError(f"{self.link.name}: internal error while reading: {mistake!r}"))
            raise

    def _take(self, data: bytes) -> None:
        for item in self.session.receive(data):
            try:
                match item:
                    case SamplesRun(frames=frames):
                        self._take_run(frames)
                    case Unasked(message=message):
                        self._tell(self.reader.read(message))
                    case Answered(request=request, answer=answer):
                        try:
                            self._tell_answered(self.reader.answered(request, answer))
                        finally:  # an answer is one, whatever was held back for it
                            self._take_answer(answer)
                    case Nonsense(reason=reason):
                        self._violated(reason)
            except MessageError as error:
                self._violated(str(error))
        self._call_listener()

    def _tell_answered(self, events: list[RigEvent]) -> None:
        if events and isinstance(events[0], RigRestarted):
            self.clock.begin_anew()
        self._tell(events)

    def _take_answer(self, answer: Message) -> None:
        loop = asyncio.get_running_loop()
        if isinstance(answer, Status):
            self.status = answer
            tick = self.reader.tick(answer.tick)
            self.clock.add(ClockPoint(sent_s=self._sent_s, answered_s=loop.time(), tick=tick))
        self._answer = answer
        self._settle()
        if self._beat_due and not self._lock.locked():  # whoever holds it sees to that
            loop.call_soon(self.beat)

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
        self._settle()
        self._call_listener()

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

    def _drop_oldest(self) -> None:
        """Nobody listens: memory stays bounded and the loss is counted as any other."""
        dropped = self._events.popleft()
        self.events_dropped += 1
        if isinstance(dropped, SampleBlock):
            self.reader.blocks_lost += dropped.blocks
        elif isinstance(dropped, EdgeEvent):
            self.reader.edges_lost += 1

    def listen(self, listener: Callable[[], None] | None) -> None:
        """Call this whenever events have come or the conversation is over; None: nobody.

        It is called at once for what has come before, must take the events, and must not raise.
        """
        self._listener = listener
        self._call_listener()

    def _call_listener(self) -> None:
        if self._listener is not None and (self._events or self._lost is not None):
            self._listener()

    def take_events(self) -> list[RigEvent]:
        """All events that have come, without waiting."""
        events = list(self._events)
        self._events.clear()
        return events
