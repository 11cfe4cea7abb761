"""What the shunt's current stays below, by which the rig skips looking for its trip."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig_sim.plant import Plant
from benchrig_sim.scenario import open_scenario, packaged

TURNS_LEFT = 0.5


@pytest.mark.parametrize("name", packaged())
def test_no_part_ever_draws_more(name: str) -> None:
    rig = open_scenario(name).rig
    plant = Plant(rig.circuit, rig.parts)
    plant.set_feed(True, 0.0)
    for number, branch in plant.branches.items():
        for _ in range(2):
            branch.short_turns(TURNS_LEFT)
            plant.set_output(number, True, plant.t)
            _watch(plant, 0.15)
            plant.set_output(number, False, plant.t)
            _watch(plant, 0.01)


def _watch(plant: Plant, seconds: float) -> None:
    for _ in range(round(seconds / 5e-3)):
        most, begin = plant.most_a(), plant.t
        plant.advance(begin + 5e-3)
        assert plant.shunt_current(np.linspace(begin, plant.t, 50)).max() < most
