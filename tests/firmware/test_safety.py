"""What the emulated firmware does when something goes wrong: off, latched, readable."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from avr.emulator import BROWN_OUT, EXTERNAL, FIRMWARE_ELF, HZ, POWER_ON, WATCHDOG
from benchrig.wire.frames import encode_frame
from benchrig.wire.messages import (
    AllOff,
    ClearFault,
    CloseFeed,
    Edge,
    EdgeCause,
    Fault,
    FaultReason,
    Heartbeat,
    OpenFeed,
    ReadStatus,
    RefusalReason,
    Refused,
    ResetCause,
    RigState,
    Start,
    Status,
    Stream,
    to_payload,
)
from benchrig.wire.schedule import Schedule
from tests.firmware.bare_rig import TICK_CYCLES, BareRig, schedule

LONG = schedule((1, 9_000_000, 0), (0, 1_000_000, 0), repeats=5)
PULSES = schedule((2, 2_500, 0), (0, 7_500, 0), repeats=6_000)
FAST = Stream(inputs_mask=0b0011000, scan_period_us=100)
OVER_TRIP = 16 + 9_300 * 1024 // 10_000
SLEEP, SEI, CLI, LOOP = 0x9588, 0x9478, 0x94F8, 0xCFFF  # opcodes; LOOP jumps to itself


@pytest.fixture
def rig() -> Iterator[BareRig]:
    rig = BareRig({3: 16})
    yield rig
    rig.close()


def off_after_s(rig: BareRig, since: int, most_s: float) -> float:
    """Seconds from a cycle until gates and feed are off, by the pins."""
    rig.run_s(most_s)
    assert rig.emulator.outputs == 0
    assert not rig.emulator.feed
    return (rig.emulator.take_edges()[-1].cycle - since) / HZ


def heartbeat_ends(rig: BareRig) -> int:
    """Sends a heartbeat; the cycle at which its last byte has arrived."""
    frame = encode_frame(to_payload(Heartbeat(), 0xEE))
    rig.emulator.write(frame)
    return rig.emulator.cycle + len(frame) * HZ // 100_000


def status_without_beat(rig: BareRig) -> Status:
    answer = rig.ask(ReadStatus())
    assert isinstance(answer, Status)
    return answer


# --- silence ---


@pytest.mark.parametrize("phase_us", [0, 37, 61, 93])
@pytest.mark.parametrize("plan", [LONG, PULSES], ids=["long", "pulses"])
def test_silence_ends_everything_after_250_ms(rig: BareRig, plan: Schedule, phase_us: int) -> None:
    rig.start(plan, FAST)
    rig.run_s(0.05 + phase_us * 1e-6)
    since = heartbeat_ends(rig)
    assert off_after_s(rig, since, 0.3) == pytest.approx(0.250, abs=0.001)
    (fault,) = rig.of(Fault)
    assert fault.fault is FaultReason.HEARTBEAT_SILENCE
    status = status_without_beat(rig)
    assert (status.state, status.fault) == (RigState.FAULT, FaultReason.HEARTBEAT_SILENCE)
    assert status.fault_tick == fault.tick


def test_silence_with_the_feed_closed_opens_it(rig: BareRig) -> None:
    rig.close_feed()
    since = heartbeat_ends(rig)
    assert off_after_s(rig, since, 0.3) == pytest.approx(0.250, abs=0.001)


def test_reading_the_status_does_not_count_as_life(rig: BareRig) -> None:
    rig.start(LONG)
    for _ in range(30):
        rig.ask(ReadStatus())
        rig.run_s(0.01)
    assert rig.emulator.outputs == 0
    assert rig.of(Fault)[0].fault is FaultReason.HEARTBEAT_SILENCE


def test_a_host_that_dies_at_any_moment_leaves_everything_off(rig: BareRig) -> None:
    """Fifty moments from a seed, many of them in the middle of a frame."""
    moments = random.Random(20)
    for plan in (LONG, PULSES) * 25:
        rig.start(plan, FAST)
        rig.run_s(moments.uniform(0.0, 0.2), beating=True)
        frame = encode_frame(to_payload(moments.choice([Heartbeat(), AllOff(), LONG.steps[0]]), 1))
        rig.emulator.write(frame[: moments.randrange(len(frame))])
        rig.run_s(0.26)
        assert rig.emulator.outputs == 0
        assert not rig.emulator.feed
        rig.begin_anew()
        assert status_without_beat(rig).fault is FaultReason.HEARTBEAT_SILENCE
        rig.do(ClearFault(fault=FaultReason.HEARTBEAT_SILENCE))
    assert rig.emulator.resets == 0


# --- hangs and resets ---


def address_of_sleep() -> int:
    """The main loop sleeps at one place only: the byte address of that instruction."""
    image = bytearray()
    for line in Path(FIRMWARE_ELF).with_suffix(".hex").read_text().splitlines():
        record = bytes.fromhex(line[1:])
        if record[3] == 0:
            image += record[4 : 4 + record[0]]
    words = [int.from_bytes(image[n : n + 2], "little") for n in range(0, len(image), 2)]
    (place,) = (n for n, word in enumerate(words) if word == SLEEP)
    return 2 * place


@pytest.mark.parametrize(
    ("code", "interrupts"), [((LOOP, SEI), "on"), ((CLI, LOOP), "off")], ids=["main loop", "cli"]
)
def test_a_hang_ends_off_by_the_hardware_watchdog(
    rig: BareRig, code: tuple[int, int], interrupts: str
) -> None:
    rig.start(PULSES, FAST)
    before = rig.identity().boot_count
    rig.run_s(0.1, beating=True)
    hung = rig.emulator.cycle
    sane = address_of_sleep()
    rig.emulator.patch_flash(sane, b"".join(word.to_bytes(2, "little") for word in code))
    while rig.emulator.resets == 0 and rig.emulator.cycle - hung < HZ:
        rig.emulator.run_s(0.001)
    took_s = (rig.emulator.cycle - hung) / HZ
    assert took_s < 0.135, f"interrupts {interrupts}: emulated; a real oscillator varies widely"
    assert rig.emulator.outputs == 0
    assert not rig.emulator.feed
    rig.emulator.patch_flash(sane, SLEEP.to_bytes(2, "little") + SEI.to_bytes(2, "little"))
    rig.begin_anew()
    identity = rig.identity()
    assert identity.reset_cause is ResetCause.WATCHDOG
    assert identity.fault is FaultReason.WATCHDOG
    assert identity.boot_count == before + 1
    answer = rig.ask(CloseFeed())
    assert isinstance(answer, Refused)
    assert answer.reason is RefusalReason.FAULT_LATCHED
    rig.do(ClearFault(fault=FaultReason.WATCHDOG))
    assert rig.status().state is RigState.IDLE


def restarted(rig: BareRig, cause: int) -> None:
    rig.emulator.reset(cause)
    assert rig.emulator.outputs == 0
    assert not rig.emulator.feed
    rig.begin_anew()


@pytest.mark.parametrize(
    ("cause", "told", "fault"),
    [
        (WATCHDOG, ResetCause.WATCHDOG, FaultReason.WATCHDOG),
        (BROWN_OUT, ResetCause.BROWN_OUT, FaultReason.BROWN_OUT),
        (EXTERNAL, ResetCause.EXTERNAL, FaultReason.NONE),
        (POWER_ON | BROWN_OUT, ResetCause.POWER_ON, FaultReason.NONE),
        (0, ResetCause.UNKNOWN, FaultReason.INTERNAL),
    ],
    ids=["watchdog", "brown-out", "external", "power-on", "jump to zero"],
)
def test_what_a_reset_at_work_leaves_latched(
    rig: BareRig, cause: int, told: ResetCause, fault: FaultReason
) -> None:
    rig.start(LONG)
    restarted(rig, cause)
    identity = rig.identity()
    assert (identity.reset_cause, identity.fault) == (told, fault)
    assert identity.boot_count == 1


@pytest.mark.parametrize("cause", [WATCHDOG, BROWN_OUT])
def test_a_reset_at_rest_latches_nothing(rig: BareRig, cause: int) -> None:
    rig.close_feed()
    rig.do(OpenFeed())
    restarted(rig, cause)
    assert rig.identity().fault is FaultReason.NONE


def test_an_earlier_fault_outlives_a_watchdog_reset(rig: BareRig) -> None:
    rig.start(LONG)
    rig.run_s(0.3)
    restarted(rig, WATCHDOG)
    assert rig.identity().fault is FaultReason.HEARTBEAT_SILENCE


def test_after_a_brown_out_that_lost_the_memory_the_worst_is_assumed(rig: BareRig) -> None:
    rig.emulator.write_memory(0x100, bytes([0x55]) * 0x700)
    restarted(rig, BROWN_OUT)
    assert rig.identity().fault is FaultReason.BROWN_OUT


# --- break, trip, ceiling ---


@pytest.mark.parametrize("low_s", [30e-6, 60e-6, 1e-3, 0.25])
def test_a_serial_break_at_work_drops_everything(rig: BareRig, low_s: float) -> None:
    rig.start(LONG, FAST)
    rig.run_s(0.05, beating=True)
    rig.emulator.take_edges()
    began = rig.emulator.cycle
    rig.emulator.send_break(low_s)
    rig.run_s(low_s + 0.005)
    assert rig.emulator.outputs == 0
    assert not rig.emulator.feed
    assert (rig.emulator.take_edges()[-1].cycle - began) / HZ < 1e-3
    assert status_without_beat(rig).fault is FaultReason.SERIAL_BREAK


def test_a_serial_break_at_rest_latches_nothing(rig: BareRig) -> None:
    rig.emulator.send_break(0.01)
    rig.run_s(0.02)
    assert rig.status().state is RigState.IDLE


def test_a_zero_byte_with_its_stop_bit_missing_is_no_break(rig: BareRig) -> None:
    """Low for hardly more than one byte time: noise, a bad frame at most."""
    rig.start(LONG)
    rig.emulator.send_break(11e-6)
    rig.run_s(0.01)
    assert rig.emulator.outputs == 1


@pytest.mark.parametrize(
    "stream",
    [
        None,
        FAST,
        Stream(inputs_mask=0b0000010, scan_period_us=50),
        Stream(inputs_mask=1, scan_period_us=1_000_000),
    ],
    ids=["no stream", "in the stream", "beside the fastest stream", "beside a slow stream"],
)
def test_an_over_current_trips_within_a_millisecond(rig: BareRig, stream: Stream | None) -> None:
    rig.start(LONG, stream)
    rig.run_s(0.05, beating=True)
    assert rig.emulator.outputs == 1
    rig.emulator.take_edges()
    rig.codes[3] = OVER_TRIP
    began = rig.emulator.cycle
    rig.run_s(0.005)
    assert rig.emulator.outputs == 0
    assert (rig.emulator.take_edges()[-1].cycle - began) / HZ < 1e-3
    (fault,) = rig.of(Fault)
    assert (fault.fault, fault.detail) == (FaultReason.OVER_CURRENT, 0)


def test_two_conversions_above_the_trip_are_not_three(rig: BareRig) -> None:
    rig.start(LONG, Stream(inputs_mask=0b0001000, scan_period_us=100))
    rig.run_s(0.05, beating=True)
    for _ in range(20):
        rig.codes[3] = OVER_TRIP
        rig.emulator.run_s(0.0002)
        rig.codes[3] = 16
        rig.emulator.run_s(0.0002)
    assert rig.emulator.outputs == 1


def test_an_output_that_stays_on_without_a_schedule_hits_its_ceiling(rig: BareRig) -> None:
    """The gate is set behind the firmware's back: only a timer by the pin can see it."""
    rig.close_feed()
    rig.emulator.write_memory(0x2B, bytes([0x01 | 1 << 3]))  # PORTD, as if a bit had flipped
    rig.emulator.poke_port("D")
    began = rig.emulator.cycle
    rig.run_s(9.9, beating=True)
    assert rig.of(Fault) == []
    rig.run_s(0.2, beating=True)
    (fault,) = rig.of(Fault)
    assert (fault.fault, fault.detail) == (FaultReason.ON_TIME_CEILING, 1)
    took_s = (rig.emulator.take_edges()[-1].cycle - began) / HZ
    # Nobody told when it went on: it is first seen by one tick of 100 µs, and ended by another.
    assert 10.0 <= took_s <= 10.0003


def test_an_on_time_at_the_ceiling_is_allowed(rig: BareRig) -> None:
    rig.start(schedule((1, 10_000_000, 0), (0, 1_000, 0)))
    rig.run_s(10.1, beating=True)
    assert rig.of(Fault) == []
    (on, off) = rig.schedule_edges()
    assert off.tick - on.tick == 10_000_000 * HZ // TICK_CYCLES // 1_000_000


def test_a_fault_tells_outputs_then_feed_then_itself(rig: BareRig) -> None:
    rig.start(LONG)
    rig.run_s(0.3)
    told = [m for m in rig.heard if isinstance(m, (Edge, Fault))][-3:]
    causes = [m.cause if isinstance(m, Edge) else m.fault for m in told]
    assert causes == [EdgeCause.FAULT, EdgeCause.FEED, FaultReason.HEARTBEAT_SILENCE]


def test_a_schedule_can_be_started_again_after_a_fault_is_cleared(rig: BareRig) -> None:
    rig.start(PULSES)
    rig.run_s(0.3)
    rig.do(ClearFault(fault=FaultReason.HEARTBEAT_SILENCE))
    rig.close_feed()
    rig.do(Start(schedule_id=7))
    rig.run_s(0.05)
    assert len([e for e in rig.emulator.take_edges() if e.outputs]) > 3
