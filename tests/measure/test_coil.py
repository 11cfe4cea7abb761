"""Resistance and copper against printed tables, and the honesty of the budgets."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchrig.measure.coil import (
    LEAD_NULL,
    SHARED_GAINS,
    TWO_WIRE_OHM_MIN,
    at_temperature,
    cold_resistance,
    null_refusal,
    r20_from,
    resistance_from_pairs,
    subtract_null,
    winding_temperature_from,
)
from benchrig.measure.leads import awg_ohm_per_m, null_doubt
from benchrig.measure.reading import Codes, read
from benchrig.measure.samples import InputScale
from benchrig.parts.copper import resistance_factor
from benchrig.quantity import Contribution, Measured
from benchrig.wire.messages import InputFlag, InputRole


def ohm(value: float, u: float = 0.01) -> Measured:
    return Measured(value=value, std_uncertainty=u, unit="ohm")


def scale(
    role: InputRole, full_scale: float, *, bits: int = 10, zero: float = 8, gain_u: float = 0.001
) -> InputScale:
    step = full_scale / (1 << bits)
    return InputScale(
        input=1,
        role=role,
        bits=bits,
        zero_code=zero,
        step=step,
        flags=InputFlag(0),
        outputs_mask=1,
        gain_rel_uncertainty=gain_u,
        offset_uncertainty=2 * step,
        calibrated=True,
    )


@pytest.mark.parametrize(
    ("to_c", "factor", "tolerance"),
    # A public table of copper factors, reference 25 °C (no stored address).
    [
        (100, 1.289, 0.0005),
        (50, 1.096, 0.0006),
        (75, 1.193, 0.0006),
        (85, 1.231, 0.0006),
        (150, 1.482, 0.0006),
        (200, 1.674, 0.0006),
    ],
)
def test_copper_factors_of_the_printed_table(to_c: float, factor: float, tolerance: float) -> None:
    assert resistance_factor(25, to_c) == pytest.approx(factor, abs=tolerance)


def test_alpha_form_of_iec_60028_agrees_with_the_winding_rule() -> None:
    # cabledatasheet.com, "Conductor Temperature Coefficient of Resistance", citing IEC 60028:
    # 0.1 ohm at 20 °C is 0.11179 ohm at 50 °C with alpha = 0.00393.
    # The winding rule has 1/254.5 for it, 2e-5 away.
    assert at_temperature(ohm(0.1, 1e-4), 20, 0.5, 50).value == pytest.approx(0.11179, rel=3e-5)
    assert r20_from(ohm(0.11179, 1e-5), 50.0, 0.5).value == pytest.approx(0.1, rel=3e-5)


@pytest.mark.parametrize(
    ("gauge", "ohm_per_kft"),
    # HyperPhysics, "Common Wire Gauges": ohm a 1000 ft at 20 °C.
    [
        (18, 6.385), (20, 10.15), (24, 25.67), (10, 0.9989), (12, 1.588),
        (14, 2.525), (16, 4.016), (22, 16.14), (26, 40.81),
    ],
)  # fmt: skip
def test_wire_gauges_of_the_printed_table(gauge: int, ohm_per_kft: float) -> None:
    assert awg_ohm_per_m(gauge) * 304.8 == pytest.approx(ohm_per_kft, rel=1e-3)


def test_a_null_is_doubted_by_its_wire() -> None:
    wire = 2 * awg_ohm_per_m(18)
    assert wire == pytest.approx(0.04190, abs=1e-5)
    assert null_doubt(0.12, 18, 1.0) == ""
    assert "below" in null_doubt(0.01, 18, 1.0)
    assert "above" in null_doubt(0.4, 18, 1.0)


def test_worked_cases_of_the_winding_rule() -> None:
    # Arithmetic with 234.5: 14.5 ohm from 20 to 100 °C; 18.9 ohm read at 85 °C.
    assert at_temperature(ohm(14.5), 20, 0.5, 100).value == pytest.approx(19.0580, abs=1e-3)
    assert r20_from(ohm(18.9), 85, 1).value == pytest.approx(15.0549, abs=1e-3)
    # IEC 60034-1 form: 12.0 ohm at 23 °C, then 14.4; coolant 26 °C at the end.
    hot = winding_temperature_from(ohm(14.4), ohm(12.0), 23, 0.5)
    assert hot.value == pytest.approx(74.5, abs=1e-6)
    assert hot.value - 26 == pytest.approx(48.5, abs=1e-6)
    assert winding_temperature_from(ohm(18.0), ohm(14.5), 22, 0.5).value == pytest.approx(
        83.91, abs=0.01
    )


@pytest.mark.parametrize("temperature_c", [-40.0, 0.0, 20.0, 60.0, 155.0])
def test_there_and_back_is_the_same_resistance(temperature_c: float) -> None:
    there = at_temperature(ohm(14.5), 20, 0.1, temperature_c)
    assert r20_from(there, temperature_c, 0.1).value == pytest.approx(14.5, rel=1e-12)


def test_five_kelvin_are_two_percent_and_wire_counts_only_away_from_20() -> None:
    here = r20_from(ohm(14.5, 0.001), 20.0, 5.0)
    assert here.std_uncertainty / here.value == pytest.approx(5 / 254.5, rel=1e-3)
    assert all(line.source != "copper of the wire" for line in here.budget)
    far = r20_from(ohm(14.5, 0.001), 100.0, 0.01)
    wire = next(line for line in far.budget if line.source == "copper of the wire")
    # 98 % IACS has alpha 2 % lower (alpha goes with conductivity): at 80 K about 0.5 %.
    assert wire.std_uncertainty * math.sqrt(3) / far.value == pytest.approx(0.0048, abs=2e-4)


def test_shared_gains_cancel_in_the_winding_temperature() -> None:
    def budgeted(value: float) -> Measured:
        lines = (
            Contribution(source="voltage gain", std_uncertainty=0.02 * value),
            Contribution(source="noise", std_uncertainty=1e-4 * value),
        )
        return Measured.from_budget(value, "ohm", lines)

    apart = winding_temperature_from(budgeted(18.0), budgeted(14.5), 22, 0.1)
    shared = winding_temperature_from(budgeted(18.0), budgeted(14.5), 22, 0.1, shared=SHARED_GAINS)
    assert shared.value == apart.value
    assert apart.std_uncertainty > 8.0  # 2 % of 318 K, twice
    assert shared.std_uncertainty < 1.0


@pytest.mark.parametrize("u", [0.0, math.nan, -1.0])
def test_a_temperature_needs_its_uncertainty(u: float) -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        r20_from(ohm(14.5), 25, u)
    with pytest.raises(ValueError, match="uncertainty"):
        winding_temperature_from(ohm(18), ohm(14.5), 25, u)


def test_two_wire_needs_a_fresh_null() -> None:
    result = subtract_null(ohm(2.45, 0.003), ohm(0.15, 0.004))
    assert result.value == pytest.approx(2.30, abs=1e-9)
    assert result.std_uncertainty == pytest.approx(0.005)
    assert result.budget[-1].source == LEAD_NULL
    assert result.value < TWO_WIRE_OHM_MIN
    assert null_refusal(ohm(0.15), 600.0) == ""
    assert "no lead null" in null_refusal(None, None)
    assert "shift" in null_refusal(ohm(0.15), 9 * 3600.0)
    assert "shift" in null_refusal(ohm(0.15), None)
    assert "too high" in null_refusal(ohm(0.6), 600.0)


def test_independent_v_and_i_combine_by_root_sum_of_squares() -> None:
    # GUM 5.1: 0.2 % and 0.3 % of 14.5 ohm are 0.052280 ohm.
    i_scale = scale(InputRole.CURRENT_FINE, 1.6, bits=16, gain_u=0.003)
    v_scale = scale(InputRole.PART_VOLTAGE, 20.0, bits=16, gain_u=0.002)
    codes = np.full(100, 20_000, dtype=np.int16)
    voltage, current = read(v_scale, codes, codes * 0 + 8), read(i_scale, codes, codes * 0 + 8)
    v, i = np.full(100, 14.5), np.ones(100)
    r = resistance_from_pairs(v, i, voltage=voltage, current=current)
    gains = [line.std_uncertainty for line in r.budget if line.source.endswith("gain")]
    assert math.hypot(*gains) == pytest.approx(0.052280, abs=1e-5)


def test_step_of_a_12_bit_5_v_input_and_its_quantisation() -> None:
    # IEEE 1241 and GUM F.2.2.1: step / sqrt 12; a constant code does not average it away.
    adc = scale(InputRole.PART_VOLTAGE, 5.0, bits=12)
    for n in (1, 1000):
        reading = read(adc, np.full(n, 1234, dtype=np.int16))
        assert reading.step == pytest.approx(1.220703e-3, abs=1e-9)
        assert reading.quantisation_u == pytest.approx(0.352387e-3, abs=1e-9)
        assert reading.std_uncertainty > 0.352387e-3


def test_supply_drift_seen_by_both_is_gone_from_the_ratio() -> None:
    rng = np.random.default_rng(3)
    drift = np.cumsum(rng.normal(0, 0.01, 400))
    v = 13.5 + drift + rng.normal(0, 1e-3, 400)
    i = (13.5 + drift) / 14.5 + rng.normal(0, 1e-4, 400)
    codes = np.full(400, 500, dtype=np.int16)
    reading = read(scale(InputRole.PART_VOLTAGE, 20.0), codes)
    r = resistance_from_pairs(v, i, voltage=reading, current=reading)
    noise = next(line for line in r.budget if line.evaluation == "A")
    assert noise.std_uncertainty < 2e-3
    assert float(v.std()) / math.sqrt(400) / 13.5 * 14.5 > 4 * noise.std_uncertainty


class ColdRig:
    """A ratiometric cold reading made of codes, with the errors the scales admit."""

    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        rng = self.rng
        self.r = float(rng.uniform(0.8, 60.0))
        self.resistor = 33.0 * (1 + 0.0005 * rng.standard_normal())
        self.gains = 1 + 0.001 * rng.standard_normal(2)
        self.offsets = rng.uniform(-3, 3, 2)  # codes, before the off reading takes them away
        self.noise = float(rng.uniform(0.1, 1.5))  # codes
        self.part = scale(InputRole.PART_VOLTAGE_FINE, 2.5)
        self.reference = scale(InputRole.REFERENCE_VOLTAGE, 2.5)

    def codes(self, which: int, volts: float) -> Codes:
        adc = (self.part, self.reference)[which]
        exact = volts / self.gains[which] / adc.step + adc.zero_code + self.offsets[which]
        noisy = exact + self.noise * self.rng.standard_normal(200)
        codes: Codes = np.clip(np.floor(noisy + 0.5), 0, 1023).astype(np.int16)
        return codes

    def read(self, null: Measured | None = None, leads: float = 0.0) -> Measured | None:
        amps = 0.03
        return cold_resistance(
            part_scale=self.part,
            part_codes=self.codes(0, amps * (self.r + leads)),
            reference_scale=self.reference,
            reference_codes=self.codes(1, amps * self.resistor),
            reference_resistor_ohm=Measured(value=33.0, std_uncertainty=0.0165, unit="ohm"),
            part_off_codes=self.codes(0, 0.0),
            reference_off_codes=self.codes(1, 0.0),
            null=null,
        ).resistance_ohm


def test_the_stated_uncertainty_covers_200_random_coils() -> None:
    within_2u = 0
    for seed in range(200):
        rig = ColdRig(seed)
        found = rig.read()
        assert found is not None
        within_2u += abs(found.value - rig.r) <= 2 * found.std_uncertainty
        assert found.std_uncertainty < 0.005 * rig.r + 0.15  # covers, and is of use
    assert within_2u >= 190


def test_leads_left_in_are_seen_as_an_error_beyond_the_uncertainty() -> None:
    rig = ColdRig(5)
    rig.r = 2.3
    null = ohm(0.4, 0.03)
    with_null, without = rig.read(null, leads=0.4), rig.read(leads=0.4)
    assert with_null is not None
    assert without is not None
    assert abs(with_null.value - 2.3) < 2 * with_null.std_uncertainty
    assert abs(without.value - 2.3) > 4 * without.std_uncertainty


def test_an_open_part_is_over_range_and_says_above_what() -> None:
    rig = ColdRig(1)
    full = np.full(200, 1023, dtype=np.int16)
    for reference_codes in (rig.codes(1, 0.0), rig.codes(1, 0.2)):
        result = cold_resistance(
            part_scale=rig.part,
            part_codes=full,
            reference_scale=rig.reference,
            reference_codes=reference_codes,
            reference_resistor_ohm=ohm(33.0),
        )
        assert result.resistance_ohm is None
        assert result.over_range
        assert result.at_least_ohm is not None
        assert result.at_least_ohm > 300
        assert "over range" in result.reason
    dead = cold_resistance(
        part_scale=rig.part,
        part_codes=rig.codes(0, 0.0),
        reference_scale=rig.reference,
        reference_codes=rig.codes(1, 0.0),
        reference_resistor_ohm=ohm(33.0),
    )
    assert dead.resistance_ohm is None
    assert "no current" in dead.reason
