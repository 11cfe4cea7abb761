"""The physics against closed forms: textbook RL, clamps, avalanche energy, the copper rule."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log

import numpy as np
import pytest

from benchrig_sim.branch import Branch, PartSpec, copper_ratio
from benchrig_sim.circuit import CircuitSpec
from benchrig_sim.coil import CoilSpec
from benchrig_sim.plant import Plant

IDEAL = CoilSpec(resistance_20c_ohm=14.5, inductance_rest_h=12e-3, inductance_seat_h=12e-3)
BARE = CircuitSpec(
    supply_v=13.5,
    supply_ohm=0.0,
    feed_ohm=0.0,
    switch_ohm=0.0,
    shunt_ohm=0.0,
    ambient_c=20.0,
    supply_limit_a=1e9,
)


def bench(circuit: CircuitSpec = BARE, coil: CoilSpec = IDEAL, lead_ohm: float = 0.0) -> Plant:
    """A part that does not warm noticeably, on ideal wires unless said otherwise."""
    part = PartSpec(name="coil", electrical=coil, lead_ohm=lead_ohm, heat_capacity_j_per_k=1e9)
    plant = Plant(circuit, {0: part})
    plant.set_feed(True, 0.0)
    return plant


def on_for(plant: Plant, seconds: float) -> None:
    plant.set_output(0, True, plant.t)
    plant.advance(plant.t + seconds)


def test_rise_of_an_ideal_coil() -> None:
    """Textbook: tau = L/R = 0.827586 ms, I = 0.931034 A, i(1 ms) = 0.652939 A, E = 5.20095 mJ."""
    plant = bench()
    on_for(plant, 0.05)
    i = plant.shunt_current(np.array([1e-3, 0.05 - 1e-9]))
    assert i[0] == pytest.approx(0.652939, rel=1e-5)
    assert i[1] == pytest.approx(0.931034, rel=1e-5)
    assert plant.branches[0].part.stored_j() == pytest.approx(5.20095e-3, rel=1e-5)
    half, one, one_and_half = plant.shunt_current(np.array([0.5e-3, 1e-3, 1.5e-3]))
    tau = 0.5e-3 / log((one - half) / (one_and_half - one))
    assert tau == pytest.approx(0.827586e-3, rel=1e-4)


@pytest.mark.parametrize(
    ("freewheel_v", "clamp_v", "expected_ms"),
    [(0.7, 36.0, 2.49097), (None, 60.0, 0.210945), (None, 36.0, 0.38897)],
)
def test_time_to_no_current(freewheel_v: float | None, clamp_v: float, expected_ms: float) -> None:
    """Closed form tau ln(1 + I R / Vk), Vk = Vd across the coil or Vz - Vs on the low side."""
    plant = bench(replace(BARE, freewheel_v=freewheel_v, clamp_v=clamp_v))
    on_for(plant, 0.05)
    plant.set_output(0, False, 0.05)
    plant.advance(0.06)
    decay = next(s for s in plant.branches[0].segments if s.t0 == 0.05)
    assert (decay.t1 - 0.05) * 1e3 == pytest.approx(expected_ms, rel=1e-4)
    assert plant.branches[0].current_a == 0.0


def test_avalanche_energy_of_the_clamp() -> None:
    """With R neglected: L I^2 / 2 * Vz / (Vz - Vs) = 6.7109 mJ at 60 V (a formula page)."""
    coil = replace(IDEAL, resistance_20c_ohm=1e-6)
    plant = bench(replace(BARE, clamp_v=60.0, supply_limit_a=13.5 / 14.5), coil)
    on_for(plant, 0.05)
    current = plant.branches[0].current_a
    assert current == pytest.approx(0.931034, rel=1e-3)
    plant.set_output(0, False, 0.05)
    plant.advance(0.06)
    t = np.linspace(0.05, 0.06, 200_001)
    energy = 60.0 * float(np.trapezoid(plant.shunt_current(t), t))
    expected = 6.7109e-3 * (current / 0.9310345) ** 2
    assert energy == pytest.approx(expected, rel=1e-3)


def test_shorted_turns() -> None:
    """A tenth of the turns: 13.05 ohm, 0.74483 ms, 1.03448 A."""
    coil = IDEAL.with_shorted_turns(0.1)
    assert coil.resistance_20c_ohm == pytest.approx(13.05)
    plant = bench(coil=coil)
    on_for(plant, 0.05)
    assert plant.branches[0].current_a == pytest.approx(1.03448, rel=1e-5)
    first = plant.branches[0].segments[0]
    at_tau = float(first.current(np.array([0.74483e-3]))[0])
    assert at_tau / 1.03448 == pytest.approx(1.0 - exp(-1.0), rel=1e-5)


def test_copper_rule() -> None:
    """R2/R1 = (234.5 + T2)/(234.5 + T1): 14.5 ohm at 20 °C is 19.0580 at 100 °C."""
    assert 14.5 * copper_ratio(100.0) == pytest.approx(19.0580, abs=1e-3)
    now = 18.0 / 14.5  # 14.5 ohm at 22 °C reads 18.0 ohm at 83.91 °C
    assert copper_ratio(83.91) / copper_ratio(22.0) == pytest.approx(now, rel=5e-5)


def test_eddy_loop_of_a_linear_coil() -> None:
    """A resistor across the inductance: jump V/(R+Re), then tau = L (1/R + 1/Re)."""
    eddy = 200.0
    plant = bench(coil=replace(IDEAL, eddy_ohm=eddy))
    on_for(plant, 0.05)
    tau = 12e-3 * (1 / 14.5 + 1 / eddy)
    start, end = 13.5 / (14.5 + eddy), 13.5 / 14.5
    t = np.linspace(1e-6, 8e-3, 200)
    expected = end + (start - end) * np.exp(-t / tau)
    assert np.abs(plant.shunt_current(t) - expected).max() < 1e-6


def test_stepping_agrees_with_the_closed_form() -> None:
    """Iron that saturates far beyond this current, solved in steps, is the ideal coil."""
    plant = bench(coil=replace(IDEAL, saturation_wb=10.0))
    on_for(plant, 0.02)
    t = np.linspace(0.0, 0.02, 500, endpoint=False)
    expected = 13.5 / 14.5 * (1.0 - np.exp(-t * 14.5 / 12e-3))
    assert np.abs(plant.shunt_current(t) - expected).max() < 2e-4


@pytest.mark.parametrize("saturation_wb", [0.5e-3, 2e-3, 6e-3])
def test_iron_filled_many_times_over_ends_at_ohms_law(saturation_wb: float) -> None:
    """The steps follow the slope of the full iron; coarser ones run away."""
    plant = bench(coil=replace(IDEAL, saturation_wb=saturation_wb))
    on_for(plant, 0.05)
    i = plant.shunt_current(np.linspace(1e-5, 0.05 - 1e-9, 400))
    assert i[-1] == pytest.approx(13.5 / 14.5, rel=1e-4)
    assert np.diff(i).min() > -1e-6


def test_moving_armature_dents_the_rise_and_a_stuck_one_does_not() -> None:
    coil = replace(IDEAL, inductance_rest_h=10.5e-3, inductance_seat_h=13.6e-3)
    t = np.arange(0.0, 4e-3, 20e-6)
    slopes = {}
    for stuck in (False, True):
        plant = bench(coil=replace(coil, stuck=stuck))
        on_for(plant, 0.02)
        slopes[stuck] = float(np.diff(plant.shunt_current(t)).min()) / 20e-6
        travel = plant.branches[0].part.state.travel  # type: ignore[union-attr]
        assert travel == (0.0 if stuck else coil.stroke_m)
    assert slopes[False] < -50.0
    assert slopes[True] > 0.0


def test_motion_takes_what_the_back_emf_brings() -> None:
    """Energy in = winding heat + field + spring + kinetic + damping, within 0.5 %."""
    coil = replace(
        IDEAL,
        inductance_rest_h=10e-3,
        inductance_seat_h=14e-3,
        damping_ns_per_m=0.0,
        friction_n=0.0,
    )
    plant = bench(coil=coil)
    plant.set_output(0, True, 0.0)
    part = plant.branches[0].part
    t_end = 0.0
    while part.state.travel < 0.6 * coil.stroke_m:  # type: ignore[union-attr]
        t_end += 2e-5
        plant.advance(t_end)
    t = np.linspace(0.0, t_end, 20_001)
    i = plant.shunt_current(t)
    drawn = 13.5 * float(np.trapezoid(i, t))
    heat = 14.5 * float(np.trapezoid(i * i, t))
    x, u = part.state.travel, part.state.speed  # type: ignore[union-attr]
    spring = coil.preload_n * x + 0.5 * coil.spring_n_per_m * x * x
    kinetic = 0.5 * coil.mass_kg * u * u
    assert kinetic > 1e-5
    assert heat + part.stored_j() + spring + kinetic == pytest.approx(drawn, rel=5e-3)


def test_winding_heat_balance() -> None:
    """On a plateau: heat in = heat held + heat passed to ambient."""
    spec = PartSpec(
        name="coil",
        electrical=IDEAL,
        lead_ohm=0.0,
        heat_capacity_j_per_k=18.0,
        thermal_k_per_w=9.0,
    )
    plant = Plant(BARE, {0: spec})
    plant.set_feed(True, 0.0)
    plant.set_output(0, True, 0.0)
    passed, before = 0.0, 20.0
    for n in range(1, 2401):
        plant.advance(n * 0.25)
        now = plant.branches[0].temperature_c
        passed += 0.25 * (0.5 * (before + now) - 20.0) / 9.0
        before = now
    branch: Branch = plant.branches[0]
    held = 18.0 * (branch.temperature_c - 20.0)
    assert branch.heat_j == pytest.approx(held + passed, rel=1e-4)
    # At the end heat in equals heat out: the steady temperature solves a quadratic.
    power = 13.5**2 / (14.5 * copper_ratio(branch.temperature_c))
    assert branch.temperature_c - 20.0 == pytest.approx(9.0 * power, rel=0.05)


def test_two_wire_sense_sees_the_leads_and_four_wire_does_not() -> None:
    for four_wire, seen in ((True, 14.5), (False, 14.65)):
        plant = bench(replace(BARE, four_wire=four_wire), lead_ohm=0.15)
        plant.set_sense(0, 0.0)
        on_for(plant, 0.05)
        t = np.array([0.049])
        measured = plant.sense_voltage(t)[0] / plant.shunt_current(t)[0]
        assert measured == pytest.approx(seen, rel=1e-6)


def test_supply_sags_by_its_resistance_and_holds_its_limit() -> None:
    plant = bench(replace(BARE, supply_ohm=0.5))
    on_for(plant, 0.05)
    t = np.array([0.049])
    assert plant.supply_voltage(t)[0] == pytest.approx(13.5 * 14.5 / 15.0, rel=1e-6)
    plant = bench(replace(BARE, supply_limit_a=0.3))
    on_for(plant, 0.05)
    assert plant.shunt_current(t)[0] == pytest.approx(0.3, rel=1e-3)
    assert plant.supply_voltage(t)[0] == pytest.approx(0.3 * 14.5, rel=1e-3)


def test_low_current_source_does_not_move_or_heat() -> None:
    plant = Plant(replace(BARE, shunt_ohm=0.05), {0: PartSpec(name="coil", electrical=IDEAL)})
    plant.set_sense(0, 0.0)
    plant.set_output(0, True, 0.0)
    plant.set_source(True, 0.0)
    plant.advance(0.1)
    t = np.array([0.09])
    assert plant.shunt_current(t)[0] == pytest.approx(0.030, rel=1e-6)
    assert plant.sense_voltage(t)[0] == pytest.approx(0.030 * 14.5, rel=1e-4)
    assert plant.reference_voltage(t)[0] == pytest.approx(0.030 * 33.0, rel=1e-6)
    assert plant.branches[0].temperature_c == pytest.approx(20.0, abs=0.01)
