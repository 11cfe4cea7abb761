"""Packed codes to arrays, a whole block or many equal ones at a time."""

from __future__ import annotations

from functools import lru_cache
from math import lcm

import numpy as np
from numpy.typing import NDArray

from benchrig.wire.messages import MessageError
from benchrig.wire.packing import packed_bytes

CODE_BITS_MAX = 15  # codes are kept as int16
WINDOW_BYTES = 4


@lru_cache(maxsize=512)
def _windows(count: int, code_bits: int) -> tuple[NDArray[np.intp], NDArray[np.uint32]]:
    """For each code the byte it begins in, and its shift within that byte."""
    begins = np.arange(count) * code_bits
    return begins >> 3, (begins & 7).astype(np.uint32)


def unpack_array(packed: bytes, count: int, code_bits: int) -> NDArray[np.int16]:
    """The codes of a block; MessageError on a wrong length, width or a set padding bit."""
    row = np.frombuffer(packed, dtype=np.uint8).reshape(1, -1)
    return unpack_rows(row, count, code_bits).reshape(-1)


def unpack_rows(packed: NDArray[np.uint8], count: int, code_bits: int) -> NDArray[np.int16]:
    """The codes of blocks of ``count`` codes each, a row a block; MessageError as above."""
    rows, size = packed.shape
    if not 1 <= code_bits <= CODE_BITS_MAX:
        raise MessageError(f"codes of {code_bits} bits cannot be kept")
    if size != packed_bytes(count, code_bits):
        raise MessageError(
            f"{count} codes of {code_bits} bits take {packed_bytes(count, code_bits)} bytes, "
            f"not {size}"
        )
    spare = 8 * size - count * code_bits
    if spare and np.any(packed[:, -1] >> np.uint8(8 - spare)):
        raise MessageError("a bit after the last code is set")
    if count == 0:
        return np.zeros((rows, 0), dtype=np.int16)
    if lcm(code_bits, 8) <= 64:
        return _unpack_grouped(packed, count, code_bits)
    # One 32-bit window at each byte of a block, overlapping: no code spans more.
    padded = np.zeros((rows, size + WINDOW_BYTES), dtype=np.uint8)
    padded[:, :size] = packed
    stride = size + WINDOW_BYTES
    window = np.ndarray((rows, size), "<u4", padded, 0, (stride, 1))
    where, shift = _windows(count, code_bits)
    codes = (window[:, where] >> shift) & np.uint32((1 << code_bits) - 1)
    return codes.astype(np.int16)


@lru_cache(maxsize=16)
def _shifts(code_bits: int) -> NDArray[np.uint64]:
    return np.arange(0, lcm(code_bits, 8), code_bits, dtype=np.uint64)


def _unpack_grouped(packed: NDArray[np.uint8], count: int, code_bits: int) -> NDArray[np.int16]:
    """Widths of which a few codes fill whole bytes: each such group is one 64-bit number."""
    rows, size = packed.shape
    group_bytes = lcm(code_bits, 8) // 8
    groups = -(-size // group_bytes)
    if size < groups * group_bytes:
        whole = np.zeros((rows, groups * group_bytes), dtype=np.uint8)
        whole[:, :size] = packed
        packed = whole
    wide = np.zeros((rows * groups, 8), dtype=np.uint8)
    wide[:, :group_bytes] = packed.reshape(-1, group_bytes)
    codes = (wide.view("<u8") >> _shifts(code_bits)) & np.uint64((1 << code_bits) - 1)
    return codes.reshape(rows, -1)[:, :count].astype(np.int16)
