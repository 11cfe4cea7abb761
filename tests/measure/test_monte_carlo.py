"""The stated uncertainty of a rise beside that of simulated records."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchrig.errors import ExitCode
from benchrig.measure.monte_carlo import RECORDS_MIN, RiseCheck, check_rise, numerical_tolerance
from benchrig.measure.propagation import FloatArray
from tests.cli.shell import Shell

NIST = Path(__file__).parents[1] / "data" / "nist" / "Misra1a.csv"


def _record(taus: float, points: int, noise: float, seed: int = 3) -> tuple[FloatArray, FloatArray]:
    time = np.arange(1, points + 1) * taus / points
    rng = np.random.default_rng(seed)
    return time, -np.expm1(-time) + noise * rng.standard_normal(points)


def _checked(taus: float, points: int, noise: float, records: int = 20_000) -> RiseCheck:
    return check_rise(*_record(taus, points, noise), records=records)


def test_misra1a_scatters_by_its_certified_standard_deviations() -> None:
    # NIST StRD Misra1a, certified standard deviations of b1 and of b2 = 1 / tau.
    table = np.loadtxt(NIST, delimiter=",", skiprows=5)
    found = check_rise(table[:, 1], table[:, 0], records=50_000)
    assert found.current_a is not None
    assert found.tau_s is not None
    assert found.current_a.std_uncertainty == pytest.approx(2.7070075241, rel=0.02)
    u_tau = 7.2668688436e-6 / 5.5015643181e-4**2
    assert found.tau_s.std_uncertainty == pytest.approx(u_tau, rel=0.02)
    assert found.refused == 0


def test_a_long_record_bears_its_stated_uncertainty_out() -> None:
    found = _checked(5.0, 100, 0.003)
    for spread in (found.current_a, found.tau_s):
        assert spread is not None
        assert spread.agrees
        assert spread.std_uncertainty == pytest.approx(
            (spread.high_stated - spread.low_stated) / 2 / 1.96, rel=0.03
        )


def test_a_short_noisy_record_does_not() -> None:
    # 1 tau with 1 % of noise: the final current is far above what was seen, and lopsided.
    found = _checked(1.0, 20, 0.01)
    assert found.current_a is not None
    assert not found.current_a.agrees
    middle = 0.5 * (found.current_a.low_stated + found.current_a.high_stated)
    assert found.current_a.high - middle > 1.1 * (middle - found.current_a.low)


def test_intervals_are_those_of_scipy_fits_to_records_drawn_elsewhere() -> None:
    # scipy.optimize.curve_fit, noise from another generator: quantiles of 4,000 to 6 %.
    from scipy.optimize import curve_fit

    time, current = _record(1.5, 30, 0.01)
    found = check_rise(time, current, records=20_000)
    assert found.current_a is not None

    def model(t: FloatArray, i: float, tau: float) -> FloatArray:
        return np.asarray(-i * np.expm1(-t / tau))

    (i, tau), _ = curve_fit(model, time, current, p0=(1.0, 1.0))
    noise = float(np.sqrt(((current - model(time, i, tau)) ** 2).sum() / (time.size - 2)))
    rng = np.random.Generator(np.random.MT19937(99))
    drawn = model(time, i, tau) + noise * rng.standard_normal((4_000, time.size))
    theirs = [curve_fit(model, time, line, p0=(i, tau))[0][0] for line in drawn]
    low, high = np.quantile(theirs, (0.025, 0.975))
    width = high - low
    assert found.current_a.low == pytest.approx(low, abs=0.06 * width)
    assert found.current_a.high == pytest.approx(high, abs=0.06 * width)


def test_many_points_are_simulated_as_means_of_neighbours() -> None:
    time, current = _record(5.0, 20_003, 0.01)
    found = check_rise(time, current, records=5_000)
    assert found.tau_s is not None
    stated = (found.tau_s.high_stated - found.tau_s.low_stated) / 2 / 1.96
    assert found.tau_s.std_uncertainty == pytest.approx(stated, rel=0.05)


def test_what_simulated_records_cannot_tell_is_said() -> None:
    time, current = _record(5.0, 200, 0.003)
    bent = check_rise(time, current + 0.02 * np.sin(6.0 * time), records=RECORDS_MIN)
    assert bent.current_a is None
    assert "not noise only" in bent.reason
    line = check_rise(time, 0.1 * time, records=RECORDS_MIN)
    assert line.tau_s is None
    assert "straight line" in line.reason
    with pytest.raises(ValueError, match="1000 or more"):
        check_rise(time, current, records=RECORDS_MIN - 1)


def test_the_command_says_whether_the_intervals_agree(tmp_path: Path) -> None:
    shell = Shell(folder=tmp_path)
    for taus, agrees in ((5.0, True), (1.0, False)):
        rows = zip(*_record(taus, 20, 0.01), strict=True)
        text = "\n".join(["time_s,current_a", *(f"{t:.6f},{i:.6f}" for t, i in rows)])
        (tmp_path / "wave.csv").write_text(text)
        answer = shell("analyse", "wave.csv", "--monte-carlo", "5000")
        assert answer.json["rise"]["monte_carlo"]["tau_s"]["agrees"] is agrees, answer.stdout
    assert shell("analyse", "wave.csv", "--monte-carlo", "5").code == ExitCode.USAGE


@pytest.mark.parametrize(("u", "tolerance"), [(0.00035, 5e-5), (2.0, 0.5), (0.96, 0.5)])
def test_the_tolerance_is_half_a_unit_of_the_first_digit(u: float, tolerance: float) -> None:
    # JCGM 101:2008, 7.9.2, examples 2 and 3; 0.96 rounds to 1 x 10^0.
    assert numerical_tolerance(u) == pytest.approx(tolerance)
