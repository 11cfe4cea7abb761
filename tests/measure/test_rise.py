"""The rise fit against certified data, closed forms, and everything that is no rise."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchrig.measure.propagation import t_quantile
from benchrig.measure.rise import Z_99, fit_rise
from benchrig.measure.rise_batch import RiseBank
from benchrig.quantity import Measured

DATA = Path(__file__).parents[1] / "data" / "nist"
VOLTS = Measured(value=13.5, std_uncertainty=0.02, unit="V")


def misra1a() -> tuple[Any, Any]:
    table = np.loadtxt(DATA / "Misra1a.csv", delimiter=",", skiprows=5)
    return table[:, 1], table[:, 0]


def grid(points: int, step_s: float = 5e-5) -> Any:
    return np.arange(1, points + 1) * step_s


def rise(t: Any, current: float = 0.931034, tau: float = 0.827586e-3) -> Any:
    return np.asarray(current * -np.expm1(-t / tau))


def value(measured: Measured | None) -> float:
    assert measured is not None
    return measured.value


def u(measured: Measured | None) -> float:
    assert measured is not None
    return measured.std_uncertainty


@pytest.mark.parametrize("scale", [1.0, 1e-6, 1e6])
def test_misra1a_to_its_certified_digits(scale: float) -> None:
    # NIST StRD Misra1a, certified values in the data file; b2 = 1 / tau.
    x, y = misra1a()
    fit = fit_rise(x * scale, y / scale, VOLTS)
    assert fit.converged
    assert value(fit.current_a) * scale == pytest.approx(238.94212918, rel=1e-6)
    assert scale / value(fit.tau_s) == pytest.approx(5.5015643181e-4, rel=1e-6)
    assert u(fit.current_a) * scale == pytest.approx(2.7070075241, rel=1e-5)
    u_b2 = u(fit.tau_s) / value(fit.tau_s) ** 2 * scale
    assert u_b2 == pytest.approx(7.2668688436e-6, rel=1e-5)
    assert fit.residual_sum_squares is not None
    assert fit.residual_sum_squares * scale**2 == pytest.approx(0.12455138894, rel=1e-5)


def test_misra1a_is_too_short_for_a_resistance_and_says_so() -> None:
    fit = fit_rise(*misra1a(), VOLTS)
    assert fit.resistance_ohm is None
    assert "too short for R" in fit.reason
    assert fit.inductance_h is not None


def test_a_hard_sparse_set_is_found_from_its_own_start() -> None:
    # NIST StRD BoxBOD, data and certified values from memory: the set on which
    # general-purpose fitters run away from far starts.
    x, y = np.array([1, 2, 3, 5, 7, 10.0]), np.array([109, 149, 149, 191, 213, 224.0])
    fit = fit_rise(x, y)
    assert fit.converged
    assert value(fit.current_a) == pytest.approx(213.80940889, rel=1e-6)
    assert 1 / value(fit.tau_s) == pytest.approx(0.54723748542, rel=1e-6)
    assert u(fit.current_a) == pytest.approx(12.354515176, rel=1e-5)


def test_reference_coil_gives_back_its_closed_form() -> None:
    # Textbook: 13.5 V on 14.5 ohm and 12 mH.
    t = grid(80)
    fit = fit_rise(t, rise(t, 13.5 / 14.5, 12e-3 / 14.5), VOLTS)
    assert value(fit.tau_s) == pytest.approx(0.827586e-3, rel=1e-5)
    assert value(fit.current_a) == pytest.approx(0.931034, rel=1e-5)
    assert value(fit.resistance_ohm) == pytest.approx(14.5, rel=1e-9)
    assert value(fit.inductance_h) == pytest.approx(12e-3, rel=1e-9)
    assert value(fit.current_a) * -math.expm1(-1e-3 / value(fit.tau_s)) == pytest.approx(
        0.652939, rel=1e-5
    )
    assert 0.5 * value(fit.inductance_h) * value(fit.current_a) ** 2 == pytest.approx(
        5.20095e-3, rel=1e-5
    )


def test_three_samples_and_shorted_turns_agree_with_their_closed_forms() -> None:
    i1, i2, i3 = 0.4221965, 0.6529394, 0.7790473  # every 0.5 ms
    assert 0.5e-3 / math.log((i2 - i1) / (i3 - i2)) == pytest.approx(0.827586e-3, rel=1e-4)
    # A tenth of the turns bypassed: R (1 - s), L (1 - s)^2.
    t = grid(80)
    fit = fit_rise(t, rise(t, 13.5 / (14.5 * 0.9), 12e-3 * 0.81 / (14.5 * 0.9)), VOLTS)
    assert value(fit.resistance_ohm) == pytest.approx(13.05, rel=1e-4)
    assert value(fit.tau_s) == pytest.approx(0.74483e-3, rel=1e-4)
    assert value(fit.current_a) == pytest.approx(1.03448, rel=1e-4)


def test_a_sagging_supply_needs_the_voltage_of_the_beginning_for_l() -> None:
    supply, inner, r, henry = 13.5, 0.5, 14.5, 12e-3
    t = grid(80)
    current = supply / (r + inner)
    at_part = Measured(value=current * r, std_uncertainty=0.01, unit="V")
    opened = Measured(value=supply, std_uncertainty=0.01, unit="V")
    data = rise(t, current, henry / (r + inner))
    fit = fit_rise(t, data, at_part, source_voltage=opened)
    assert value(fit.resistance_ohm) == pytest.approx(r, rel=1e-9)
    assert value(fit.inductance_h) == pytest.approx(henry, rel=1e-9)
    assert value(fit_rise(t, data, at_part).inductance_h) != pytest.approx(henry, rel=0.02)


def test_order_of_points_and_sign_of_current_do_not_matter() -> None:
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(1e-5, 4e-3, 40))
    y = rise(t) + rng.normal(0, 2e-3, t.size)
    straight, shuffled = fit_rise(t, y, VOLTS), rng.permutation(t.size)
    other = fit_rise(t[shuffled], y[shuffled], VOLTS)
    turned = fit_rise(t, -y)
    assert value(other.tau_s) == pytest.approx(value(straight.tau_s), rel=1e-9)
    assert u(other.tau_s) == pytest.approx(u(straight.tau_s), rel=1e-6)
    assert value(turned.current_a) == pytest.approx(-value(straight.current_a), rel=1e-9)


@pytest.mark.parametrize(
    ("name", "y"),
    [
        ("constant", np.full(20, 0.9)),
        ("nothing", np.zeros(20)),
        ("straight line", np.arange(20.0)),
        ("faster than a line", np.arange(20.0) ** 2),
        ("decay", np.exp(-np.arange(20.0) / 4)),
        ("noise", np.random.default_rng(1).normal(0, 1, 20)),
        ("not a number", np.array([*np.arange(19.0), np.nan])),
        ("a full sine", np.sin(np.arange(20.0) / 3)),
        ("inrush that falls", 1 + np.exp(-np.arange(20.0) / 3)),
    ],
)
def test_what_is_no_rise_gives_no_number(name: str, y: Any) -> None:
    fit = fit_rise(np.arange(1.0, 21.0), y)
    assert not fit.converged, name
    assert fit.reason
    assert fit.current_a is None
    assert fit.tau_s is None
    assert fit.resistance_ohm is None


def test_a_noisy_short_record_is_refused_for_its_straight_line() -> None:
    rng = np.random.default_rng(2)
    t = grid(20, 5e-6)
    fit = fit_rise(t, rise(t) + rng.normal(0, 5e-3, t.size))
    assert not fit.converged
    assert "straight line" in fit.reason


def test_five_points_are_not_enough_and_six_are() -> None:
    t = grid(6, 7e-4)
    y = rise(t) + np.array([1, -2, 1, 0, 1, -1]) * 1e-4
    assert "6 or more" in fit_rise(t[:5], y[:5]).reason
    assert fit_rise(t, y).converged


def test_a_dent_in_the_rise_widens_or_refuses() -> None:
    t = grid(100)
    rng = np.random.default_rng(6)
    dent = np.where((t > 1.2e-3) & (t < 2.0e-3), 1.0, 0.0)
    small = fit_rise(t, rise(t) - 0.01 * dent + rng.normal(0, 5e-4, t.size), VOLTS)
    assert small.converged
    assert "widened" in small.reason
    assert abs(value(small.current_a) - 0.931034) < 2.5 * u(small.current_a)
    large = fit_rise(t, rise(t) - 0.3 * dent + rng.normal(0, 5e-4, t.size), VOLTS)
    assert not large.converged


def test_hard_sparse_sets_are_right_or_not_given() -> None:
    """6 to 12 points anywhere, up to 10 % noise: what is given lies within 4 u."""
    rng = np.random.default_rng(11)
    given, wild = 0, 0
    for _ in range(400):
        n = int(rng.integers(6, 13))
        tau = 10 ** rng.uniform(-5, 3)
        t = np.sort(rng.uniform(0, tau * rng.uniform(0.3, 10), n))
        height = 10 ** rng.uniform(-4, 4)
        y = rise(t, height, tau) + rng.normal(0, height * 10 ** rng.uniform(-4, -1), n)
        fit = fit_rise(t, y)
        if not fit.converged:
            assert fit.reason
            continue
        given += 1
        # Four degrees of freedom have long tails: t(4) is beyond 6 u in 0.4 % of all sets.
        wild += abs(value(fit.current_a) - height) > 6 * u(fit.current_a)
        wild += abs(value(fit.tau_s) - tau) > 6 * u(fit.tau_s)
    assert given > 250
    assert wild <= 0.02 * 2 * given


@pytest.mark.parametrize("taus", [3.0, 5.0])
def test_the_stated_uncertainty_covers_quantised_and_noisy_rises(taus: float) -> None:
    rng = np.random.default_rng(8)
    step = 1.6 / 1024
    inside, count = 0, 200
    for _ in range(count):
        tau, top = rng.uniform(0.4e-3, 3e-3), rng.uniform(0.3, 1.4)
        t = np.linspace(0, taus * tau, 101)[1:]
        y = rise(t, top, tau) + rng.normal(0, 1e-3, t.size)
        fit = fit_rise(t, np.round(y / step) * step)
        inside += abs(value(fit.tau_s) - tau) <= 2 * u(fit.tau_s)
        inside += abs(value(fit.current_a) - top) <= 2 * u(fit.current_a)
    assert 0.92 * 2 * count <= inside <= 0.985 * 2 * count


def test_the_inductance_keeps_the_correlation_of_current_and_tau() -> None:
    """L = V tau / I: in a short record both are wrong together, and L is much better known."""
    rng = np.random.default_rng(13)
    t = grid(60, 4e-5)
    found = [fit_rise(t, rise(t) + rng.normal(0, 2e-3, t.size), VOLTS) for _ in range(400)]
    exact = Measured(value=13.5, std_uncertainty=1e-9, unit="V")
    one = fit_rise(t, rise(t) + rng.normal(0, 2e-3, t.size), exact)
    scatter = float(np.std([value(f.inductance_h) for f in found]))
    assert u(one.inductance_h) == pytest.approx(scatter, rel=0.25)
    apart = value(one.inductance_h) * math.hypot(
        u(one.current_a) / value(one.current_a), u(one.tau_s) / value(one.tau_s)
    )
    assert apart > 1.2 * u(one.inductance_h)


def test_student_quantiles() -> None:
    # Student's t, 99 % two-sided, from the printed tables: 4, 12 and 30 degrees of freedom.
    for dof, printed in ((4, 4.604), (12, 3.055), (30, 2.750)):
        assert t_quantile(Z_99, dof) == pytest.approx(printed, rel=0.02)


@pytest.mark.parametrize(
    ("name", "shape", "noise"),
    [
        ("constant", lambda t: 0 * t + 1, 0.01),
        ("nothing", lambda t: 0 * t, 1.0),
        ("line", lambda t: t, 0.02),
        ("decay", lambda t: np.exp(-3 * t), 0.01),
        ("late step", lambda t: (t > 0.5) * 1.0, 0.01),
        ("inrush", lambda t: -np.expm1(-t / 0.02) * (1 + 3 * np.exp(-t / 0.2)), 0.01),
    ],
)
def test_other_shapes_under_noise_hardly_ever_pass_for_a_rise(
    name: str, shape: Any, noise: float
) -> None:
    rng = np.random.default_rng(17)
    passed = 0
    for k in range(300):
        t = np.sort(rng.uniform(1e-3, 1, (6, 12, 20, 100)[k % 4]))
        passed += fit_rise(t, shape(t) + rng.normal(0, noise, t.size)).converged
    assert passed <= 5, name


def test_a_batch_says_what_the_single_fit_says() -> None:
    rng = np.random.default_rng(9)
    t = grid(100, 4e-5)
    rows = [rise(t, a, tau) for a, tau in ((0.9, 0.8e-3), (1.2, 0.5e-3), (-0.7, 1.3e-3))]
    rows += [np.zeros(100), t * 100, t, rise(t, 0.9, 4e-5)]
    data = np.array(rows) + rng.normal(0, 2e-3, (len(rows), 100))
    batch = RiseBank(t).fit(data)
    for row in range(len(rows)):
        one, many = fit_rise(t, data[row], VOLTS), batch.fit(row, VOLTS)
        assert one.converged == many.converged
        assert (one.reason == "") == (many.reason == "")
        if one.converged:
            for name in ("current_a", "tau_s", "inductance_h"):
                a, b = getattr(one, name), getattr(many, name)
                assert a.value == pytest.approx(b.value, rel=2e-6)
                assert a.std_uncertainty == pytest.approx(b.std_uncertainty, rel=5e-3)
        else:
            assert math.isnan(batch.current_a[row])


def test_structure_is_seen_in_a_batch_too() -> None:
    rng = np.random.default_rng(10)
    t = grid(100)
    dent = np.where((t > 1.2e-3) & (t < 2.0e-3), 0.01, 0.0)
    data = rise(t) + rng.normal(0, 5e-4, (40, 100))
    assert not RiseBank(t).fit(data).structured
    assert len(RiseBank(t).fit(data - dent).structured) == 40


def test_a_bank_refuses_a_grid_that_is_none() -> None:
    for t in (np.arange(5.0), np.array([-1, 1, 2, 3, 4, 5.0]), np.array([np.nan] * 8)):
        with pytest.raises(ValueError, match="time grid"):
            RiseBank(t)
    with pytest.raises(ValueError, match="records by points"):
        RiseBank(np.arange(10.0)).fit(np.zeros((3, 9)))
