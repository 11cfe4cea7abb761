"""Promises about samples: rates, numbering, ticks, packing, live zeros."""

from __future__ import annotations

from itertools import pairwise

from benchrig.bench.conform.probe import NotApplicable, Probe, require
from benchrig.bench.conform.talk import LIVE_ZERO_ROLES
from benchrig.wire.messages import (
    MessageError,
    RefusalReason,
    Samples,
    StatusFlag,
    StopStream,
    Stream,
    Streaming,
)
from benchrig.wire.packing import unpack_codes

_BLOCK_S_MAX = 0.050
_STREAM_S = 0.5
_RATE_US = 1_000


async def rates(probe: Probe) -> str:
    """The least scan period is the inputs times the conversion period, and is stated."""
    mask, count = _all_inputs(probe)
    least_us = count * probe.identity.conversion_period_us_min
    too_high = Stream(inputs_mask=mask, scan_period_us=least_us - 1)
    await probe.must_refuse(too_high, RefusalReason.RATE_TOO_HIGH, least_us)
    if probe.identity.input_count < 16:
        beyond = Stream(inputs_mask=1 << probe.identity.input_count, scan_period_us=1000)
        await probe.must_refuse(beyond, RefusalReason.NO_SUCH_INPUT, probe.identity.input_count)
    for period_us in (least_us, 1_000_000):
        began = await probe.get(Stream(inputs_mask=mask, scan_period_us=period_us), Streaming)
        made_us = began.scan_period_ticks * probe.identity.tick_ns * 1e-3
        require(
            abs(made_us - period_us) <= max(1.0, 0.01 * period_us),
            f"asked for {period_us} µs, it makes {made_us:.1f} µs",
        )
    return f"{count} inputs every {least_us} µs, and no faster"


async def blocks(probe: Probe) -> str:
    """Blocks are numbered from 0 without a gap, stamped by ticks, whole scans, packed."""
    mask, count = _all_inputs(probe)
    period_us = max(_RATE_US, count * probe.identity.conversion_period_us_min)
    began = await probe.get(Stream(inputs_mask=mask, scan_period_us=period_us), Streaming)
    widest = max(info.bits for info in probe.inputs)
    require(began.code_bits == widest, f"codes of {began.code_bits} bits, the widest is {widest}")
    await probe.beating(lambda: False, _STREAM_S)
    status = await probe.beat()
    require(bool(status.flags & StatusFlag.STREAMING), "its flag says nothing streams")
    await probe.do(StopStream())
    await probe.silent(lambda: False, 2 * _BLOCK_S_MAX)
    heard = [b for b in probe.all(Samples) if b.stream == began.stream]
    require(len(heard) >= 3, f"{len(heard)} blocks in {_STREAM_S} s")
    require(
        len(heard) + status.blocks_dropped >= status.blocks_counted,
        f"{status.blocks_counted} blocks counted, {len(heard)} heard",
    )
    require([b.block for b in heard] == list(range(len(heard))), "the blocks are not numbered")
    for block in heard:
        _check_block(probe, block, began, count)
    tolerance_s = max(2 * probe.identity.tick_ns * 1e-9, 0.02e-6 * period_us)
    for before, after in pairwise(heard):
        took_s = probe.seconds_between(before.tick, after.tick)
        scans_s = before.count / count * began.scan_period_ticks * probe.identity.tick_ns * 1e-9
        require(
            abs(took_s - scans_s) <= tolerance_s,
            f"block {after.block} begins {1e6 * (took_s - scans_s):.1f} µs out of step",
        )
    codes = sum(block.count for block in heard)
    return f"{len(heard)} blocks, {codes} codes, no gap"


def _check_block(probe: Probe, block: Samples, began: Streaming, inputs: int) -> None:
    require(block.count % inputs == 0, f"block {block.block} ends within a scan")
    span_s = block.count / inputs * began.scan_period_ticks * probe.identity.tick_ns * 1e-9
    scan_s = began.scan_period_ticks * probe.identity.tick_ns * 1e-9
    require(span_s <= max(_BLOCK_S_MAX, scan_s) + scan_s, f"a block spans {1e3 * span_s:.0f} ms")
    try:
        codes = unpack_codes(block.packed, block.count, began.code_bits)
    except MessageError as error:
        require(False, f"block {block.block}: {error}")
        return
    for place, info in enumerate(probe.inputs):
        require(
            max(codes[place::inputs], default=0) < 1 << info.bits,
            f"input {info.input} has codes of more than {info.bits} bits",
        )


async def live_zeros(probe: Probe) -> str:
    """At rest, with all off and the feed open, currents read near their zero and not dead."""
    chosen = [info for info in probe.inputs if info.role in LIVE_ZERO_ROLES]
    if not chosen:
        raise NotApplicable("the rig has no input with a live zero")
    mask = sum(1 << info.input for info in chosen)
    period_us = max(_RATE_US, len(chosen) * probe.identity.conversion_period_us_min)
    began = await probe.get(Stream(inputs_mask=mask, scan_period_us=period_us), Streaming)
    await probe.beating(lambda: probe.count(Samples) >= 3, 1.0)
    means: dict[int, float] = {}
    heard = [b for b in probe.all(Samples) if b.stream == began.stream]
    require(bool(heard), "no block came")
    codes = [c for b in heard for c in unpack_codes(b.packed, b.count, began.code_bits)]
    for place, info in enumerate(chosen):
        own = codes[place :: len(chosen)]
        means[info.input] = sum(own) / len(own)
        require(
            0.5 * info.zero_code < means[info.input] < info.zero_code + 0.05 * (1 << info.bits),
            f"input {info.input} ({info.role.name}) rests at code {means[info.input]:.1f}, "
            f"its zero is {info.zero_code}",
        )
    return ", ".join(f"input {number}: {mean:.1f}" for number, mean in means.items())


async def replacing(probe: Probe) -> str:
    """A new stream replaces the old and begins at block 0; stopping twice is no error."""
    _all_inputs(probe)
    first = await probe.get(Stream(inputs_mask=1, scan_period_us=_RATE_US), Streaming)
    await probe.beating(lambda: probe.count(Samples) >= 2, 1.0)
    second = await probe.get(Stream(inputs_mask=1, scan_period_us=2 * _RATE_US), Streaming)
    require(second.stream == (first.stream + 1) & 0xFF, "the stream's number did not rise by one")
    await probe.beating(lambda: any(b.stream == second.stream for b in probe.all(Samples)), 1.0)
    streams = [block.stream for block in probe.all(Samples)]
    require(second.stream in streams, "the second stream sent no block")
    at = streams.index(second.stream)
    require(probe.all(Samples)[at].block == 0, "the second stream did not begin at block 0")
    await probe.do(StopStream())
    await probe.do(StopStream())
    await probe.silent(lambda: False, 2 * _BLOCK_S_MAX)
    before = probe.count(Samples)
    await probe.silent(lambda: False, 0.2)
    require(probe.count(Samples) == before, "blocks came after StopStream")
    return f"stream {first.stream}, then {second.stream}, then silence"


def _all_inputs(probe: Probe) -> tuple[int, int]:
    if not probe.inputs:
        raise NotApplicable("the rig has no inputs")
    return (1 << len(probe.inputs)) - 1, len(probe.inputs)
