"""Frames' payloads and the messages they carry: one frozen class a message, one table of ids.

A payload is ``id u8, sequence u8, body``; every integer is little-endian and carries its unit
in its name. Nothing here knows time, links or states. The field tables below are the ones of
firmware_protocol.md; a test compares the two.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from operator import attrgetter
from typing import Any, ClassVar, NamedTuple, Self

PROTOCOL_MAJOR = 1
PROTOCOL_MINOR = 0

PAYLOAD_BYTES_MAX = 248  # id, sequence and body; the CRC comes on top
HOST_PAYLOAD_BYTES_MAX = 32  # a rig may be small: nothing longer is ever sent to it
HEARTBEAT_SILENCE_US = 250_000

_FORMATS = {
    "u8": "B",
    "u16": "H",
    "u32": "I",
    "u64": "Q",
    "i16": "h",
}


class MessageError(ValueError):
    """A checked frame whose payload is not a message of this protocol."""


class OutputKind(IntEnum):
    """What switches the part."""

    SOLID_STATE = 1
    RELAY = 2
    LOW_CURRENT_SOURCE = 3


class ClampKind(IntEnum):
    """Where the coil's current goes at turn-off."""

    FREEWHEEL_DIODE = 1
    LOW_SIDE_CLAMP = 2


class InputRole(IntEnum):
    """What an input measures; the unit of its full scale follows from it."""

    SUPPLY_VOLTAGE = 1  # before the feed contactor, µV
    PART_VOLTAGE = 2  # across the part, µV
    PART_VOLTAGE_FINE = 3  # the same, high gain, µV
    CURRENT_COARSE = 4  # through the shunt, µA
    CURRENT_FINE = 5  # the same, high gain, µA
    REFERENCE_VOLTAGE = 6  # across the reference resistor of the low-current source, µV
    TEMPERATURE = 7  # bench or probe temperature, m°C
    INSULATION_CURRENT = 8  # body leakage with the insulation source on, in steps of 1 pA


class InputFlag(IntFlag):
    """Properties of an input."""

    AT_PART_TERMINALS = 1  # four-wire: the leads do not count
    SEES_TURN_OFF = 2  # the decaying current after switch-off passes through it


class RigState(IntEnum):
    """The rig's state; the legal transitions are in wire/session.py."""

    IDLE = 1
    RUNNING = 2
    FAULT = 3


class StatusFlag(IntFlag):
    """Bits of ``Status.flags``."""

    FEED_CLOSED = 1
    FEED_READBACK = 2  # auxiliary contact or measured rail says closed
    SCHEDULE_COMMITTED = 4
    STREAMING = 8
    HEARTBEAT_ALIVE = 16


class FaultReason(IntEnum):
    """Why the rig dropped everything; latched until cleared by name."""

    NONE = 0
    HEARTBEAT_SILENCE = 1
    ON_TIME_CEILING = 2
    OVER_CURRENT = 3
    WATCHDOG = 4
    SERIAL_BREAK = 5
    BROWN_OUT = 6
    INTERNAL = 7


class ResetCause(IntEnum):
    """What started the firmware."""

    UNKNOWN = 0
    POWER_ON = 1
    EXTERNAL = 2
    BROWN_OUT = 3
    WATCHDOG = 4


class RefusalReason(IntEnum):
    """Why a request was refused; ``Refused.detail`` is explained beside each."""

    UNKNOWN_MESSAGE = 1  # the id
    BAD_LENGTH = 2  # the right body length in bytes
    BAD_VALUE = 3  # the index of the field, from 0
    WRONG_STATE = 4  # the state the rig is in
    NO_SUCH_OUTPUT = 5  # number of outputs
    NO_SUCH_INPUT = 6  # number of inputs
    ON_TIME_OVER_CEILING = 7  # the ceiling, µs
    ON_TIME_UNDER_LEAST = 8  # the least, µs
    OFF_TIME_UNDER_LEAST = 9  # the least, µs
    NOT_ENDING_OFF = 10  # the mask of the last step
    TOO_MANY_STEPS = 11  # the most
    SCHEDULE_INCOMPLETE = 12  # the first missing step
    STEPS_CRC_MISMATCH = 13  # the CRC the rig has
    FEED_MUST_BE_CLOSED = 14  # 0
    FEED_MUST_BE_OPEN = 15  # 0
    HEARTBEAT_MISSING = 16  # silence so far, µs
    FAULT_LATCHED = 17  # the fault
    RATE_TOO_HIGH = 18  # the least scan period for these inputs, µs
    SHARED_INPUT = 19  # the step in which outputs sharing an input are on together
    VERSION_NOT_SPOKEN = 20  # the major version the rig speaks
    NO_SCHEDULE = 21  # the committed schedule's id, or 0


class EdgeCause(IntEnum):
    """What changed the outputs."""

    SCHEDULE = 1
    ALL_OFF = 2
    FAULT = 3
    FEED = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """Base: ``ID`` on the wire and ``LAYOUT``, the body's fields in order with their width."""

    ID: ClassVar[int] = 0
    LAYOUT: ClassVar[tuple[tuple[str, str], ...]] = ()

    @classmethod
    def body_bytes(cls) -> int:
        """Length of the body (of Samples: the least)."""
        return _FORMS[cls].layout.size

    def body(self) -> bytes:
        """The body's bytes; raises MessageError when a value does not fit its field."""
        form = _FORMS[type(self)]
        try:
            return form.layout.pack(*form.values_of(self))
        except struct.error as error:
            raise MessageError(f"{type(self).__name__}: {error}") from error

    @classmethod
    def from_body(cls, body: bytes) -> Self:
        """The message whose body this is; raises MessageError on a wrong length or value."""
        form = _FORMS[cls]
        if len(body) != form.layout.size:
            raise MessageError(f"{cls.__name__}: {len(body)} bytes, expected {form.layout.size}")
        message = object.__new__(cls)
        for put, value in zip(form.puts, form.layout.unpack(body)):  # noqa: B905 - one each
            put(message, value)
        for name, kind, put, known in form.members:
            value = getattr(message, name)
            try:
                put(message, known[value] if value in known else kind(value))
            except ValueError as error:
                raise MessageError(f"{cls.__name__}.{name}: {error}") from error
        return message


class _Form(NamedTuple):
    """How a kind is packed, and put together past its slow __init__: every beat comes by here."""

    layout: struct.Struct
    values_of: Callable[[Message], tuple[Any, ...]]  # of all its fields, in order
    puts: tuple[Callable[[Message, Any], None], ...]  # into the slots of its fields, in order
    members: tuple[tuple[str, Any, Callable[[Message, Any], None], dict[Any, Any]], ...]


class _Forms(dict[type[Message], _Form]):
    def __missing__(self, kind: type[Message]) -> _Form:
        names = tuple(name for name, _ in kind.LAYOUT)
        puts = {name: getattr(kind, name).__set__ for name in names}
        enums = ENUM_FIELDS.get(kind, {}).items()
        form = self[kind] = _Form(
            struct.Struct("<" + "".join(_FORMATS[width] for _, width in kind.LAYOUT)),
            attrgetter(*names) if len(names) > 1 else lambda m: tuple(getattr(m, n) for n in names),
            tuple(puts.values()),
            tuple((name, enum, puts[name], enum._value2member_map_) for name, enum in enums),
        )
        return form


_FORMS = _Forms()


# --- host to rig -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Hello(Message):
    """Who is there? Answered by Identity. Allowed in every state; changes nothing."""

    ID: ClassVar[int] = 0x01
    LAYOUT: ClassVar = (("protocol_major", "u8"), ("protocol_minor", "u8"))
    protocol_major: int
    protocol_minor: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DescribeOutput(Message):
    """What can this output do? Answered by OutputInfo."""

    ID: ClassVar[int] = 0x02
    LAYOUT: ClassVar = (("output", "u8"),)
    output: int


@dataclass(frozen=True, slots=True, kw_only=True)
class DescribeInput(Message):
    """What does this input measure? Answered by InputInfo."""

    ID: ClassVar[int] = 0x03
    LAYOUT: ClassVar = (("input", "u8"),)
    input: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Heartbeat(Message):
    """The host lives. The only message that feeds the silence timer. Answered by Status."""

    ID: ClassVar[int] = 0x04


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadStatus(Message):
    """Read the state without feeding the silence timer. Answered by Status."""

    ID: ClassVar[int] = 0x05


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleBegin(Message):
    """Start to load a schedule: steps, done repeat_count times. Forgets any earlier one."""

    ID: ClassVar[int] = 0x06
    LAYOUT: ClassVar = (("schedule_id", "u16"), ("step_count", "u8"), ("repeat_count", "u16"))
    schedule_id: int
    step_count: int
    repeat_count: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleStep(Message):
    """One step: which outputs are on, for how long, and how the time changes each repeat."""

    ID: ClassVar[int] = 0x07
    LAYOUT: ClassVar = (
        ("schedule_id", "u16"),
        ("step", "u8"),
        ("outputs_mask", "u16"),
        ("duration_us", "u32"),
        ("change_us", "i16"),
    )
    schedule_id: int
    step: int
    outputs_mask: int
    duration_us: int
    change_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduleCommit(Message):
    """Check the whole schedule. steps_crc is the CRC over all ScheduleStep bodies in order."""

    ID: ClassVar[int] = 0x08
    LAYOUT: ClassVar = (("schedule_id", "u16"), ("steps_crc", "u16"))
    schedule_id: int
    steps_crc: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CloseFeed(Message):
    """Close the feed contactor. Needs all outputs off, no fault, a living heartbeat."""

    ID: ClassVar[int] = 0x09


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenFeed(Message):
    """All outputs off, then open the feed contactor. Never refused."""

    ID: ClassVar[int] = 0x0A


@dataclass(frozen=True, slots=True, kw_only=True)
class Start(Message):
    """Run the committed schedule once, by the rig's own clock."""

    ID: ClassVar[int] = 0x0B
    LAYOUT: ClassVar = (("schedule_id", "u16"),)
    schedule_id: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AllOff(Message):
    """All outputs off now and the schedule ended; the feed stays. Never refused."""

    ID: ClassVar[int] = 0x0C


@dataclass(frozen=True, slots=True, kw_only=True)
class Stream(Message):
    """Sample these inputs in turn, one conversion of each per scan period."""

    ID: ClassVar[int] = 0x0D
    LAYOUT: ClassVar = (("inputs_mask", "u16"), ("scan_period_us", "u32"))
    inputs_mask: int
    scan_period_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StopStream(Message):
    """Stop sampling. Answered by Accepted, also when nothing is streaming."""

    ID: ClassVar[int] = 0x0E


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearFault(Message):
    """Clear the latched fault; names it, so that only a fault that was read can be cleared."""

    ID: ClassVar[int] = 0x0F
    LAYOUT: ClassVar = (("fault", "u8"),)
    fault: FaultReason


# --- rig to host: answers --------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Accepted(Message):
    """The request was carried out; ``tick`` is when."""

    ID: ClassVar[int] = 0x80
    LAYOUT: ClassVar = (("request", "u8"), ("tick", "u32"))
    request: int
    tick: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity(Message):
    """Who the rig is and what it assures."""

    ID: ClassVar[int] = 0x81
    LAYOUT: ClassVar = (
        ("protocol_major", "u8"),
        ("protocol_minor", "u8"),
        ("firmware_major", "u8"),
        ("firmware_minor", "u8"),
        ("firmware_patch", "u8"),
        ("unique_id", "u64"),
        ("boot_count", "u16"),
        ("reset_cause", "u8"),
        ("fault", "u8"),
        ("output_count", "u8"),
        ("input_count", "u8"),
        ("steps_max", "u8"),
        ("tick_ns", "u32"),
        ("clock_tolerance_ppm", "u16"),
        ("heartbeat_silence_us", "u32"),
        ("feed_settle_us", "u32"),
        ("conversion_period_us_min", "u16"),
        ("reference_resistor_mohm", "u32"),
        ("source_current_ua", "u32"),
    )
    protocol_major: int
    protocol_minor: int
    firmware_major: int
    firmware_minor: int
    firmware_patch: int
    unique_id: int
    boot_count: int
    reset_cause: ResetCause
    fault: FaultReason
    output_count: int
    input_count: int
    steps_max: int
    tick_ns: int
    clock_tolerance_ppm: int
    heartbeat_silence_us: int
    feed_settle_us: int
    conversion_period_us_min: int
    reference_resistor_mohm: int
    source_current_ua: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputInfo(Message):
    """What one output is and the limits the rig itself enforces on it."""

    ID: ClassVar[int] = 0x82
    LAYOUT: ClassVar = (
        ("output", "u8"),
        ("kind", "u8"),
        ("on_us_min", "u32"),
        ("off_us_min", "u32"),
        ("on_us_max", "u32"),
        ("resolution_ns", "u32"),
        ("trip_current_ma", "u16"),
        ("clamp", "u8"),
        ("clamp_mv", "u32"),
        ("rated_operations", "u32"),
    )
    output: int
    kind: OutputKind
    on_us_min: int
    off_us_min: int
    on_us_max: int
    resolution_ns: int
    trip_current_ma: int
    clamp: ClampKind
    clamp_mv: int  # freewheel: forward drop; low-side clamp: level over ground
    rated_operations: int  # 0: no wear declared (solid state)


@dataclass(frozen=True, slots=True, kw_only=True)
class InputInfo(Message):
    """What one input measures: value = (code - zero_code) * full_scale / 2**bits."""

    ID: ClassVar[int] = 0x83
    LAYOUT: ClassVar = (
        ("input", "u8"),
        ("role", "u8"),
        ("bits", "u8"),
        ("flags", "u8"),
        ("full_scale", "u32"),
        ("zero_code", "u16"),
        ("outputs_mask", "u16"),
    )
    input: int
    role: InputRole
    bits: int
    flags: InputFlag
    full_scale: int  # µV, µA, m°C or pA, by role
    zero_code: int  # above 0 on current and part voltage: a dead input reads below it
    outputs_mask: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Status(Message):
    """The rig's whole state, with what it commands and what it reads back."""

    ID: ClassVar[int] = 0x84
    LAYOUT: ClassVar = (
        ("state", "u8"),
        ("fault", "u8"),
        ("fault_detail", "u16"),
        ("fault_tick", "u32"),
        ("flags", "u8"),
        ("outputs_commanded", "u16"),
        ("outputs_readback", "u16"),
        ("tick", "u32"),
        ("boot_count", "u16"),
        ("schedule_id", "u16"),
        ("repeats_done", "u16"),
        ("edges_counted", "u16"),
        ("blocks_counted", "u16"),
        ("blocks_dropped", "u16"),
        ("frames_bad", "u16"),
    )
    state: RigState
    fault: FaultReason
    fault_detail: int
    fault_tick: int
    flags: StatusFlag
    outputs_commanded: int
    outputs_readback: int
    tick: int
    boot_count: int
    schedule_id: int
    repeats_done: int
    edges_counted: int
    blocks_counted: int
    blocks_dropped: int
    frames_bad: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Streaming(Message):
    """The stream the rig began: its number, its inputs, how codes are packed, its period."""

    ID: ClassVar[int] = 0x85
    LAYOUT: ClassVar = (
        ("stream", "u8"),
        ("inputs_mask", "u16"),
        ("code_bits", "u8"),
        ("scan_period_ticks", "u32"),
    )
    stream: int
    inputs_mask: int
    code_bits: int
    scan_period_ticks: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused(Message):
    """The request was not carried out and nothing changed."""

    ID: ClassVar[int] = 0x8F
    LAYOUT: ClassVar = (("request", "u8"), ("reason", "u8"), ("detail", "u32"))
    request: int
    reason: RefusalReason
    detail: int


# --- rig to host: unasked --------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Samples(Message):
    """A block of codes, numbered and stamped at capture.

    ``packed`` holds ``count`` codes of the stream's ``code_bits`` each, least significant bit
    first, inputs in rising order within a scan, whole scans only, zero bits at the end.
    ``tick`` is the start of the first conversion; conversion k starts
    ``k * scan_period_ticks / inputs`` later. The body has no fixed length.
    """

    ID: ClassVar[int] = 0xC0
    LAYOUT: ClassVar = (("stream", "u8"), ("block", "u16"), ("tick", "u32"), ("count", "u8"))
    stream: int
    block: int
    tick: int
    count: int
    packed: bytes

    def body(self) -> bytes:
        """Head and packed codes."""
        try:
            head = struct.pack("<BHIB", self.stream, self.block, self.tick, self.count)
        except struct.error as error:
            raise MessageError(f"Samples: {error}") from error
        return head + self.packed

    @classmethod
    def from_body(cls, body: bytes) -> Self:
        """Split head and codes; the packing is checked by whoever knows ``code_bits``."""
        if len(body) < 8:
            raise MessageError(f"Samples: body of {len(body)} bytes, expected 8 or more")
        stream, block, tick, count = struct.unpack_from("<BHIB", body)
        return cls(stream=stream, block=block, tick=tick, count=count, packed=bytes(body[8:]))


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge(Message):
    """The outputs changed: numbered, stamped, with the outputs now on and the cause."""

    ID: ClassVar[int] = 0xC1
    LAYOUT: ClassVar = (("edge", "u16"), ("tick", "u32"), ("outputs_mask", "u16"), ("cause", "u8"))
    edge: int
    tick: int
    outputs_mask: int
    cause: EdgeCause


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault(Message):
    """The rig dropped all outputs and the feed, and latched why. Also in every Status."""

    ID: ClassVar[int] = 0xC2
    LAYOUT: ClassVar = (("fault", "u8"), ("detail", "u16"), ("tick", "u32"))
    fault: FaultReason
    detail: int
    tick: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished(Message):
    """The schedule ended by itself, all off."""

    ID: ClassVar[int] = 0xC3
    LAYOUT: ClassVar = (("schedule_id", "u16"), ("repeats_done", "u16"), ("tick", "u32"))
    schedule_id: int
    repeats_done: int
    tick: int


ENUM_FIELDS: dict[type[Message], dict[str, type[IntEnum] | type[IntFlag]]] = {
    ClearFault: {"fault": FaultReason},
    Identity: {"reset_cause": ResetCause, "fault": FaultReason},
    OutputInfo: {"kind": OutputKind, "clamp": ClampKind},
    InputInfo: {"role": InputRole, "flags": InputFlag},
    Status: {"state": RigState, "fault": FaultReason, "flags": StatusFlag},
    Refused: {"reason": RefusalReason},
    Edge: {"cause": EdgeCause},
    Fault: {"fault": FaultReason},
}

HOST_MESSAGES: tuple[type[Message], ...] = (
    Hello,
    DescribeOutput,
    DescribeInput,
    Heartbeat,
    ReadStatus,
    ScheduleBegin,
    ScheduleStep,
    ScheduleCommit,
    CloseFeed,
    OpenFeed,
    Start,
    AllOff,
    Stream,
    StopStream,
    ClearFault,
)
ANSWERS: tuple[type[Message], ...] = (
    Accepted,
    Identity,
    OutputInfo,
    InputInfo,
    Status,
    Streaming,
    Refused,
)
UNASKED: tuple[type[Message], ...] = (Samples, Edge, Fault, Finished)
MESSAGES: dict[int, type[Message]] = {m.ID: m for m in (*HOST_MESSAGES, *ANSWERS, *UNASKED)}


def to_payload(message: Message, sequence: int) -> bytes:
    """``id, sequence, body`` of a message; the frame's CRC and COBS come in wire/frames.py."""
    payload = bytes((message.ID, sequence & 0xFF)) + message.body()
    if len(payload) > PAYLOAD_BYTES_MAX:
        raise MessageError(f"{type(message).__name__}: payload of {len(payload)} bytes is too long")
    return payload


def from_payload(payload: bytes) -> tuple[Message, int]:
    """The message and its sequence number; raises MessageError if it is none of this protocol."""
    if len(payload) < 2:
        raise MessageError(f"payload of {len(payload)} bytes, expected 2 or more")
    kind = MESSAGES.get(payload[0])
    if kind is None:
        raise MessageError(f"unknown message id 0x{payload[0]:02X}")
    return kind.from_body(payload[2:]), payload[1]
