"""The codec: exact for any codes, small for quiet ones, and damage is told."""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import struct
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from benchrig.errors import LogError
from benchrig.measure.samples import SampleBlock
from benchrig.record.codec import Codec, Packed, pack, unpack
from tests.record.test_log import same_blocks

BYTES_A_SAMPLE_MAX = 0.55
SAMPLE_CODECS = (Codec.DELTA_SHUFFLE, Codec.DELTA_SHUFFLE_ZLIB, Codec.DELTA_NIBBLES_ZLIB)


@st.composite
def streams(draw: st.DrawFn) -> list[SampleBlock]:
    """Blocks of one layout with gaps and odd ticks, codes over the whole 16 bits."""
    inputs = tuple(draw(st.lists(st.integers(0, 255), min_size=1, max_size=5, unique=True)))
    period = draw(st.integers(1, 2**32 - 1))
    block, tick = draw(st.integers(0, 2**20)), draw(st.integers(0, 2**40))
    found = []
    quiet = draw(st.sampled_from((None, st.integers(-3, 4), st.sampled_from((0, 0, 0, 9)))))
    for _ in range(draw(st.integers(1, 6))):
        shape = (draw(st.integers(1, 8)), len(inputs))
        codes = draw(npst.arrays(np.int16, shape, elements=quiet))
        found.append(
            SampleBlock(
                stream=draw(st.just(3)),
                block=block,
                tick=tick,
                inputs=inputs,
                scan_period_ticks=period,
                codes=codes,
            )
        )
        block += 1 + draw(st.sampled_from((0, 0, 1, 60_000)))
        tick += shape[0] * period + draw(st.sampled_from((0, 0, 1, -1, 2**31)))
    return found


@settings(max_examples=200, deadline=None)
@given(streams(), st.sampled_from(SAMPLE_CODECS))
def test_blocks_come_back_exactly(blocks: list[SampleBlock], codec: Codec) -> None:
    packed = pack(blocks, codec)
    assert packed.samples == sum(b.codes.size for b in blocks)
    assert same_blocks(list(unpack(packed)), blocks)


@settings(max_examples=200, deadline=None)
@given(streams())
def test_merged_blocks_hold_every_code_at_its_tick(blocks: list[SampleBlock]) -> None:
    def at(found: list[SampleBlock]) -> list[tuple[int, list[int]]]:
        return [
            (b.tick + k * b.scan_period_ticks, scan.tolist())
            for b in found
            for k, scan in enumerate(b.codes)
        ]

    merged = list(unpack(pack(blocks), merged=True))
    assert at(merged) == at(blocks)
    follows = [
        b.block == a.block + 1 and b.tick == a.tick + len(a.codes) * a.scan_period_ticks
        for a, b in itertools.pairwise(blocks)
    ]
    assert len(merged) == 1 + follows.count(False)


@settings(max_examples=150, deadline=None)
@given(streams(), st.data())
def test_damaged_chunks_are_told_or_read(blocks: list[SampleBlock], data: st.DataObject) -> None:
    packed = pack(blocks)
    raw = bytearray(packed.data)
    raw[data.draw(st.integers(0, len(raw) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    raw = raw[: data.draw(st.integers(0, len(raw)))]
    damaged = dataclasses.replace(packed, data=bytes(raw))
    with contextlib.suppress(LogError):  # any other error fails the test
        list(unpack(damaged))


@given(st.binary(max_size=200), st.sampled_from(SAMPLE_CODECS[1:]))
def test_rubbish_is_no_chunk(data: bytes, codec: Codec) -> None:
    with pytest.raises(LogError, match="cannot be read"):
        list(unpack(Packed(codec, data, 1)))


def one_block(codes: list[list[int]]) -> SampleBlock:
    return SampleBlock(
        stream=1,
        block=7,
        tick=70,
        inputs=(2, 5),
        scan_period_ticks=3,
        codes=np.array(codes, np.int16),
    )


def test_what_stands_apart_decides_how_codes_are_stored() -> None:
    # Steps of 7 and -7 are 14 and 13 folded, the greatest that fit; -8 and 8 are 15 and 16.
    for step, apart in ((7, 0), (-7, 0), (-8, 1), (8, 1), (-32768, 1)):
        codes = [[0, 0] for _ in range(40)]
        for scan in range(20, 40):
            codes[scan][1] = step
        packed = pack([one_block(codes)])
        assert packed.codec is Codec.DELTA_NIBBLES_ZLIB
        body = zlib.decompress(packed.data[23 + 2 :])
        assert struct.unpack_from("<II", body) == (1, apart)
        assert len(body) == 8 + 32 + 2 * apart + 40
        assert same_blocks(list(unpack(packed)), [one_block(codes)])
    loud = one_block([[100 * (scan % 2), 0] for scan in range(40)])
    packed = pack([loud])
    assert packed.codec is Codec.DELTA_SHUFFLE_ZLIB
    assert same_blocks(list(unpack(packed)), [loud])


@pytest.mark.parametrize(
    ("odd", "apart", "nibbles", "blocks"),
    [(1, 0, 2, 1), (1, 2, 2, 1), (1, 1, 3, 1), (1, 1, 1, 1), (1, 1, 2, 5), (2, 1, 2, 1)],
)
def test_a_chunk_that_contradicts_itself_is_told(
    odd: int, apart: int, nibbles: int, blocks: int
) -> None:
    # Well formed with (1, 1, 2, 1): one block of two scans of two inputs, one code apart.
    def packed(odd: int, apart: int, nibbles: int, blocks: int) -> Packed:
        head = struct.pack("<HIqIIB", 1, 0, 0, 3, blocks, 2) + bytes((2, 5))
        body = struct.pack("<II", odd, apart) + struct.pack("<4q", 0, 2, 0, 0) * odd
        body += struct.pack("<H", 900) * apart + (b"\x0f" + bytes(nibbles - 1))
        return Packed(Codec.DELTA_NIBBLES_ZLIB, head + zlib.compress(body), 4)

    (good,) = unpack(packed(1, 1, 2, 1))
    assert good.codes.tolist() == [[450, 0], [450, 0]]
    with pytest.raises(LogError, match="cannot be read"):
        list(unpack(packed(odd, apart, nibbles, blocks)))


@pytest.mark.parametrize("noise_codes", [0.3, 0.5, 1.0, 1.5])
def test_quiet_signals_take_little_room(noise_codes: float) -> None:
    rng = np.random.default_rng(5)
    scans = 10_000  # one second of 4 inputs at 10 kS/s
    time_s = np.arange(scans) / 10_000
    columns = (
        300 + 200 * np.tanh(np.maximum(0.0, time_s - 0.3) * 50),
        np.full(scans, 512.0),
        np.full(scans, 16.0),
        700 - 3 * time_s,
    )
    codes = np.stack([np.round(c + rng.normal(0, noise_codes, scans)) for c in columns], axis=1)
    blocks = [
        SampleBlock(
            stream=1,
            block=k,
            tick=200 * 25 * k,
            inputs=(0, 1, 3, 4),
            scan_period_ticks=200,
            codes=codes[25 * k : 25 * k + 25].astype(np.int16),
        )
        for k in range(scans // 25)
    ]
    packed = pack(blocks)
    assert len(packed.data) / packed.samples <= BYTES_A_SAMPLE_MAX


def test_a_chunk_cannot_fill_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    block = SampleBlock(
        stream=1,
        block=0,
        tick=0,
        inputs=(0,),
        scan_period_ticks=1,
        codes=np.zeros((10_000, 1), np.int16),
    )
    packed = pack([block])
    assert len(packed.data) < 200  # so little can become so much
    monkeypatch.setattr("benchrig.record.codec._BODY_BYTES_MAX", 1000)
    with pytest.raises(LogError, match="does not end"):
        list(unpack(packed))
