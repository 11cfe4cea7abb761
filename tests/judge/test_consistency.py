"""Witnesses that contradict one another, and those that do not."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from benchrig.judge.consistency import (
    HEATING_K_PER_S,
    HOST_CLOCK_PPM,
    clock_against_host,
    cold_against_hot,
    voltage_against_supply,
)
from benchrig.measure.features import CycleFeatures
from benchrig.quantity import Contribution, Measured


def ohm(value: float, u: float = 0.05, noise: float = 0.005) -> Measured:
    return Measured.from_budget(
        value,
        "ohm",
        (
            Contribution(source="gain", std_uncertainty=u),
            Contribution(source="noise", std_uncertainty=noise, evaluation="A"),
        ),
    )


def cycles(*values: float, on_s: float = 1.0) -> list[CycleFeatures]:
    return [
        CycleFeatures(
            cycle=n + 1, start_s=2.0 * n * on_s, on_s=on_s, complete=True, resistance_ohm=ohm(v)
        )
        for n, v in enumerate(values)
    ]


@dataclass(frozen=True)
class Case:
    name: str
    cold: float
    hot: tuple[float, ...]
    found: bool


CASES = (
    Case("a reference resistor 10 % off", 14.63, (13.33, 13.36, 13.38), True),
    Case("a fine gain that is off", 14.76, (15.65, 15.67, 15.69), True),
    Case("a current input that shows six tenths", 14.3, (23.8, 23.9, 23.9), True),
    Case("a sound rig", 14.3, (14.33, 14.35, 14.36), False),
    Case("a winding that warms", 14.3, (14.5, 14.9, 15.2, 15.4), False),
    Case("a joint that gets worse hot", 14.3, (15.9, 16.4, 22.0, 31.0), False),
    Case("a contact that goes about", 14.3, (18.0, 14.4, 21.0, 14.5), False),
)


@pytest.mark.parametrize("case", CASES, ids=[c.name for c in CASES])
def test_cold_against_hot(case: Case) -> None:
    said = cold_against_hot(ohm(case.cold), cycles(*case.hot))
    assert bool(said) is case.found, said
    if case.found:
        assert "low-current source" in said
        assert "cycle 1" in said
        assert "clip on the known resistor" in said


def test_cold_against_hot_just_inside_and_outside_what_warming_can_do() -> None:
    """Both ways, from k = 3 of both readings and 5 K/s of copper."""
    cold = ohm(10.0)
    doubt = 3.0 * (cold.std_uncertainty**2 * 2) ** 0.5
    for on_s in (0.1, 1.0, 4.0):
        most = (10.0 + doubt) / (1.0 - HEATING_K_PER_S * on_s / 234.5)
        for hot, found in (
            (most * 1.001, True),
            (most * 0.999, False),
            (10.0 - doubt * 1.02, True),
            (10.0 - doubt * 0.98, False),
        ):
            assert bool(cold_against_hot(cold, cycles(hot, hot, hot, on_s=on_s))) is found


@pytest.mark.parametrize("sign", [1, -1])
def test_clock_against_host(sign: int) -> None:
    inside, outside = 100 + HOST_CLOCK_PPM - 1, 100 + HOST_CLOCK_PPM + 1
    assert clock_against_host(sign * inside, 100) == ""
    assert "host" in clock_against_host(sign * outside, 100)
    assert clock_against_host(None, 100) == ""
    assert clock_against_host(sign * 20_000, 30_000) == ""


def test_a_part_has_no_more_than_its_supply() -> None:
    supply = Measured(value=13.6, std_uncertainty=0.08, unit="V")
    doubt = 3.0 * (2 * 0.08**2) ** 0.5
    for volts, found in ((13.6 * 1.05 + doubt - 0.01, False), (13.6 * 1.05 + doubt + 0.01, True)):
        cycle = CycleFeatures(
            cycle=1,
            start_s=0.0,
            on_s=1.0,
            complete=True,
            voltage_v=Measured(value=volts, std_uncertainty=0.08, unit="V"),
        )
        assert bool(voltage_against_supply(supply, [cycle])) is found
    assert voltage_against_supply(None, []) == ""
