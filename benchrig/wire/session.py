"""What both ends of a link remember: sequence numbers, the awaited answer, repeats.

``HostSession`` asks one request at a time and tells answers from unasked messages;
``RigSession`` answers, and answers a repeat without carrying it out again. Neither reads a
clock or touches a link: bytes in, values out, and deadlines are the caller's.

All of the rig's states and what may be asked in each stand in ``ALLOWED_IN``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchrig.wire.frames import DELIMITER, FrameDecoder, encode_frame
from benchrig.wire.messages import (
    ANSWERS,
    ENUM_FIELDS,
    HOST_MESSAGES,
    HOST_PAYLOAD_BYTES_MAX,
    MESSAGES,
    UNASKED,
    Accepted,
    AllOff,
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
    ReadStatus,
    RefusalReason,
    Refused,
    RigState,
    Samples,
    ScheduleBegin,
    ScheduleCommit,
    ScheduleStep,
    Start,
    Status,
    StopStream,
    Stream,
    Streaming,
    from_payload,
    to_payload,
)
from benchrig.wire.runs import RUN_MOST, FrameRun, RunDecoder

_ANY = frozenset(RigState)
_IDLE = frozenset({RigState.IDLE})

# Request -> states in which the rig may carry it out. In FAULT the refusal is FAULT_LATCHED,
# elsewhere WRONG_STATE. The same table stands in firmware_protocol.md.
ALLOWED_IN: dict[type[Message], frozenset[RigState]] = {
    Hello: _ANY,
    DescribeOutput: _ANY,
    DescribeInput: _ANY,
    Heartbeat: _ANY,
    ReadStatus: _ANY,
    ScheduleBegin: _IDLE,
    ScheduleStep: _IDLE,
    ScheduleCommit: _IDLE,
    CloseFeed: _IDLE,
    OpenFeed: _ANY,
    Start: _IDLE,
    AllOff: _ANY,
    Stream: _ANY,
    StopStream: _ANY,
    ClearFault: _ANY,
}

# Request -> the one answer that is no Refused.
ANSWER_OF: dict[type[Message], type[Message]] = {
    **dict.fromkeys(HOST_MESSAGES, Accepted),
    Hello: Identity,
    DescribeOutput: OutputInfo,
    DescribeInput: InputInfo,
    Heartbeat: Status,
    ReadStatus: Status,
    Stream: Streaming,
}

REQUEST_IDS = range(0x01, 0x40)
UNASKED_IDS = range(0xC0, 0x100)
_SAMPLES_ID = bytes([Samples.ID])
FLUSH = DELIMITER  # sent once before the first request: ends whatever a line has left over


def refusal_by_state(request: Message, state: RigState, fault: FaultReason) -> Refused | None:
    """The refusal that the rig's state demands, or None when the request may go on."""
    if state in ALLOWED_IN[type(request)]:
        return None
    if state is RigState.FAULT:
        return Refused(request=request.ID, reason=RefusalReason.FAULT_LATCHED, detail=fault)
    return Refused(request=request.ID, reason=RefusalReason.WRONG_STATE, detail=state)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """The answer to the request that was awaited."""

    request: Message
    answer: Message


@dataclass(frozen=True, slots=True, kw_only=True)
class Unasked:
    """A message nobody asked for; ``missed`` of them were lost before it."""

    message: Message
    missed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Nonsense:
    """A frame that arrived whole but says what the protocol does not allow."""

    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplesRun:
    """Payloads of Samples, all of one length, numbered one after the other: nothing is missing.

    A stream is nearly all that ever comes; its reader can take many blocks in one stroke.
    """

    frames: FrameRun


HostInput = Answered | Unasked | SamplesRun | Nonsense
_ROUND = bytes(range(256)) * (RUN_MOST // 256 + 1)  # running numbers of a run, wherever it begins


class SessionBusy(RuntimeError):
    """A second request while one is awaited: a mistake of the caller."""


class HostSession:
    """The host's end: one request at a time, each with the next sequence number."""

    def __init__(self, first_sequence: int = 0) -> None:
        self._decoder = RunDecoder()
        self._sequence = (first_sequence - 1) & 0xFF
        self._awaited: Message | None = None
        self._frame = b""
        self._unasked_next: int | None = None
        self.unasked_lost = 0
        self.unasked_doubled = 0
        self.answers_stale = 0

    @property
    def frames_bad(self) -> int:
        """Frames from the rig that did not check out."""
        return self._decoder.frames_bad

    @property
    def noise_bytes(self) -> int:
        """Bytes thrown away with them."""
        return self._decoder.noise_bytes

    def ask(self, request: Message) -> bytes:
        """The bytes of a new request."""
        if self._awaited is not None:
            raise SessionBusy(f"{type(self._awaited).__name__} is not answered yet")
        if type(request) not in ANSWER_OF:
            raise ValueError(f"{type(request).__name__} is no request")
        sequence = (self._sequence + 1) & 0xFF
        frame = encode_frame(to_payload(request, sequence))
        self._sequence, self._frame, self._awaited = sequence, frame, request
        return frame

    def repeat(self) -> bytes:
        """Its bytes, as often as it takes: a lost answer can be asked for again safely."""
        if self._awaited is None:
            raise SessionBusy("nothing is awaited")
        return self._frame

    def abandon(self) -> None:
        """Stop waiting; a late answer is then counted as stale."""
        self._awaited = None

    def receive(self, data: bytes) -> list[HostInput]:
        """What these bytes say, in order. Never raises on what a rig may send."""
        said: list[HostInput] = []
        for found in self._decoder.feed_runs(data):
            if isinstance(found, FrameRun) and self._is_unbroken(found):
                said.append(SamplesRun(frames=found))
                continue
            for payload in found.payloads() if isinstance(found, FrameRun) else (found,):
                item = self._sort(payload)
                if item is not None:
                    said.append(item)
        return said

    def _is_unbroken(self, run: FrameRun) -> bool:
        """Samples only, and none missing before or among them; if so they are counted."""
        first, count = run.data[1], run.count
        if (
            self._unasked_next not in (None, first)
            or run.column(0) != _SAMPLES_ID * count
            or run.column(1) != _ROUND[first : first + count]
        ):
            return False
        self._unasked_next = (first + count) & 0xFF
        return True

    def _sort(self, payload: bytes) -> HostInput | None:
        if payload[0] not in MESSAGES and payload[0] in UNASKED_IDS:
            return None  # a rig of a later minor version says more than we know
        try:
            message, sequence = from_payload(payload)
        except MessageError as error:
            return Nonsense(reason=str(error))
        if isinstance(message, UNASKED):
            return self._count_unasked(message, sequence)
        if not isinstance(message, ANSWERS):
            return Nonsense(reason=f"the rig sent a request: {type(message).__name__}")
        return self._match(message, sequence)

    def _count_unasked(self, message: Message, sequence: int) -> Unasked | None:
        missed = 0
        if self._unasked_next is not None:
            missed = (sequence - self._unasked_next) & 0xFF
        if missed == 0xFF:  # the last number once more: a line that said it twice
            self.unasked_doubled += 1
            return None
        self._unasked_next = (sequence + 1) & 0xFF
        self.unasked_lost += missed
        return Unasked(message=message, missed=missed)

    def _match(self, answer: Message, sequence: int) -> Answered | Nonsense | None:
        request = self._awaited
        if request is None or sequence != self._sequence:
            self.answers_stale += 1
            return None
        named = answer.request if isinstance(answer, (Accepted, Refused)) else request.ID
        fits = isinstance(answer, (ANSWER_OF[type(request)], Refused))
        if not fits or named != request.ID:
            return Nonsense(
                reason=f"{type(request).__name__} was answered by {type(answer).__name__}"
                + (f" to request 0x{named:02X}" if named != request.ID else "")
            )
        self._awaited = None
        return Answered(request=request, answer=answer)


class RigSession:
    """The rig's end: each request answered once, a repeat answered from memory."""

    def __init__(self) -> None:
        self._decoder = FrameDecoder(HOST_PAYLOAD_BYTES_MAX)
        self._last_payload = b""
        self._last_answer = b""
        self._unasked = 0
        self._ids_bad = 0
        self.repeats_seen = 0

    @property
    def frames_bad(self) -> int:
        """Frames that did not check out or can be no request; the wire's u16 wraps."""
        return self._decoder.frames_bad + self._ids_bad

    def receive(self, data: bytes, carry_out: Callable[[Message], Message]) -> bytes:
        """Answers to all requests in these bytes; ``carry_out`` does each one, once."""
        return b"".join([self._reply(p, carry_out) for p in self._decoder.feed(data)])

    def unasked(self, message: Message) -> bytes:
        """The bytes of a message nobody asked for, with its own running number."""
        frame = encode_frame(to_payload(message, self._unasked))
        self._unasked = (self._unasked + 1) & 0xFF
        return frame

    def _reply(self, payload: bytes, carry_out: Callable[[Message], Message]) -> bytes:
        if payload[0] not in REQUEST_IDS:
            # An answer or unasked message here is our own echo: answering it would ring.
            self._ids_bad += 1
            return b""
        is_hello = payload[0] == Hello.ID
        if payload == self._last_payload and not is_hello:
            self.repeats_seen += 1
            return self._last_answer
        request = _request_of(payload)
        answer = request if isinstance(request, Refused) else carry_out(request)
        frame = encode_frame(to_payload(answer, payload[1]))
        self._last_payload, self._last_answer = (b"", b"") if is_hello else (payload, frame)
        return frame


def _request_of(payload: bytes) -> Message:
    """The request, or the Refused it deserves for its id, length or a value."""
    kind = MESSAGES.get(payload[0])
    body = payload[2:]
    if kind is None:
        return _refused(payload, RefusalReason.UNKNOWN_MESSAGE, payload[0])
    if len(body) != kind.body_bytes():
        return _refused(payload, RefusalReason.BAD_LENGTH, kind.body_bytes())
    try:
        return kind.from_body(body)
    except MessageError:
        enums = ENUM_FIELDS.get(kind, {})
        first = next(place for place, (name, _) in enumerate(kind.LAYOUT) if name in enums)
        return _refused(payload, RefusalReason.BAD_VALUE, first)


def _refused(payload: bytes, reason: RefusalReason, detail: int) -> Refused:
    return Refused(request=payload[0], reason=reason, detail=detail)
