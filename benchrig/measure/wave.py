"""Features of a waveform from any instrument, by the same code as a run's.

The file knows nothing of the instrument's gain and offset, so the uncertainties here are of
what the record itself shows; the answer says so.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.cycle_window import RippleAssessor
from benchrig.measure.dropouts import sample_noise
from benchrig.measure.features import Motion, MotionAnswer, Ripple, RiseFit, TurnOff
from benchrig.measure.linkage import Pulse
from benchrig.measure.monte_carlo import SEED, check_rise
from benchrig.measure.motion import assess_motion
from benchrig.measure.motion_held import HeldRecording, record_held
from benchrig.measure.motion_record import estimate_noise
from benchrig.measure.motion_reference import (
    MotionComparison,
    compare_with_reference,
    record_reference,
)
from benchrig.measure.propagation import FloatArray
from benchrig.measure.reading import standard_error
from benchrig.measure.rise import STRUCTURED, fit_rise
from benchrig.measure.turn_off import Decay, assess_turn_off
from benchrig.measure.wave_file import Wave, read_wave_csv
from benchrig.quantity import Contribution, Measured

__all__ = [
    "SCHEMA",
    "Wave",
    "WaveAnalysis",
    "analyse_wave",
    "blocked_wave",
    "compare_waves",
    "comparison_to_json",
    "read_wave_csv",
    "simulated_to_json",
]

# Of time from switch-on, current, and voltage where the record has one.
WaveMotion = Callable[[FloatArray, FloatArray, FloatArray | None], Motion]

SCHEMA = "benchrig.wave/1"
OFF_SHARE = 0.1  # a record that ends below this share of its height was switched off
QUIET_POINTS_MIN = 8  # before switch-on, to take the offset from
LONG_TAUS = 12.0  # a longer record that is not all one rise is fitted over its first part
FIT_TAUS = 8.0
LONG_POINTS_MIN = 50
NOT_INCLUDED = "gain, offset and time base of the instrument that recorded the file"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaveAnalysis:
    """What a waveform holds."""

    rise: RiseFit
    rise_time_s: FloatArray  # what it was fitted to
    rise_current_a: FloatArray
    motion: Motion
    turn_off: TurnOff
    ripple: Ripple
    start_s: float
    off_s: float | None  # after switch-on
    points: int

    def to_json(self) -> dict[str, Any]:
        """The JSON form of ``benchrig analyse``."""
        rise = self.rise
        return {
            "schema": SCHEMA,
            "points": self.points,
            "start_s": self.start_s,
            "off_s": self.off_s,
            "uncertainty_does_not_include": NOT_INCLUDED,
            "rise": {
                "current_a": _json(rise.current_a),
                "tau_s": _json(rise.tau_s),
                "inductance_h": _json(rise.inductance_h),
                "resistance_ohm": _json(rise.resistance_ohm),
                "converged": rise.converged,
                "reason": rise.reason,
                "residual_sum_squares": rise.residual_sum_squares,
                "points": rise.points,
            },
            "motion": {
                "answer": self.motion.answer.value,
                "reason": self.motion.reason,
                "false_alarm_rate": self.motion.false_alarm_rate,
                "start_s": _json(self.motion.start_s),
                "end_s": _json(self.motion.end_s),
                "strength": self.motion.strength,
                "blocked": self.motion.blocked,
                "least_change": self.motion.least_change,
            },
            "turn_off": {
                "assessed": self.turn_off.assessed,
                "reason": self.turn_off.reason,
                "clamp": self.turn_off.clamp,
                "decay_s": _json(self.turn_off.decay_s),
                "clamp_voltage_v": _json(self.turn_off.clamp_voltage_v),
                "closing_s": _json(self.turn_off.closing_s),
            },
            "ripple": {
                "assessed": self.ripple.assessed,
                "reason": self.ripple.reason,
                "inrush_current_a": _json(self.ripple.inrush_current_a),
                "running_current_a": _json(self.ripple.running_current_a),
                "frequency_hz": _json(self.ripple.frequency_hz),
                "speed_rpm": _json(self.ripple.speed_rpm),
                "candidates_rpm": list(self.ripple.candidates_rpm),
                "hump_unevenness": _json(self.ripple.hump_unevenness),
            },
        }


def motion_of_wave(
    time: FloatArray,
    current: FloatArray,
    volts: FloatArray | None,
    held: HeldRecording | None = None,
) -> Motion:
    """Movement in one on-time of a waveform."""
    return assess_motion(time, current, voltage_v=volts, held=held)


def analyse_wave(
    wave: Wave,
    start_s: float | None = None,
    *,
    assess_motion: WaveMotion | None = motion_of_wave,
    assess_ripple: RippleAssessor | None = None,
    clamp: str = "",
) -> WaveAnalysis:
    """Features of a waveform; its time zero is the switch-on unless ``start_s`` says another."""
    start = 0.0 if start_s is None else start_s
    time = wave.time_s - start
    current = wave.current_a.copy()
    quiet = time < 0
    offset_u = 0.0  # unknown: said so in the answer
    if np.count_nonzero(quiet) >= QUIET_POINTS_MIN:
        current -= current[quiet].mean()
        digit = wave.current_digit / math.sqrt(12.0)
        offset_u = math.hypot(standard_error(wave.current_a[quiet]), digit)
    off = _off_edge(time, current, wave.voltage_v)
    on = ~quiet if off is None else ~quiet & (time < off)
    volts = None if wave.voltage_v is None else wave.voltage_v[on]
    rise, fitted = _rise(wave, time[on], current[on], volts, offset_u)
    return WaveAnalysis(
        rise=rise,
        rise_time_s=time[on][fitted],
        rise_current_a=current[on][fitted],
        motion=_motion(time[on], current[on], volts, assess_motion),
        turn_off=_turn_off(wave, time, current, on, off, rise, clamp),
        ripple=_ripple(time[on], current[on], assess_ripple),
        start_s=start,
        off_s=off,
        points=int(time.size),
    )


def compare_waves(wave: Wave, reference: Wave, start_s: float | None = None) -> MotionComparison:
    """The movement in a waveform beside that in one of the same part when it was good.

    ValueError where the reference shows no movement.
    """
    good = record_reference([_pulse(reference, start_s or 0.0)])
    return compare_with_reference([_pulse(wave, start_s or 0.0)], good)


def simulated_to_json(analysis: WaveAnalysis, records: int) -> dict[str, Any]:
    """The JSON form of the rise's intervals beside those of as many simulated records."""
    found = check_rise(analysis.rise_time_s, analysis.rise_current_a, records=records)
    document: dict[str, Any] = {
        "records": found.records,
        "refused": found.refused,
        "reason": found.reason,
        "seed": SEED,
    }
    for name, spread in (("current_a", found.current_a), ("tau_s", found.tau_s)):
        document[name] = None if spread is None else asdict(spread) | {"agrees": spread.agrees}
    return document


def blocked_wave(wave: Wave, start_s: float | None = None) -> HeldRecording:
    """The reference that a waveform of a part with its armature held gives; else ValueError."""
    return record_held([_pulse(wave, start_s or 0.0)], origin=wave.name)


def comparison_to_json(found: MotionComparison) -> dict[str, Any]:
    """The JSON form of a comparison."""
    return {
        "likeness": found.likeness.value,
        "reason": found.reason,
        "share": _json(found.share),
        "end_later_s": _json(found.end_later_s),
    }


def _pulse(wave: Wave, start: float) -> Pulse:
    time = wave.time_s - start
    off = _off_edge(time, wave.current_a, wave.voltage_v)
    on = (time >= 0) & (time < (math.inf if off is None else off))
    current = wave.current_a[on]
    if current.size < 2:
        raise ValueError(f"{wave.name}: no current after switch-on")
    volts = np.ones(current.size) if wave.voltage_v is None else wave.voltage_v[on]
    noise = estimate_noise(current[None])
    return Pulse(time_s=time[on], current_a=current, voltage_v=volts, noise_a=noise)


def _off_edge(time: FloatArray, current: FloatArray, voltage: FloatArray | None) -> float | None:
    """When the part was switched off, if it was: the last fall, from which nothing returned."""
    size = np.abs(current)
    top = float(np.quantile(size[time >= 0], 0.9)) if (time >= 0).any() else 0.0
    tail = size[-max(1, size.size // 50) :]
    if top <= 0 or float(np.median(tail)) > OFF_SHARE * top:
        return None
    above = np.flatnonzero(size > 0.5 * top)
    if above.size == 0 or above[-1] + 1 >= size.size:
        return None
    if voltage is not None:
        live = np.flatnonzero(voltage > 0.5 * np.quantile(voltage[time >= 0], 0.9))
        if live.size and live[-1] + 1 < time.size:
            return float(0.5 * (time[live[-1]] + time[live[-1] + 1]))
    # Without a voltage: the last sample still at the level that stood before the fall.
    half = int(above[-1])
    level = float(np.median(size[max(0, half - 40) : max(1, half - 10)]))
    noise = sample_noise(size[: half + 1], 0.0)
    least = level - max(5.0 * noise, 0.02 * level)
    still = np.flatnonzero(size[: half + 1] > least)
    last = int(still[-1]) if still.size else half
    return float(0.5 * (time[last] + time[last + 1]))


def _rise(
    wave: Wave,
    time: FloatArray,
    current: FloatArray,
    voltage: FloatArray | None,
    offset_u: float,
) -> tuple[RiseFit, NDArray[np.bool_]]:
    """The rise, and which of the points it was fitted to."""
    whole = np.ones(time.size, np.bool_)
    if time.size == 0:
        return RiseFit(converged=False, reason="no points after switch-on"), whole
    fit = _fit(wave, time, current, voltage, offset_u)
    part = _first_part(time, current)
    if part is None or (fit.converged and STRUCTURED not in fit.reason):
        return fit, whole
    volts = None if voltage is None else voltage[part]
    return _fit(wave, time[part], current[part], volts, offset_u), part


def _fit(
    wave: Wave,
    time: FloatArray,
    current: FloatArray,
    voltage: FloatArray | None,
    offset_u: float,
) -> RiseFit:
    at_end = at_begin = None
    if voltage is not None:
        at_end, at_begin = _voltages(wave, time, current, voltage)
    return fit_rise(
        time, current, at_end, source_voltage=at_begin, current_offset_u=offset_u or None
    )


def _first_part(time: FloatArray, current: FloatArray) -> NDArray[np.bool_] | None:
    """The part of an on-time that is its rise, when the record goes on far beyond it."""
    size = np.abs(current)
    reached = np.flatnonzero(size > 0.632 * np.quantile(size, 0.9))
    tau = float(time[reached[0]]) if reached.size else math.inf
    first: NDArray[np.bool_] = time <= FIT_TAUS * tau
    long = time.max() > LONG_TAUS * tau and np.count_nonzero(first) >= LONG_POINTS_MIN
    return first if long else None


def _voltages(
    wave: Wave, time: FloatArray, current: FloatArray, voltage: FloatArray
) -> tuple[Measured | None, Measured | None]:
    """Voltage at the part at the final current and at no current, by its sag with current."""
    inside = time > 0  # a sample at the very edge may still be of before
    if np.count_nonzero(inside) < 4:
        return None, None
    volts, amps = voltage[inside], current[inside]
    spread = amps - amps.mean()
    sag = float(spread @ volts) / float(spread @ spread) if spread.any() else 0.0
    rest = volts - volts.mean() - sag * spread
    noise = standard_error(rest)
    values = []
    for amperes in (float(np.median(amps[-max(1, amps.size // 10) :])), 0.0):
        value = float(volts.mean()) + sag * (amperes - float(amps.mean()))
        reach = abs(amperes - float(amps.mean())) / max(float(amps.std()), 1e-12)
        lines = (
            Contribution(
                source="noise",
                std_uncertainty=max(noise, 1e-12) * math.hypot(1.0, reach),
                evaluation="A",
            ),
            Contribution(
                source="last printed digit", std_uncertainty=wave.voltage_digit / math.sqrt(12.0)
            ),
        )
        values.append(Measured.from_budget(value, "V", lines) if value > 0 else None)
    return values[0], values[1]


def _motion(
    time: FloatArray, current: FloatArray, volts: FloatArray | None, assess: WaveMotion | None
) -> Motion:
    if assess is None or time.size < 2:
        return Motion(answer=MotionAnswer.NOT_ASSESSED, reason="not asked for")
    return assess(time, current, volts)


def _ripple(time: FloatArray, current: FloatArray, assess: RippleAssessor | None) -> Ripple:
    if assess is None or time.size < 2:
        return Ripple(assessed=False, reason="not asked for: only a pump's current has ripple")
    return assess(time, current)


def _turn_off(
    wave: Wave,
    time: FloatArray,
    current: FloatArray,
    on: Any,
    off: float | None,
    rise: RiseFit,
    clamp: str,
) -> TurnOff:
    if off is None:
        return TurnOff(assessed=False, reason="the record holds no turn-off", clamp=clamp)
    before = current[on][-5:]
    after = time >= off
    if before.size == 0:
        return TurnOff(assessed=False, reason="no current before the turn-off", clamp=clamp)
    if wave.voltage_v is None:
        note = "switch-off taken from the current itself, half a sample sure"
    else:
        note = ""
    found = assess_turn_off(
        Decay(
            time_s=time[after] - off,
            current_a=current[after],
            current_at_off_a=float(np.median(before)),
            noise_a=sample_noise(current[on][-200:], wave.current_digit),
            clamp=clamp,
            resistance_ohm=rise.resistance_ohm,
        )
    )
    if not (note and found.assessed):
        return found
    reason = "; ".join(x for x in (found.reason, note) if x)
    return TurnOff(
        assessed=True,
        reason=reason,
        clamp=clamp,
        decay_s=found.decay_s,
        clamp_voltage_v=found.clamp_voltage_v,
        closing_s=found.closing_s,
    )


def _json(measured: Measured | None) -> dict[str, float] | None:
    if measured is None:
        return None
    return {"value": measured.value, "std_uncertainty": measured.std_uncertainty}
