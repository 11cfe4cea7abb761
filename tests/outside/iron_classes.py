"""Classes of coils drawn for ``solenoid``: what iron, how it moves, what feeds it, how it is read.

Only numbers are drawn here. Values are ordinary for small solenoids; common practice, no source.
A class is drawn by its seed and is the same every time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.outside.solenoid import Coil, Drive, simulate

Array = NDArray[np.float64]

ON_S, END_S = 1e-3, 15e-3  # switch-on and end of the record
SEED = 1201
IRONS = {  # iron, saturation over the final linear linkage, eddy loss, hysteresis
    "ideal": ("linear", (9.0, 9.0), False),
    "eddy": ("linear", (9.0, 9.0), True),
    "saturation": ("langevin", (0.5, 1.5), False),
    "saturation, sharp": ("froehlich", (0.6, 1.5), False),
    "saturation, eddy, hysteresis": ("hysteresis", (0.5, 1.5), True),
}
FEEDS = ("ripple 100 Hz and 30 kHz", "hum 50 Hz, 10 mA", "joint jumping", "contact bounce")


@dataclass(frozen=True)
class Drawn:
    """Sampled codes of a class, rows are coils; time from switch-on."""

    time_s: Array
    current_a: Array
    voltage_v: Array
    noise_a: Array
    contact_s: Array  # first touch of the stop, nan without


def _coil(rng: np.random.Generator, iron: str, change: float, *, soft: bool) -> tuple[Coil, Drive]:
    kind, sat, eddy = IRONS[iron]
    ohm, volts = float(np.exp(rng.uniform(np.log(2.5), np.log(18)))), rng.uniform(10, 15)
    tau = float(np.exp(rng.uniform(np.log(0.7e-3), np.log(1.8e-3))))
    core_h = 0.92 * tau * ohm
    gap_share = rng.uniform(0.6, 0.95)
    size = change if change else 0.2
    stroke = 80e-6
    slope = size / (1 + size) / core_h / stroke
    flux = volts / ohm * core_h
    lift = rng.uniform(0.35, 0.7)
    pull = 0.5 * (lift * flux) ** 2 * slope
    travel_s = tau * rng.uniform(0.25, 0.6)
    width = core_h / ohm
    del width
    coil = Coil(
        resistance_ohm=ohm,
        leak_h=0.08 * tau * ohm,
        iron=kind,
        iron_h=core_h / (1 - gap_share),
        sat_vs=float(rng.uniform(*sat)) * flux,
        air_h=0.03 * core_h,
        gap_slope_per_hm=slope,
        gap_closed_m=max(gap_share / core_h / slope - stroke, 1e-6),
        stroke_m=stroke,
        eddy_ohm=ohm / float(np.exp(rng.uniform(np.log(0.05), np.log(0.5)))) if eddy else np.inf,
        ja_alpha_a=0.0,
        ja_k_a=float(rng.uniform(0.01, 0.06)) * volts / ohm,
        ja_c=0.2,
        armature="free" if change else "blocked_open",
        mass_kg=float(0.5 * pull * travel_s**2 / (2 * stroke)),
        preload_n=float(pull),
        spring_n_per_m=float(0.1 * pull / stroke),
        restitution=0.0 if soft else float(rng.uniform(0.0, 0.4)),
        film_ns_per_m=float(4 * pull * travel_s / stroke) if soft else 0.0,
        film_gap_m=2e-5,
        remanent=kind == "hysteresis",
    )
    return coil, Drive(supply_v=float(volts), toggles_s=(ON_S,), supply_ohm=0.02 * ohm)


def _fed(rng: np.random.Generator, drive: Drive, feed: str) -> Drive:
    more: dict[str, object] = {}
    if feed.startswith("ripple"):
        more = {
            "ripple_v": (0.1, 0.1),
            "ripple_hz": (100.0, 30e3),
            "ripple_rad": tuple(rng.uniform(0, 6.28, 2)),
        }
    elif feed.startswith("joint"):
        times = np.cumsum(rng.exponential(1.5e-3, 9))
        sizes = rng.uniform(0, 0.06, 9) * drive.supply_ohm / 0.02
        more = {"joint_s": tuple(times), "joint_ohm": tuple(sizes), "joint_inside": True}
    elif feed.startswith("contact"):
        gaps = np.cumsum(rng.uniform(0.03e-3, 0.25e-3, 4))
        more = {"toggles_s": (ON_S, *(ON_S + gaps).tolist())}
    return Drive(**({**drive.__dict__, **more}))


def draw(
    iron: str,
    count: int,
    *,
    change: tuple[float, float] = (0.0, 0.0),
    soft: bool = False,
    feed: str = "",
    rate_hz: float = 10e3,
    bits: int = 10,
    seed: int = SEED,
) -> Drawn:
    """``count`` coils of one kind of iron; ``change`` of the inductance, 0 for a stuck one."""
    rng = np.random.default_rng([seed, *map(ord, iron + feed), int(1e3 * change[1]), soft])
    coils, drives = [], []
    for _ in range(count):
        coil, drive = _coil(rng, iron, float(rng.uniform(*change)), soft=soft)
        coils.append(coil)
        drives.append(_fed(rng, drive, feed))
    done = simulate(coils, drives, END_S)
    at = np.arange(ON_S + rng.uniform(0, 1 / rate_hz), END_S - 1e-5, 1 / rate_hz)
    current = np.array([np.interp(at, done.time_s, row) for row in done.current_a.T])
    voltage = np.array([np.interp(at, done.time_s, row) for row in done.voltage_v.T])
    if feed.startswith("hum"):
        phase = rng.uniform(0, 6.28, (count, 1))
        current += 0.010 * np.sin(2 * np.pi * 50 * at + phase)
    top = current.max(axis=1, keepdims=True)
    step_a, step_v = 2 * top / 2**bits, 20 / 2**bits
    current += rng.normal(0, 1e-3, current.shape) * top
    voltage += rng.normal(0, 5e-3, voltage.shape)
    first = [[c.time_s for c in row if c.closed_stop] for row in done.contacts]
    return Drawn(
        time_s=at - ON_S,
        current_a=np.round(current / step_a) * step_a,
        voltage_v=np.round(voltage / step_v) * step_v,
        noise_a=np.hypot(1e-3 * top, step_a / np.sqrt(12))[:, 0],
        contact_s=np.array([row[0] - ON_S if row else np.nan for row in first]),
    )
