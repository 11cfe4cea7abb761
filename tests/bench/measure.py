"""The rise fit: efficiency against the Cramér-Rao bound, speed against scipy's curve_fit.

Efficiency is the least variance any unbiased estimator can have over the variance observed.
Records of i(t) = I (1 - exp(-t / tau)) with white noise of 0.3 % of I; curve_fit starts from
the last sample and a third of the record, with the model's derivatives left to it. The batch is
timed at three sizes; judged is the least, 100 parts of 25 cycles. Of the largest the records no
longer fit any cache near the core: there reading them from memory is over a third of the time.
"""

from __future__ import annotations

import json as json_module
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from scipy.optimize import curve_fit

from benchrig.measure.rise_batch import RiseBank

NOISE = 0.003
RECORDS = 40_000
BATCHES = (2_500, 10_000, 40_000)  # a day's parts with 25 cycles each, and 4 and 16 times as many
CURVE_FIT_RECORDS = 250
ROUNDS = 8
EFFICIENCY_MIN = 0.97
SPEED_MIN = 200.0


def bound(t: Any) -> tuple[float, float]:
    """Cramér-Rao variances of I and tau, for I = tau = 1."""
    shape, slope = -np.expm1(-t), -t * np.exp(-t)
    fisher = np.array([[shape @ shape, shape @ slope], [shape @ slope, slope @ slope]])
    inverse = np.linalg.inv(fisher) * NOISE**2
    return float(inverse[0, 0]), float(inverse[1, 1])


def side_by_side(*works: tuple[Callable[[], Any], int]) -> list[float]:
    """Least processor time a record of each work, µs: what it takes undisturbed.

    The works take turns, so that a clock that slows down does so for all of them.
    """
    times: list[list[float]] = [[] for _ in works]
    for _ in range(ROUNDS):
        for (work, records), found in zip(works, times, strict=True):
            begin = time.process_time()
            work()
            found.append((time.process_time() - begin) / records * 1e6)
    return [min(found) for found in times]


def model(t: Any, current: float, tau: float) -> Any:
    """The rise, for curve_fit."""
    return -current * np.expm1(-t / tau)


def case(taus: float, points: int) -> dict[str, float]:
    """One line of the table."""
    rng = np.random.default_rng(1000 * int(taus) + points)
    t = np.arange(1, points + 1) * taus / points
    data = -np.expm1(-t) + NOISE * rng.standard_normal((RECORDS, points))
    bank = RiseBank(t)
    found = bank.fit(data)
    some = data[:CURVE_FIT_RECORDS]

    def by_scipy() -> Any:
        return np.array([curve_fit(model, t, y, p0=(y[-1], taus / 3))[0] for y in some])

    theirs = by_scipy()
    ours = np.stack((found.current_a, found.tau_s), axis=1)[:CURVE_FIT_RECORDS]
    batches = [(partial(_in_batches, bank, data, size), RECORDS) for size in BATCHES]
    *batch_us, scipy_us = side_by_side(*batches, (by_scipy, CURVE_FIT_RECORDS))
    least = bound(t)
    return {
        "record_taus": taus,
        "points": points,
        "efficiency_current": least[0] / float(found.current_a.var()),
        "efficiency_tau": least[1] / float(found.tau_s.var()),
        "bias_tau": float(found.tau_s.mean()) - 1.0,
        "stated_over_observed_sd_tau": float(found.u_tau_s.mean() / found.tau_s.std()),
        "greatest_difference_from_scipy": float(np.abs(ours / theirs - 1.0).max()),
        "not_converged": float(RECORDS - np.count_nonzero(found.converged)),
        **{f"batch_{n}_us": us for n, us in zip(BATCHES, batch_us, strict=True)},
        "curve_fit_us": scipy_us,
        "speed_ratio": scipy_us / batch_us[0],
        "speed_ratio_largest": scipy_us / batch_us[-1],
    }


def _in_batches(bank: RiseBank, data: Any, size: int) -> None:
    """Always the first ``size`` records, as often as makes all: a batch that was just taken."""
    for _ in range(len(data) // size):
        bank.fit(data[:size])


def run(json: bool) -> int:
    """Print the table; 1 when a target is missed."""
    rows = [case(taus, points) for taus in (3.0, 5.0) for points in (50, 100, 500)]
    efficiency = min(min(r["efficiency_current"], r["efficiency_tau"]) for r in rows)
    speed = min(r["speed_ratio"] for r in rows)
    met = efficiency >= EFFICIENCY_MIN and speed >= SPEED_MIN
    if json:
        print(
            json_module.dumps(
                {
                    "bench": "measure",
                    "rows": rows,
                    "least_efficiency": efficiency,
                    "least_speed_ratio": speed,
                    "targets_met": met,
                },
                indent=2,
            )
        )
        return 0 if met else 1
    print("rise fit, batch of RiseBank against scipy curve_fit, noise 0.3 % of I, one core")
    print(
        "µs a fit in batches of",
        ", ".join(f"{n:,}" for n in BATCHES),
        "records, and the ratio for the least and the largest batch",
    )
    print(
        "T/tau   N   eff I  eff tau  bias tau  u/sd   max diff"
        + "".join(f"{n:>7}" for n in BATCHES)
        + "  curve_fit  ratio  largest"
    )
    for r in rows:
        print(
            f"{r['record_taus']:5.0f} {r['points']:4.0f}  {r['efficiency_current']:6.3f}  "
            f"{r['efficiency_tau']:6.3f}  {r['bias_tau']:8.1e}  "
            f"{r['stated_over_observed_sd_tau']:5.3f}  {r['greatest_difference_from_scipy']:8.1e}  "
            + "".join(f"{r[f'batch_{n}_us']:7.2f}" for n in BATCHES)
            + f"  {r['curve_fit_us']:9.1f}  {r['speed_ratio']:5.0f}"
            + f"  {r['speed_ratio_largest']:7.0f}"
        )
    print(f"least efficiency {efficiency:.3f} (target {EFFICIENCY_MIN})")
    print(f"least ratio      {speed:.0f} (target {SPEED_MIN:.0f})")
    return 0 if met else 1
