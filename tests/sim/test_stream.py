"""The fast packer against the plain one of the protocol."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.wire.packing import codes_per_block, pack_codes, unpack_codes
from benchrig_sim.stream import pack_rows


@pytest.mark.parametrize("bits", [8, 9, 10, 11, 12, 13, 14, 16])
@pytest.mark.parametrize("inputs", [1, 2, 3, 7])
def test_packed_as_the_protocol_says(bits: int, inputs: int) -> None:
    count = codes_per_block(bits, inputs)
    rng = np.random.default_rng(bits)
    codes = rng.integers(0, 1 << bits, (5, count)).astype(np.uint16)
    codes[0], codes[1] = 0, (1 << bits) - 1
    packed = [row.tobytes() for row in pack_rows(codes, bits)]
    for row, data in zip(codes.tolist(), packed, strict=True):
        assert data == pack_codes(row, bits)
        assert unpack_codes(data, count, bits) == row
