"""A bare conversation with a rig for checking it: any bytes out, everything heard is kept.

Unlike the client this keeps no heartbeat and believes nothing, so that a check can fall silent,
send what is wrong, and say the same thing twice.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TypeVar

from benchrig.errors import LinkError
from benchrig.rig.link import Link
from benchrig.wire.frames import DELIMITER, FrameDecoder, encode_frame
from benchrig.wire.messages import (
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    UNASKED,
    Accepted,
    ClearFault,
    CloseFeed,
    DescribeInput,
    DescribeOutput,
    FaultReason,
    Heartbeat,
    Hello,
    Identity,
    InputInfo,
    Message,
    MessageError,
    OpenFeed,
    OutputInfo,
    OutputKind,
    ReadStatus,
    RefusalReason,
    Refused,
    ScheduleBegin,
    ScheduleCommit,
    Status,
    StatusFlag,
    StopStream,
    from_payload,
    to_payload,
)
from benchrig.wire.schedule import Schedule

ANSWER_WAIT_S = 0.2
NO_ANSWER_WAIT_S = 0.1
TRIES = 4
BEAT_S = 0.1
HELLO_TRIES = 20
_M = TypeVar("_M", bound=Message)


class PromiseBroken(Exception):
    """The rig did not do what firmware_protocol.md says; the sentence says what it did."""


class NotApplicable(Exception):
    """This rig or link has nothing that the check could look at."""


def require(condition: bool, sentence: str) -> None:
    """Go on only if the promise was kept."""
    if not condition:
        raise PromiseBroken(sentence)


def describe(message: Message | None) -> str:
    """An answer as it stands in a sentence."""
    if message is None:
        return "nothing"
    if isinstance(message, Refused):
        return f"Refused {message.reason.name} {message.detail}"
    return type(message).__name__


class Probe:
    """One link, one rig, one check at a time."""

    identity: Identity
    outputs: tuple[OutputInfo, ...]
    inputs: tuple[InputInfo, ...]

    def __init__(self, link: Link) -> None:
        self.link = link
        self.heard: list[Message] = []  # unasked messages since ``fresh``
        self.unasked_numbers: list[int] = []
        self.all_heard: list[Message] = []  # answers too, since ``fresh``, in order
        self.nonsense: list[str] = []
        self._decoder = FrameDecoder()
        self._sequence = 0
        self._answers: list[tuple[Message, int]] = []
        self._news = asyncio.Event()
        self._lost: LinkError | None = None

    async def listen(self) -> None:
        """The reader's task: keeps everything until the link ends."""
        try:
            while data := await self.link.read():
                for payload in self._decoder.feed(data):
                    self._sort(payload)
                self._news.set()
            self._lost = LinkError(f"{self.link.name}: the link was closed by the other end")
        except LinkError as error:
            self._lost = error
        self._news.set()

    def _sort(self, payload: bytes) -> None:
        try:
            message, sequence = from_payload(payload)
        except MessageError as error:
            self.nonsense.append(str(error))
            return
        self.all_heard.append(message)
        if isinstance(message, UNASKED):
            self.heard.append(message)
            self.unasked_numbers.append(sequence)
        else:
            self._answers.append((message, sequence))

    # --- asking ---

    def frame(self, message: Message) -> bytes:
        """The frame of a new request."""
        self._sequence = (self._sequence + 1) & 0xFF
        return encode_frame(to_payload(message, self._sequence))

    def raw_frame(self, identifier: int, body: bytes) -> bytes:
        """The frame of a new request that need not be one."""
        self._sequence = (self._sequence + 1) & 0xFF
        return encode_frame(bytes((identifier, self._sequence)) + body)

    async def send(self, frame: bytes, wait_s: float = ANSWER_WAIT_S) -> Message | None:
        """Send bytes once; the answer with the latest request's number, or None."""
        self._answers.clear()
        self.link.write(frame)
        await self._wait_for(self._has_answer, wait_s)
        for answer, sequence in self._answers:
            if sequence == self._sequence:
                return answer
        return None

    async def send_to_nobody(self, frame: bytes) -> Message | None:
        """Send bytes that deserve no answer; any answer at all, or None."""
        self._answers.clear()
        self.link.write(frame)
        await self._wait_for(lambda: bool(self._answers), NO_ANSWER_WAIT_S)
        return self._answers[0][0] if self._answers else None

    def _has_answer(self) -> bool:
        return any(sequence == self._sequence for _, sequence in self._answers)

    async def ask(self, message: Message) -> Message:
        """The answer to a request, repeated when it is lost."""
        frame = self.frame(message)
        for _ in range(TRIES):
            answer = await self.send(frame)
            if answer is not None:
                return answer
        raise LinkError(f"{self.link.name}: no answer to {type(message).__name__}")

    async def get(self, message: Message, kind: type[_M]) -> _M:
        """The answer, which must be of this kind."""
        answer = await self.ask(message)
        if not isinstance(answer, kind):
            raise PromiseBroken(
                f"{type(message).__name__} was answered by {describe(answer)}, "
                f"not by {kind.__name__}"
            )
        return answer

    async def do(self, message: Message) -> int:
        """Have a request accepted; its tick."""
        return (await self.get(message, Accepted)).tick

    async def must_refuse(
        self, message: Message, reason: RefusalReason, detail: int | None = None
    ) -> None:
        """Have a request refused for just this reason."""
        answer = await self.ask(message)
        said = isinstance(answer, Refused) and answer.reason is reason
        exact = detail is None or (isinstance(answer, Refused) and answer.detail == detail)
        wanted = reason.name if detail is None else f"{reason.name} {detail}"
        require(
            said and exact,
            f"{type(message).__name__} should be refused with {wanted}, got {describe(answer)}",
        )

    async def status(self) -> Status:
        """ReadStatus."""
        return await self.get(ReadStatus(), Status)

    async def beat(self) -> Status:
        """Heartbeat."""
        return await self.get(Heartbeat(), Status)

    async def load(self, schedule: Schedule) -> None:
        """Load and commit a schedule."""
        await self.load_steps(schedule)
        await self.do(commit_of(schedule))

    async def load_steps(self, schedule: Schedule) -> None:
        """Load a schedule without committing it."""
        await self.do(begin_of(schedule))
        for step in schedule.steps:
            await self.do(step)

    # --- waiting ---

    @property
    def lost(self) -> bool:
        """Whether the link itself is gone, and not only an answer."""
        return self._lost is not None

    async def _wait_for(self, condition: Callable[[], bool], limit_s: float) -> bool:
        loop = asyncio.get_running_loop()
        until_s = loop.time() + limit_s
        while not condition():
            if self._lost is not None:
                raise LinkError(self._lost.message)
            left_s = until_s - loop.time()
            if left_s <= 0:
                return False
            self._news.clear()
            try:
                async with asyncio.timeout(left_s):
                    await self._news.wait()
            except TimeoutError:
                return condition()
        return True

    async def silent(self, condition: Callable[[], bool], limit_s: float) -> bool:
        """Wait without a heartbeat; whether the condition came true."""
        return await self._wait_for(condition, limit_s)

    async def beating(self, condition: Callable[[], bool], limit_s: float) -> bool:
        """Wait with a heartbeat; whether the condition came true."""
        loop = asyncio.get_running_loop()
        until_s = loop.time() + limit_s
        while not condition():
            left_s = until_s - loop.time()
            if left_s <= 0:
                return False
            await self.beat()
            await self._wait_for(condition, min(BEAT_S, left_s))
        return True

    def count(self, kind: type[Message]) -> int:
        """How many unasked messages of a kind were heard."""
        return sum(isinstance(message, kind) for message in self.heard)

    def all(self, kind: type[_M]) -> list[_M]:
        """Unasked messages of a kind, in order."""
        return [message for message in self.heard if isinstance(message, kind)]

    # --- beginning ---

    async def open(self) -> None:
        """Find out who it is; patient, since a board may be in its boot loader."""
        self.link.write(DELIMITER)
        hello = self.frame(Hello(protocol_major=PROTOCOL_MAJOR, protocol_minor=PROTOCOL_MINOR))
        for _ in range(HELLO_TRIES):
            answer = await self.send(hello)
            if isinstance(answer, Identity):
                self.identity = answer
                break
            if answer is not None:
                raise LinkError(f"{self.link.name}: Hello was answered by {describe(answer)}")
        else:
            raise LinkError(f"{self.link.name}: no answer to Hello")
        self.outputs = tuple(
            [
                await self.get(DescribeOutput(output=n), OutputInfo)
                for n in range(self.identity.output_count)
            ]
        )
        self.inputs = tuple(
            [
                await self.get(DescribeInput(input=n), InputInfo)
                for n in range(self.identity.input_count)
            ]
        )

    async def fresh(self) -> None:
        """Everything off, no fault, no stream, nothing heard: where every check begins."""
        await self.do(OpenFeed())
        await self.do(StopStream())
        status = await self.status()
        if status.fault is not FaultReason.NONE:
            await self.do(ClearFault(fault=status.fault))
        # What is still on its way belongs to the check before.
        await self._wait_for(lambda: False, NO_ANSWER_WAIT_S)
        self.heard.clear()
        self.all_heard.clear()

    async def close_feed(self) -> None:
        """A heartbeat, then the feed closed and settled."""
        await self.beat()
        await self.do(CloseFeed())
        await self.beating(lambda: False, self.identity.feed_settle_us * 1e-6)

    # --- what the rig has ---

    def switch(self) -> OutputInfo:
        """An output to try things on: a solid-state one where there is one."""
        order = (OutputKind.SOLID_STATE, OutputKind.RELAY)
        for kind in order:
            for info in self.outputs:
                if info.kind is kind:
                    return info
        raise NotApplicable("the rig has no output but a low-current source")

    def source(self) -> OutputInfo:
        """The low-current source."""
        for info in self.outputs:
            if info.kind is OutputKind.LOW_CURRENT_SOURCE:
                return info
        raise NotApplicable("the rig has no low-current source")

    def seconds_between(self, early: int, late: int) -> float:
        """From one wrapping tick to a later one."""
        return ((late - early) & 0xFFFF_FFFF) * self.identity.tick_ns * 1e-9


def begin_of(schedule: Schedule) -> ScheduleBegin:
    """The ScheduleBegin of a schedule."""
    return ScheduleBegin(
        schedule_id=schedule.schedule_id,
        step_count=len(schedule.steps),
        repeat_count=schedule.repeat_count,
    )


def commit_of(schedule: Schedule) -> ScheduleCommit:
    """The ScheduleCommit of a schedule."""
    return ScheduleCommit(schedule_id=schedule.schedule_id, steps_crc=schedule.steps_crc)


def feed_is_closed(status: Status) -> bool:
    """Whether the feed is commanded closed."""
    return bool(status.flags & StatusFlag.FEED_CLOSED)
