"""Amplifiers, input filters and sampling, from true quantities to readings.

Each amplifier is ideal between its limits (0 and 5 V at the converter, so minus the lift at the
low end); behind it stands the resistor and capacitor of the converter's input.  The supply's
divider has no amplifier, so its own resistance slows the filter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .circuit import Circuit
from .quantities import Floats, Transient


@dataclass(frozen=True)
class FrontEnd:
    """Amplifiers and input filters; gains in volts at the converter per unit of the input."""

    adc_full_v: float = 5.0
    adc_codes: int = 1024
    r_filter_ohm: float = 1e3
    c_filter_f: float = 10e-9
    gain_part: float = 0.25
    zero_part_codes: int = 16
    gain_part_fine: float = 2.0
    zero_part_fine_codes: int = 8
    gain_coarse: float = 10.0
    zero_coarse_codes: int = 16
    gain_fine: float = 62.5
    zero_fine_codes: int = 16
    rate_hz: float = 10e3


@dataclass(frozen=True)
class Channel:
    """One input: volts at the converter per unit, lift, and time constant."""

    gain: float
    lift_v: float
    tau_s: float
    amplified: bool


@dataclass(frozen=True)
class Filtered:
    """What stands at the five converter inputs, referred to the quantity, dense in time."""

    time_s: Floats
    supply_v: Floats
    part_v: Floats
    part_fine_v: Floats
    coarse_a: Floats
    fine_a: Floats


@dataclass(frozen=True)
class Sampled:
    """The same at the sample times."""

    time_s: Floats
    supply_v: Floats
    part_v: Floats
    part_fine_v: Floats
    coarse_a: Floats
    fine_a: Floats


def channels(front: FrontEnd, circuit: Circuit) -> dict[str, Channel]:
    """Return the inputs by the names of the fields of Filtered."""
    code_v = front.adc_full_v / front.adc_codes
    tau_s = front.r_filter_ohm * front.c_filter_f
    top, bottom = circuit.r_div_top_ohm, circuit.r_div_bottom_ohm
    source_ohm = top * bottom / (top + bottom)
    r_sh = circuit.r_shunt_ohm
    return {
        "supply_v": Channel(
            bottom / (top + bottom),
            0.0,
            (front.r_filter_ohm + source_ohm) * front.c_filter_f,
            False,
        ),
        "part_v": Channel(front.gain_part, front.zero_part_codes * code_v, tau_s, True),
        "part_fine_v": Channel(
            front.gain_part_fine, front.zero_part_fine_codes * code_v, tau_s, True
        ),
        "coarse_a": Channel(
            front.gain_coarse * r_sh, front.zero_coarse_codes * code_v, tau_s, True
        ),
        "fine_a": Channel(front.gain_fine * r_sh, front.zero_fine_codes * code_v, tau_s, True),
    }


def limits(channel: Channel, front: FrontEnd) -> tuple[float, float]:
    """Return the lowest and highest value an input can show, referred to the quantity."""
    return (
        -channel.lift_v / channel.gain,
        (front.adc_full_v - channel.lift_v) / channel.gain,
    )


def _with_crossings(t: Floats, x: Floats, level: float) -> tuple[Floats, Floats]:
    """Insert the times at which a piecewise linear signal passes a level."""
    d = x - level
    k = np.flatnonzero((d[:-1] * d[1:] < 0.0) & (np.diff(t) > 0.0))
    if k.size == 0:
        return t, x
    frac = d[k] / (d[k] - d[k + 1])
    tc = t[k] + frac * (t[k + 1] - t[k])
    return np.insert(t, k + 1, tc), np.insert(x, k + 1, np.full(k.size, level))


def low_pass(t: Floats, x: Floats, tau_s: float, at: Floats) -> Floats:
    """First-order low pass of a piecewise linear signal, exact at any time, settled at first."""
    h = np.diff(t)
    decay = np.exp(-h / tau_s)
    # For x = x0 + s*u over a step: y1 = x1 - s*tau + (y0 - x0 + s*tau)*decay
    lag = np.where(h > 0.0, np.diff(x) / np.where(h > 0.0, h, 1.0), 0.0) * tau_s
    y = np.empty_like(x)
    y[0] = prev = float(x[0])
    rows = zip(x[:-1].tolist(), x[1:].tolist(), lag.tolist(), decay.tolist(), strict=True)
    for i, (x0, x1, s_tau, d) in enumerate(rows, start=1):
        if d < 1.0:  # a step in no time leaves the capacitor as it was
            prev = x1 - s_tau + (prev - x0 + s_tau) * d
        y[i] = prev
    k = np.clip(np.searchsorted(t, at, side="right") - 1, 0, t.size - 2)
    since = at - t[k]
    now = np.asarray(np.interp(at, t, x) - lag[k] + (y[k] - x[k] + lag[k]) * np.exp(-since / tau_s))
    return now


def observe(t: Floats, x: Floats, channel: Channel, front: FrontEnd, at: Floats) -> Floats:
    """Return the filtered reading of one true quantity at the times asked for."""
    low, high = limits(channel, front)
    if not channel.amplified:
        return np.asarray(np.clip(low_pass(t, x, channel.tau_s, at), low, high))
    tt, xx = _with_crossings(*_with_crossings(t, x, low), high)
    return low_pass(tt, np.clip(xx, low, high), channel.tau_s, at)


def sources(true: Transient) -> dict[str, Floats]:
    """Return the quantity before each input's amplifier."""
    return {
        "supply_v": true.v_supply_v,
        "part_v": true.v_pair_v,
        "part_fine_v": true.v_pair_v,
        "coarse_a": true.i_shunt_a,
        "fine_a": true.i_shunt_a,
    }


def see(
    true: Transient, circuit: Circuit, front: FrontEnd | None = None, step_s: float = 2e-6
) -> Filtered:
    """Return what stands at the converter's inputs, on the solver's times and an even grid."""
    front = front or FrontEnd()
    grid = np.arange(0.0, float(true.time_s[-1]), step_s)
    at = np.union1d(true.time_s, grid)
    ch, src = channels(front, circuit), sources(true)
    out = {n: observe(true.time_s, src[n], ch[n], front, at) for n in ch}
    return Filtered(time_s=at, **out)


def sample(
    true: Transient,
    circuit: Circuit,
    front: FrontEnd | None = None,
    phase_s: float | dict[str, float] = 0.0,
    quantise: bool = False,
) -> Sampled:
    """Sample all inputs; the phase is one for all or one for each input by name.

    time_s is the grid without the phase; each input is taken at time_s plus its phase.
    """
    front = front or FrontEnd()
    step_s = 1.0 / front.rate_hz
    count = int(float(true.time_s[-1]) / step_s)
    grid: Floats = np.asarray(np.arange(count) * step_s, dtype=np.float64)
    src = sources(true)
    out: dict[str, Floats] = {}
    for name, channel in channels(front, circuit).items():
        shift_s = phase_s[name] if isinstance(phase_s, dict) else phase_s
        y = observe(true.time_s, src[name], channel, front, np.asarray(grid + shift_s))
        if quantise:
            code_v = front.adc_full_v / front.adc_codes
            code = np.floor((y * channel.gain + channel.lift_v) / code_v + 1e-9)
            code = np.clip(code, 0, front.adc_codes - 1)
            y = (code * code_v - channel.lift_v) / channel.gain
        out[name] = np.asarray(y, dtype=np.float64)
    return Sampled(time_s=grid, **out)
