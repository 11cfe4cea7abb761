"""Tests of the rig: every vector of the document, conversations, physics, sins. Run by pytest."""

from __future__ import annotations

import os
import random
import socket
import threading
import time
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import exp
from pathlib import Path

import pytest

from .client import Client
from .codec import (
    HOST_READS_BYTES,
    LAYOUTS,
    RIG_READS_BYTES,
    Fields,
    FrameReader,
    ResetCause,
    cobs_decode,
    cobs_encode,
    crc16,
    crc16_by_definition,
    message,
    pack_codes,
    understand,
    unpack_codes,
)
from .config import RigConfig, document, largest, modest, smallest
from .physics import Bench, BenchConfig, Part
from .rig import StrangerRig
from .schedule import Schedule, Step, legs
from .server import Server
from .sins import CATALOGUE, parse

NAME = "firmware_protocol.md"


def _document() -> Path:
    """Find the protocol document: by the environment, or in a folder above."""
    named = os.environ.get("STRANGER_PROTOCOL")
    if named:
        return Path(named)
    for folder in Path(__file__).resolve().parents:
        for place in (folder / NAME, folder / "docs" / NAME, folder / "doc" / NAME):
            if place.is_file():
                return place
    raise FileNotFoundError(f"{NAME} is not above this folder; set STRANGER_PROTOCOL")


@dataclass
class Vector:
    """One vector block: its kind, what stands behind it, and its lines."""

    kind: str
    title: str
    fields: dict[str, str] = field(default_factory=dict)
    setup: list[str] = field(default_factory=list)


def _vectors() -> list[Vector]:
    found: list[Vector] = []
    inside = False
    for line in _document().read_text(encoding="utf-8").splitlines():
        if line.startswith("```"):
            inside = line == "```vector"
            fresh = inside
            continue
        if not inside or not line:
            continue
        word, _, rest = line.partition(" ")
        if fresh:
            found.append(Vector(word, rest))
            fresh = False
        elif word == "setup":
            found[-1].setup.append(rest)
        else:
            found[-1].fields[word] = rest
    return found


VECTORS = _vectors()


def _of(kind: str) -> list[Vector]:
    return [v for v in VECTORS if v.kind == kind]


def _named(vector: Vector) -> str:
    return f"{vector.title} {vector.fields.get('when', '')}".strip()


def _reader(ident: int) -> FrameReader:
    return FrameReader(RIG_READS_BYTES if ident < 0x80 else HOST_READS_BYTES)


# -- the vectors ------------------------------------------------------------------------------


def test_the_document_has_the_vectors_that_are_expected() -> None:
    """Check: the document has the vectors that are expected."""
    counts = {k: len(_of(k)) for k in ("valid", "bad", "nonsense", "refused")}
    assert counts["valid"] >= 27 and counts["bad"] >= 11
    assert counts["nonsense"] >= 11 and counts["refused"] >= 40
    assert sum(counts.values()) == len(VECTORS)


@pytest.mark.parametrize("vector", _of("valid"), ids=_named)
def test_valid_vector(vector: Vector) -> None:
    """Check: valid vector."""
    wanted = bytes.fromhex(vector.fields["frame"])
    layout = LAYOUTS[vector.title]
    fields: Fields = {n: int(vector.fields[n]) for n in layout.fields}
    if layout.tail:
        fields[layout.tail] = bytes.fromhex(vector.fields[layout.tail])
    sequence = int(vector.fields["sequence"])
    assert message(vector.title, sequence, fields) == wanted
    whole = _reader(layout.ident).feed(wanted + b"\x13\x37\x00\x55")
    assert len(whole) == 1 and whole[0][:2] == bytes((layout.ident, sequence))
    assert layout.unpack(whole[0][2:-2]) == fields
    bytewise = _reader(layout.ident)
    heard = [bytewise.feed(bytes((byte,))) for byte in wanted]
    assert not any(heard[:-1]) and len(heard[-1]) == 1 and bytewise.bad == 0
    for bit in range(8 * len(wanted)):
        flipped = bytearray(wanted)
        flipped[bit // 8] ^= 1 << bit % 8
        assert not _reader(layout.ident).feed(bytes(flipped)), bit


@pytest.mark.parametrize("vector", _of("bad"), ids=_named)
def test_bad_vector(vector: Vector) -> None:
    """Check: bad vector."""
    data, count = bytes.fromhex(vector.fields["frame"]), int(vector.fields["counts"])
    if vector.fields["to"] == "host":
        reader = FrameReader(HOST_READS_BYTES)
        assert not reader.feed(data) and reader.bad == count
        return
    rig = StrangerRig()
    assert rig.receive(data, 1000) == b""
    assert Client(rig, 1000).expect("Status", "ReadStatus")["frames_bad"] == count


@pytest.mark.parametrize("vector", _of("nonsense"), ids=_named)
def test_nonsense_vector(vector: Vector) -> None:
    """Check: nonsense vector."""
    payloads = FrameReader(HOST_READS_BYTES).feed(bytes.fromhex(vector.fields["frame"]))
    assert len(payloads) == 1 and understand(payloads[0][:-2]) is None


@pytest.mark.parametrize("vector", _of("refused"), ids=_named)
def test_refused_vector(vector: Vector) -> None:
    """Check: refused vector."""
    rig, now_us = StrangerRig(), 1000
    for line in vector.setup:
        now_us += 500
        if line == "break":
            rig.break_condition(now_us)
            continue
        data = rig.receive(bytes.fromhex(line), now_us)
        told = understand(FrameReader(HOST_READS_BYTES).feed(data)[0][:-2])
        assert told is not None and told[0] in ("Accepted", "Status"), line
    data = rig.receive(bytes.fromhex(vector.fields["request"]), now_us + 500)
    assert data == bytes.fromhex(vector.fields["answer"])


# -- frames -----------------------------------------------------------------------------------


def test_crc_check_value_and_fast_form() -> None:
    """Check: crc check value and fast form."""
    assert crc16_by_definition(b"123456789") == 0x29B1
    draw = random.Random(5)
    for size in range(300):
        data = draw.randbytes(size)
        assert crc16(data) == crc16_by_definition(data)


@pytest.mark.parametrize(
    ("plain", "coded"),
    [
        (b"", b"\x01"),
        (b"\0", b"\x01\x01"),
        (b"\0\0", b"\x01\x01\x01"),
        (b"\x11\x22\0\x33", b"\x03\x11\x22\x02\x33"),
        (b"\x11\0\0\0", b"\x02\x11\x01\x01\x01"),
        (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255))),
        (b"\0" + bytes(range(1, 255)), b"\x01\xff" + bytes(range(1, 255))),
        (bytes(range(1, 256)), b"\xff" + bytes(range(1, 255)) + b"\x02\xff"),
        (bytes(range(2, 256)) + b"\0", b"\xff" + bytes(range(2, 256)) + b"\x01\x01"),
    ],
)
def test_cobs_published_examples(plain: bytes, coded: bytes) -> None:
    """Check: cobs published examples."""
    assert cobs_encode(plain) == coded and cobs_decode(coded) == plain


def test_cobs_round_trip_and_codes_round_trip() -> None:
    """Check: cobs round trip and codes round trip."""
    draw = random.Random(6)
    for size in range(600):
        data = bytes(draw.choice((0, 1, 255)) for _ in range(size))
        coded = cobs_encode(data)
        assert 0 not in coded and cobs_decode(coded) == data
    for bits in range(1, 16):
        codes = [draw.randrange(1 << bits) for _ in range(77)]
        assert unpack_codes(pack_codes(codes, bits), bits, 77) == codes


def test_a_partial_frame_too_long_is_given_up_at_once_and_the_next_is_read() -> None:
    """Check: a partial frame too long is given up at once and the next is read."""
    reader = FrameReader(RIG_READS_BYTES)
    assert not reader.feed(b"\x07" * 36) and reader.bad == 1
    assert not reader.feed(b"\x07" * 500 + b"\0") and reader.bad == 1
    assert len(reader.feed(message("Heartbeat", 5, {}))) == 1 and reader.bad == 1


# -- conversations ----------------------------------------------------------------------------


def _ready(config: RigConfig | None = None) -> Client:
    client = Client(StrangerRig(config), 1000)
    client.expect("Identity", "Hello", protocol_major=1, protocol_minor=7)
    client.expect("Status", "Heartbeat")
    client.beat_every_us = 100_000
    return client


def _run(client: Client, steps: list[tuple[int, int, int]], repeats: int = 1) -> None:
    """Load, close the feed, run to the end and a little further."""
    assert client.load(7, steps, repeats)[0] == "Accepted"
    assert client.ask("CloseFeed")[0] == "Accepted"
    assert client.ask("Start", schedule_id=7)[0] == "Accepted"
    last = repeats - 1
    span = repeats * sum(d + last * max(0, c) for _, d, c in steps)
    client.wait(span + 60_000)


def test_conversation_of_section_two() -> None:
    """Check: conversation of section two."""
    client = _ready()
    identity = client.expect("Identity", "Hello", protocol_major=1, protocol_minor=0)
    for number in range(identity["output_count"]):
        assert client.expect("OutputInfo", "DescribeOutput", output=number)["output"] == number
    for number in range(identity["input_count"]):
        info = client.expect("InputInfo", "DescribeInput", input=number)
        assert info["zero_code"] > 0 or info["role"] not in (2, 3, 4, 5)
    streaming = client.expect("Streaming", "Stream", inputs_mask=10, scan_period_us=100)
    assert (streaming["stream"], streaming["scan_period_ticks"]) == (1, 200)
    assert client.load(7, [(1, 2500, 0), (0, 7500, 0)], 100)[0] == "Accepted"
    closed = client.expect("Accepted", "CloseFeed")["tick"]
    promised = client.expect("Accepted", "Start", schedule_id=7)["tick"]
    client.wait(1_100_000)
    edges = client.all("Edge")
    assert [e["edge"] for e in edges] == list(range(201))
    assert (edges[0]["cause"], edges[0]["tick"]) == (4, closed)
    first = edges[1]["tick"]
    assert 0 <= first - promised <= 2000 and first >= closed + 40_000
    for k in range(100):
        assert edges[1 + 2 * k]["tick"] == first + 20_000 * k
        assert edges[2 + 2 * k]["tick"] == first + 20_000 * k + 5000
        assert (edges[1 + 2 * k]["outputs_mask"], edges[2 + 2 * k]["outputs_mask"]) == (1, 0)
    done = client.all("Finished")
    assert done == [{"schedule_id": 7, "repeats_done": 100, "tick": first + 2_000_000}]
    client.expect("Accepted", "OpenFeed")
    assert client.all("Edge")[-1]["cause"] == 4
    client.wait(20_000)
    status = client.expect("Status", "ReadStatus")
    assert status["state"] == 1 and status["flags"] & 3 == 0 and status["outputs_readback"] == 0


def test_unasked_numbers_and_blocks_have_no_gap_and_blocks_come_in_time() -> None:
    """Check: unasked numbers and blocks have no gap and blocks come in time."""
    client = _ready()
    client.expect("Streaming", "Stream", inputs_mask=0x7F, scan_period_us=9000)
    _run(client, [(1, 2500, 0), (0, 7500, 0)], 30)
    unasked = [(n, k, f) for n, k, f in client.heard if LAYOUTS[n].ident >= 0xC0]
    assert [k for _, k, _ in unasked] == [n & 0xFF for n in range(len(unasked))]
    blocks = client.all("Samples")
    assert [b["block"] for b in blocks] == list(range(len(blocks))) and len(blocks) > 5
    for before, after in pairwise(blocks):
        assert after["tick"] - before["tick"] == before["count"] // 7 * 18_000 <= 100_000


@pytest.mark.parametrize(
    ("period_us", "late_us"), [(100, 50_000), (9000, 50_000), (200_000, 200_000)]
)
def test_blocks_come_in_time(period_us: int, late_us: int) -> None:
    """Check that a block is sent 50 ms after its first conversion, or after one long scan."""
    client = _ready()
    client.expect("Streaming", "Stream", inputs_mask=10, scan_period_us=period_us)
    client.wait(1_500_000)
    lateness = [
        at_us - int(fields["tick"]) // 2
        for (name, _, fields), at_us in zip(client.heard, client.times_us, strict=True)
        if name == "Samples"
    ]
    assert len(lateness) >= 7 and min(lateness) >= 0 and max(lateness) <= late_us


def test_the_pulled_cable() -> None:
    """Check: the pulled cable."""
    client = _ready()
    assert client.load(7, [(1, 2500, 0), (0, 7500, 0)], 1000)[0] == "Accepted"
    client.expect("Accepted", "CloseFeed")
    client.expect("Accepted", "Start", schedule_id=7)
    client.wait(500_000)
    client.beat_every_us = None
    beat = [k for n, _, k in client.heard if n == "Status"][-1]["tick"]
    client.wait(300_000)
    fault = client.all("Fault")
    assert fault == [{"fault": 1, "detail": 0, "tick": fault[0]["tick"]}]
    assert isinstance(beat, int) and fault[0]["tick"] - beat == 500_000
    assert client.all("Edge")[-1]["cause"] == 4 and not client.all("Finished")
    identity = client.expect("Identity", "Hello", protocol_major=1, protocol_minor=0)
    assert identity["fault"] == 1
    assert client.expect("Refused", "Start", schedule_id=7)["reason"] == 17
    status = client.expect("Status", "ReadStatus")
    assert (status["state"], status["fault_tick"]) == (3, fault[0]["tick"])
    assert client.expect("Refused", "ClearFault", fault=3)["reason"] == 3
    client.expect("Accepted", "ClearFault", fault=1)
    assert client.expect("Status", "ReadStatus")["schedule_id"] == 7


def test_a_repeat_is_answered_and_not_carried_out() -> None:
    """Check: a repeat is answered and not carried out."""
    rig = StrangerRig()
    beat = message("Heartbeat", 9, {})
    first = rig.receive(beat, 1000)
    assert rig.receive(beat, 200_000) == first
    client = Client(rig, 300_000)
    assert client.expect("Refused", "CloseFeed")["detail"] == 299_000
    hello = message("Hello", 1, {"protocol_major": 1, "protocol_minor": 0})
    assert rig.receive(hello, 300_100) == rig.receive(hello, 300_200)
    assert rig.receive(beat, 300_300) != first


def test_alloff_and_openfeed_in_every_state() -> None:
    """Check: alloff and openfeed in every state."""
    client = _ready()
    assert client.load(3, [(1, 50_000, 0), (0, 50_000, 0)], 9)[0] == "Accepted"
    client.expect("Accepted", "CloseFeed")
    client.expect("Accepted", "Start", schedule_id=3)
    client.wait(40_000)
    assert client.expect("Status", "ReadStatus")["outputs_readback"] == 1
    client.expect("Accepted", "AllOff")
    status = client.expect("Status", "ReadStatus")
    assert (status["state"], status["flags"] & 1, status["outputs_readback"]) == (1, 1, 0)
    client.rig.break_condition(client.now_us)
    for name in ("AllOff", "OpenFeed", "StopStream"):
        client.expect("Accepted", name)
    assert client.expect("Status", "ReadStatus")["fault"] == 5


@pytest.mark.parametrize(
    ("cause", "fault"),
    [(ResetCause.WATCHDOG, 4), (ResetCause.BROWN_OUT, 6), (ResetCause.EXTERNAL, 0),
     (ResetCause.POWER_ON, 0), (ResetCause.UNKNOWN, 7)],
)  # fmt: skip
def test_reset_at_work(cause: ResetCause, fault: int) -> None:
    """Check: reset at work."""
    client = _ready()
    before = client.expect("Status", "ReadStatus")["boot_count"]
    client.expect("Accepted", "CloseFeed")
    client.wait(30_000)
    assert client.rig.bench.contact()
    client.rig.reset(client.now_us, cause)
    client.wait(10_000)
    status = client.expect("Status", "ReadStatus")
    assert (status["boot_count"], status["fault"]) == (before + 1, fault)
    assert status["flags"] == 0 and status["tick"] == 20_000 and not client.rig.bench.contact()


def test_over_current_trips_and_a_healthy_part_does_not() -> None:
    """Check: over current trips and a healthy part does not."""
    short = replace(BenchConfig(), parts=(Part(ohm_20=0.4, henry=0.001),))
    client = _ready(replace(document(), bench=short))
    _run(client, [(1, 30_000, 0), (0, 1000, 0)])
    (fault,) = client.all("Fault")
    on = [e for e in client.all("Edge") if e["outputs_mask"] == 1]
    assert fault["fault"] == 3 and fault["detail"] == 0
    assert 600 < fault["tick"] - on[0]["tick"] < 6000
    healthy = _ready()
    _run(healthy, [(1, 30_000, 0), (0, 1000, 0)])
    assert not healthy.all("Fault") and len(healthy.all("Finished")) == 1


def test_ceiling_timer_is_independent_of_the_check_at_commit() -> None:
    """Check: ceiling timer is independent of the check at commit."""
    limited = replace(document(), outputs=(replace(document().outputs[0], on_us_max=20_000),))
    client = _ready(limited.sinning("commit_unchecked"))
    _run(client, [(1, 60_000, 0), (0, 1000, 0)])
    (fault,) = client.all("Fault")
    edges = client.all("Edge")
    assert fault["fault"] == 2 and 40_000 < fault["tick"] - edges[1]["tick"] <= 40_200


def test_low_current_source_measures_the_cold_resistance() -> None:
    """Check: low current source measures the cold resistance."""
    client = _ready()
    assert client.load(5, [(0x101, 100_000, 0), (0, 1000, 0)], 1)[0] == "Accepted"
    client.expect("Streaming", "Stream", inputs_mask=0x24, scan_period_us=200)
    client.expect("Accepted", "Start", schedule_id=5)
    client.wait(90_000)
    infos = [client.expect("InputInfo", "DescribeInput", input=n) for n in (2, 5)]
    volts = []
    for codes, info in zip(client.codes(2, 12), infos, strict=True):
        late = codes[-100:]
        mean = sum(late) / len(late) - info["zero_code"]
        volts.append(mean * info["full_scale"] / 2 ** info["bits"])
    wanted = client.rig.bench.coils[0].part.ohm_20 * (1 + 0.00393 * 1.7)
    assert volts[0] / volts[1] * 33.0 == pytest.approx(wanted, rel=0.004)


def test_durations_are_rounded_to_the_grid_without_drift() -> None:
    """Check: durations are rounded to the grid without drift."""
    config = modest()
    steps = {
        0: Step(b"", 2, 100_400, 0),
        1: Step(b"", 0, 60_700, 0),
    }
    run = list(legs(Schedule(1, 2, 3, steps), config, 500, False))
    assert [leg.begin for leg in run] == [500, 100_500, 161_500, 261_500, 322_500, 422_500]


# -- physics ----------------------------------------------------------------------------------


def test_coil_rises_as_a_runge_kutta_integration_says() -> None:
    """Check: coil rises as a runge kutta integration says."""
    part = Part(ohm_20=2.35, henry=0.0021, knee_a=3.2, saturated_henry=0.0009)
    config = replace(BenchConfig(), parts=(part,), feed_bounces_s=())
    bench = Bench(config, 1, [(True, 36.0)], 33.0)
    bench.drive_feed(True)
    while bench.time_s < 0.02:
        bench.step(0.02)
    bench.switches = 1
    ohm = 2.35 * (1 + 0.00393 * 1.7)
    loop = 0.055 + 0.012 + 0.06 + 0.028 + 0.05 + ohm

    def slope(a: float, on: bool) -> float:
        drive = 13.6 - (0.0 if on else 36.0)
        drop = loop if on else loop - 0.028
        return (drive - drop * a) / (0.0009 if a > 3.2 else 0.0021)

    amps, dt, worst = 0.0, 1e-6, 0.0
    for k in range(6000):
        on = k < 4000
        if k == 4000:
            bench.switches = 0
        bench_until = 0.02 + (k + 1) * dt
        k1 = slope(amps, on)
        k2 = slope(amps + k1 * dt / 2, on)
        amps = max(0.0, amps + k2 * dt)
        while bench.time_s < bench_until:
            bench.step(bench_until)
        worst = max(worst, abs(bench.coils[0].current_a - amps))
    assert amps == 0.0 and worst < 0.02


def test_feed_opened_with_current_goes_round_by_the_catch_diode() -> None:
    """Check: feed opened with current goes round by the catch diode."""
    config = replace(BenchConfig(), parts=(Part(),), feed_bounces_s=())
    bench = Bench(config, 1, [(True, 36.0)], 33.0)
    bench.drive_feed(True)
    bench.switches = 1
    while bench.time_s < 0.1:
        bench.step(0.1)
    bench.drive_feed(False)
    while bench.time_s < 0.1 + config.feed_open_s:
        bench.step(0.1 + config.feed_open_s)
    begin = bench.coils[0].current_a
    ohm = bench.coils[0].ohm() + 0.06 + 0.05 + 0.028 + 0.02
    while bench.time_s < 0.1 + config.feed_open_s + 0.0005:
        bench.step(0.1 + config.feed_open_s + 0.0005)
    end = -0.74 / ohm
    wanted = end + (begin - end) * exp(-ohm / 0.0125 * 0.0005)
    assert begin > 0.9 and bench.coils[0].current_a == pytest.approx(wanted, rel=1e-4)


def test_samples_are_the_same_however_time_is_cut() -> None:
    """Check: samples are the same however time is cut."""

    def codes(step_us: int) -> list[list[int]]:
        client = _ready()
        client.expect("Streaming", "Stream", inputs_mask=10, scan_period_us=100)
        client.load(7, [(1, 2500, 0), (0, 7500, 0)], 4)
        client.expect("Accepted", "CloseFeed")
        client.expect("Accepted", "Start", schedule_id=7)
        until = client.now_us + 90_000
        while client.now_us < until:
            client.now_us += step_us
            client.take(client.rig.advance(client.now_us))
        return client.codes(2, 10)

    one, other = codes(90_000), codes(370)
    size = min(len(one[0]), len(other[0]))
    assert size > 600
    for a, b in zip(one, other, strict=True):
        assert sum(abs(x - y) > 1 for x, y in zip(a[:size], b[:size], strict=True)) == 0


def test_part_voltage_and_current_while_on() -> None:
    """Check: part voltage and current while on."""
    client = _ready()
    client.expect("Streaming", "Stream", inputs_mask=11, scan_period_us=100)
    _run(client, [(4, 60_000, 0), (0, 30_000, 0)])
    supply, part, current = client.codes(3, 10)
    first = next(k for k, code in enumerate(current) if code > 24)
    steady = slice(first + 500, first + 590)
    amps = (sum(current[steady]) / 90 - 16) * 10 / 1024
    volts = (sum(part[steady]) / 90 - 20) * 32 / 1024
    source = sum(supply[steady]) / 90 * 24 / 1024
    assert volts / amps == pytest.approx(27.5, rel=0.04) and source == pytest.approx(13.58, abs=0.1)
    assert min(part) == 0 and sum(current[-50:]) / 50 == pytest.approx(16, abs=0.5)


def test_faster_than_real_time() -> None:
    """Check: faster than real time."""
    client = _ready()
    client.expect("Streaming", "Stream", inputs_mask=10, scan_period_us=100)
    client.load(7, [(1, 2500, 0), (0, 97_500, 0)], 100)
    client.expect("Accepted", "CloseFeed")
    client.expect("Accepted", "Start", schedule_id=7)
    rig, now_us = client.rig, client.now_us
    begin, beat, count = time.process_time(), now_us, 0
    while now_us < 6_000_000:
        now_us = max(now_us + 1, min(rig.next_due_us() or beat, beat + 100_000))
        rig.advance(now_us)
        if now_us >= beat + 100_000:
            beat, count = now_us, count + 1
            rig.receive(message("Heartbeat", 100 + count, {}), now_us)
    assert 6.0 / (time.process_time() - begin) > 15  # a quarter of what was measured


# -- other rigs -------------------------------------------------------------------------------


def test_the_smallest_rig_runs_a_schedule() -> None:
    """Check: the smallest rig runs a schedule."""
    client = _ready(smallest())
    identity = client.expect("Identity", "Hello", protocol_major=1, protocol_minor=0)
    assert (identity["output_count"], identity["input_count"]) == (1, 0)
    assert client.expect("Refused", "Stream", inputs_mask=1, scan_period_us=100)["reason"] == 6
    assert client.load(2, [(0, 500, 0)], 3)[0] == "Accepted"


def test_the_modest_and_the_largest_rig_run_and_sample() -> None:
    """Check: the modest and the largest rig run and sample."""
    for config, mask, width in ((modest(), 0x1F, 5), (largest(), 0xFFFF, 16)):
        client = _ready(config)
        bits = client.expect("Streaming", "Stream", inputs_mask=mask, scan_period_us=500)
        _run(client, [(1, 60_000, 0), (0, 60_000, 0), (2, 60_000, 0), (0, 60_000, 0)])
        assert len(client.all("Finished")) == 1 and client.nonsense == 0
        codes = client.codes(width, bits["code_bits"])
        assert max(codes[0]) > codes[0][0] + 100 and max(codes[1]) > codes[1][0] + 30


def test_a_full_line_drops_blocks_counts_them_and_loses_nothing_else() -> None:
    """Check: a full line drops blocks counts them and loses nothing else."""
    client = _ready(replace(document(), line_bytes_per_s=20_000))
    client.expect("Streaming", "Stream", inputs_mask=10, scan_period_us=100)
    _run(client, [(1, 2500, 0), (0, 7500, 0)], 100)
    status = client.expect("Status", "ReadStatus")
    blocks = client.all("Samples")
    assert status["blocks_dropped"] > 10
    assert status["blocks_counted"] == len(blocks) + status["blocks_dropped"]
    assert [e["edge"] for e in client.all("Edge")] == list(range(201))


# -- sins -------------------------------------------------------------------------------------


class Session:
    """A session that touches nearly everything, deaf to what the rig says."""

    def __init__(self, *sins: str) -> None:
        """Power a rig that has these sins."""
        self.rig = StrangerRig(document().sinning(*sins))
        self.data, self.now_us, self.sequence = b"", 1000, 0

    def say(self, name: str, **fields: int) -> None:
        """Send a request with the next number."""
        self.sequence = (self.sequence + 1) & 0xFF
        self.data += self.rig.receive(message(name, self.sequence, dict(fields)), self.now_us)

    def wait(self, span_us: int, silent: bool = False) -> None:
        """Let time pass, with heartbeats unless silent."""
        until = self.now_us + span_us
        while self.now_us < until:
            self.now_us = min(until, self.now_us + 50_000)
            self.data += self.rig.advance(self.now_us)
            if not silent:
                self.say("Heartbeat")

    def load(self, ident: int, mask: int, on_us: int, off_us: int, repeats: int) -> None:
        """Load a schedule of one on-time and commit it."""
        self.say("ScheduleBegin", schedule_id=ident, step_count=2, repeat_count=repeats)
        body = b""
        for step, (outputs, span_us) in enumerate(((mask, on_us), (0, off_us))):
            one = {"schedule_id": ident, "step": step, "outputs_mask": outputs,
                   "duration_us": span_us, "change_us": 0}  # fmt: skip
            body += LAYOUTS["ScheduleStep"].pack(dict(one))
            self.say("ScheduleStep", **one)
        self.say("ScheduleCommit", schedule_id=ident, steps_crc=crc16(body))

    def first_half(self) -> None:
        """Describe, measure the cold resistance, run pulses, repeat a request."""
        self.say("Hello", protocol_major=1, protocol_minor=0)
        self.say("CloseFeed")
        for number in range(7):
            self.say("DescribeInput", input=number)
        self.say("DescribeOutput", output=0)
        self.say("Heartbeat")
        self.say("Stream", inputs_mask=0x7F, scan_period_us=400)
        self.load(4, 1, 11_000_000, 1000, 1)
        self.load(4, 1, 50, 1000, 1)
        self.load(5, 0x101, 40_000, 10_000, 1)
        self.say("Start", schedule_id=5)
        self.wait(70_000)
        self.say("CloseFeed")
        self.say("Start", schedule_id=5)
        self.load(7, 1, 2500, 7500, 15)
        self.say("Start", schedule_id=7)
        self.wait(80_000)
        self.say("ReadStatus")
        repeat = message("ReadStatus", self.sequence, {})
        self.data += self.rig.receive(repeat, self.now_us + 200)
        self.wait(120_000)

    def second_half(self) -> None:
        """End runs by AllOff, OpenFeed and silence; clear the fault; reset at work."""
        self.load(8, 1, 500_000, 7500, 2)
        self.say("Start", schedule_id=8)
        self.wait(30_000)
        self.say("AllOff")
        self.wait(10_000)
        self.say("OpenFeed")
        self.wait(50_000)
        self.say("CloseFeed")
        self.say("Start", schedule_id=8)
        self.wait(40_000)
        self.say("OpenFeed")
        self.wait(50_000)
        self.say("CloseFeed")
        self.wait(50_000)
        self.say("Start", schedule_id=8)
        self.wait(600_000, silent=True)
        for name in ("ReadStatus", "CloseFeed", "Heartbeat", "CloseFeed"):
            self.say(name)
        self.say("ClearFault", fault=3)
        self.say("ClearFault", fault=1)
        self.wait(2000)
        self.say("CloseFeed")
        self.wait(40_000)
        self.data += self.rig.reset(self.now_us, ResetCause.WATCHDOG)
        self.say("Hello", protocol_major=1, protocol_minor=0)
        self.say("ReadStatus")


def _traffic(*sins: str) -> bytes:
    """Return all bytes the rig sends in the session."""
    session = Session(*sins)
    session.first_half()
    session.second_half()
    return session.data


@pytest.fixture(scope="module", name="honest")
def _honest() -> bytes:
    return _traffic()


def test_the_standard_session_is_the_same_twice(honest: bytes) -> None:
    """Check: the standard session is the same twice."""
    assert _traffic() == honest


MOMENTS = {
    "inputs_replay": "@500000", "inputs_frozen": "@300000", "input_frozen": "@300000",
    "reset_watchdog": "@400000", "reset_brown_out": "@400000", "reset_external": "@400000",
    "output_welded": "@last-off", "output_stuck": "@last-off", "stream_stops": "@300000",
    "clock_jump_ticks": "@300000", "aux_open": "@feed-open",
}  # fmt: skip
ELSEWHERE = frozenset({"trip_ignored", "feed_kept_on_fault", "gate_echoes"})


@pytest.mark.parametrize("name", sorted(set(CATALOGUE) - ELSEWHERE))
def test_every_sin_changes_what_is_heard(name: str, honest: bytes) -> None:
    """Check: every sin changes what is heard."""
    assert _traffic(name + MOMENTS.get(name, "")) != honest


@pytest.mark.parametrize(
    "idle", ["mute=62", "noise_times=1", "current_times=1", "inputs_full@source"]
)
def test_a_sin_that_does_nothing_changes_nothing(idle: str, honest: bytes) -> None:
    """The control of the test above: only the sin itself may make the difference."""
    differs = _traffic(idle) != honest
    assert differs == idle.endswith("@source")


def test_gate_echoes_hides_an_output_that_is_stuck() -> None:
    """Check: gate echoes hides an output that is stuck."""
    for sins, told in ((("output_stuck",), 1), (("output_stuck", "gate_echoes"), 0)):
        client = _ready(document().sinning(*sins))
        _run(client, [(1, 2500, 0), (0, 7500, 0)])
        assert client.expect("Status", "ReadStatus")["outputs_readback"] == told
        assert client.rig.bench.coils[0].current_a > 0.8


def test_feed_kept_on_fault_conducts_and_says_open() -> None:
    """Check: feed kept on fault conducts and says open."""
    client = _ready(document().sinning("feed_kept_on_fault"))
    client.expect("Accepted", "CloseFeed")
    client.wait(30_000)
    client.rig.break_condition(client.now_us)
    client.wait(30_000)
    assert client.expect("Status", "ReadStatus")["flags"] & 3 == 0
    assert client.rig.bench.contact()


def test_ignored_trip() -> None:
    """Check: ignored trip."""
    short = replace(BenchConfig(), parts=(Part(ohm_20=0.4, henry=0.001),))
    client = _ready(replace(document(), bench=short).sinning("trip_ignored"))
    _run(client, [(1, 30_000, 0), (0, 1000, 0)])
    assert not client.all("Fault") and len(client.all("Finished")) == 1


@pytest.mark.parametrize("name", ["common_frozen", "common_replay", "common_live_zero"])
def test_common_cause_heats_the_part_behind_a_clean_status(name: str) -> None:
    """Check: common cause heats the part behind a clean status."""
    client = _ready(document().sinning(name))
    client.expect("Streaming", "Stream", inputs_mask=10, scan_period_us=100)
    _run(client, [(1, 2500, 0), (0, 7500, 0)], 20)
    assert len(client.all("Finished")) == 1
    client.expect("Accepted", "OpenFeed")
    client.wait(200_000)
    status = client.expect("Status", "ReadStatus")
    assert status["outputs_readback"] == 0 and status["flags"] & 3 == 0
    assert client.rig.bench.coils[0].current_a > 0.8
    codes = client.codes(2, 10)[1][-100:]
    assert len(set(codes)) == 1 if name == "common_frozen" else max(codes) < 20


def _amps(client: Client) -> float:
    return client.rig.bench.coils[0].current_a


def _sampled(*sins: str, repeats: int = 1, scan_us: int = 100) -> tuple[Client, list[list[int]]]:
    """Run 2.5 ms pulses with these sins; return the codes of part voltage and current."""
    client = _ready(document().sinning(*sins))
    client.expect("Streaming", "Stream", inputs_mask=10, scan_period_us=scan_us)
    _run(client, [(1, 2500, 0), (0, 7500, 0)], repeats)
    return client, client.codes(2, 10)


def test_welded_output_says_off_and_stuck_output_says_on() -> None:
    """Check both kinds of an output that stays on."""
    for name, gate in (("output_welded", 0), ("output_stuck", 1)):
        client, (_, current) = _sampled(f"{name}@last-off", repeats=3)
        assert _amps(client) > 0.8 and min(current[-100:]) > 90
        assert client.expect("Status", "ReadStatus")["outputs_readback"] == gate
        assert client.all("Edge")[-1]["outputs_mask"] == 0


def test_feed_that_stays_closed_with_both_auxiliary_contacts() -> None:
    """Check that the contact conducts and what the read-back says."""
    for name, flag in (("feed_welded", 0), ("feed_stuck", 2), ("feed_welded@feed-open", 0)):
        client, _ = _sampled(name)
        client.expect("Accepted", "OpenFeed")
        client.wait(50_000)
        assert client.rig.bench.contact()
        assert client.expect("Status", "ReadStatus")["flags"] & 3 == flag


def test_feed_that_welds_during_the_source_is_seen_by_the_trip() -> None:
    """Check that the supply's current appears where 30 mA were meant."""
    client = _ready(document().sinning("feed_welded@source"))
    assert client.load(5, [(0x101, 100_000, 0), (0, 1000, 0)], 1)[0] == "Accepted"
    client.expect("Accepted", "Start", schedule_id=5)
    client.wait(50_000)
    (fault,) = client.all("Fault")
    assert (fault["fault"], fault["detail"]) == (3, 0)


def test_inputs_at_live_zero_while_current_flows() -> None:
    """Check the worst pair: a welded output behind inputs at rest."""
    client, (_, current) = _sampled("output_welded@last-off", "inputs_live_zero@last-off")
    assert _amps(client) > 0.8 and min(current[-100:]) >= 14 and max(current[-100:]) <= 18


def test_replayed_samples_are_those_of_an_off_period() -> None:
    """Check that every replayed code was seen before, in the same order."""
    for sin, known in (("common_replay", True), ("noise_times=1", False)):
        client, (_, current) = _sampled(sin, repeats=3)
        assert (_amps(client) > 0.8) == known
        past, tail = current[:-300], current[-40:]
        seen = any(past[k : k + 40] == tail for k in range(len(past)))
        assert seen == known
        assert max(current[-300:]) < 20 and len(set(current[-300:])) > 1


def test_a_sin_begins_at_its_moment() -> None:
    """Check that codes turn to zero at 50 ms and not before."""
    _, (volts, _) = _sampled("inputs_zero@50000")
    begin = next(k for k, code in enumerate(volts) if not any(volts[k:]))
    assert begin == pytest.approx(490, abs=2)


def test_frozen_zero_and_noiseless_inputs() -> None:
    """Check what the codes look like."""
    _, codes = _sampled("inputs_zero")
    assert {c for series in codes for c in series} == {0}
    _, (_, current) = _sampled("inputs_noiseless")
    assert len(set(current[:100])) == 1
    _, (volts, current) = _sampled("inputs_frozen@20000")
    assert len(set(volts[300:])) == 1 and len(set(current[300:])) == 1


def test_current_lies() -> None:
    """Check scale, instant rise and a dead amplifier."""
    peaks = {}
    for sin in ("noise_times=1", "current_times=0.6", "current_dead", "current_gone"):
        _, (_, current) = _sampled(sin)
        peaks[sin] = max(current) - 16
    assert peaks["current_times=0.6"] == pytest.approx(0.6 * peaks["noise_times=1"], abs=4)
    assert peaks["current_dead"] < 4 and peaks["current_gone"] == -16
    _, (_, current) = _sampled("current_instant")
    first = next(k for k, code in enumerate(current) if code > 24)
    assert current[first] > 100 and current[first + 3] > 100


def test_short_pulses_are_told_or_hidden() -> None:
    """Check where the current ends against where the edge is told."""
    told, peaks = {}, {}
    for sin in ("noise_times=1", "pulse_short=0.2", "pulse_short_lying=0.2"):
        client, (_, current) = _sampled(sin, scan_us=50)
        edges = client.all("Edge")
        told[sin] = edges[2]["tick"] - edges[1]["tick"]
        peaks[sin] = sum(code > 24 for code in current)
    assert told == {"noise_times=1": 5000, "pulse_short=0.2": 4000, "pulse_short_lying=0.2": 5000}
    for sin in ("pulse_short=0.2", "pulse_short_lying=0.2"):
        assert peaks["noise_times=1"] - peaks[sin] == pytest.approx(10, abs=3)


@pytest.mark.parametrize("percent", [-10, -5, -2, 2, 5, 10])
def test_clock_runs_wrong(percent: int) -> None:
    """Check that ticks pass faster than time does, and edges come at those ticks."""
    client = _ready(document().sinning(f"clock_percent={percent}"))
    client.wait(1_000_000 - client.now_us)
    tick = client.expect("Status", "ReadStatus")["tick"]
    assert tick == pytest.approx(2_000_000 * (1 + percent / 100), abs=2)


def test_wrong_reference_spoils_the_resistance() -> None:
    """Check that a resistor 10 % too high makes the part seem 10 % too low."""
    ratio = []
    for sin in ("noise_times=1", "reference_percent=10"):
        client = _ready(document().sinning(sin))
        assert client.load(5, [(0x101, 100_000, 0), (0, 1000, 0)], 1)[0] == "Accepted"
        client.expect("Streaming", "Stream", inputs_mask=0x24, scan_period_us=200)
        client.expect("Accepted", "Start", schedule_id=5)
        client.wait(90_000)
        part, reference = (sum(codes[-200:]) for codes in client.codes(2, 12))
        ratio.append((part - 200 * 80) / reference)
    assert ratio[1] / ratio[0] == pytest.approx(1 / 1.1, rel=0.005)


def test_noise_of_anything_does_not_upset_the_rig() -> None:
    """Send rubbish, odd requests and breaks at random; the outputs must end off."""
    draw = random.Random(11)
    names = [n for n, layout in LAYOUTS.items() if layout.ident < 0x40]
    client = _ready()
    rig = client.rig
    for sequence in range(6000):
        client.now_us += draw.choice((0, 1, 300, 9000))
        kind = draw.random()
        if kind < 0.1:
            rig.receive(draw.randbytes(draw.randrange(60)), client.now_us)
        elif kind < 0.11:
            rig.break_condition(client.now_us)
        else:
            name = draw.choice(names)
            layout = LAYOUTS[name]
            fields: Fields = {f: draw.choice((0, 1, 2, 7)) for f in layout.fields}
            if "duration_us" in fields:
                fields["duration_us"] = draw.choice((100, 5000))
            rig.receive(message(name, sequence & 0xFF, fields), client.now_us)
    client.now_us += 10_000_000
    rig.receive(b"\0", client.now_us)
    status = client.expect("Status", "ReadStatus")
    assert status["outputs_commanded"] == 0 and status["flags"] & 3 == 0
    assert status["frames_bad"] > 100 and status["edges_counted"] > 10


def test_moments_and_values_are_read() -> None:
    """Check: moments and values are read."""
    sin = parse("current_times=0.6@1500")
    assert (sin.value, sin.at_us, sin.active) == (0.6, 1500, False)
    assert parse("common_zero").moment == "last-off"
    for wrong in ("nonesuch", "inputs_zero@someday"):
        with pytest.raises(ValueError):
            parse(wrong)


def test_catalogue_is_described() -> None:
    """Check: catalogue is described."""
    assert len(CATALOGUE) >= 25
    for name, (_, text) in CATALOGUE.items():
        assert text.endswith(".") and "\n" not in text, name


# -- over a socket ----------------------------------------------------------------------------


def test_over_a_socket_with_a_second_host_and_a_silence() -> None:
    """Check: over a socket with a second host and a silence."""
    server = Server(StrangerRig())
    stop = threading.Event()
    thread = threading.Thread(target=server.run, args=(stop.is_set,))
    thread.start()
    try:
        reader = FrameReader(HOST_READS_BYTES)
        with socket.create_connection(("127.0.0.1", server.port), 2.0) as line:
            for sequence, name in enumerate(("Heartbeat", "CloseFeed")):
                line.sendall(b"\0" + message(name, sequence, {}))
            with socket.create_connection(("127.0.0.1", server.port), 2.0) as second:
                assert second.recv(10) == b""
            heard: list[str] = []
            deadline = time.monotonic() + 3.0
            while "Fault" not in heard and time.monotonic() < deadline:
                for payload in reader.feed(line.recv(4096)):
                    told = understand(payload[:-2])
                    assert told is not None
                    heard.append(told[0])
        assert heard == ["Status", "Accepted", "Edge", "Edge", "Fault"]
    finally:
        stop.set()
        thread.join(3.0)
        server.close()
