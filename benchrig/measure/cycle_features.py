"""From one on-time's samples to its features: current, resistance, temperature, drop-outs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.causes import Known, tell_causes
from benchrig.measure.coil import (
    CURRENT_GAIN,
    NULL_NOT_TAKEN,
    SHARED_GAINS,
    VOLTAGE_GAIN,
    resistance_from_pairs,
    subtract_null,
    winding_temperature_from,
)
from benchrig.measure.cycle_window import (
    CycleContext,
    RunMemory,
    Trace,
    Window,
    inside_edges,
    on_part,
    trace_of,
    two_wire,
)
from benchrig.measure.dropouts import Dip, OnTime, find_dips, medians, noise_beside_dips
from benchrig.measure.features import (
    CycleFeatures,
    DropOut,
    Motion,
    MotionAnswer,
    Ripple,
    RiseFit,
    TurnOff,
)
from benchrig.measure.reading import Reading, measured_mean, read
from benchrig.measure.ripple import of_input
from benchrig.measure.rise import fit_rise
from benchrig.measure.turn_off import Decay, assess_turn_off
from benchrig.parts.copper import COPPER_K_C
from benchrig.quantity import Measured
from benchrig.wire.messages import InputFlag

EDGE_SAMPLES = 1  # after the edge, part of it
SAMPLES_LEAST = 40
LIMIT_EARLY, LIMIT_TOP = 0.4, 0.8  # of the final current: before, and on the way there
LIMIT_DROP = 0.05  # of the voltage: less is lead and supply resistance
LIMIT_SHARE = 0.3  # of that drop on the way; a resistance makes half of it
STEADY_TAUS = 8.0  # exp(-8) = 0.03 %: V / I is R from here on
STEADY_S_MAX = 0.1
STEADY_SHARE = 0.2  # of the on-time
STEADY_SAMPLES_MIN = 8
RISE_TAUS = 8.0
RISE_POINTS_MAX = 2000
RELAY_BOUNCES = "a relay's contact closes late and bounces: the rise has no clean start"
MOTION_S = 0.03  # any armature has moved by then, or does not move
NEVER_ON_SHARE = 0.1  # of the run's usual current
NEVER_ON_A = 0.01  # when no usual current is known
REFERENCE_HEATING_U_C = 0.3  # by the first window's end, standard


def analyse_cycle(
    context: CycleContext, window: Window, memory: RunMemory, cycle: int, start_s: float
) -> CycleFeatures:
    """Features of one on-time; ``memory`` is read and brought up to date."""
    plain = CycleFeatures(cycle=cycle, start_s=start_s, on_s=window.on_s, complete=False)
    if (trace := trace_of(context, window)) is None:
        return replace(plain, missing_samples=window.missing)
    on, begin_s = on_part(trace, window.on_s, relay=context.relay)
    missing = window.missing + trace.dead
    plain = replace(plain, missing_samples=missing)
    if on.stop - on.start < 2:
        return plain
    plain = replace(plain, complete=missing == 0)
    features = _Cycle(context, window, trace, on, begin_s, memory, plain).features()
    decay = features.turn_off.decay_s if features.turn_off is not None else None
    if decay is not None and not features.drop_outs:
        memory.decay_s = decay.value
    known = Known(
        supply_v=context.supply_v,
        tau_s=memory.tau_s or _tau_of(features.rise),
        current_a=memory.usual_current_a,
        decay_s=memory.decay_s or (None if decay is None else decay.value),
        clamp=context.clamp,
        pump=context.part_kind.is_pump,
    )
    return tell_causes(features, trace, known)


def _tau_of(rise: RiseFit | None) -> float | None:
    return None if rise is None or rise.tau_s is None else rise.tau_s.value


class _Cycle:
    """One on-time being read; lives for one call."""

    def __init__(
        self,
        context: CycleContext,
        window: Window,
        trace: Trace,
        on: slice,
        begin_s: float,
        memory: RunMemory,
        plain: CycleFeatures,
    ) -> None:
        self.context, self.window, self.trace = context, window, trace
        self.memory, self.plain, self.on = memory, plain, on
        # A relay's on-time counts from when its contact has closed.
        self.begin_s, self.on_s = begin_s, window.on_s - begin_s
        self.time, self.current = trace.time_s[on] - begin_s, trace.current_a[on]
        self.voltage = None if trace.voltage_v is None else inside_edges(trace.voltage_v[on])
        self.pump = context.part_kind.is_pump
        step = abs(trace.current_scale.step * trace.current_scale.gain)
        self.noise = noise_beside_dips(self.current[self.current.size // 2 :], step)

    def features(self) -> CycleFeatures:
        tau = self._tau()
        if self._never_on():
            return self._off_cycle()
        dips, below = find_dips(
            OnTime(
                time_s=self.time,
                current_a=self.current,
                voltage_v=self.voltage,
                noise_a=self.noise,
                tau_s=tau,
                pump=self.pump,
            ),
            self.context.drop_out_false_alarm,
        )
        drive = "" if dips or self.pump else self._limited()
        rise = self._rise(tau, below) if not drive else RiseFit(converged=False, reason=drive)
        if rise.converged and rise.tau_s is not None:
            tau = rise.tau_s.value
        current, voltage, resistance = self._steady(tau, below, rise)
        if not dips:
            self._learn(tau, rise)
        if self.plain.cycle == 1 and not self.pump:
            clean = None if dips else resistance
            self.memory.cold = self._first_resistance(tau, below) or clean
        temperature = self._temperature(resistance)
        drop_outs = tuple(self._drop_out(dip, below) for dip in dips)
        if temperature is not None:
            self.memory.temperature_c = temperature.value
        return replace(
            self.plain,
            current_a=current,
            voltage_v=voltage,
            resistance_ohm=resistance,
            winding_temperature_c=temperature,
            rise=rise,
            motion=self._motion(below)
            if not drive
            else Motion(answer=MotionAnswer.NOT_ASSESSED, reason=drive),
            turn_off=self._turn_off(current, resistance),
            ripple=self._ripple(),
            drop_outs=drop_outs,
            drive=drive,
            most_a=self._most_a(),
        )

    def _most_a(self) -> float | None:
        return float(np.sort(self.current)[-2]) if self.current.size > 1 else None

    def _limited(self) -> str:
        """Why the supply's current limit held the current, "" where it did not.

        Behind a resistance the voltage sinks with the current, all the way up. At a limit it
        stands until the current is there, and only then gives way.
        """
        if self.voltage is None or self.trace.over_range or self.current.size < SAMPLES_LEAST:
            return ""
        share = self.current / float(np.median(self.current[-self.current.size // 4 :]))
        rise = slice(0, int(np.argmax(share > LIMIT_TOP)))
        early = self.voltage[rise][share[rise] < LIMIT_EARLY][EDGE_SAMPLES:]
        late = self.voltage[rise][(share[rise] > LIMIT_EARLY)]
        if min(early.size, late.size) < STEADY_SAMPLES_MIN // 4 or early.size < 2:
            return ""
        before, half = float(np.median(early)), float(np.median(late))
        end = float(np.median(self.voltage[-self.voltage.size // 4 :]))
        if before - end < LIMIT_DROP * before or before - half > LIMIT_SHARE * (before - end):
            return ""
        held = float(np.median(self.current[-self.current.size // 4 :]))
        return (
            f"the supply holds the current at {held:.3g} A: {half:.2f} V stood at the part on the "
            f"way there, {end:.2f} V at the end; set its current limit higher"
        )

    def _tau(self) -> float:
        """About the time constant: what the run has shown, else from this rise's two thirds."""
        if self.memory.tau_s is not None:
            return self.memory.tau_s
        head = self.current[: max(8, int(0.3 / self.window.period_s))]
        top = float(medians(head[head.size // 2 :]))
        reached = np.flatnonzero(head > 0.632 * top)
        at = float(self.time[reached[0]]) if reached.size else self.on_s
        return max(at, 0.5 * self.window.period_s)

    def _never_on(self) -> bool:
        usual = self.memory.usual_current_a
        least = NEVER_ON_A if usual is None else max(NEVER_ON_A, NEVER_ON_SHARE * usual)
        return int(np.count_nonzero(self.current < least)) > 0.95 * self.current.size

    def _off_cycle(self) -> CycleFeatures:
        current = self._mean_current(slice(0, self.current.size))
        lost = DropOut(
            cycle=self.plain.cycle,
            start_s=self.plain.start_s,
            duration_s=self.window.on_s,
            depth=1.0,
            winding_temperature_c=self.memory.temperature_c,
        )
        voltage = self._mean_voltage(slice(0, self.current.size))
        return replace(self.plain, current_a=current, voltage_v=voltage, drop_outs=(lost,))

    # --- steady part ---------------------------------------------------------------------

    def _steady(
        self, tau: float, below: NDArray[np.bool_], rise: RiseFit
    ) -> tuple[Measured | None, Measured | None, Measured | None]:
        """Current, voltage and resistance at the end of the on-time; from the rise if short."""
        if self.trace.over_range:
            return None, self._mean_voltage(slice(self.current.size // 2, None)), None
        length = min(STEADY_SHARE * self.on_s, STEADY_S_MAX)
        begin = int(np.searchsorted(self.time, self.on_s - length))
        begin = max(0, min(begin, self.time.size - STEADY_SAMPLES_MIN))
        settled = self.time[begin] >= (0.0 if self.pump else STEADY_TAUS * tau)
        part = np.flatnonzero(~below[begin:]) + begin
        if settled and part.size >= STEADY_SAMPLES_MIN and part.size >= 0.5 * below[begin:].size:
            current, voltage = self._mean_current(part), self._mean_voltage(part)
            return current, voltage, None if self.pump else self._resistance(part)
        end = slice(max(0, self.time.size - STEADY_SAMPLES_MIN), None)
        voltage = self._mean_voltage(end)
        if rise.converged and rise.resistance_ohm is not None and not below.any():
            return rise.current_a, voltage, self._less_leads(rise.resistance_ohm)
        return None, voltage, None

    def _current_reading(self, part: slice | NDArray[np.intp]) -> Reading:
        codes = self.trace.current_codes[self.on][part]
        return read(self.trace.current_scale, codes, self.trace.current_zero)

    def _voltage_reading(self, part: slice | NDArray[np.intp]) -> Reading | None:
        trace = self.trace
        if trace.voltage_scale is None or trace.voltage_codes is None:
            return None
        return read(trace.voltage_scale, trace.voltage_codes[self.on][part], trace.voltage_zero)

    def _mean_current(self, part: slice | NDArray[np.intp]) -> Measured:
        return measured_mean(self._current_reading(part), "A", CURRENT_GAIN)

    def _mean_voltage(self, part: slice | NDArray[np.intp]) -> Measured | None:
        reading = self._voltage_reading(part)
        if reading is None or reading.over_range:
            return None
        return measured_mean(reading, "V", VOLTAGE_GAIN)

    def _resistance(self, part: slice | NDArray[np.intp]) -> Measured | None:
        voltage = self._voltage_reading(part)
        current = self._current_reading(part)
        if voltage is None or self.voltage is None or voltage.over_range:
            return None
        if min(voltage.mean, current.mean) <= 0:  # an input that sticks
            return None
        volts, amperes = self.voltage[part], self.current[part]
        return self._less_leads(
            resistance_from_pairs(volts, amperes, voltage=voltage, current=current)
        )

    def _null(self) -> Measured | None:
        """The leads' resistance, where the voltage has their drop in it."""
        scale = self.trace.voltage_scale
        if scale is None or not two_wire(scale):
            return None
        return self.context.lead_null or NULL_NOT_TAKEN

    def _less_leads(self, resistance: Measured) -> Measured:
        null = self._null()
        return resistance if null is None else subtract_null(resistance, null)

    # --- temperature ---------------------------------------------------------------------

    def _learn(self, tau: float, rise: RiseFit) -> None:
        memory = self.memory
        if rise.converged:
            memory.tau_s = tau if memory.tau_s is None else 0.7 * memory.tau_s + 0.3 * tau
        level = float(medians(self.current[self.current.size // 2 :]))
        usual = memory.usual_current_a
        memory.usual_current_a = level if usual is None else 0.7 * usual + 0.3 * level

    def _first_resistance(self, tau: float, below: NDArray[np.bool_]) -> Measured | None:
        """Resistance as early in the first on-time as it can be read: the winding is cold."""
        settled_s = STEADY_TAUS * tau
        begin, end = np.searchsorted(self.time, (settled_s, settled_s + 0.02))
        if end - begin < STEADY_SAMPLES_MIN or self.trace.over_range or below[begin:end].any():
            return None
        return self._resistance(slice(begin, end))

    def _cold(self) -> tuple[Measured | None, tuple[str, ...]]:
        """Resistance at the part's temperature, and what it shares with the hot one.

        The first cycle's own is best: its gains cancel. The cold check's has inputs of its own.
        """
        if self.memory.cold is not None:
            return self.memory.cold, SHARED_GAINS
        return self.context.cold_resistance, ()

    def _temperature(self, resistance: Measured | None) -> Measured | None:
        context = self.context
        cold, shared = self._cold()
        if resistance is None or cold is None or min(resistance.value, cold.value) <= 0:
            return None  # 0 and below: an input that sticks, or no current at all
        if (
            not context.copper_winding
            or context.part_temperature_c is None
            or context.u_part_temperature_c is None
        ):
            return None
        u_cold = math.hypot(context.u_part_temperature_c, REFERENCE_HEATING_U_C)
        return winding_temperature_from(
            resistance, cold, context.part_temperature_c, u_cold, shared=shared
        )

    def _temperature_before(self, index: int, below: NDArray[np.bool_]) -> float | None:
        """Winding temperature just before a sample, else the last one known."""
        (cold, _), at_c = self._cold(), self.context.part_temperature_c
        begin = max(0, index - max(STEADY_SAMPLES_MIN, int(0.02 / self.window.period_s)))
        tau = self.memory.tau_s
        if (
            cold is None
            or at_c is None
            or not self.context.copper_winding
            or self.voltage is None
            or tau is None
            or self.time[begin] < STEADY_TAUS * tau
        ):
            return self.memory.temperature_c
        part = np.flatnonzero(~below[begin:index]) + begin  # an earlier gap is no resistance
        current = float(self.current[part].mean()) if part.size >= STEADY_SAMPLES_MIN else 0.0
        if min(current, cold.value) <= 0:
            return self.memory.temperature_c
        null = self._null()
        hot = float(self.voltage[part].mean()) / current - (0.0 if null is None else null.value)
        return hot / cold.value * (COPPER_K_C + at_c) - COPPER_K_C

    # --- the rest ------------------------------------------------------------------------

    def _drop_out(self, dip: Dip, below: NDArray[np.bool_]) -> DropOut:
        return DropOut(
            cycle=self.plain.cycle,
            start_s=self.plain.start_s + self.begin_s + float(self.time[dip.first]),
            duration_s=float(self.time[dip.last] - self.time[dip.first]) + self.window.period_s,
            depth=dip.depth,
            winding_temperature_c=self._temperature_before(dip.first, below),
        )

    def _rise(self, tau: float, below: NDArray[np.bool_]) -> RiseFit:
        if self.pump:
            return RiseFit(converged=False, reason="a motor's current is no coil's rise")
        if self.context.relay:
            return RiseFit(converged=False, reason=RELAY_BOUNCES)
        if self.trace.over_range:
            return RiseFit(converged=False, reason="the current is over range")
        if self.trace.flows_before:
            return RiseFit(converged=False, reason="a current flows already at switch-on")
        end = int(np.searchsorted(self.time, RISE_TAUS * tau))
        part = slice(0, max(end, min(12, self.time.size)))
        if below[part].any():
            return RiseFit(converged=False, reason="a drop-out in the rise")
        stride = max(1, (part.stop + RISE_POINTS_MAX - 1) // RISE_POINTS_MAX)
        part = slice(0, part.stop, stride)
        reading = self._current_reading(part)
        offset = math.hypot(reading.offset_u, reading.quantisation_u)
        at_end, at_begin = self._rise_voltages(part)
        return fit_rise(
            self.time[part],
            self.current[part],
            at_end,
            source_voltage=at_begin,
            current_gain_rel_u=reading.gain_rel_u,
            current_offset_u=offset,
            clock_rel_u=self.context.clock_rel_u,
        )

    def _rise_voltages(self, part: slice) -> tuple[Measured | None, Measured | None]:
        """Voltage at the part at the end of the rise and, by its sag with current, at 0 A."""
        reading = self._voltage_reading(part)
        if reading is None or reading.over_range or self.voltage is None:
            return None, None
        volts, amps = self.voltage[part], self.current[part]
        spread = amps - amps.mean()
        sag = float(spread @ volts) / float(spread @ spread) if spread.any() else 0.0
        ends = (float(amps[-1]), 0.0)
        noise = float(np.std(volts - sag * spread)) / math.sqrt(volts.size) + 1e-9
        values = []
        for amperes in ends:
            value = float(volts.mean()) + sag * (amperes - float(amps.mean()))
            moved = replace(reading, mean=value, noise_u=2.0 * noise)
            values.append(measured_mean(moved, "V", VOLTAGE_GAIN))
        return values[0], values[1]

    def _motion(self, below: NDArray[np.bool_]) -> Motion | None:
        assess = self.context.assess_motion
        if self.pump or assess is None:
            return None
        if self.context.relay:
            return Motion(answer=MotionAnswer.NOT_ASSESSED, reason=RELAY_BOUNCES)
        head = slice(0, int(np.searchsorted(self.time, MOTION_S)))
        if below[head].any() or self.trace.over_range or self.trace.flows_before:
            reason = "a drop-out, over-range or a current from before in the rise"
            return Motion(answer=MotionAnswer.NOT_ASSESSED, reason=reason)
        volts = None if self.voltage is None else self.voltage[head]
        rise = self.time[head], self.current[head], self.noise, volts
        if self.context.defer_motion:
            self.memory.keep_rise(self.plain.cycle, rise)
            return None
        return assess([rise])[0]

    def _ripple(self) -> Ripple | None:
        assess = self.context.assess_ripple
        if not self.pump or assess is None:
            return None
        if self.trace.over_range:
            return Ripple(assessed=False, reason="the current is over range")
        return of_input(assess(self.time, self.current), self._current_reading(slice(None)))

    def _turn_off(self, current: Measured | None, resistance: Measured | None) -> TurnOff | None:
        off = self.window.on_s
        part = slice(int(np.searchsorted(self.trace.time_s, off)), self.trace.time_s.size)
        if self.pump or part.stop - part.start < 2:
            return None
        if self.context.relay:
            reason = "a relay lets go late: the edge does not say when"
            return TurnOff(assessed=False, reason=reason, clamp=self.context.clamp)
        scale = self.trace.current_scale
        last = float(np.median(self.current[-3:])) if current is None else current.value
        return assess_turn_off(
            Decay(
                time_s=self.trace.time_s[part] - off,
                current_a=self.trace.current_a[part],
                current_at_off_a=last,
                noise_a=self.noise,
                clamp=self.context.clamp,
                sees_turn_off=InputFlag.SEES_TURN_OFF in scale.flags,
                resistance_ohm=resistance,
            )
        )
