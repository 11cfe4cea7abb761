"""The decay of the current after switch-off: its time, the clamp behind it, the closing bump.

The path of the decay is part of the answer: a plain diode stretches it several times over a
60 V clamp. So every result names the rig's clamp, and times are only ever compared between
rigs with the same one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchrig.measure.features import TurnOff
from benchrig.measure.propagation import FloatArray
from benchrig.quantity import Contribution, Measured

DECAY_SAMPLES_MIN = 3  # between full current and a tenth, or the time is a guess
FIT_SAMPLES_MIN = 6  # for the clamp level
CURRENT_OVER_NOISE_MIN = 20.0
CLOSING_SAMPLES_MIN = 12
CLOSING_SIGMAS = 6.0  # of the smoothed second difference
CLOSING_SHARE_MIN = 0.003  # of the current: a bend below it is iron, not a seat


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """Samples after switch-off, time from the edge, offset already subtracted."""

    time_s: FloatArray
    current_a: FloatArray
    current_at_off_a: float
    noise_a: float
    clamp: str
    sees_turn_off: bool = True
    resistance_ohm: Measured | None = None


def assess_turn_off(decay: Decay) -> TurnOff:
    """Decay to a tenth, clamp level and closing time, or why they are not assessed."""
    refusal = _refusal(decay)
    if refusal:
        return TurnOff(assessed=False, reason=refusal, clamp=decay.clamp)
    order = np.argsort(decay.time_s, kind="stable")
    time, current = decay.time_s[order], decay.current_a[order]
    tenth = 0.1 * decay.current_at_off_a
    below = np.flatnonzero(current < tenth)
    if below.size == 0:
        reason = "the current has not fallen to a tenth within the record"
        return TurnOff(assessed=False, reason=reason, clamp=decay.clamp)
    end = int(below[0])
    if end < DECAY_SAMPLES_MIN:
        reason = (
            f"{end} samples between full current and a tenth, {DECAY_SAMPLES_MIN} are needed: "
            "sampled too slowly for this clamp"
        )
        return TurnOff(assessed=False, reason=reason, clamp=decay.clamp)
    level, clamp_reason = _clamp(decay, time[:end], current[:end])
    closing, closing_reason = _closing(decay, time, current)
    return TurnOff(
        assessed=True,
        reason="; ".join(x for x in (clamp_reason, closing_reason) if x),
        clamp=decay.clamp,
        decay_s=_crossing(decay, time, current, end, tenth),
        clamp_voltage_v=level,
        closing_s=closing,
    )


def _refusal(decay: Decay) -> str:
    if not decay.sees_turn_off:
        return "the current input does not see the decay on this rig"
    if decay.time_s.size < DECAY_SAMPLES_MIN + 1:
        return "too few samples after switch-off"
    if decay.current_at_off_a < CURRENT_OVER_NOISE_MIN * decay.noise_a:
        return "no current to speak of at switch-off"
    return ""


def _crossing(
    decay: Decay, time: FloatArray, current: FloatArray, end: int, tenth: float
) -> Measured:
    """When the current passes a tenth, between two samples, with what the spacing leaves open."""
    step = float(time[end] - time[end - 1])
    fall = float(current[end - 1] - current[end])
    at = float(time[end - 1]) + step * float(current[end - 1] - tenth) / fall
    # A convex curve lies under its chord by at most (1 - sqrt(q))² of the step's fall; a decay
    # that ends inside the step lies under it by more. A quarter step, rectangular, covers both.
    lines = (
        Contribution(source="sampling", std_uncertainty=0.25 * step / math.sqrt(3.0)),
        Contribution(source="noise", std_uncertainty=decay.noise_a * step / fall, evaluation="A"),
    )
    return Measured.from_budget(at, "s", lines)


def _clamp(decay: Decay, time: FloatArray, current: FloatArray) -> tuple[Measured | None, str]:
    """Voltage across the coil from the shape i = (I + a) exp(-t / tau) - a, with a = V / R."""
    if decay.resistance_ohm is None:
        return None, "clamp level needs the coil's resistance"
    if time.size < FIT_SAMPLES_MIN:
        return None, f"clamp level needs {FIT_SAMPLES_MIN} samples of the decay"
    top = decay.current_at_off_a
    span = float(time[-1])
    # From the known current at the edge only a is free for each tau: i - I e = a (e - 1).
    nodes = np.log(span) + np.linspace(math.log(0.15), math.log(60.0), 60)
    for _ in range(6):
        e = np.exp(-time * np.exp(-nodes)[:, None])
        g, y = e - 1.0, current - top * e
        levels = np.einsum("ij,ij->i", g, y) / np.einsum("ij,ij->i", g, g)
        sums = ((y - levels[:, None] * g) ** 2).sum(axis=1)
        at = int(np.argmin(sums))
        a, tau, rss = float(levels[at]), math.exp(nodes[at]), float(sums[at])
        width = 1.5 * float(nodes[1] - nodes[0])
        nodes = nodes[at] + np.linspace(-width, width, 13)
    variance = max(rss / (time.size - 2), decay.noise_a**2)
    e = np.exp(-time / tau)
    slope = (top + a) * e * time / tau  # d model / d ln tau
    shape = np.stack((e - 1.0, slope))
    normal = shape @ shape.T
    determinant = float(np.linalg.det(normal))
    if not (a > 0 and determinant > 0):
        return None, "clamp level not found in the shape of the decay"
    u_a = math.sqrt(variance * float(normal[1, 1]) / determinant)
    if u_a > 0.25 * a:
        return None, "clamp level not found: the decay looks the same for a wide range of levels"
    r = decay.resistance_ohm
    lines = (
        Contribution(source="fit of the decay", std_uncertainty=u_a * r.value, evaluation="A"),
        Contribution(source="resistance", std_uncertainty=a * r.std_uncertainty),
    )
    return Measured.from_budget(a * r.value, "V", lines), ""


def _closing(decay: Decay, time: FloatArray, current: FloatArray) -> tuple[Measured | None, str]:
    """The armature's seat, as a stretch where the decay bends the other way.

    Without motion, coil, iron and eddy currents together decay as a sum of falling
    exponentials, whose second derivative is never negative. A clear negative one is the
    armature's back-EMF; it ends with a jolt when the armature seats.
    """
    live = np.flatnonzero(current < 0.03 * decay.current_at_off_a)
    end = int(live[0]) if live.size else time.size
    if end < CLOSING_SAMPLES_MIN:
        return None, (
            f"closing not assessed: the current is gone after {end} samples "
            f"with the clamp {decay.clamp or 'of this rig'}"
        )
    width = max(1, end // 24)
    kernel = np.concatenate((np.ones(width), -2.0 * np.ones(width), np.ones(width))) / width
    bend = np.convolve(current[:end], kernel, mode="valid")
    noise = decay.noise_a * math.sqrt(6.0 / width)
    least = max(CLOSING_SIGMAS * noise, CLOSING_SHARE_MIN * decay.current_at_off_a)
    if bend.size < 3 or float(bend.min()) > -least:
        return None, "no closing signature seen"
    hollow = int(np.argmin(bend))
    after = bend[hollow:]
    seat = hollow + int(np.argmax(after)) if after.size > 1 and after.max() > least else hollow
    step = float(time[1] - time[0])
    at = float(time[min(seat + (3 * width) // 2, end - 1)])
    lines = (
        Contribution(source="width of the bump", std_uncertainty=width * step / math.sqrt(3.0)),
        Contribution(source="sampling", std_uncertainty=step / math.sqrt(12.0)),
    )
    return Measured.from_budget(at, "s", lines), ""
