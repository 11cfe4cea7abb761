"""Fast unpacking against the plain one, and what it refuses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.rig.unpack import unpack_array
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
