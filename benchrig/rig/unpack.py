"""Packed codes to arrays, a whole block or many equal ones at a time."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchrig.wire.messages import MessageError
from benchrig.wire.packing import packed_bytes

CODE_BITS_MAX = 15  # codes are kept as int16
_BEYOND = bytes(8)  # a 64-bit number read at the last group must end in the buffer


class PackedPlace(NamedTuple):
    """Where blocks of packed codes stand in some bytes: the first, how far apart, how many."""

    offset: int
    stride: int
    rows: int
    size: int  # bytes of codes in each


def unpack_array(packed: bytes, count: int, code_bits: int) -> NDArray[np.int16]:
    """The codes of a block; MessageError on a wrong length, width or a set padding bit."""
    place = PackedPlace(offset=0, stride=len(packed), rows=1, size=len(packed))
    return unpack_rows(packed, place, count, code_bits).reshape(-1)


def unpack_rows(data: bytes, place: PackedPlace, count: int, code_bits: int) -> NDArray[np.int16]:
    """The codes of blocks of ``count`` codes each, a row a block; MessageError as above."""
    offset, stride, rows, size = place
    if not 1 <= code_bits <= CODE_BITS_MAX:
        raise MessageError(f"codes of {code_bits} bits cannot be kept")
    if size != packed_bytes(count, code_bits):
        raise MessageError(
            f"{count} codes of {code_bits} bits take {packed_bytes(count, code_bits)} bytes, "
            f"not {size}"
        )
    spare = 8 * size - count * code_bits
    ends = offset + (rows - 1) * stride + size
    if spare and max(data[offset + size - 1 : ends : stride]) >> 8 - spare:
        raise MessageError("a bit after the last code is set")
    if count == 0:
        return np.zeros((rows, 0), dtype=np.int16)
    data += _BEYOND
    if code_bits % 2 == 0:
        return _unpack_fours(data, place, count, code_bits)
    # One 32-bit window at each byte of a block, overlapping: no code spans more.
    window = np.ndarray((rows, size), "<u4", data, offset, (stride, 1))
    where, shift = _windows(count, code_bits)
    codes = (window[:, where] >> shift) & np.uint32((1 << code_bits) - 1)
    return codes.astype(np.int16)


@lru_cache(maxsize=512)
def _windows(count: int, code_bits: int) -> tuple[NDArray[np.intp], NDArray[np.uint32]]:
    """For each code the byte it begins in, and its shift within that byte."""
    begins = np.arange(count) * code_bits
    return begins >> 3, (begins & 7).astype(np.uint32)


def _unpack_fours(data: bytes, place: PackedPlace, count: int, code_bits: int) -> NDArray[np.int16]:
    """Four codes of an even width fill whole bytes: they are spread within a 64-bit number.

    First the upper two are moved to the number's upper half, then the upper one of each half.
    """
    shape = (place.rows, -(-count // 4))
    strides = (place.stride, code_bits // 2)
    four = np.ndarray(shape, "<u8", data, place.offset, strides).copy()  # evenly placed from here
    (far, low, high), (near, one, other) = _spread(code_bits)
    upper = four << far
    upper &= high
    four &= low
    four |= upper
    np.left_shift(four, near, out=upper)
    upper &= other
    four &= one
    four |= upper
    return four.view("<i2")[:, :count].astype(np.int16, copy=False)


@lru_cache(maxsize=16)
def _spread(code_bits: int) -> tuple[tuple[np.uint64, ...], tuple[np.uint64, ...]]:
    """How far two codes and then one code move, with the masks of those that stay and move."""
    low, one = (1 << 2 * code_bits) - 1, (1 << code_bits) - 1
    pairs = (32 - 2 * code_bits, low, low << 32)
    single = (16 - code_bits, one | one << 32, one << 16 | one << 48)
    return tuple(map(np.uint64, pairs)), tuple(map(np.uint64, single))
