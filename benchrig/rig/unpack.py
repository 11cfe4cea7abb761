"""Packed codes to arrays, a whole block at a time."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchrig.wire.messages import MessageError
from benchrig.wire.packing import packed_bytes

CODE_BITS_MAX = 15  # codes are kept as int16
_PAD = bytes(4)  # so that a 32-bit window fits over the last byte


@lru_cache(maxsize=512)
def _windows(count: int, code_bits: int) -> tuple[NDArray[np.intp], NDArray[np.uint32]]:
    """For each code the byte it begins in, and its shift within that byte."""
    begins = np.arange(count) * code_bits
    return begins >> 3, (begins & 7).astype(np.uint32)


def unpack_array(packed: bytes, count: int, code_bits: int) -> NDArray[np.int16]:
    """The codes of a block; MessageError on a wrong length, width or a set padding bit."""
    if not 1 <= code_bits <= CODE_BITS_MAX:
        raise MessageError(f"codes of {code_bits} bits cannot be kept")
    if len(packed) != packed_bytes(count, code_bits):
        raise MessageError(
            f"{count} codes of {code_bits} bits take {packed_bytes(count, code_bits)} bytes, "
            f"not {len(packed)}"
        )
    spare = 8 * len(packed) - count * code_bits
    if spare and packed[-1] >> (8 - spare):
        raise MessageError("a bit after the last code is set")
    if count == 0:
        return np.zeros(0, dtype=np.int16)
    # One 32-bit window at each byte of the block, overlapping: no code spans more.
    window = np.ndarray((len(packed),), "<u4", packed + _PAD, 0, (1,))
    where, shift = _windows(count, code_bits)
    codes = (window[where] >> shift) & np.uint32((1 << code_bits) - 1)
    return codes.astype(np.int16)
