"""Insulation to body: a number where there is one, a bound where there is not."""

from __future__ import annotations

import numpy as np
import pytest

from benchrig.measure.insulation import assess_insulation
from benchrig.measure.reading import Codes
from benchrig.measure.samples import InputScale
from benchrig.quantity import Measured
from benchrig.wire.messages import InputFlag, InputRole

STEP = 100e-6 / 1024  # 100 µA full scale
SCALE = InputScale(
    input=7,
    role=InputRole.INSULATION_CURRENT,
    bits=10,
    zero_code=16,
    step=STEP,
    flags=InputFlag(0),
    outputs_mask=1,
    gain_rel_uncertainty=0.01,
    offset_uncertainty=2 * STEP,
)
SOURCE = Measured(value=50.0, std_uncertainty=0.5, unit="V")


def codes(amperes: float, seed: int = 0) -> Codes:
    rng = np.random.default_rng(seed)
    exact = amperes / STEP + 16 + rng.normal(0, 0.6, 200)
    out: Codes = np.clip(np.round(exact), 0, 1023).astype(np.int16)
    return out


def test_a_leak_of_a_megohm_is_measured() -> None:
    inside = 0
    rng = np.random.default_rng(3)
    for seed in range(100):
        gain, volts = 1 + 0.01 * rng.standard_normal(), 50 + 0.5 * rng.standard_normal()
        found = assess_insulation(
            scale=SCALE,
            codes=codes(volts / 1e6 / gain, seed),
            off_codes=codes(0.0, seed + 1000),
            source_v=SOURCE,
        )
        assert found.resistance_ohm is not None
        inside += abs(found.resistance_ohm.value - 1e6) <= 2 * found.resistance_ohm.std_uncertainty
    assert inside >= 93


def test_a_good_part_is_at_least_and_no_number() -> None:
    found = assess_insulation(scale=SCALE, codes=codes(5e-9), source_v=SOURCE)
    assert found.resistance_ohm is None
    assert found.at_least_ohm is not None
    assert 1e7 < found.at_least_ohm * 10 < 50 / 5e-9
    assert "below" in found.reason


def test_a_short_to_body_is_over_range() -> None:
    found = assess_insulation(
        scale=SCALE, codes=np.full(100, 1023, dtype=np.int16), source_v=SOURCE
    )
    assert found.resistance_ohm is None
    assert found.at_most_ohm == pytest.approx(50 / (1007 * STEP), rel=1e-6)
    assert "connected" in found.reason


def test_no_source_no_answer() -> None:
    nothing = Measured(value=-1.0, std_uncertainty=0.1, unit="V")
    with pytest.raises(ValueError, match="above zero"):
        assess_insulation(scale=SCALE, codes=codes(0.0), source_v=nothing)
