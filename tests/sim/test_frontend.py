"""Codes: the noise, offset and gain error that were asked for, and contacts that bounce."""

from __future__ import annotations

from math import sqrt

import numpy as np
import pytest

from benchrig.wire.messages import Accepted, InputRole
from benchrig_sim.circuit import CircuitSpec
from benchrig_sim.frontend import FrontEnd, InputModel, Scans, reference_inputs
from benchrig_sim.plant import Plant
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import parse_scenario
from tests.sim.desk import Desk

SCANS = Scans(inputs=(0,), begin_s=0.0, period_s=1e-4, count=20_000)


def front_end(role: InputRole, *, bits: int = 12, **errors: float) -> tuple[FrontEnd, InputModel]:
    info = next(i for i in reference_inputs(bits, 1, True) if i.role is role)
    model = InputModel(info=info)
    for name, value in errors.items():
        setattr(model, name, value)
    plant = Plant(CircuitSpec(supply_v=13.5), {})
    plant.advance(10.0)
    return FrontEnd(plant, [model], 5), model


@pytest.mark.parametrize("noise", [0.5, 0.8, 2.0])
def test_noise_is_as_wide_as_declared(noise: float) -> None:
    """White noise and rounding add in squares: sd^2 = noise^2 + 1/12 (GUM F.2.2.1).

    True from about half a step of noise on; below it the noise no longer dithers.
    """
    front, _ = front_end(InputRole.SUPPLY_VOLTAGE, noise_codes=noise)
    codes = front.codes(SCANS)[:, 0].astype(float)
    assert codes.std() == pytest.approx(sqrt(noise**2 + 1 / 12), rel=0.05)
    ideal = 13.5 / 20.0 * 4096
    assert codes.mean() == pytest.approx(ideal, abs=0.1)
    neighbours = float(np.corrcoef(codes[:-1], codes[1:])[0, 1])
    assert abs(neighbours) < 4.0 / sqrt(len(codes))


def test_gain_and_offset_errors_show() -> None:
    front, _ = front_end(InputRole.SUPPLY_VOLTAGE, gain_error=0.01, offset_codes=5.0)
    codes = front.codes(SCANS)
    assert codes.mean() == pytest.approx(13.5 / 20.0 * 4096 * 1.01 + 5.0, abs=0.1)


def test_zero_reads_the_live_zero_and_the_top_saturates() -> None:
    front, model = front_end(InputRole.CURRENT_FINE)
    assert front.codes(SCANS).mean() == pytest.approx(model.info.zero_code, abs=0.1)
    hot, _ = front_end(InputRole.TEMPERATURE)
    hot.plant.circuit = CircuitSpec(ambient_c=500.0)
    assert set(hot.codes(SCANS)[:, 0].tolist()) == {4095}


def test_the_trip_is_judged_through_the_inputs_own_errors() -> None:
    front, model = front_end(InputRole.CURRENT_COARSE, gain_error=0.02)
    assert front.trips(model, 5.0) == pytest.approx(5.0 / 1.02, rel=1e-6)
    model.stuck_code = 0
    assert front.trips(model, 5.0) == np.inf
    model.stuck_code = 4095
    assert front.trips(model, 5.0) < 0.0


RELAY = """
title = "a relay output"
[rig]
relay_outputs = [7]
[[part]]
output = 7
[part.coil]
resistance_20c_ohm = 14.5
inductance_rest_h = 0.012
inductance_seat_h = 0.012
"""


def test_a_relay_operates_late_bounces_and_releases_late() -> None:
    """Operate 5 to 10 ms and release 3 to 10 ms: common datasheet figures."""
    desk = Desk(SimRig(parse_scenario(RELAY, "relay.toml", "relay").rig))
    desk.run([(0x80, 200_000), (0, 200_000)])
    desk.wait(0.6)
    moves = [e.t for e in desk.rig.plant.edge_log if e.t > 0.03]
    masks = [e.outputs_mask for e in desk.rig.plant.edge_log if e.t > 0.03]
    start = 0.03
    assert 5e-3 <= moves[0] - start <= 10e-3
    assert masks.count(0x80) > 2, "it did not bounce"
    assert masks[-2:] == [0x80, 0]
    assert 3e-3 <= moves[-1] - (start + 0.2) <= 10e-3
    refused = desk.load([(0x80, 5_000), (0, 100_000)], schedule_id=2)
    assert not isinstance(refused, Accepted), "a relay cannot make a 5 ms pulse"
