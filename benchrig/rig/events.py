"""What a rig tells unasked, as values: numbers and ticks unwrapped, codes unpacked.

``EventReader`` turns wire messages into these values and keeps count of what is missing.
Faults and the end of a schedule are also read from Status, so that a lost message cannot
hide them.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchrig.measure.samples import SampleBlock
from benchrig.rig.unpack import PackedPlace, unpack_array, unpack_rows
from benchrig.wire.messages import (
    Accepted,
    AllOff,
    Edge,
    EdgeCause,
    Fault,
    FaultReason,
    Finished,
    Message,
    MessageError,
    OpenFeed,
    RigState,
    Samples,
    Start,
    Status,
    Stream,
    Streaming,
    from_payload,
)
from benchrig.wire.packing import SAMPLES_HEAD_BYTES
from benchrig.wire.runs import FrameRun

_HELD_MAX = 64
_HEAD = struct.Struct("<xxBHIB")  # past id and sequence: stream, block, tick, count
_BLOCK_AT, _TICK_AT, _COUNT_AT = 3, 5, 9
_NEAR_TICKS = 1 << 31  # a counter further on than this cannot be told from one further back


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeEvent:
    """The outputs or the feed changed."""

    edge: int  # numbered at capture, unwrapped; a gap is loss
    tick: int
    outputs_mask: int
    cause: EdgeCause


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultEvent:
    """The rig dropped everything and latched why."""

    fault: FaultReason
    detail: int
    tick: int


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishedEvent:
    """The schedule ended by itself. ``seen_in_status``: the rig's own message was lost."""

    schedule_id: int
    repeats_done: int
    tick: int
    seen_in_status: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RigRestarted:
    """The rig was reset in the middle of a session; ticks and numbers began anew."""

    boot_count: int
    fault: FaultReason


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkLost:
    """The last event there is."""

    reason: str


RigEvent = SampleBlock | EdgeEvent | FaultEvent | FinishedEvent | RigRestarted | LinkLost


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamInfo:
    """A running stream: its number, the inputs in order, width of a code, scan period."""

    stream: int
    inputs: tuple[int, ...]
    code_bits: int
    scan_period_ticks: int


class Unwrapper:
    """Follows a counter that wraps; a value is taken as the nearest to the newest one."""

    def __init__(self, bits: int) -> None:
        self._modulus = 1 << bits
        self._half = self._modulus >> 1
        self._newest: int | None = None

    def __call__(self, wrapped: int) -> int:
        """The unwrapped value."""
        if self._newest is None:
            self._newest = wrapped
            return wrapped
        step = (wrapped - self._newest) % self._modulus
        if step >= self._half:
            return self._newest + step - self._modulus
        self._newest += step
        return self._newest


def _goes_on(run: FrameRun, number: int, ticks: int) -> bool:
    """Whether blocks are of one stream and size, and follow each other in number and tick."""
    data, blocks = run.data, run.count
    if run.column(2) != bytes([number]) * blocks:
        return False
    if run.column(_COUNT_AT) != data[_COUNT_AT : _COUNT_AT + 1] * blocks:
        return False
    numbers = np.ndarray((blocks,), "<u2", data, _BLOCK_AT, (run.stride,)).tolist()
    begins = np.ndarray((blocks,), "<u4", data, _TICK_AT, (run.stride,)).tolist()
    return _rises(numbers, 1, 1 << 16) and _rises(begins, ticks, 1 << 32)


def _rises(values: list[int], step: int, modulus: int) -> bool:
    """Whether a counter goes up by so much each time, past its wrap too."""
    due = range(values[0], values[0] + step * len(values), step)
    return values == (list(due) if due[-1] < modulus else [value % modulus for value in due])


def inputs_of(mask: int) -> tuple[int, ...]:
    """Numbers of the bits set in a mask, rising."""
    return tuple(bit for bit in range(mask.bit_length()) if mask >> bit & 1)


class EventReader:
    """Messages in, events out; one for each connection."""

    def __init__(self) -> None:
        self.blocks_lost = 0
        self.edges_lost = 0
        self.stream: StreamInfo | None = None
        self._held: list[Samples] | None = None
        self._boot_count: int | None = None
        self._begin_anew()

    def _begin_anew(self) -> None:
        self.tick = Unwrapper(32)
        self._block = Unwrapper(16)
        self._edge = Unwrapper(16)
        self._edge_next: int | None = None
        self._edges_counted = 0  # by the status before
        self._block_next = 0
        self._fault_told: tuple[FaultReason, int] | None = None
        self._running_id: int | None = None
        self._idle_seen = 0

    # --- what was asked, and how it was answered ---

    def asking(self, request: Message) -> None:
        """A request goes out. Blocks of a new stream may come before its answer; hold them."""
        if isinstance(request, Stream):
            self._held = []

    def answered(self, request: Message, answer: Message) -> list[RigEvent]:
        """An answer came; returns what was held for it."""
        if isinstance(answer, Status):
            return self.read_status(answer)
        match request, answer:
            case Start(schedule_id=schedule_id), Accepted():
                self._running_id, self._idle_seen = schedule_id, 0
            case ((AllOff() | OpenFeed()), Accepted()):
                self._running_id = None  # no Finished will come
            case Stream(inputs_mask=asked), Streaming():
                return self._stream_began(asked, answer)
            case Stream(), _:
                self._held = None
        return []

    def _stream_began(self, asked_mask: int, answer: Streaming) -> list[RigEvent]:
        held, self._held, self.stream = self._held or [], None, None
        if answer.inputs_mask != asked_mask or answer.scan_period_ticks == 0:
            raise MessageError("Streaming: other inputs than were asked for, or in no time")
        self.stream = StreamInfo(
            stream=answer.stream,
            inputs=inputs_of(answer.inputs_mask),
            code_bits=answer.code_bits,
            scan_period_ticks=answer.scan_period_ticks,
        )
        self._block, self._block_next = Unwrapper(16), 0
        return [event for samples in held for event in self._read_samples(samples)]

    # --- what the rig says ---

    def read(self, message: Message) -> list[RigEvent]:
        """Events of an unasked message; MessageError when its content cannot be."""
        match message:
            case Samples():
                return list(self._read_samples(message))
            case Edge():
                return list(self._read_edge(message))
            case Fault(fault=fault, detail=detail, tick=tick):
                return list(self._tell_fault(fault, detail, self.tick(tick)))
            case Finished(schedule_id=schedule_id, repeats_done=done, tick=tick):
                if schedule_id != self._running_id:  # told before, or late from an earlier one
                    return []
                self._running_id = None
                return [
                    FinishedEvent(schedule_id=schedule_id, repeats_done=done, tick=self.tick(tick))
                ]
            case _:
                return []

    def read_run(self, run: FrameRun) -> SampleBlock | None:
        """Samples that lost nothing on the way, as one block.

        None where that cannot be said of all of them in one breath, as when the rig itself left
        out blocks: then each has to be read by itself, and nothing has been taken yet.
        """
        stream, size, blocks = self.stream, run.size - SAMPLES_HEAD_BYTES, run.count
        if stream is None or size <= 0:
            return None
        number, first, tick, count = _HEAD.unpack_from(run.data)
        width = len(stream.inputs)
        if number != stream.stream or count == 0 or count % width:
            return None
        ticks = count // width * stream.scan_period_ticks
        last_place = blocks - 1
        if not 0 < ticks * last_place < _NEAR_TICKS or not _goes_on(run, number, ticks):
            return None
        place = PackedPlace(offset=SAMPLES_HEAD_BYTES, stride=run.stride, rows=blocks, size=size)
        try:
            codes = unpack_rows(run.data, place, count, stream.code_bits)
        except MessageError:
            return None
        before = self._block_next
        block = self._block(first)
        if block < before:
            return None
        self.blocks_lost += block - before
        self._block_next = block + blocks
        self._block(first + last_place & 0xFFFF)
        at_tick = self.tick(tick)
        self.tick(tick + ticks * last_place & 0xFFFF_FFFF)
        return SampleBlock(
            stream=stream.stream,
            block=block,
            tick=at_tick,
            inputs=stream.inputs,
            scan_period_ticks=stream.scan_period_ticks,
            codes=codes.reshape(-1, width),
            blocks=blocks,
        )

    def read_payload(self, payload: bytes) -> list[RigEvent]:
        """The same as ``read`` of the message in a payload."""
        return self.read(from_payload(payload)[0])

    def read_status(self, status: Status) -> list[RigEvent]:
        """What a Status reveals that a lost message may have hidden."""
        events: list[RigEvent] = []
        if self._boot_count not in (None, status.boot_count):
            self._begin_anew()
            self.stream = None
            events.append(RigRestarted(boot_count=status.boot_count, fault=status.fault))
        self._boot_count = status.boot_count
        now = self.tick(status.tick)
        self._count_edges(self._edge(status.edges_counted))
        if status.state is RigState.FAULT:
            tick = now - ((status.tick - status.fault_tick) & 0xFFFF_FFFF)
            events += self._tell_fault(status.fault, status.fault_detail, tick)
        else:
            self._fault_told = None
        events += self._find_finished(status, now)
        return events

    def _count_edges(self, counted: int) -> None:
        """Edges that a status has counted and that have not come by the next one are lost.

        A gap in the numbers shows them too, but not the last one, which none follows.
        """
        if self._edge_next is None:
            self._edge_next = counted
        missing = self._edges_counted - self._edge_next
        if missing > 0:
            self.edges_lost += missing
            self._edge_next = self._edges_counted
        self._edges_counted = counted

    def _read_samples(self, samples: Samples) -> Iterator[RigEvent]:
        stream = self.stream
        if stream is None or samples.stream != stream.stream:
            if self._held is not None and len(self._held) < _HELD_MAX:
                self._held.append(samples)
            return
        width = len(stream.inputs)
        if samples.count % width:
            raise MessageError(f"Samples: {samples.count} codes are no whole scans of {width}")
        codes = unpack_array(samples.packed, samples.count, stream.code_bits)
        block = self._block(samples.block)
        if block < self._block_next:
            return  # told twice
        self.blocks_lost += block - self._block_next
        self._block_next = block + 1
        yield SampleBlock(
            stream=stream.stream,
            block=block,
            tick=self.tick(samples.tick),
            inputs=stream.inputs,
            scan_period_ticks=stream.scan_period_ticks,
            codes=codes.reshape(-1, width),
        )

    def _read_edge(self, edge: Edge) -> Iterator[RigEvent]:
        number = self._edge(edge.edge)
        if self._edge_next is not None:
            if number < self._edge_next:
                return  # told twice
            self.edges_lost += number - self._edge_next
        self._edge_next = number + 1
        yield EdgeEvent(
            edge=number,
            tick=self.tick(edge.tick),
            outputs_mask=edge.outputs_mask,
            cause=edge.cause,
        )

    def _tell_fault(self, fault: FaultReason, detail: int, tick: int) -> Iterator[RigEvent]:
        self._running_id = None
        if self._fault_told != (fault, tick):
            self._fault_told = (fault, tick)
            yield FaultEvent(fault=fault, detail=detail, tick=tick)

    def _find_finished(self, status: Status, now: int) -> Iterator[RigEvent]:
        """Idle in two statuses after Start, and no Finished in between: it was lost."""
        if self._running_id is None or status.state is not RigState.IDLE:
            self._idle_seen = 0
            return
        self._idle_seen += 1
        if self._idle_seen >= 2:
            self._running_id = None
            yield FinishedEvent(
                schedule_id=status.schedule_id,
                repeats_done=status.repeats_done,
                tick=now,
                seen_in_status=True,
            )
