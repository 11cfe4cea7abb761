"""Frames: the CRC's published check value, round trips, rubbish, and getting back in step."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.wire.frames import FrameDecoder, crc16, encode_frame, frame_bytes_max
from benchrig.wire.messages import HOST_PAYLOAD_BYTES_MAX, PAYLOAD_BYTES_MAX

PAYLOADS = st.binary(min_size=2, max_size=PAYLOAD_BYTES_MAX)


def test_crc_has_the_check_value_of_its_catalogue_entry() -> None:
    # CRC-16/IBM-3740 in the catalogue of parametrised CRC algorithms (reveng): check 0x29b1.
    assert crc16(b"123456789") == 0x29B1


@given(st.binary(max_size=300))
def test_crc_agrees_with_the_definition_bit_by_bit(data: bytes) -> None:
    # Width 16, poly 0x1021, init 0xFFFF, refin and refout false, xorout 0: computed literally.
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = ((register << 1) ^ (0x1021 if register & 0x8000 else 0)) & 0xFFFF
    assert crc16(data) == register


@given(st.binary(min_size=2, max_size=PAYLOAD_BYTES_MAX))
def test_the_stuffing_is_the_published_one(payload: bytes) -> None:
    # Cheshire & Baker, Consistent Overhead Byte Stuffing, 1999: a code byte n is followed by
    # n - 1 bytes that are not zero, then stands for a zero unless n is 255; done literally.
    *encoded, delimiter = encode_frame(payload)
    assert delimiter == 0
    decoded: list[int] = []
    while encoded:
        code = encoded[0]
        decoded += encoded[1:code]
        encoded = encoded[code:]
        if encoded and code < 255:
            decoded.append(0)
    assert bytes(decoded[:-2]) == payload
    assert decoded[-2] + 256 * decoded[-1] == crc16(payload)


@given(PAYLOADS)
def test_round_trip(payload: bytes) -> None:
    frame = encode_frame(payload)
    assert len(frame) <= frame_bytes_max(len(payload))
    assert frame.index(0) == len(frame) - 1
    assert FrameDecoder().feed(frame) == [payload]


@given(PAYLOADS)
def test_nothing_comes_before_the_last_byte(payload: bytes) -> None:
    decoder = FrameDecoder()
    *before, last = (bytes((byte,)) for byte in encode_frame(payload))
    assert all(decoder.feed(byte) == [] for byte in before)
    assert decoder.feed(last) == [payload]


@given(st.lists(st.one_of(st.binary(max_size=400), PAYLOADS.map(encode_frame)), max_size=12))
def test_any_cut_of_any_bytes_gives_the_same_payloads(chunks: list[bytes]) -> None:
    data = b"".join(chunks)
    whole, single = FrameDecoder(), FrameDecoder()
    expected = whole.feed(data)
    assert [p for byte in data for p in single.feed(bytes((byte,)))] == expected
    assert (single.frames_bad, single.noise_bytes) == (whole.frames_bad, whole.noise_bytes)
    assert whole.partial_bytes < frame_bytes_max(PAYLOAD_BYTES_MAX)


@given(st.binary(max_size=2000), PAYLOADS)
def test_one_delimiter_after_rubbish_is_a_fresh_start(rubbish: bytes, payload: bytes) -> None:
    decoder = FrameDecoder()
    decoder.feed(rubbish + b"\0")
    assert decoder.feed(encode_frame(payload)) == [payload]


def test_noise_costs_at_most_the_frame_it_touches() -> None:
    frames = [encode_frame(bytes((1, n)) + b"abc") for n in range(5)]
    decoder = FrameDecoder()
    assert len(decoder.feed(frames[0] + b"\x55\xaa" + b"".join(frames[1:]))) == 4
    assert decoder.frames_bad == 1
    assert decoder.noise_bytes == len(frames[1]) - 1 + 2


def test_a_partial_frame_never_outgrows_the_longest_legal_one() -> None:
    decoder = FrameDecoder(HOST_PAYLOAD_BYTES_MAX)
    for _ in range(1000):
        decoder.feed(b"\x01" * 1000)
        assert decoder.partial_bytes <= frame_bytes_max(HOST_PAYLOAD_BYTES_MAX)
    assert decoder.frames_bad == 1
    assert decoder.feed(b"\x01\0" + encode_frame(b"\x04\x00")) == [b"\x04\x00"]
    assert decoder.noise_bytes == 1_000_001


def test_empty_frames_are_no_error() -> None:
    decoder = FrameDecoder()
    assert decoder.feed(b"\0\0\0") == []
    assert decoder.frames_bad == 0


def test_a_frame_too_long_for_this_end_is_bad() -> None:
    decoder = FrameDecoder(HOST_PAYLOAD_BYTES_MAX)
    longest = bytes(range(1, HOST_PAYLOAD_BYTES_MAX + 1))
    assert decoder.feed(encode_frame(longest)) == [longest]
    assert decoder.feed(encode_frame(longest + b"\x01")) == []
    assert decoder.frames_bad == 1


@pytest.mark.parametrize("length", [0, 1, PAYLOAD_BYTES_MAX + 1])
def test_a_payload_of_illegal_length_cannot_be_framed(length: int) -> None:
    with pytest.raises(ValueError, match="payload has"):
        encode_frame(b"\x01" * length)


def test_bit_flips_get_through_no_more_often_than_a_16_bit_check_allows() -> None:
    # A random error passes a 16-bit CRC once in 65,536; a burst of up to 16 bits never does
    # (polynomial of degree 16). Three random bits in a frame of 60 bytes, 20,000 times.
    generator = random.Random(20261125)
    passed = 0
    for _ in range(20_000):
        payload = generator.randbytes(60)
        frame = bytearray(encode_frame(payload))
        for bit in generator.sample(range(8 * (len(frame) - 1)), 3):
            frame[bit // 8] ^= 1 << (bit % 8)
        passed += any(p != payload for p in FrameDecoder().feed(bytes(frame)))
    assert passed <= 4
