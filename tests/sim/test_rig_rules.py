"""The rig keeps the protocol's promises, judged at the true contacts."""

from __future__ import annotations

import itertools

import pytest

from benchrig.wire.messages import (
    Accepted,
    AllOff,
    ClearFault,
    CloseFeed,
    Edge,
    EdgeCause,
    Fault,
    FaultReason,
    Finished,
    Hello,
    OpenFeed,
    RefusalReason,
    Refused,
    ResetCause,
    RigState,
    Samples,
    Start,
    StatusFlag,
    StopStream,
    Stream,
)
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario
from tests.sim.desk import Desk

PULSE = [(1, 10_000), (0, 10_000)]
LONG = [(1, 6_000_000), (0, 6_000_000)]


def true_edges(desk: Desk) -> list[tuple[float, int]]:
    """(time, outputs mask) of the true contacts' changes."""
    edges: list[tuple[float, int]] = []
    for edge in desk.rig.plant.edge_log:
        if edge.outputs_mask != (edges[-1][1] if edges else 0):
            edges.append((edge.t, edge.outputs_mask))
    return edges


def test_a_schedule_runs_by_the_rigs_clock() -> None:
    desk = Desk()
    start = desk.run(PULSE, repeats=3)
    desk.wait(0.2)
    assert desk.masks() == [0, 1, 0, 1, 0, 1, 0]  # the first is the feed's
    (finished,) = desk.heard(Finished)
    assert finished.repeats_done == 3
    edges = true_edges(desk)
    assert [mask for _, mask in edges] == [1, 0, 1, 0, 1, 0]
    times = [t for t, _ in edges]
    assert times[0] == pytest.approx(start.tick * 500e-9, abs=1e-6)
    widths = [off - on for on, off in zip(times[::2], times[1::2], strict=True)]
    assert widths == pytest.approx([0.01] * 3, abs=1e-6)
    assert desk.status().state is RigState.IDLE
    assert isinstance(desk.ask(Start(schedule_id=1)), Accepted)  # it stays committed


def test_a_fast_clock_shortens_the_pulse_in_true_time() -> None:
    desk = Desk("linear?drift=0.02")
    desk.run(PULSE)
    desk.wait(0.2)
    (_, (off, _)) = edges = true_edges(desk)
    assert off - edges[0][0] == pytest.approx(0.01 / 1.02, rel=1e-4)


def test_silence_drops_everything_after_a_quarter_second() -> None:
    desk = Desk()
    desk.run(LONG)
    desk.wait(1.0)
    last_beat = desk.t
    desk.wait(0.6, beat=False)
    off = next(t for t, mask in true_edges(desk) if mask == 0)
    assert off - last_beat == pytest.approx(0.25, abs=1e-4)
    (fault,) = desk.heard(Fault)
    assert fault.fault is FaultReason.HEARTBEAT_SILENCE
    assert not desk.rig.plant.feed_closed
    assert not desk.rig.plant.energised()
    status = desk.status()
    assert status.state is RigState.FAULT
    assert desk.refused(CloseFeed()).reason is RefusalReason.FAULT_LATCHED
    wrong = desk.refused(ClearFault(fault=FaultReason.WATCHDOG))
    assert wrong.reason is RefusalReason.BAD_VALUE
    desk.accepted(ClearFault(fault=FaultReason.HEARTBEAT_SILENCE))
    assert desk.status().state is RigState.IDLE


def test_other_messages_do_not_feed_the_silence_timer() -> None:
    desk = Desk()
    desk.run(LONG)
    for _ in range(6):
        desk.t += 0.1
        desk.status(beat=False)
    assert desk.status().fault is FaultReason.HEARTBEAT_SILENCE


def test_close_and_start_need_a_heartbeat() -> None:
    desk = Desk()
    assert desk.refused(CloseFeed()).reason is RefusalReason.HEARTBEAT_MISSING
    desk.status(beat=True)
    desk.accepted(CloseFeed())
    assert isinstance(desk.load(PULSE), Accepted)


def test_repeat_is_answered_again_and_not_done_again() -> None:
    desk = Desk()
    desk.run(PULSE)
    desk.wait(0.1)
    frame = desk.session.ask(Start(schedule_id=1))
    desk.rig.on_bytes(frame, desk.t)
    first = desk.rig.advance(desk.t)
    desk.rig.on_bytes(frame, desk.t + 0.001)
    again = desk.rig.advance(desk.t + 0.001)
    assert first in again
    desk.t += 0.1
    desk.rig.advance(desk.t)
    assert [mask for _, mask in true_edges(desk)] == [1, 0, 1, 0]


def test_serial_break_drops_a_run_and_latches() -> None:
    desk = Desk()
    desk.run(LONG)
    desk.wait(0.5)
    desk.rig.on_break(desk.t)
    assert not desk.rig.plant.closed
    desk.wait(0.1)
    assert desk.status().fault is FaultReason.SERIAL_BREAK


def test_serial_break_at_rest_latches_nothing() -> None:
    desk = Desk()
    desk.rig.on_break(0.1)
    desk.t = 0.2
    assert desk.status().fault is FaultReason.NONE


@pytest.mark.parametrize("request_kind", [OpenFeed, AllOff])
def test_all_off_is_never_refused(request_kind: type[OpenFeed] | type[AllOff]) -> None:
    desk = Desk()
    desk.run(LONG)
    desk.wait(0.5)
    desk.accepted(request_kind())
    assert not desk.rig.plant.closed
    desk.wait(0.1)
    assert desk.rig.plant.feed_closed is (request_kind is AllOff)
    desk.accepted(request_kind())
    assert desk.status().state is RigState.IDLE
    causes = [edge.cause for edge in desk.heard(Edge)]
    assert EdgeCause.ALL_OFF in causes


def test_a_dead_short_trips_within_a_millisecond() -> None:
    desk = Desk("linear?fault=part-shorted,value=0.01")
    desk.run(LONG)
    desk.wait(0.5)
    (fault,) = desk.heard(Fault)
    assert (fault.fault, fault.detail) == (FaultReason.OVER_CURRENT, 0)
    edges = true_edges(desk)
    assert edges[1][0] - edges[0][0] < 2e-3
    assert not desk.rig.plant.energised()


def test_the_ceiling_holds_whatever_the_schedule_says() -> None:
    desk = Desk()
    short = desk.rig.outputs[0]
    from dataclasses import replace

    desk.rig.outputs[0] = replace(short, on_us_max=60_000_000)
    desk.run(LONG)
    desk.rig.outputs[0] = replace(short, on_us_max=50_000)  # the timer is not the schedule's
    desk.wait(1.0)
    on, off = (t for t, _ in true_edges(desk)[:2])
    assert off - on == pytest.approx(0.05 + 100e-6, abs=2e-6)
    assert desk.status().fault is FaultReason.ON_TIME_CEILING


def test_start_asks_for_the_right_feed() -> None:
    desk = Desk()
    desk.status(beat=True)
    assert isinstance(desk.load(PULSE), Accepted)
    assert desk.refused(Start(schedule_id=1)).reason is RefusalReason.FEED_MUST_BE_CLOSED
    assert isinstance(desk.load([(0x101, 50_000), (0, 1000)], schedule_id=2), Accepted)
    assert isinstance(desk.ask(Start(schedule_id=2)), Accepted)
    desk.wait(0.2)
    desk.accepted(CloseFeed())
    assert desk.refused(Start(schedule_id=2)).reason is RefusalReason.FEED_MUST_BE_OPEN
    assert desk.refused(Start(schedule_id=9)).reason is RefusalReason.NO_SCHEDULE


def test_schedules_that_must_not_be() -> None:
    desk = Desk()
    for steps, reason in (
        ([(1, 1000)], RefusalReason.NOT_ENDING_OFF),
        ([(1, 61_000_000), (0, 1000)], RefusalReason.ON_TIME_OVER_CEILING),
        ([(3, 1000), (0, 1000)], RefusalReason.SHARED_INPUT),
        ([(1 << 12, 1000), (0, 1000)], RefusalReason.NO_SUCH_OUTPUT),
        ([(1, 50), (0, 1000)], RefusalReason.ON_TIME_UNDER_LEAST),
    ):
        answer = desk.load(steps)
        assert isinstance(answer, Refused), steps
        assert answer.reason is reason


def test_stream_is_numbered_and_stamped() -> None:
    desk = Desk()
    too_fast = desk.refused(Stream(inputs_mask=0b11, scan_period_us=49))
    assert (too_fast.reason, too_fast.detail) == (RefusalReason.RATE_TOO_HIGH, 50)
    desk.stream(0, 4)
    desk.wait(1.0)
    desk.accepted(StopStream())
    blocks = desk.heard(Samples)
    assert [b.block for b in blocks] == list(range(len(blocks)))
    *full, rest = blocks
    assert {b.count for b in full} == {190}
    ticks = [b.tick for b in blocks]
    assert {b - a for a, b in itertools.pairwise(ticks)} == {95 * 200}
    assert len(full) == 105  # 1 s of 95 scans each at 10 kS/s
    assert rest.count == 2 * (9_999 - 105 * 95)  # all whole scans that were captured
    assert desk.missed == 0
    count = len(blocks)
    desk.wait(0.5)
    assert len(desk.heard(Samples)) == count


def test_current_and_supply_come_as_codes() -> None:
    desk = Desk("linear")
    desk.stream(0, 4)
    desk.run(LONG)
    desk.wait(3.0)
    codes = [code for _, code in desk.codes()][-200:]
    supply, current = codes[::2], codes[1::2]
    fine, volts = desk.rig.inputs[4], desk.rig.inputs[0]
    amps = (sum(current) / 100 - fine.zero_code) * fine.full_scale * 1e-6 / 1024
    assert amps == pytest.approx(desk.rig.plant.truth(0).current_a, rel=0.02)
    assert sum(supply) / 100 * volts.full_scale * 1e-6 / 1024 == pytest.approx(13.45, rel=0.02)
    assert len(set(current)) > 1, "a converter without noise"


def test_blocks_are_counted_anew_in_each_stream() -> None:
    desk = Desk()
    desk.stream(0, 4)
    desk.wait(0.5)
    desk.stream(1)
    desk.wait(0.3)
    desk.accepted(StopStream())
    last = desk.heard(Samples)[-1]
    assert last.stream == 2
    assert desk.status().blocks_counted == last.block + 1


def test_a_saturated_line_drops_whole_blocks_and_counts_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """40,000 codes of 14 bits a second are over 70 kB: too much at half the baud rate."""
    desk = Desk("linear?bits=14")
    desk.stream(0, 1, 3, 4, period_us=100)
    desk.wait(1.0)
    assert desk.status().blocks_dropped == 0
    monkeypatch.setattr("benchrig_sim.outbox.BYTE_S", 20e-6)
    desk = Desk("linear?bits=14")
    desk.stream(0, 1, 3, 4, period_us=100)
    desk.wait(1.0)
    desk.accepted(StopStream())
    desk.wait(0.1)
    status = desk.status()
    heard = [block.block for block in desk.heard(Samples)]
    assert status.blocks_dropped > 50
    assert len(heard) + status.blocks_dropped == status.blocks_counted
    assert desk.missed == heard[-1] + 1 - len(heard), "a gap in the numbers of what is unasked"


def test_a_flooded_line_spoils_frames_and_the_stream_goes_on() -> None:
    desk = Desk(SimRig(open_scenario("linear?bits=14&fault=flood@0.2s,duration_s=0.1").rig))
    desk.stream(0, 4)
    desk.wait(1.0)
    assert desk.session.frames_bad > 10
    assert desk.status().flags & StatusFlag.STREAMING


def test_nothing_of_a_cleared_fault_is_left_in_the_status() -> None:
    desk = Desk()
    desk.run(LONG)
    desk.wait(0.5, beat=False)
    assert desk.status().fault_tick > 0
    desk.accepted(ClearFault(fault=FaultReason.HEARTBEAT_SILENCE))
    status = desk.status()
    assert (status.fault, status.fault_detail, status.fault_tick) == (FaultReason.NONE, 0, 0)


def test_a_watchdog_reset_keeps_a_fault_that_nobody_has_read() -> None:
    desk = Desk()
    desk.run(LONG)
    desk.wait(0.5, beat=False)
    latched = desk.status()
    desk.rig.reset(ResetCause.WATCHDOG)
    desk.wait(0.1)
    status = desk.status()
    assert (status.fault, status.fault_tick) == (latched.fault, latched.fault_tick)
    assert status.boot_count == latched.boot_count + 1
    assert status.state is RigState.FAULT
    desk.rig.reset(ResetCause.EXTERNAL)
    desk.wait(0.1)
    assert desk.status().fault is FaultReason.NONE


def test_same_seed_same_bytes() -> None:
    def talk(spec: str) -> bytes:
        rig = SimRig(open_scenario(spec).rig)
        desk = Desk(rig)
        desk.stream(1, 4)
        desk.run([(1, 50_000), (0, 50_000)], 5)
        heard = []
        while desk.t < 1.0:
            desk.t += 0.05
            rig.on_bytes(desk.session.ask(Hello(protocol_major=1, protocol_minor=0)), desk.t)
            desk.session.abandon()
            heard.append(rig.advance(desk.t))
        return b"".join(heard)

    assert talk("healthy?seed=3") == talk("healthy?seed=3")
    assert talk("healthy?seed=3") != talk("healthy?seed=4")
