"""Packed codes to arrays, a whole block or many equal ones at a time."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchrig.wire.messages import MessageError
from benchrig.wire.packing import packed_bytes

CODE_BITS_MAX = 15  # codes are kept as int16
_BEYOND = bytes(8)  # a 64-bit number read at the last group must end in the buffer


def unpack_array(packed: bytes, count: int, code_bits: int) -> NDArray[np.int16]:
    """The codes of a block; MessageError on a wrong length, width or a set padding bit."""
    return unpack_rows((packed,), count, code_bits).reshape(-1)


def unpack_rows(packed: Sequence[bytes], count: int, code_bits: int) -> NDArray[np.int16]:
    """The codes of blocks of ``count`` codes each, a row a block; MessageError as above."""
    if not 1 <= code_bits <= CODE_BITS_MAX:
        raise MessageError(f"codes of {code_bits} bits cannot be kept")
    size = packed_bytes(count, code_bits)
    for block in packed:
        if len(block) != size:
            raise MessageError(
                f"{count} codes of {code_bits} bits take {size} bytes, not {len(block)}"
            )
    spare = 8 * size - count * code_bits
    if spare and max([block[-1] for block in packed]) >> 8 - spare:
        raise MessageError("a bit after the last code is set")
    if count == 0:
        return np.zeros((len(packed), 0), dtype=np.int16)
    data = b"".join((*packed, _BEYOND))
    if code_bits % 2 == 0:
        return _unpack_fours(data, len(packed), size, count, code_bits)
    # One 32-bit window at each byte of a block, overlapping: no code spans more.
    window = np.ndarray((len(packed), size), "<u4", data, 0, (size, 1))
    where, shift = _windows(count, code_bits)
    codes = (window[:, where] >> shift) & np.uint32((1 << code_bits) - 1)
    return codes.astype(np.int16)


@lru_cache(maxsize=512)
def _windows(count: int, code_bits: int) -> tuple[NDArray[np.intp], NDArray[np.uint32]]:
    """For each code the byte it begins in, and its shift within that byte."""
    begins = np.arange(count) * code_bits
    return begins >> 3, (begins & 7).astype(np.uint32)


def _unpack_fours(
    data: bytes, rows: int, size: int, count: int, code_bits: int
) -> NDArray[np.int16]:
    """Four codes of an even width fill whole bytes: they are spread within a 64-bit number.

    First the upper two are moved to the number's upper half, then the upper one of each half.
    """
    groups = -(-count // 4)
    four = np.ndarray((rows, groups), "<u8", data, 0, (size, code_bits // 2))
    low, high, one, other = (np.uint64(mask) for mask in _spread(code_bits))
    upper = four << np.uint64(32 - 2 * code_bits)
    upper &= high
    halves = four & low
    halves |= upper
    np.left_shift(halves, np.uint64(16 - code_bits), out=upper)
    upper &= other
    halves &= one
    halves |= upper
    return halves.view("<i2")[:, :count].astype(np.int16, copy=False)


@lru_cache(maxsize=16)
def _spread(code_bits: int) -> tuple[int, int, int, int]:
    """Where two codes lie in the lower and in the upper half, and one code in each quarter."""
    low, one = (1 << 2 * code_bits) - 1, (1 << code_bits) - 1
    return low, low << 32, one | one << 32, one << 16 | one << 48
