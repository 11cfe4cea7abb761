"""Flux linkage of a coil from its sampled voltage and current.

With both sampled, lambda(t) = integral of (v - R i) dt is known whatever the supply does: ripple,
sag and a current limit are in ``v``. Of a coil whose armature rests, the current that a flux
linkage needs is a property of its iron alone. Faraday's and Kirchhoff's laws, in any textbook.

R is the record's own, v / i where the current has settled; of a record that ends before, it is
taken from the exponential that fits and left free within what that is worth.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.motion_record import averaged, scale_rows

Array = NDArray[np.float64]

SETTLED_TAUS = 6.0  # from here on v / i is taken for R
STEADY_TAUS = 10.0  # better from here on, where the record goes on so long
USED_TAUS = 4.0  # of the rise; later the flux stands still and shows nothing
USED_MIN = 2.5
BLOCK_AIM = 0.03  # of a time constant: finer samples are averaged up to it
LIVE = 0.5  # of the usual voltage: below it the contact has not closed for good
PLATEAU_POINTS_MIN = 8
JITTER_S = 10e-3  # of the settled current that are looked at for jumps
JITTER_LEAST = 5e-4  # of it, which a mean of many codes does not resolve
BOUNCE_TAUS = 0.3  # left out after a contact has closed for good: eddy currents are unknown
SHORT_R_REL = 0.02  # of R, when the record ends before the current has settled


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pulse:
    """One on-time, or the mean of several alike: arrays of one length, time from switch-on."""

    time_s: Array
    current_a: Array
    voltage_v: Array
    noise_a: float  # of one sample
    cycles: int = 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Linkage:
    """The rise of one pulse as current against flux linkage. Arrays of one length."""

    time_s: Array
    current_a: Array
    emf_v: Array  # dlambda/dt
    linkage_wb: Array
    charge_c: Array  # integral of i dt: what an error of R does to the linkage
    noise_a: float
    resistance_ohm: float
    resistance_rel_u: float
    tau_s: float  # of the exponential that fits best
    final_a: float
    jitter: float  # scatter of the settled current over its noise; about 1


def linkage_of(pulse: Pulse) -> Linkage | str:
    """The linkage of a pulse, or why it has none."""
    time, current, voltage = pulse.time_s, pulse.current_a, pulse.voltage_v
    tau, final, _, why = scale_rows(time, current[None])
    if why[0]:
        return why[0]
    tau_s, final_a, step = float(tau[0]), float(final[0]), float(np.median(np.diff(time)))
    late = time > SETTLED_TAUS * tau_s
    if np.count_nonzero(time > STEADY_TAUS * tau_s) >= PLATEAU_POINTS_MIN:
        late = time > STEADY_TAUS * tau_s
    jitter = 1.0
    if np.count_nonzero(late) >= PLATEAU_POINTS_MIN:
        amps, volts = float(current[late].mean()), float(voltage[late].mean())
        rel_u = pulse.noise_a / abs(amps) / float(np.sqrt(np.count_nonzero(late)))
        noise = float(np.hypot(pulse.noise_a, JITTER_LEAST * amps))
        jitter = _jitter(time, current, tau_s) / noise
    else:
        tail = slice(-max(3, len(time) // 10), None)
        amps, volts = final_a, float(voltage[tail].mean())
        rel_u = SHORT_R_REL
    if amps <= 0 or volts <= 0:
        return "no current or no voltage to speak of"
    resistance = volts / amps
    emf = voltage - resistance * current
    flux = _integral(time, emf)
    charge = _integral(time, current)
    begin = _closed_for_good(time, voltage, volts, tau_s)
    stop = int(np.searchsorted(time, USED_TAUS * tau_s + 0.01 * step))
    if time[stop - 1] - time[begin] < USED_MIN * tau_s:
        return "record too short: the rise is not in it"
    block = max(1, int(BLOCK_AIM * tau_s / step))
    rows = np.stack([time, current, emf, flux, charge])[:, begin:stop]
    rows = averaged(rows, block)
    return Linkage(
        time_s=rows[0],
        current_a=rows[1],
        emf_v=rows[2],
        linkage_wb=rows[3],
        charge_c=rows[4],
        noise_a=pulse.noise_a / float(np.sqrt(block)),
        resistance_ohm=resistance,
        resistance_rel_u=max(rel_u, 2e-4),
        tau_s=tau_s,
        final_a=amps,
        jitter=jitter,
    )


def _jitter(time: Array, current: Array, tau: float) -> float:
    """Scatter of the settled current about its tail and a slow drift, in A: jumps of a joint."""
    begin = SETTLED_TAUS * tau
    part = (time > begin) & (time < begin + max(JITTER_S, 2 * tau))
    if np.count_nonzero(part) < 2 * PLATEAU_POINTS_MIN:
        return 0.0
    t = (time[part] - begin) / tau
    shapes = np.stack([np.ones_like(t), t, t**2, np.exp(-t), np.exp(-t / 1.6)], axis=1)
    rest = current[part] - shapes @ np.linalg.lstsq(shapes, current[part], rcond=None)[0]
    return float(np.sqrt(rest @ rest / (len(t) - shapes.shape[1])))


def _integral(time: Array, rate: Array) -> Array:
    """From switch-on; before the first sample the rate was what it was there."""
    steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(time)
    return np.concatenate([[0.0], np.cumsum(steps)]) + float(rate[0] * time[0])


def _closed_for_good(time: Array, voltage: Array, usual: float, tau: float) -> int:
    """First sample after which the voltage never falls away: a contact may bounce."""
    open_at = np.flatnonzero((voltage < LIVE * usual) & (time < 2.0 * tau))
    if not open_at.size:
        return 0
    return int(np.searchsorted(time, time[open_at[-1]] + BOUNCE_TAUS * tau)) + 2


def pooled(pulses: Sequence[Pulse]) -> list[Pulse]:
    """Pulses sampled at the same instants and of like current as their means."""
    groups: dict[tuple[bytes, int], list[Pulse]] = {}
    for pulse in pulses:
        top = max(float(np.median(pulse.current_a[-8:])), 1e-9)
        instants = np.round(pulse.time_s * 1e6).tobytes()
        groups.setdefault((instants, round(np.log(top) / 0.01)), []).append(pulse)
    return [
        Pulse(
            time_s=group[0].time_s,
            current_a=np.mean([p.current_a for p in group], axis=0),
            voltage_v=np.mean([p.voltage_v for p in group], axis=0),
            noise_a=float(np.sqrt(np.mean([p.noise_a**2 for p in group]) / len(group))),
            cycles=sum(p.cycles for p in group),
        )
        for group in groups.values()
    ]
