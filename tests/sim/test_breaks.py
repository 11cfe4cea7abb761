"""A break by place in the simulated rig: what the circuit makes current and voltage do."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchrig_sim.coil import CoilSpec
from benchrig_sim.faults import BadFault, Place, parse_fault
from benchrig_sim.plant import Plant
from benchrig_sim.scenario import open_scenario

OPENED_S, CLOSED_S = 0.15, 0.16


def plant_with(place: Place, scenario: str = "linear") -> Plant:
    """On since 50 ms, open at the place for 10 ms."""
    spec = open_scenario(scenario).rig
    plant = Plant(spec.circuit, spec.parts)
    plant.set_sense(0, 0.0)
    plant.set_feed(True, 0.01)
    plant.set_output(0, True, 0.05)
    plant.set_broken(place, 0, True, OPENED_S)
    plant.set_broken(place, 0, False, CLOSED_S)
    plant.advance(0.2)
    return plant


def during(plant: Plant, since_s: float) -> tuple[float, float]:
    at = np.array([OPENED_S + since_s])
    return float(plant.shunt_current(at)[0]), float(plant.sense_voltage(at)[0])


def test_inside_the_part_the_supply_stands_at_it_all_the_time() -> None:
    plant = plant_with(Place.PART)
    before = plant.shunt_current(np.array([OPENED_S - 1e-5]))[0]
    times = np.linspace(OPENED_S + 1e-6, CLOSED_S - 1e-6, 2000)
    volts, current = plant.sense_voltage(times), plant.shunt_current(times)
    assert volts.min() > 13.5 - 0.2 * before
    assert volts[current == 0.0] == pytest.approx(13.5)
    assert (current[times > OPENED_S + 2e-4] == 0.0).all()


@pytest.mark.parametrize("place", [Place.SUPPLY, Place.FEED])
def test_before_the_part_the_current_dies_away_through_the_catch_diode(place: Place) -> None:
    plant = plant_with(place)
    circuit, part = plant.circuit, plant.branches[0]
    i0 = during(plant, -1e-6)[0]
    coil = open_scenario("linear").rig.parts[0].electrical
    ohm = part.part_ohm + part.spec.lead_ohm + circuit.switch_ohm + circuit.shunt_ohm
    assert isinstance(coil, CoilSpec)
    tau = coil.inductance_rest_h / ohm
    end = -0.7 / ohm  # of the diode
    for since_s in (0.2e-3, 1e-3):
        current, volts = during(plant, since_s)
        assert current == pytest.approx(end + (i0 - end) * math.exp(-since_s / tau), rel=2e-3)
        assert -1.2 < volts < -0.6
    assert during(plant, 9e-3) == (0.0, 0.0)
    supply = float(plant.supply_voltage(np.array([OPENED_S + 9e-3]))[0])
    assert supply == pytest.approx(0.0 if place is Place.SUPPLY else 13.5)


def test_a_lead_leaves_the_coil_alone_with_the_gap() -> None:
    plant = plant_with(Place.LEAD)
    assert during(plant, 1e-5)[1] < -100.0
    assert during(plant, 2e-3) == (0.0, 0.0)


def test_the_switch_hands_the_current_to_the_clamp() -> None:
    plant = plant_with(Place.SWITCH)
    current, volts = during(plant, 1e-5)
    assert current > 0.5
    assert volts == pytest.approx(13.5 - 36.0, abs=0.3)
    assert during(plant, 4e-3) == (0.0, 0.0)


def test_a_fault_names_its_place() -> None:
    assert parse_fault("break@cycle3,place=feed,duration_s=0.01").place is Place.FEED
    assert parse_fault("intermittent").place is Place.PART
    with pytest.raises(BadFault, match="place='somewhere' is none of: part, lead, supply"):
        parse_fault("break,place=somewhere")
