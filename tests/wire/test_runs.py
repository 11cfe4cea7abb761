"""Runs of frames, against the same bytes taken a frame at a time."""

from __future__ import annotations

import itertools

import pytest
from cobs import cobs
from hypothesis import example, given
from hypothesis import strategies as st

from benchrig.wire.frames import FrameDecoder, crc16, encode_frame
from benchrig.wire.messages import PAYLOAD_BYTES_MAX
from benchrig.wire.runs import RUN_MOST, FrameRun, RunDecoder

PIECES = st.lists(
    st.one_of(
        st.integers(2, 30).flatmap(  # frames of one length, rich in zeros
            lambda size: st.lists(
                st.lists(st.sampled_from([0, 0, 1, 2, 255]), min_size=size, max_size=size).map(
                    lambda values: encode_frame(bytes(values))
                ),
                min_size=1,
                max_size=9,
            ).map(b"".join)
        ),
        st.binary(min_size=2, max_size=PAYLOAD_BYTES_MAX).map(encode_frame),
        st.binary(max_size=12),
        st.just(bytes(3)),
    ),
    max_size=6,
)


def cut(data: bytes, cuts: list[int]) -> list[bytes]:
    edges = sorted({0, len(data), *(c % (len(data) + 1) for c in cuts)})
    return [data[begin:end] for begin, end in itertools.pairwise(edges)]


def singly(parts: list[bytes]) -> tuple[list[bytes], int, int, int]:
    decoder = FrameDecoder()
    found = [payload for part in parts for payload in decoder.feed(part)]
    return found, decoder.frames_bad, decoder.noise_bytes, decoder.partial_bytes


def in_runs(parts: list[bytes]) -> tuple[list[bytes], int, int, int]:
    decoder = RunDecoder()
    found: list[bytes] = []
    for part in parts:
        for item in decoder.feed_runs(part):
            found += item.payloads() if isinstance(item, FrameRun) else [item]
    return found, decoder.frames_bad, decoder.noise_bytes, decoder.partial_bytes


@given(PIECES, st.lists(st.integers(0, 1 << 16), max_size=4), st.integers(0, 1 << 20))
@example([encode_frame(b"ab") * 3], [], 0)
def test_runs_hold_what_single_frames_hold(pieces: list[bytes], cuts: list[int], at: int) -> None:
    data = bytearray(b"".join(pieces))
    assert in_runs(cut(bytes(data), cuts)) == singly(cut(bytes(data), cuts))
    if data:  # and with one bit turned over somewhere
        data[at // 8 % len(data)] ^= 1 << at % 8
        assert in_runs(cut(bytes(data), cuts)) == singly(cut(bytes(data), cuts))


@pytest.mark.parametrize("place", range(3 * 24))
def test_a_damaged_frame_costs_itself_and_no_other(place: int) -> None:
    payloads = [bytes([192, n, 0, 7, 0, 0, *range(14)]) for n in range(3)]
    data = bytearray(b"".join(map(encode_frame, payloads)))
    assert len(data) == 3 * 24
    data[place] = data[place] % 255 + 1  # to another that is not zero
    found, bad, noise, _ = in_runs([bytes(data)])
    lost = place // 24
    if place == 71:
        assert (found, bad, noise) == (payloads[:2], 0, 0)  # not ended yet
    elif place % 24 == 23:  # two have become one
        assert (found, bad, noise) == (payloads[:lost] + payloads[lost + 2 :], 1, 47)
    else:
        assert (found, bad, noise) == (payloads[:lost] + payloads[lost + 1 :], 1, 23)


def test_what_stands_together_comes_together_whatever_its_length() -> None:
    for size in (2, 100, PAYLOAD_BYTES_MAX):
        frame = encode_frame(bytes([size]) * size)
        (run,) = RunDecoder().feed_runs(frame * 9)
        assert isinstance(run, FrameRun)
        assert (run.count, run.size, set(run.payloads())) == (9, size, {bytes([size]) * size})
        assert run.column(1) == bytes([size]) * 9
    runs = RunDecoder().feed_runs(encode_frame(b"xy") * (2 * RUN_MOST + 1))
    assert [r.count if isinstance(r, FrameRun) else r for r in runs] == [
        RUN_MOST,
        RUN_MOST,
        b"xy",
    ]


def test_a_frame_that_runs_into_the_next_is_none() -> None:
    # Stuffed as one, so that the first one's chain of zeros passes the end of its frame: taken
    # together, both payloads are there and check out, but neither stands in a frame of its own.
    one, two = (payload + crc16(payload).to_bytes(2, "little") for payload in (b"abcd", b"efgh"))
    stuffed = cobs.encode(one + b"x" + two)
    half = len(stuffed) // 2
    data = stuffed[:half] + b"\0" + stuffed[half:] + b"\0"
    assert len(one) + 1 == half
    assert in_runs([data]) == singly([data]) == ([], 2, 14, 0)
