"""Fast unpacking against the plain one, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchrig.rig.unpack import PackedPlace, unpack_array, unpack_rows
from benchrig.wire.messages import MessageError
from benchrig.wire.packing import pack_codes, unpack_codes


@given(
    st.integers(1, 15).flatmap(
        lambda bits: st.tuples(
            st.just(bits), st.lists(st.integers(0, (1 << bits) - 1), max_size=255)
        )
    )
)
def test_it_agrees_with_the_plain_one(case: tuple[int, list[int]]) -> None:
    bits, codes = case
    packed = pack_codes(codes, bits)
    array = unpack_array(packed, len(codes), bits)
    assert array.dtype == np.int16
    assert array.tolist() == unpack_codes(packed, len(codes), bits) == codes


@given(
    st.integers(1, 15), st.integers(1, 8), st.integers(1, 5), st.integers(1, 9), st.integers(0, 3)
)
@example(10, 4, 47, 3, 2)
@example(8, 1, 1, 1, 0)
def test_blocks_apart_from_each_other_agree_with_the_plain_one(
    bits: int, width: int, scans: int, rows: int, apart: int
) -> None:
    rng = np.random.default_rng(bits + 16 * width + 256 * scans)
    codes = rng.integers(0, 1 << bits, (rows, scans * width))
    packed = [pack_codes(row.tolist(), bits) for row in codes]
    size = len(packed[0])
    data = b"\xff\xff" + (b"\xff" * apart).join(packed)
    place = PackedPlace(offset=2, stride=size + apart, rows=rows, size=size)
    found = unpack_rows(data, place, scans * width, bits)
    assert found.dtype == np.int16
    assert found.tolist() == codes.tolist()


def test_a_padding_bit_set_in_any_block_is_refused() -> None:
    packed = [pack_codes([5, 6, 7], 10) for _ in range(4)]
    for place in range(4):
        damaged = [*packed]
        damaged[place] = packed[place][:-1] + bytes([packed[place][-1] | 0x80])
        where = PackedPlace(offset=0, stride=4, rows=4, size=4)
        unpack_rows(b"".join(packed), where, 3, 10)
        with pytest.raises(MessageError, match="after the last code"):
            unpack_rows(b"".join(damaged), where, 3, 10)


@pytest.mark.parametrize(
    ("packed", "count", "bits"),
    [
        ("ff 07", 2, 10),
        ("ff 07 00 00", 2, 10),
        ("ff 07 10", 2, 10),
        ("00 00", 1, 16),
        ("", 0, 0),
    ],
)
def test_what_cannot_be_is_refused(packed: str, count: int, bits: int) -> None:
    with pytest.raises(MessageError):
        unpack_array(bytes.fromhex(packed), count, bits)
