"""Flow: the regression against certified data, conversions against exact factors."""

from __future__ import annotations

import math
from importlib import resources

import numpy as np
import pytest

from benchrig.measure.flow import (
    at_pressure,
    cc_per_min,
    dynamic_flow,
    fit_line,
    flow_line,
    lb_per_hr,
    leak,
    static_flow,
)
from benchrig.measure.propagation import few_points
from benchrig.quantity import Measured


def m(value: float, u: float, unit: str = "") -> Measured:
    return Measured(value=value, std_uncertainty=u, unit=unit)


def test_norris_to_its_certified_digits() -> None:
    # NIST StRD linear regression, Norris: scipy ships the data file with its own tests.
    file = resources.files("scipy.stats.tests") / "data" / "nist_linregress" / "Norris.dat"
    rows = [row.split() for row in file.read_text().splitlines()[60:] if row.strip()]
    y, x = [float(r[0]) for r in rows], [float(r[1]) for r in rows]
    assert len(x) == 36
    line = fit_line(x, y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.u_intercept == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.u_slope == pytest.approx(0.429796848199937e-3, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.r_squared == pytest.approx(0.999993745883712, rel=1e-12)


WIDTHS = [2.0, 3.0, 4.0, 6.0, 8.0, 10.0]


def test_exact_flow_line() -> None:
    # 240 cc/min are 4 µL/ms; with a time-offset of 0.85 ms the volumes follow (closed form).
    found = flow_line(WIDTHS, [4.6, 8.6, 12.6, 20.6, 28.6, 36.6], u_volume_ul=0.05)
    assert found.slope.value == pytest.approx(4.0, abs=1e-9)
    assert found.time_offset_ms.value == pytest.approx(0.85, abs=1e-9)
    assert found.flow_offset_ul.value == pytest.approx(-3.4, abs=1e-9)
    assert found.slope.std_uncertainty > 0.005  # perfect scatter does not make a perfect glass


def test_noisy_flow_line_and_its_uncertainties() -> None:
    found = flow_line(WIDTHS, [4.7, 8.5, 12.7, 20.5, 28.7, 36.5], u_volume_ul=1e-3)
    assert found.slope.value == pytest.approx(3.98947, abs=1e-5)
    # Six points leave four degrees of freedom: Student's t is 2.776 where k = 2 stands for 1.96.
    few = 2.776 / 1.960
    assert found.slope.std_uncertainty == pytest.approx(few * 0.01697, rel=4e-3)
    assert found.flow_offset_ul.value == pytest.approx(-3.34211, abs=1e-5)
    assert found.flow_offset_ul.std_uncertainty == pytest.approx(few * 0.10486, rel=4e-3)
    line = fit_line(WIDTHS, [4.7, 8.5, 12.7, 20.5, 28.7, 36.5])
    assert (line.u_slope, line.u_intercept) == pytest.approx((0.01697, 0.10486), abs=1e-5)
    assert found.time_offset_ms.value == pytest.approx(0.83773, abs=1e-5)
    assert found.r_squared == pytest.approx(0.999928, abs=1e-6)


def test_u_of_the_time_offset_covers_by_simulation() -> None:
    rng = np.random.default_rng(0)
    exact = 4.0 * (np.array(WIDTHS) - 0.85)
    inside = 0
    for _ in range(400):
        found = flow_line(WIDTHS, list(exact + rng.normal(0, 0.1, 6)), u_volume_ul=0.1)
        u = found.time_offset_ms.std_uncertainty
        inside += abs(found.time_offset_ms.value - 0.85) <= 2 * u
    assert inside >= 0.94 * 400


def test_the_time_offset_keeps_the_correlation_of_slope_and_flow_offset() -> None:
    volumes = [4.7, 8.5, 12.7, 20.5, 28.7, 36.5]
    line, found = fit_line(WIDTHS, volumes), flow_line(WIDTHS, volumes, u_volume_ul=1e-3)
    # GUM 5.2.2 for X = -Y / m, written out: u² = (u²(Y) + X² u²(m) + 2 X u(Y, m)) / m².
    x = -line.intercept / line.slope
    cross = line.correlation * line.u_slope * line.u_intercept
    variance = line.u_intercept**2 + x * x * line.u_slope**2 + 2 * x * cross
    u = found.time_offset_ms.std_uncertainty / few_points(len(WIDTHS) - 2)
    assert u == pytest.approx(math.sqrt(variance) / line.slope, rel=1e-6)
    assert u < 0.95 * math.hypot(line.u_intercept, 0.83773 * line.u_slope) / line.slope


def test_mass_and_volume_by_the_exact_pound_and_with_density() -> None:
    # 1 lb = 0.45359237 kg exactly.
    assert cc_per_min(24.0, 0.72).value == pytest.approx(251.996, abs=1e-3)
    assert lb_per_hr(250.0, 0.72).value == pytest.approx(23.8099, abs=1e-3)
    assert "at 0.72 g/mL" in str(cc_per_min(24.0, 0.72))
    assert lb_per_hr(cc_per_min(30.0, 0.75).value, 0.75).value == pytest.approx(30.0)


def test_pressure_by_the_root() -> None:
    flow = at_pressure(m(240.0, 1.0, "cc/min"), m(300.0, 3.0, "kPa"), 350.0)
    assert flow.value == pytest.approx(259.2296, abs=1e-3)
    # 1 % of pressure is half a per cent of flow.
    assert flow.std_uncertainty == pytest.approx(math.hypot(1.080123, 0.5 * 2.592296), rel=1e-5)


def test_static_dynamic_and_leak() -> None:
    flow = static_flow(m(60.0, 0.5, "mL"), m(15.0, 0.1, "s"))
    assert flow.value == pytest.approx(240.0)
    assert flow.std_uncertainty == pytest.approx(240 * math.hypot(0.5 / 60, 0.1 / 15))
    assert dynamic_flow(m(16.6, 0.1, "mL"), 1000).value == pytest.approx(16.6)
    assert leak(3, m(60.0, 0.5, "s")).value == pytest.approx(3.0)
    assert leak(2, m(30.0, 0.5, "s")).value == pytest.approx(4.0)
    dry = leak(0, m(60.0, 0.5, "s"))
    assert dry.value == 0.0
    assert dry.std_uncertainty > 0.5


def test_nonsense_is_refused() -> None:
    with pytest.raises(ValueError, match="three points"):
        fit_line([1, 2], [1, 2])
    with pytest.raises(ValueError, match="different x"):
        fit_line([1, 1, 1], [1, 2, 3])
    with pytest.raises(ValueError, match="grow"):
        flow_line(WIDTHS, [6, 5, 4, 3, 2, 1], 0.1)
    with pytest.raises(ValueError, match="uncertainty above 0"):
        flow_line(WIDTHS, [4.6, 8.6, 12.6, 20.6, 28.6, 36.6], 0.0)
    with pytest.raises(ValueError, match="above zero"):
        cc_per_min(24.0, 0.0)
    with pytest.raises(ValueError, match="from 0"):
        leak(-1, m(60, 1))
