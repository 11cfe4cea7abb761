"""Every fault does at the plant, or on the line, what it says."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.wire.messages import (
    CloseFeed,
    Fault,
    FaultReason,
    Hello,
    Identity,
    OpenFeed,
    RefusalReason,
    Refused,
    ResetCause,
    RigState,
)
from benchrig_sim.faults import LINE_KINDS, BadFault, FaultKind, parse_fault
from benchrig_sim.strike import _ACTS
from tests.sim.desk import Desk

LONG = [(1, 2_000_000), (0, 2_000_000)]


def running(fault: str, scenario: str = "linear", seconds: float = 1.0) -> Desk:
    desk = Desk(f"{scenario}?fault={fault}")
    desk.run(LONG, repeats=3)
    desk.wait(seconds)
    return desk


def test_every_kind_is_carried_out_somewhere() -> None:
    assert set(FaultKind) == set(_ACTS) | LINE_KINDS


@pytest.mark.parametrize("text", ["nonsense", "reset@soon", "reset@1s,colour=2", "reset,value=x"])
def test_bad_fault_text_is_refused(text: str) -> None:
    with pytest.raises(BadFault):
        parse_fault(text)


def test_welded_output_stays_live_until_the_feed_opens() -> None:
    desk = running("welded-output@cycle1", seconds=3.0)
    assert desk.status().outputs_readback == 0  # gate pins cannot see it
    assert desk.rig.plant.energised()
    assert desk.rig.plant.truth(0).current_a > 0.9
    desk.accepted(OpenFeed())
    desk.wait(0.1)
    assert not desk.rig.plant.energised()


def test_welded_output_and_feed_stay_live() -> None:
    desk = Desk("linear?fault=welded-output@cycle1&fault=welded-feed@cycle1")
    desk.run(LONG)
    desk.wait(3.0)
    desk.accepted(OpenFeed())
    desk.wait(0.5)
    assert desk.rig.plant.energised()


def test_unplugged_rig_is_off_and_silent() -> None:
    desk = running("unplug@1.5s,duration_s=1", seconds=1.4)
    assert desk.rig.plant.energised()
    desk.wait(0.3)
    assert not desk.rig.plant.energised()
    assert desk.rig.unplugged
    assert desk.try_ask(Hello(protocol_major=1, protocol_minor=0)) is None
    desk.wait(1.0)
    identity = desk.ask(Hello(protocol_major=1, protocol_minor=0))
    assert isinstance(identity, Identity)
    assert identity.boot_count == 2
    assert identity.reset_cause is ResetCause.POWER_ON
    assert desk.status().state is RigState.IDLE


@pytest.mark.parametrize(
    ("fault", "reason", "cause"),
    [
        ("reset@1.5s", FaultReason.NONE, ResetCause.EXTERNAL),
        ("brown-out@1.5s", FaultReason.BROWN_OUT, ResetCause.BROWN_OUT),
        ("hang-interrupts-off@1.5s", FaultReason.WATCHDOG, ResetCause.WATCHDOG),
    ],
)
def test_resets_drop_everything(fault: str, reason: FaultReason, cause: ResetCause) -> None:
    desk = running(fault, seconds=2.0)
    assert not desk.rig.plant.energised()
    assert not desk.rig.plant.feed_closed
    identity = desk.ask(Hello(protocol_major=1, protocol_minor=0))
    assert isinstance(identity, Identity)
    assert (identity.fault, identity.reset_cause, identity.boot_count) == (reason, cause, 2)


def test_hang_with_interrupts_ends_by_silence() -> None:
    desk = running("hang-interrupts-on@1.5s,duration_s=10", seconds=1.4)
    desk.wait(0.5)
    off = [e.t for e in desk.rig.plant.edge_log if e.t > 1.0 and not e.outputs_mask]
    assert off[0] - 1.5 < 0.26
    assert not desk.rig.plant.energised()


def test_hang_without_interrupts_is_ended_by_the_watchdog_within_its_time() -> None:
    desk = running("hang-interrupts-off@1.5s", seconds=2.0)
    off = next(e.t for e in desk.rig.plant.edge_log if e.t > 1.0 and not e.outputs_mask)
    assert off == pytest.approx(1.75, abs=1e-3)


def test_readback_lies_while_current_flows() -> None:
    desk = running("readback-lies")
    status = desk.status()
    assert status.outputs_commanded == 1
    assert status.outputs_readback == 0
    assert desk.rig.plant.energised()


def test_lacking_capability() -> None:
    desk = Desk("linear?fault=capability-lacking")
    answer = desk.load([(1, 1000), (0, 1000)])
    assert isinstance(answer, Refused)
    assert answer.reason is RefusalReason.NO_SUCH_OUTPUT


def test_stuck_low_converter_reads_below_live_zero() -> None:
    desk = Desk("linear?fault=adc-stuck,value=0")
    desk.stream(1, 4)
    desk.wait(0.2)
    assert {code for _, code in desk.codes()} == {0}


def test_saturated_trip_input_trips() -> None:
    desk = running("input-saturated,input=3")
    (fault,) = desk.heard(Fault)
    assert fault.fault is FaultReason.OVER_CURRENT
    assert not desk.rig.plant.energised()


def test_drifting_input_drifts() -> None:
    desk = Desk("linear?fault=input-drifting@0.5s,input=4,value=10")
    desk.stream(4, period_us=1000)
    desk.wait(2.5)
    codes = [code for _, code in desk.codes()]
    assert np.mean(codes[-50:]) - np.mean(codes[:50]) == pytest.approx(20.0, abs=2.0)


def test_opens_above_a_temperature_and_closes_below() -> None:
    desk = Desk("opens-when-hot")
    desk.run([(1, 6_000_000), (0, 1_000_000)], repeats=20)
    seen = []
    while desk.t < 130.0:
        desk.wait(0.5, step=0.1)
        truth = desk.rig.plant.truth(0)
        seen.append((truth.connected, truth.temperature_c))
    opened = next(n for n, (connected, _) in enumerate(seen) if not connected)
    assert seen[opened][1] == pytest.approx(48.0, abs=1.0)
    assert any(connected for connected, _ in seen[opened:]), "it never closed again"


@pytest.mark.parametrize(
    ("fault", "ohm"),
    [("part-open@1.5s", None), ("shorted-turns@1.5s,value=0.1", 13.05), ("high-joint@1.5s", 17.5)],
)
def test_part_faults_mid_cycle(fault: str, ohm: float | None) -> None:
    desk = running(fault, seconds=1.8)
    truth = desk.rig.plant.truth(0)
    if ohm is None:
        assert truth.current_a == 0.0
        assert desk.rig.plant.energised(), "the supply still stands across it"
    else:
        assert truth.resistance_20c_ohm == pytest.approx(ohm)
        assert truth.current_a == pytest.approx(13.5 / (truth.resistance_ohm + 0.19), rel=1e-3)


def test_intermittent_contact_drops_out() -> None:
    desk = running("intermittent,value=20,duration_s=0.01", seconds=0.1)
    desk.stream(4)
    desk.wait(1.5)
    codes = np.array([code for _, code in desk.codes()])
    assert (codes < 25).mean() == pytest.approx(0.17, abs=0.12)
    assert (codes > 400).any()


def test_supply_faults() -> None:
    desk = running("supply-sag@1s,value=8,duration_s=0.5", seconds=1.3)
    assert desk.rig.plant.truth(0).current_a == pytest.approx(8.0 / 14.9, rel=0.03)
    desk.wait(0.5)
    assert desk.rig.plant.truth(0).current_a > 0.9
    desk = running("supply-off@1s", seconds=1.5)
    assert desk.rig.plant.truth(0).current_a == 0.0
    desk = running("supply-limit@1s,value=0.3", seconds=1.5)
    assert desk.rig.plant.truth(0).current_a == pytest.approx(0.3, rel=1e-3)


@pytest.mark.parametrize("kind", ["byte-lost", "byte-doubled", "bit-flipped", "frame-lost"])
@pytest.mark.parametrize("way", ["in", "out"])
def test_a_spoiled_frame_is_lost_and_the_next_is_not(kind: str, way: str) -> None:
    desk = Desk(f"linear?fault={kind}@{way}2")
    assert desk.try_ask(CloseFeed()) is None
    assert desk.ask(CloseFeed()) is not None
    if way == "in" and kind != "frame-lost":
        assert desk.status().frames_bad == 1


def test_delayed_and_halved_frames_come_late() -> None:
    for kind in ("frame-delayed", "half-frame-stall"):
        desk = Desk(f"linear?fault={kind}@out2,duration_s=0.3")
        assert desk.try_ask(CloseFeed()) is None
        desk.t += 0.29
        assert desk.rig.advance(desk.t) == b""
        desk.t += 0.02
        assert len(desk.rig.advance(desk.t)) > 3
