"""Frames and messages: CRC, COBS, splitting a byte stream, packing and unpacking fields."""

from __future__ import annotations

import struct
from binascii import crc_hqx
from enum import IntEnum


class OutputKind(IntEnum):
    """What switches a part."""

    SOLID_STATE = 1
    RELAY = 2
    LOW_CURRENT_SOURCE = 3


class ClampKind(IntEnum):
    """Where a coil's current goes at turn-off."""

    FREEWHEEL_DIODE = 1
    LOW_SIDE_CLAMP = 2


class InputRole(IntEnum):
    """What an input measures."""

    SUPPLY_VOLTAGE = 1
    PART_VOLTAGE = 2
    PART_VOLTAGE_FINE = 3
    CURRENT_COARSE = 4
    CURRENT_FINE = 5
    REFERENCE_VOLTAGE = 6
    TEMPERATURE = 7
    INSULATION_CURRENT = 8


class RigState(IntEnum):
    """The state of the rig."""

    IDLE = 1
    RUNNING = 2
    FAULT = 3


class FaultReason(IntEnum):
    """Why everything was dropped."""

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


class Reason(IntEnum):
    """Why a request is refused."""

    UNKNOWN_MESSAGE = 1
    BAD_LENGTH = 2
    BAD_VALUE = 3
    WRONG_STATE = 4
    NO_SUCH_OUTPUT = 5
    NO_SUCH_INPUT = 6
    ON_TIME_OVER_CEILING = 7
    ON_TIME_UNDER_LEAST = 8
    OFF_TIME_UNDER_LEAST = 9
    NOT_ENDING_OFF = 10
    TOO_MANY_STEPS = 11
    SCHEDULE_INCOMPLETE = 12
    STEPS_CRC_MISMATCH = 13
    FEED_MUST_BE_CLOSED = 14
    FEED_MUST_BE_OPEN = 15
    HEARTBEAT_MISSING = 16
    FAULT_LATCHED = 17
    RATE_TOO_HIGH = 18
    SHARED_INPUT = 19
    VERSION_NOT_SPOKEN = 20
    NO_SCHEDULE = 21


class Cause(IntEnum):
    """What caused an edge."""

    SCHEDULE = 1
    ALL_OFF = 2
    FAULT = 3
    FEED = 4


# name -> (id, "format field" pairs); "*" takes the rest of the body as bytes.
_TABLE: dict[str, tuple[int, str]] = {
    "Hello": (0x01, "B protocol_major B protocol_minor"),
    "DescribeOutput": (0x02, "B output"),
    "DescribeInput": (0x03, "B input"),
    "Heartbeat": (0x04, ""),
    "ReadStatus": (0x05, ""),
    "ScheduleBegin": (0x06, "H schedule_id B step_count H repeat_count"),
    "ScheduleStep": (0x07, "H schedule_id B step H outputs_mask I duration_us h change_us"),
    "ScheduleCommit": (0x08, "H schedule_id H steps_crc"),
    "CloseFeed": (0x09, ""),
    "OpenFeed": (0x0A, ""),
    "Start": (0x0B, "H schedule_id"),
    "AllOff": (0x0C, ""),
    "Stream": (0x0D, "H inputs_mask I scan_period_us"),
    "StopStream": (0x0E, ""),
    "ClearFault": (0x0F, "B fault"),
    "Accepted": (0x80, "B request I tick"),
    "Identity": (
        0x81,
        "B protocol_major B protocol_minor B firmware_major B firmware_minor B firmware_patch"
        " Q unique_id H boot_count B reset_cause B fault B output_count B input_count B steps_max"
        " I tick_ns H clock_tolerance_ppm I heartbeat_silence_us I feed_settle_us"
        " H conversion_period_us_min I reference_resistor_mohm I source_current_ua",
    ),
    "OutputInfo": (
        0x82,
        "B output B kind I on_us_min I off_us_min I on_us_max I resolution_ns"
        " H trip_current_ma B clamp I clamp_mv I rated_operations",
    ),
    "InputInfo": (
        0x83,
        "B input B role B bits B flags I full_scale H zero_code H outputs_mask",
    ),
    "Status": (
        0x84,
        "B state B fault H fault_detail I fault_tick B flags H outputs_commanded"
        " H outputs_readback I tick H boot_count H schedule_id H repeats_done H edges_counted"
        " H blocks_counted H blocks_dropped H frames_bad",
    ),
    "Streaming": (0x85, "B stream H inputs_mask B code_bits I scan_period_ticks"),
    "Refused": (0x8F, "B request B reason I detail"),
    "Samples": (0xC0, "B stream H block I tick B count * packed"),
    "Edge": (0xC1, "H edge I tick H outputs_mask B cause"),
    "Fault": (0xC2, "B fault H detail I tick"),
    "Finished": (0xC3, "H schedule_id H repeats_done I tick"),
}

_NAMED: dict[tuple[str, str], type[IntEnum]] = {
    ("Identity", "reset_cause"): ResetCause,
    ("Identity", "fault"): FaultReason,
    ("OutputInfo", "kind"): OutputKind,
    ("OutputInfo", "clamp"): ClampKind,
    ("InputInfo", "role"): InputRole,
    ("Status", "state"): RigState,
    ("Status", "fault"): FaultReason,
    ("Refused", "reason"): Reason,
    ("Edge", "cause"): Cause,
    ("Fault", "fault"): FaultReason,
}

Value = int | bytes
Fields = dict[str, Value]


class Layout:
    """The fields of one message and how they are packed."""

    def __init__(self, name: str, ident: int, text: str) -> None:
        """Read the layout from its table line."""
        words = text.split()
        formats, names = words[0::2], words[1::2]
        self.name = name
        self.ident = ident
        self.tail = names.pop() if formats and formats[-1] == "*" else None
        if self.tail is not None:
            formats.pop()
        self.fields = tuple(names)
        self.struct = struct.Struct("<" + "".join(formats))

    def pack(self, fields: Fields) -> bytes:
        """Return the body."""
        body = self.struct.pack(*(fields[name] for name in self.fields))
        if self.tail is not None:
            rest = fields[self.tail]
            assert isinstance(rest, bytes)
            body += rest
        return body

    def unpack(self, body: bytes) -> Fields | None:
        """Return the fields, or None when the length cannot be."""
        size = self.struct.size
        if len(body) < size or (self.tail is None and len(body) != size):
            return None
        fields: Fields = dict(zip(self.fields, self.struct.unpack_from(body), strict=True))
        if self.tail is not None:
            fields[self.tail] = body[size:]
        return fields


LAYOUTS: dict[str, Layout] = {n: Layout(n, i, t) for n, (i, t) in _TABLE.items()}
BY_ID: dict[int, Layout] = {layout.ident: layout for layout in LAYOUTS.values()}
LAST_REQUEST_ID = 0x3F
RIG_READS_BYTES = 35
HOST_READS_BYTES = 251


def crc16_by_definition(data: bytes) -> int:
    """CRC-16/IBM-3740, bit by bit: 0x1021, begun with 0xFFFF, nothing reflected, no xor."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


def crc16(data: bytes) -> int:
    """Return the same by the standard library's CRC of this polynomial, which is faster."""
    return crc_hqx(data, 0xFFFF)


def cobs_encode(data: bytes) -> bytes:
    """Replace the zeros; no delimiter is added."""
    out = bytearray()
    chunks = data.split(b"\0")
    last = len(chunks) - 1
    for index, chunk in enumerate(chunks):
        full = False
        while len(chunk) >= 254:
            out.append(255)
            out += chunk[:254]
            chunk = chunk[254:]
            full = True
        if index == last and full and not chunk:
            break
        out.append(len(chunk) + 1)
        out += chunk
    return bytes(out)


def cobs_decode(data: bytes) -> bytes | None:
    """Bring the zeros back; None when a code byte points beyond the end."""
    out = bytearray()
    place, size = 0, len(data)
    while place < size:
        code = data[place]
        end = place + code
        if code == 0 or end > size:
            return None
        out += data[place + 1 : end]
        place = end
        if code != 255 and place < size:
            out.append(0)
    return bytes(out)


def frame(ident: int, sequence: int, body: bytes) -> bytes:
    """Return a whole frame with its delimiter."""
    payload = bytes((ident, sequence & 0xFF)) + body
    return cobs_encode(payload + crc16(payload).to_bytes(2, "little")) + b"\0"


def message(name: str, sequence: int, fields: Fields) -> bytes:
    """Return the frame of a message by name."""
    layout = LAYOUTS[name]
    return frame(layout.ident, sequence, layout.pack(fields))


class FrameReader:
    """Splits a byte stream into checked payloads; counts what was bad."""

    def __init__(self, longest_bytes: int) -> None:
        """Begin empty; `longest_bytes` is the longest legal frame without its delimiter."""
        self._longest = longest_bytes
        self._partial = bytearray()
        self._skipping = False
        self.bad = 0

    def clear(self) -> None:
        """Forget a partial frame."""
        self._partial.clear()
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes]:
        """Return the good payloads (id, sequence, body), each with its CRC still behind it."""
        good: list[bytes] = []
        pieces = data.split(b"\0")
        for place, piece in enumerate(pieces):
            if piece and not self._skipping:
                self._partial += piece
                if len(self._partial) > self._longest:
                    self.bad += 1
                    self._skipping = True
                    self._partial.clear()
            if place + 1 == len(pieces):
                break
            if self._partial:
                self._whole(bytes(self._partial), good)
            self._partial.clear()
            self._skipping = False
        return good

    def _whole(self, data: bytes, good: list[bytes]) -> None:
        """Check what stood before a delimiter."""
        payload = cobs_decode(data)
        if (
            payload is None
            or len(payload) < 4
            or crc16(payload[:-2]) != int.from_bytes(payload[-2:], "little")
        ):
            self.bad += 1
        else:
            good.append(payload)


def understand(payload: bytes) -> tuple[str, int, Fields] | None:
    """As a host reads a checked payload (CRC removed): name, sequence, fields; None: nonsense."""
    layout = BY_ID.get(payload[0])
    if layout is None or layout.ident < 0x80:
        return None
    fields = layout.unpack(payload[2:])
    if fields is None:
        return None
    for field, value in fields.items():
        named = _NAMED.get((layout.name, field))
        if named is not None and value not in tuple(named):
            return None
    return layout.name, payload[1], fields


def pack_codes(codes: list[int], bits: int) -> bytes:
    """Pack codes least significant bit first with nothing between."""
    digits = _binary(bits)
    text = "".join([digits[code] for code in reversed(codes)])
    return int(text or "0", 2).to_bytes((len(codes) * bits + 7) // 8, "little")


_BINARY: dict[int, list[str]] = {}


def _binary(bits: int) -> list[str]:
    if bits not in _BINARY:
        _BINARY[bits] = [format(code, f"0{bits}b") for code in range(1 << bits)]
    return _BINARY[bits]


def unpack_codes(packed: bytes, bits: int, count: int) -> list[int] | None:
    """Undo `pack_codes`; None when the length or the filling bits are wrong."""
    number = int.from_bytes(packed, "little")
    if len(packed) != (count * bits + 7) // 8 or number >> (count * bits):
        return None
    mask = (1 << bits) - 1
    return [(number >> (bits * k)) & mask for k in range(count)]
