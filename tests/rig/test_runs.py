"""Samples read many at a time, against the same ones read each by itself."""

from __future__ import annotations

import itertools
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.measure.samples import SampleBlock
from benchrig.record.codec import pack, unpack
from benchrig.rig.events import EdgeEvent, EventReader, RigEvent
from benchrig.rig.exchange import Exchange
from benchrig.wire.frames import encode_frame
from benchrig.wire.messages import (
    Edge,
    EdgeCause,
    Message,
    MessageError,
    Samples,
    Stream,
    Streaming,
    to_payload,
)
from benchrig.wire.packing import pack_codes
from benchrig.wire.runs import RUN_MOST
from benchrig.wire.session import HostSession, Nonsense, SamplesRun, Unasked

SCANS = 4
PERIOD = 200
BITS = 10


class NoLink:
    """A link nobody asks anything of."""

    name = "none"

    async def read(self) -> bytes:
        return b""

    def write(self, data: bytes) -> None:
        raise AssertionError(data)

    async def send_break(self) -> None:
        raise AssertionError

    async def close(self) -> None:
        return


def samples(
    number: int,
    seed: int,
    *,
    late: int = 0,
    stream: int = 1,
    odd: int = 0,
    ahead: int = 0,
    period: int = PERIOD,
) -> Samples:
    rng = random.Random(seed * 70_001 + number)
    codes = [rng.randrange(1 << BITS) for _ in range(2 * SCANS + odd)]
    return Samples(
        stream=stream,
        block=(number + ahead) & 0xFFFF,
        tick=(number * SCANS * period + late) & 0xFFFF_FFFF,
        count=len(codes),
        packed=pack_codes(codes, BITS),
    )


def streaming(reader: EventReader, period: int = PERIOD) -> None:
    request = Stream(inputs_mask=3, scan_period_us=100)
    reader.asking(request)
    answer = Streaming(stream=1, inputs_mask=3, code_bits=BITS, scan_period_ticks=period)
    reader.answered(request, answer)


def one_by_one(data: bytes) -> tuple[list[RigEvent], EventReader, HostSession, int]:
    """The plain way: a frame at a time, so that no two can be read together."""
    session, reader, events, nonsense = HostSession(), EventReader(), [], 0
    streaming(reader)
    for frame in data.split(b"\x00")[:-1]:
        for item in session.receive(frame + b"\x00"):
            assert not isinstance(item, SamplesRun)
            try:
                if isinstance(item, Unasked):
                    events += reader.read(item.message)
                nonsense += isinstance(item, Nonsense)
            except MessageError:
                nonsense += 1
    return events, reader, session, nonsense


def together(data: bytes, cuts: list[int], period: int = PERIOD) -> tuple[list[RigEvent], Exchange]:
    exchange = Exchange(NoLink())
    streaming(exchange.reader, period)
    edges = sorted({min(cut, len(data)) for cut in cuts} | {0, len(data)})
    for begin, end in itertools.pairwise(edges):
        exchange._take(data[begin:end])
    return exchange.take_events(), exchange


def apart(events: list[RigEvent]) -> list[object]:
    """Every wire block by itself, as the log gives them back."""
    found: list[object] = []
    for event in events:
        if isinstance(event, SampleBlock):
            found += [
                (b.stream, b.block, b.tick, b.inputs, b.codes.tolist())
                for b in unpack(pack([event]))
            ]
        else:
            found.append(event)
    return found


def frames(said: list[Message | None]) -> bytes:
    """Frames with running numbers; None is one that the rig numbered and the line lost."""
    data = [encode_frame(to_payload(m, n & 0xFF)) for n, m in enumerate(said) if m is not None]
    return b"".join(data)


FAULTS = (
    "",
    "",
    "",
    "",
    "",
    "",
    "",
    "lost",
    "dropped",
    "late",
    "old",
    "odd",
    "edge",
    "twice",
    "ahead",
)


@given(
    st.integers(0, 1 << 16),
    st.integers(0, 70_000),
    st.lists(st.sampled_from(FAULTS), max_size=60),
    st.lists(st.integers(0, 3000), max_size=4),
)
def test_a_run_says_what_its_blocks_say(
    seed: int, start: int, story: list[str], cuts: list[int]
) -> None:
    said: list[Message | None] = []
    for number, fault in enumerate(story, start):
        if fault == "edge":
            said.append(Edge(edge=number & 0xFFFF, tick=7, outputs_mask=1, cause=EdgeCause.FEED))
        if fault == "dropped":
            continue  # by the rig, after it was numbered as a block
        block = samples(
            number,
            seed,
            late=int(fault == "late"),
            stream=1 - (fault == "old"),
            odd=int(fault == "odd"),
            ahead=int(fault == "ahead"),
        )
        said.append(None if fault == "lost" else block)
        if fault == "twice":
            said.append(block)
    data = frames(said)
    events, exchange = together(data, cuts)
    plain, reader, session, nonsense = one_by_one(data)
    assert apart(events) == apart(plain)
    assert exchange.reader.blocks_lost == reader.blocks_lost
    assert exchange.reader.edges_lost == reader.edges_lost
    assert exchange.session.unasked_lost == session.unasked_lost
    assert exchange.violations == nonsense


def _lied(block: Samples) -> Samples:
    """Of a scan fewer than it holds, and so as long as the others."""
    return replace(block, count=block.count - 2)


@pytest.mark.parametrize("place", range(6))
@pytest.mark.parametrize("fault", [*sorted(set(FAULTS) - {""}), "lied", "edges"])
def test_whatever_is_amiss_in_a_run_is_seen_where_it_is(fault: str, place: int) -> None:
    said: list[Message | None] = []
    for number in range(6):
        here = fault if number == place else ""
        block = samples(
            number,
            9,
            late=int(here == "late"),
            stream=1 - (here == "old"),
            odd=int(here == "odd"),
            ahead=int(here == "ahead"),
        )
        if here in ("edge", "edges"):
            said += [
                Edge(edge=n, tick=7 + n, outputs_mask=n & 1, cause=EdgeCause.SCHEDULE)
                for n in range(4 if here == "edges" else 1)
            ]
        if here == "dropped":
            continue
        said.append(None if here == "lost" else _lied(block) if here == "lied" else block)
        if here == "twice":
            said.append(block)
    data = frames(said)
    events, exchange = together(data, [])
    plain, reader, session, nonsense = one_by_one(data)
    assert apart(events) == apart(plain)
    assert exchange.reader.blocks_lost == reader.blocks_lost
    assert exchange.session.unasked_lost == session.unasked_lost
    assert exchange.violations == nonsense


def test_a_run_of_the_stream_before_is_not_taken_for_the_new_one() -> None:
    said: list[Message | None] = [samples(n, 8, stream=0) for n in range(5)]
    events, exchange = together(frames(said), [])
    assert events == []
    exchange._take(b"".join(encode_frame(to_payload(samples(n, 8), 5 + n)) for n in range(4)))
    (block,) = exchange.take_events()
    assert isinstance(block, SampleBlock)
    assert (block.stream, block.block, block.blocks) == (1, 0, 4)
    assert exchange.reader.blocks_lost == 0


def test_what_comes_together_is_one_block_and_a_gap_parts_it() -> None:
    said: list[Message | None] = [samples(n, 1) for n in range(20)]
    events, exchange = together(frames(said), [])
    (block,) = events
    assert isinstance(block, SampleBlock)
    assert (block.block, block.blocks, block.codes.shape) == (0, 20, (20 * SCANS, 2))
    assert exchange.reader.blocks_lost == 0
    said = [*said[:5], None, *said[6:], Edge(edge=1, tick=9, outputs_mask=0, cause=EdgeCause.FEED)]
    events, exchange = together(frames(said), [])
    assert exchange.reader.blocks_lost == exchange.session.unasked_lost == 1
    numbers = [b.block + n for b in events if isinstance(b, SampleBlock) for n in range(b.blocks)]
    assert numbers == [*range(5), *range(6, 20)]
    assert isinstance(events[-1], EdgeEvent)


def test_a_run_goes_on_across_the_wrap_of_every_counter() -> None:
    first = (1 << 32) // (SCANS * PERIOD) - 300  # ticks wrap inside, block numbers too
    said: list[Message | None] = [samples(n, 2) for n in range(first, first + 2 * RUN_MOST + 9)]
    events, exchange = together(frames(said), [])
    blocks = [b for b in events if isinstance(b, SampleBlock)]
    assert [b.blocks for b in blocks] == [RUN_MOST, RUN_MOST, 9]
    ticks = [b.tick for b in blocks]
    assert np.diff(ticks).tolist() == [RUN_MOST * SCANS * PERIOD] * 2
    assert exchange.session.unasked_lost == 0


def test_a_block_said_twice_is_told_once_also_where_a_run_begins() -> None:
    said: list[Message | None] = [samples(n, 3) for n in (0, 1, 2, 2, 3, 4)]
    data = frames(said)
    events, exchange = together(data, [len(data) // 2])
    numbers = [b.block + n for b in events if isinstance(b, SampleBlock) for n in range(b.blocks)]
    assert numbers == [0, 1, 2, 3, 4]
    assert exchange.reader.blocks_lost == 0


def test_blocks_that_the_rig_left_out_between_two_runs_are_counted_each() -> None:
    exchange = Exchange(NoLink())
    streaming(exchange.reader)
    told = []
    # The running numbers of the messages go on: the rig numbered the blocks and never sent them.
    for sent, numbers in ((0, range(4)), (4, range(9, 12)), (7, range(12, 14)), (9, range(40, 47))):
        data = [
            encode_frame(to_payload(samples(number, 4), sent + place))
            for place, number in enumerate(numbers)
        ]
        exchange._take(b"".join(data))
        told.append(exchange.reader.blocks_lost)
    assert told == [0, 5, 5, 31]
    assert exchange.session.unasked_lost == 0
    blocks = [e for e in exchange.take_events() if isinstance(e, SampleBlock)]
    assert [(b.block, b.blocks) for b in blocks] == [(0, 4), (9, 3), (12, 2), (40, 7)]
    assert [b.tick for b in blocks] == [b.block * SCANS * PERIOD for b in blocks]


def test_ticks_of_runs_that_are_long_beside_the_counter_are_unwrapped_to_their_ends() -> None:
    period = 1 << 26  # so 2**28 ticks a block: eight are half of all the counter can tell apart
    for lengths in ([8, 8, 8, 8], [3, 20, 2, 30], [9, 9], [40]):
        exchange = Exchange(NoLink())
        streaming(exchange.reader, period)
        number, unwrapped = 0, []
        for length in lengths:
            said: list[Message | None] = [None] * number
            said += [samples(n, 5, period=period) for n in range(number, number + length)]
            exchange._take(frames(said))
            number += length
        for event in exchange.take_events():
            assert isinstance(event, SampleBlock)
            unwrapped += [event.tick + n * SCANS * period for n in range(event.blocks)]
        assert unwrapped == [n * SCANS * period for n in range(sum(lengths))]
        tick = number * SCANS * period
        edge = Edge(edge=0, tick=tick & 0xFFFF_FFFF, outputs_mask=1, cause=EdgeCause.FEED)
        exchange._take(encode_frame(to_payload(edge, number & 0xFF)))
        (event,) = exchange.take_events()
        assert isinstance(event, EdgeEvent)
        assert event.tick == tick


def test_a_run_dropped_unheard_counts_every_block_in_it() -> None:
    exchange = Exchange(NoLink())
    streaming(exchange.reader)
    exchange._take(frames([samples(n, 6) for n in range(7)]))
    exchange._drop_oldest()
    assert exchange.reader.blocks_lost == 7
    assert exchange.events_dropped == 1


def test_a_block_damaged_inside_a_run_is_lost_alone() -> None:
    said = [encode_frame(to_payload(samples(n, 7), n)) for n in range(12)]
    said[5] = said[5][:8] + bytes([said[5][8] % 255 + 1]) + said[5][9:]
    exchange = Exchange(NoLink())
    streaming(exchange.reader)
    exchange._take(b"".join(said))
    blocks = [e for e in exchange.take_events() if isinstance(e, SampleBlock)]
    numbers = [b.block + n for b in blocks for n in range(b.blocks)]
    assert numbers == [*range(5), *range(6, 12)]
    assert exchange.reader.blocks_lost == exchange.session.unasked_lost == 1
    assert exchange.session.frames_bad == 1


def test_a_run_of_what_a_later_rig_says_is_no_run_of_samples() -> None:
    unknown = [encode_frame(bytes([0xC9, n, *range(12)])) for n in range(4)]
    assert HostSession().receive(b"".join(unknown)) == []
