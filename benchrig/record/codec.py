"""Sample blocks to compressed chunks and back, bit for bit.

A chunk holds blocks of one stream with the same inputs and scan period, in order. Each input's
codes become differences, folded so that small ones of either sign are small numbers. Two of them
share a byte, four bits each; what does not fit in four bits stands apart, and where that is much,
low and high bytes are stored apart instead. Differences of noise repeat only by chance, so a
search for repeats costs most of the time and gains nothing: Huffman codes alone gave the smallest
chunks at a multiple of the speed, and pairs of differences smaller ones than single ones.
What the blocks do not agree on (number, tick, scans) stands in front of the codes, as the
difference from what was to be expected, so that a gap stays a gap.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from benchrig.errors import LogError
from benchrig.measure.samples import SampleBlock

_HEAD = struct.Struct("<HIqIIB")  # stream, first block, first tick, period, blocks, inputs
_COUNTS = struct.Struct("<II")  # of a body in nibbles: entries in the table, codes that stand apart
_APART = 15  # a nibble that says: this one stands apart
_APART_SHARE_MAX = 1 / 8  # above it nibbles save nothing
_LEVEL = 1
_BODY_BYTES_MAX = 64 << 20  # a log from elsewhere must not fill the memory


class Codec(IntEnum):
    """How a chunk's bytes are packed; the number is stored beside each chunk."""

    JSON_ZLIB = 1
    DELTA_SHUFFLE_ZLIB = 2
    DELTA_SHUFFLE = 3  # the same without zlib, for a writer that has fallen behind
    DELTA_NIBBLES_ZLIB = 4  # DELTA_SHUFFLE_ZLIB where nibbles would save nothing


_ZLIB = (Codec.DELTA_SHUFFLE_ZLIB, Codec.DELTA_NIBBLES_ZLIB)


@dataclass(frozen=True, slots=True)
class Packed:
    """One chunk as it is stored."""

    codec: Codec
    data: bytes
    samples: int


def same_layout(one: SampleBlock, other: SampleBlock) -> bool:
    """Whether two blocks may share a chunk."""
    return (
        one.stream == other.stream
        and one.inputs == other.inputs
        and one.scan_period_ticks == other.scan_period_ticks
    )


def pack(blocks: Sequence[SampleBlock], codec: Codec = Codec.DELTA_NIBBLES_ZLIB) -> Packed:
    """One chunk of blocks that have the same layout."""
    first = blocks[0]
    table = _table(blocks)
    head = _HEAD.pack(
        *(first.stream, first.block, first.tick, first.scan_period_ticks),
        *(table.shape[1], len(first.inputs)),
    ) + bytes(first.inputs)
    folded = _folded(blocks)
    body = None
    if codec is Codec.DELTA_NIBBLES_ZLIB:
        body = _nibbles(table, folded)
        codec = codec if body is not None else Codec.DELTA_SHUFFLE_ZLIB
    if body is None:
        body = table.astype("<i8").tobytes() + _shuffle(folded)
    if codec in _ZLIB:
        body = _deflate(body)
    elif codec is not Codec.DELTA_SHUFFLE:
        raise ValueError(f"{codec!r} is no codec for samples")
    return Packed(codec, head + body, folded.size)


def _deflate(body: bytes) -> bytes:
    """Huffman codes alone, and run lengths only where zeros in a row are what there is most of."""
    still = 2 * np.count_nonzero(np.frombuffer(body, dtype=np.uint8)) < len(body)
    strategy = zlib.Z_RLE if still else zlib.Z_HUFFMAN_ONLY
    packer = zlib.compressobj(_LEVEL, zlib.DEFLATED, 15, 9, strategy)
    return packer.compress(body) + packer.flush()


def _table(blocks: Sequence[SampleBlock]) -> NDArray[np.int64]:
    """Rows: scans, jump in block number beyond 1, ticks beyond the expected, each per block.

    A block that holds several of the wire is told apart into them again: they are equally long.
    """
    period = blocks[0].scan_period_ticks
    held = np.array([block.blocks for block in blocks], dtype=np.int64)
    scans = np.array([len(block.codes) for block in blocks], dtype=np.int64)
    if np.any(scans % held):
        raise ValueError("a block does not hold whole blocks of the wire")
    scans = np.repeat(scans // held, held)
    place = np.arange(len(scans)) - np.repeat(np.cumsum(held) - held, held)
    numbers = np.repeat(np.array([block.block for block in blocks], dtype=np.int64), held) + place
    ticks = np.repeat(np.array([block.tick for block in blocks], dtype=np.int64), held)
    ticks += place * scans * period
    jumps = np.diff(numbers, prepend=numbers[0] - 1) - 1
    expected = np.concatenate((ticks[:1], ticks[:-1] + scans[:-1] * period))
    return np.stack((np.diff(scans, prepend=0), jumps, ticks - expected))


def _folded(blocks: Sequence[SampleBlock]) -> NDArray[np.uint16]:
    """A row for each input: differences of its codes, 0, -1, 1, -2, ... as 0, 1, 2, 3, ..."""
    scans = sum(len(block.codes) for block in blocks)
    columns = np.empty((len(blocks[0].inputs), scans), dtype=np.uint16)
    at = 0
    for block in blocks:
        columns[:, at : at + len(block.codes)] = block.codes.view(np.uint16).T
        at += len(block.codes)
    step = columns.copy()
    step[:, 1:] -= columns[:, :-1]  # modulo 2**16: every code comes back exactly
    sign = step.view(np.int16) >> 15
    step <<= 1
    step ^= sign.view(np.uint16)
    return step


def _unfolded(folded: NDArray[np.uint16]) -> NDArray[np.int16]:
    """The scans again."""
    step = (folded >> 1) ^ (np.uint16(0) - (folded & np.uint16(1)))
    columns = np.cumsum(step, axis=1, dtype=np.uint16)
    return np.ascontiguousarray(columns.T).view(np.int16)


def _shuffle(folded: NDArray[np.uint16]) -> bytes:
    return folded.astype("<u2").reshape(-1).view(np.uint8).reshape(-1, 2).T.tobytes()


def _unshuffle(data: bytes, scans: int, inputs: int) -> NDArray[np.uint16]:
    planes = np.frombuffer(data, dtype=np.uint8).reshape(2, -1)
    folded: NDArray[np.uint16] = planes[1].astype(np.uint16) << np.uint16(8) | planes[0]
    return folded.reshape(inputs, scans)


def _nibbles(table: NDArray[np.int64], folded: NDArray[np.uint16]) -> bytes | None:
    """What of the table is not as expected, then the codes; None where that would be longer."""
    flat = folded.reshape(-1)
    apart = flat[flat >= _APART]
    if apart.size > flat.size * _APART_SHARE_MAX or table.shape[1] > flat.size:
        return None
    odd = np.flatnonzero(table.any(axis=0))
    entries = np.concatenate((odd[np.newaxis], table[:, odd]))
    small = np.zeros(flat.size + flat.size % 2, dtype=np.uint8)
    small[: flat.size] = np.minimum(flat, _APART)
    pairs = small.view("<u2")
    return b"".join(
        (
            _COUNTS.pack(odd.size, apart.size),
            entries.astype("<i8").tobytes(),
            apart.astype("<u2").tobytes(),
            (pairs | pairs >> 4).astype(np.uint8).tobytes(),
        )
    )


def _un_nibbled(
    body: bytes, count: int, inputs: int
) -> tuple[NDArray[np.int64], NDArray[np.uint16]]:
    """The table and the folded codes."""
    odd, outside = _COUNTS.unpack_from(body)
    codes_at = _COUNTS.size + 32 * odd
    nibbles_at = codes_at + 2 * outside
    nibbles = np.frombuffer(body[nibbles_at:], dtype=np.uint8)
    if count > 2 * nibbles.size:
        raise ValueError("it has more blocks than codes")
    entries = np.frombuffer(body[_COUNTS.size : codes_at], dtype="<i8").reshape(4, odd)
    table = np.zeros((3, count), dtype=np.int64)
    table[:, entries[0]] = entries[1:]
    codes = int(np.cumsum(table[0]).sum()) * inputs
    if (codes + 1) // 2 != nibbles.size:
        raise ValueError("its codes are not as many as its blocks say")
    flat = np.stack((nibbles & 15, nibbles >> 4), axis=1).reshape(-1)[:codes].astype(np.uint16)
    places = np.flatnonzero(flat == _APART)
    if places.size != outside:
        raise ValueError("not as many codes stand apart as its nibbles say")
    flat[places] = np.frombuffer(body[codes_at:nibbles_at], dtype="<u2")
    return table, flat.reshape(inputs, -1)


@dataclass(frozen=True, slots=True)
class _Opened:
    stream: int
    block: int
    tick: int
    period: int
    inputs: tuple[int, ...]
    table: NDArray[np.int64]
    codes: NDArray[np.int16]


def _open(packed: Packed) -> _Opened:
    data = packed.data
    stream, block, tick, period, count, width = _HEAD.unpack_from(data)
    start = _HEAD.size + width
    inputs = tuple(data[_HEAD.size : start])
    body = data[start:]
    if packed.codec in _ZLIB:
        unpacker = zlib.decompressobj()
        body = unpacker.decompress(body, _BODY_BYTES_MAX)
        if not unpacker.eof or unpacker.unused_data:
            raise ValueError("it does not end where it should")
    elif packed.codec != Codec.DELTA_SHUFFLE:
        raise ValueError(f"codec {int(packed.codec)} is not known here")
    if packed.codec == Codec.DELTA_NIBBLES_ZLIB:
        table, folded = _un_nibbled(body, count, width)
    else:
        table = np.frombuffer(body[: 24 * count], dtype="<i8").reshape(3, count)
        folded = _unshuffle(body[24 * count :], int(np.cumsum(table[0]).sum()), width)
    codes = _unfolded(folded)
    return _Opened(stream, block, tick, period, inputs, table, codes)


def unpack(packed: Packed, *, merged: bool = False) -> Iterator[SampleBlock]:
    """The blocks of a chunk, exactly as they came; raises LogError when it is damaged.

    ``merged`` joins blocks that follow each other without a gap and on the expected tick, for
    readers that care for speed; the joined block bears the number of its first.
    """
    try:
        opened = _open(packed)
    except (ValueError, IndexError, zlib.error, struct.error) as error:
        raise LogError(
            f"a chunk of samples cannot be read: {error}",
            advice="run `benchrig record verify`; the log may be damaged or from a newer benchrig",
        ) from None
    scans = np.cumsum(opened.table[0])
    numbers = opened.block + np.cumsum(opened.table[1] + 1) - 1
    ends = np.cumsum(scans)
    starts = ends - scans
    expected = np.concatenate(([0], scans[:-1])) * opened.period
    ticks = opened.tick + np.cumsum(expected + opened.table[2])
    first = np.arange(len(scans))
    if merged:
        broken = (opened.table[1] != 0) | (opened.table[2] != 0)
        broken[0] = True
        first = np.flatnonzero(broken)
    last = np.concatenate((first[1:], [len(scans)])) - 1
    codes = opened.codes
    for begin, end in zip(first.tolist(), last.tolist(), strict=True):
        yield SampleBlock(
            stream=opened.stream,
            block=int(numbers[begin]),
            tick=int(ticks[begin]),
            inputs=opened.inputs,
            scan_period_ticks=opened.period,
            codes=codes[int(starts[begin]) : int(ends[end])],
            blocks=end - begin + 1 if merged else 1,
        )
