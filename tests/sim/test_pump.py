"""The pump motor against closed forms: stall, running speed, back-EMF, ripple frequency."""

from __future__ import annotations

from dataclasses import replace
from math import lcm, pi

import numpy as np
import pytest

from benchrig.wire.messages import RigState
from benchrig_sim.branch import PartSpec
from benchrig_sim.circuit import CircuitSpec
from benchrig_sim.motor import Motor, MotorSpec
from benchrig_sim.plant import Plant
from tests.sim.desk import Desk

PUMP = MotorSpec(
    resistance_20c_ohm=0.9,
    inductance_h=0.3e-3,
    k_vs=0.0127,
    inertia_kgm2=4.5e-6,
    friction_nm=0.02,
    load_nms2=1.1e-7,
)
WIRES = CircuitSpec(
    supply_v=12.5,
    supply_ohm=0.0,
    feed_ohm=0.0,
    switch_ohm=0.0,
    shunt_ohm=0.0,
    ambient_c=20.0,
    supply_limit_a=1e9,
)


def spun(spec: MotorSpec = PUMP, seconds: float = 1.0) -> Plant:
    part = PartSpec(name="pump", electrical=spec, lead_ohm=0.0, heat_capacity_j_per_k=1e9)
    plant = Plant(WIRES, {0: part})
    plant.set_sense(0, 0.0)
    plant.set_feed(True, 0.0)
    plant.set_output(0, True, 0.0)
    plant.advance(seconds)
    return plant


def motor_of(plant: Plant) -> Motor:
    part = plant.branches[0].part
    assert isinstance(part, Motor)
    return part


def test_inrush_is_the_stall_current_and_falls() -> None:
    """V/Ra = 13.89 A at 12.5 V and 0.9 ohm; the inrush only just stays under it."""
    plant = spun(replace(PUMP, ripple=0.0, unevenness=0.0))
    i = plant.shunt_current(np.linspace(0.0, 1.0, 50_000, endpoint=False))
    assert 0.88 * 13.89 < i.max() < 13.89
    assert i[-1] < 0.5 * i.max()


def test_running_speed_solves_the_torque_balance() -> None:
    plant = spun()
    motor = motor_of(plant)
    expected = motor.steady_speed(12.5, 0.9)
    assert motor.state.speed == pytest.approx(expected, rel=2e-3)
    back = PUMP.k_vs * motor.state.speed
    assert motor.state.current == pytest.approx((12.5 - back) / 0.9, rel=5e-3)
    torque = PUMP.friction_nm + PUMP.load_nms2 * expected**2
    assert PUMP.k_vs * motor.state.current == pytest.approx(torque, rel=1e-2)


def test_seized_pump_stays_at_stall() -> None:
    plant = spun(replace(PUMP, seized=True, ripple=0.0, unevenness=0.0))
    assert plant.shunt_current(np.array([0.5]))[0] == pytest.approx(13.89, rel=1e-3)
    assert motor_of(plant).state.speed == 0.0


@pytest.mark.parametrize(("bars", "ripples"), [(3, 6), (7, 14), (8, 8), (10, 10)])
def test_ripple_frequency_gives_the_speed(bars: int, ripples: int) -> None:
    """Two brushes: lcm(bars, 2) ripples a turn (three poles and six a turn is published)."""
    assert lcm(bars, 2) == ripples
    plant = spun(replace(PUMP, ripples_per_turn=ripples), seconds=2.0)
    t = 1.0 + np.arange(10_000, dtype=np.float64) * 1e-4
    i = plant.shunt_current(t)
    spectrum = np.abs(np.fft.rfft((i - i.mean()) * np.hanning(len(i))))
    speed = motor_of(plant).state.speed
    turn_hz = speed / (2.0 * pi)
    peak = int(spectrum[3:].argmax()) + 3
    assert peak == pytest.approx(turn_hz * ripples, abs=1.5)
    assert spectrum[round(turn_hz)] > 20.0 * np.median(spectrum), "no once-per-turn unevenness"


def test_coasting_pump_shows_its_back_emf_and_stops() -> None:
    plant = spun()
    speed = motor_of(plant).state.speed
    plant.set_output(0, False, 1.0)
    plant.advance(3.0)
    t = np.array([1.002, 1.02, 2.99])
    volts = plant.sense_voltage(t)
    assert 0.8 * PUMP.k_vs * speed < volts[0] <= PUMP.k_vs * speed
    assert volts[0] > volts[1] > volts[2] == 0.0
    assert not plant.shunt_current(t).any()
    assert not plant.energised()


@pytest.mark.parametrize(
    ("scenario", "least_rpm", "most_rpm"),
    [("pump-healthy", 5200, 6300), ("pump-worn", 2200, 4200), ("pump-seized", 0, 0)],
)
def test_packaged_pumps_run_below_the_trip(scenario: str, least_rpm: int, most_rpm: int) -> None:
    desk = Desk(scenario)
    desk.run([(1, 2_000_000), (0, 2_000_000)])
    desk.wait(1.9)
    assert desk.status().state is RigState.RUNNING
    rpm = motor_of(desk.rig.plant).state.speed * 60.0 / (2.0 * pi)
    assert least_rpm <= rpm <= most_rpm
    desk.wait(3.0)
    assert desk.status().state is RigState.IDLE
    assert not desk.rig.plant.energised()
