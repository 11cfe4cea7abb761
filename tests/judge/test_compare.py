"""Before and after, and the fingerprint of a part."""

from __future__ import annotations

import math
import random

import pytest

from benchrig.judge.compare import compare, fingerprint
from benchrig.parts.part import Characteristic
from benchrig.quantity import Contribution, Measured

R20 = Characteristic.RESISTANCE_20C


def m(value: float, u: float = 0.05, unit: str = "ohm") -> Measured:
    return Measured(value=value, std_uncertainty=u, unit=unit)


def budgeted(value: float, gain: float, noise: float) -> Measured:
    lines = (
        Contribution(source="gain", std_uncertainty=gain * value),
        Contribution(source="noise", std_uncertainty=noise, evaluation="A"),
    )
    return Measured.from_budget(value, "ohm", lines)


def test_a_change_counts_beyond_the_uncertainty_of_the_difference() -> None:
    # u of a difference of two independent values: sqrt(2) u (GUM 5.1.2).
    found = compare(m(14.5), m(14.6))
    assert found.std_uncertainty == pytest.approx(0.05 * math.sqrt(2))
    assert not found.significant
    assert compare(m(14.5), m(14.65)).significant
    assert compare(m(14.5), m(14.35)).significant
    assert "no change that could be told" in found.sentence
    assert "+100 mohm" in found.sentence or "+0.1 ohm" in found.sentence


def test_a_gain_both_readings_share_does_not_hide_a_change() -> None:
    before, after = budgeted(14.5, 0.01, 0.005), budgeted(14.6, 0.01, 0.005)
    assert not compare(before, after).significant
    shared = compare(before, after, shared=["gain"])
    assert shared.significant
    # (0.146 - 0.145)² + 2 · 0.005²; the floor of a tenth of u is 0.0146.
    assert shared.std_uncertainty == pytest.approx(
        max(0.00714, 0.1 * after.std_uncertainty), rel=0.01
    )


def test_shared_gain_agrees_with_a_simulation() -> None:
    draw = random.Random(2)
    differences = []
    for _ in range(20_000):
        gain = draw.gauss(1, 0.01)
        differences.append((20.0 - 10.0) * gain + draw.gauss(0, 0.05) - draw.gauss(0, 0.05))
    mean = sum(differences) / len(differences)
    sd = math.sqrt(sum((d - mean) ** 2 for d in differences) / (len(differences) - 1))
    found = compare(budgeted(10.0, 0.01, 0.05), budgeted(20.0, 0.01, 0.05), shared=["gain"])
    assert found.std_uncertainty == pytest.approx(sd, rel=0.03)


def test_units_must_agree() -> None:
    with pytest.raises(ValueError, match="compared"):
        compare(m(1.0), m(1.0, unit="A"))


def test_false_alarms_of_no_change_are_about_5_percent() -> None:
    draw = random.Random(4)
    told = sum(
        compare(m(draw.gauss(14.5, 0.05)), m(draw.gauss(14.5, 0.05))).significant
        for _ in range(4000)
    )
    assert 0.03 < told / 4000 < 0.065  # 4.55 % beyond 2 sigma


def test_a_swapped_part_is_noticed_beyond_three_sigma() -> None:
    known = {R20: m(14.5), Characteristic.INDUCTANCE: m(0.012, 1e-4, "H")}
    same = fingerprint(known, {R20: m(14.6)})
    assert same.matches
    assert set(same.changes) == {R20}
    other = fingerprint(known, {R20: m(14.5), Characteristic.INDUCTANCE: m(0.0126, 1e-4, "H")})
    assert other.matches is False
    assert "inductance_h is 4.2 sigma" in other.reason
    just_under = fingerprint({R20: m(14.5)}, {R20: m(14.5 + 2.9 * 0.05 * math.sqrt(2))})
    assert just_under.matches
    assert fingerprint(known, {}).matches is None
