"""Packing of codes: by hand, round trips, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.wire.messages import PAYLOAD_BYTES_MAX, MessageError, Samples, to_payload
from benchrig.wire.packing import codes_per_block, pack_codes, packed_bytes, unpack_codes


def test_ten_bits_by_hand() -> None:
    # 0x3FF is ten ones, then 0x001: bits 0-9 set, bit 10 set -> FF 07 00
    assert pack_codes([0x3FF, 0x001], 10) == bytes.fromhex("ff 07 00")
    assert unpack_codes(bytes.fromhex("ff 07 00"), 2, 10) == [0x3FF, 0x001]


@given(st.integers(1, 16).flatmap(lambda b: st.tuples(
    st.just(b), st.lists(st.integers(0, (1 << b) - 1), max_size=255))))  # fmt: skip
def test_round_trip(case: tuple[int, list[int]]) -> None:
    bits, codes = case
    packed = pack_codes(codes, bits)
    assert len(packed) == packed_bytes(len(codes), bits)
    assert unpack_codes(packed, len(codes), bits) == codes


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
@pytest.mark.parametrize("inputs", [1, 2, 3, 7, 16])
def test_the_fullest_block_fits_a_payload_and_one_scan_more_does_not(
    bits: int, inputs: int
) -> None:
    count = codes_per_block(bits, inputs)
    assert count % inputs == 0

    def payload(codes: int) -> bytes:
        packed = pack_codes([0] * codes, bits)
        return to_payload(Samples(stream=0, block=0, tick=0, count=codes, packed=packed), 0)

    assert len(payload(count)) <= PAYLOAD_BYTES_MAX
    with pytest.raises(MessageError):
        payload(count + inputs)


def test_a_code_too_large_is_refused() -> None:
    with pytest.raises(MessageError, match="1024"):
        pack_codes([1024], 10)


@pytest.mark.parametrize("packed", ["ff 07", "ff 07 00 00", "ff 07 10"])
def test_wrong_length_and_set_padding_are_refused(packed: str) -> None:
    with pytest.raises(MessageError):
        unpack_codes(bytes.fromhex(packed), 2, 10)
