"""One on-time with what lies around it, as SI arrays of the right inputs at the same instants."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.features import Motion, Ripple
from benchrig.measure.propagation import FloatArray
from benchrig.measure.reading import Codes
from benchrig.measure.samples import InputScale
from benchrig.parts.part import PartKind
from benchrig.quantity import Measured
from benchrig.wire.messages import InputFlag, InputRole

ZERO_ROWS_MIN = 4
DEAD_ZERO_CODE_MIN = 4.0  # an input whose zero stands this high never reads 0 while it lives
RISES_MAX = 200
# An edge may hold a conversion up by so much: one due this short before it may show what follows.
CONVERSION_LATE_S = 20e-6
RELAY_S = 0.04  # operate time and bounce of a small power relay, with room

# Time from switch-on, current, noise of one of its samples, voltage at the part.
Rise = tuple[FloatArray, FloatArray, float, FloatArray | None]
MotionAssessor = Callable[[Sequence[Rise]], list[Motion]]  # one each
RippleAssessor = Callable[..., Ripple]


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleContext:
    """What must be known to read cycles; everything else comes from the samples."""

    scales: tuple[InputScale, ...]
    tick_ns: int
    output: int
    part_kind: PartKind
    relay: bool = False  # the output's contact closes late and bounces
    clamp: str = ""  # the output's clamp, as declared, in words
    copper_winding: bool = True
    part_temperature_c: float | None = None  # before the first pulse
    u_part_temperature_c: float | None = None
    supply_v: float | None = None  # what it gave before the run
    cold_resistance: Measured | None = None  # of the cold check, at that temperature
    lead_null: Measured | None = None  # two-wire connections only
    assess_motion: MotionAssessor | None = None
    assess_ripple: RippleAssessor | None = None
    # Motion's tables take seconds to make at first: a live run, whose event loop must not wait,
    # has it assessed afterwards (CycleAnalyser.with_motion).
    defer_motion: bool = False
    drop_out_false_alarm: float = 1e-3  # per on-time, by noise alone
    clock_rel_u: float = 100e-6  # of the rig's clock

    def scale_of(self, role: InputRole, inputs: tuple[int, ...]) -> InputScale | None:
        """The streamed input of a role that measures this output."""
        for scale in self.scales:
            mine = scale.outputs_mask == 0 or scale.outputs_mask >> self.output & 1
            if scale.role is role and scale.input in inputs and mine:
                return scale
        return None


@dataclass(slots=True)
class RunMemory:
    """What earlier cycles of the same run teach the next."""

    tau_s: float | None = None
    usual_current_a: float | None = None
    cold: Measured | None = None  # resistance at the part's temperature, by the same inputs
    temperature_c: float | None = None  # of the winding, last known
    decay_s: float | None = None  # of an ordinary switch-off, to 10 %
    rises: dict[int, Rise] = field(default_factory=dict)  # by cycle: motion is still to be assessed

    def keep_rise(self, cycle: int, rise: Rise) -> None:
        """Keep a rise for later; of a long run only the first ones."""
        if len(self.rises) < RISES_MAX:
            time, current, noise, volts = rise
            volts = None if volts is None else volts.copy()
            self.rises[cycle] = (time.copy(), current.copy(), noise, volts)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """Whole scans around one on-time; ``time_s`` is each scan's start, from the on edge."""

    inputs: tuple[int, ...]
    codes: Codes
    time_s: FloatArray
    period_s: float
    on_s: float
    zero: Codes | None  # the same inputs while nothing flowed, just before
    missing: int  # scans of the on-time that never came


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """Current and voltage of a window at the current's instants, offsets subtracted."""

    time_s: FloatArray
    current_a: FloatArray
    voltage_v: FloatArray | None
    current_scale: InputScale
    voltage_scale: InputScale | None
    current_codes: Codes
    voltage_codes: Codes | None
    current_zero: Codes | None
    voltage_zero: Codes | None
    dead: int  # samples at which the current input itself was dead
    over_range: bool
    flows_before: bool  # what the input showed at switch-on was no offset but a current


def trace_of(context: CycleContext, window: Window) -> Trace | None:
    """The current input that is in range and the part's voltage; None without any current."""
    chosen = _current_scale(context, window)
    if chosen is None:
        return None
    scale, over_range = chosen
    column = window.inputs.index(scale.input)
    codes = np.ascontiguousarray(window.codes[:, column])
    zero = _zero(scale, window, column)
    time = window.time_s + column / len(window.inputs) * window.period_s
    current = scale.to_si(codes) - _mean(scale, zero)
    voltage_scale = context.scale_of(InputRole.PART_VOLTAGE, window.inputs)
    voltage = voltage_codes = voltage_zero = None
    if voltage_scale is not None:
        other = window.inputs.index(voltage_scale.input)
        voltage_codes = np.ascontiguousarray(window.codes[:, other])
        voltage_zero = _zero(voltage_scale, window, other)
        volts = voltage_scale.to_si(voltage_codes) - _mean(voltage_scale, voltage_zero)
        voltage = at_the_same_instants(volts, (column - other) / len(window.inputs))
    keep: slice | NDArray[np.bool_] = slice(None)
    dead = 0
    if scale.zero_code >= DEAD_ZERO_CODE_MIN and codes.size and codes.min() <= 0:
        on = (time >= 0) & (time < window.on_s)
        keep = ~((codes <= 0) & on)
        dead = int(codes.size - np.count_nonzero(keep))
    return Trace(
        time_s=time[keep],
        current_a=current[keep],
        voltage_v=None if voltage is None else voltage[keep],
        current_scale=scale,
        voltage_scale=voltage_scale,
        current_codes=codes[keep],
        voltage_codes=None if voltage_codes is None else voltage_codes[keep],
        current_zero=zero,
        voltage_zero=voltage_zero,
        dead=dead,
        over_range=over_range,
        flows_before=zero is None and _mean(scale, _rest(window, column)) > 0.0,
    )


def on_part(trace: Trace, on_s: float, *, relay: bool) -> tuple[slice, float]:
    """Samples that are of the on-time for certain, and its begin: a relay's contact closes late."""
    begin_s = _contact_closed_s(trace, on_s) if relay else 0.0
    return slice(*np.searchsorted(trace.time_s, (begin_s, on_s - CONVERSION_LATE_S))), begin_s


def _contact_closed_s(trace: Trace, on_s: float) -> float:
    """When a relay's contact has closed for good, after the edge that told it to.

    The last sample of the first ``RELAY_S`` that lacks most of the current is still bounce.
    """
    on = slice(*np.searchsorted(trace.time_s, (0.0, on_s)))
    time, current = trace.time_s[on], trace.current_a[on]
    early = time < RELAY_S
    if current.size < 8 or early.all():
        return 0.0
    level = float(np.median(current[~early]))
    open_at = np.flatnonzero(early & (current < 0.1 * level))
    return 0.0 if level <= 0 or open_at.size == 0 else float(time[open_at[-1]])


def inside_edges(voltage: FloatArray) -> FloatArray:
    """Voltage of an on-time; its ends were interpolated across the edges and are not of it."""
    if voltage.size < 4:
        return voltage
    inner = voltage.copy()
    inner[0], inner[-1] = inner[1], inner[-2]
    return inner


def two_wire(scale: InputScale) -> bool:
    """The voltage is sensed at the rig's end of the leads."""
    return InputFlag.AT_PART_TERMINALS not in scale.flags


def _current_scale(context: CycleContext, window: Window) -> tuple[InputScale, bool] | None:
    on = slice(*np.searchsorted(window.time_s, (0.0, window.on_s)))
    last: tuple[InputScale, bool] | None = None
    for role in (InputRole.CURRENT_FINE, InputRole.CURRENT_COARSE):
        scale = context.scale_of(role, window.inputs)
        if scale is None:
            continue
        codes = window.codes[on, window.inputs.index(scale.input)]
        top = (1 << scale.bits) - 1
        last = scale, bool(np.count_nonzero(codes >= top) > 0.001 * codes.size)
        if not last[1]:
            return last
    return last


def _rest(window: Window, column: int) -> Codes | None:
    """Codes of an input before switch-on, where there are enough."""
    if window.zero is None or window.zero.shape[0] < ZERO_ROWS_MIN:
        return None
    return window.zero[:, column]


def _zero(scale: InputScale, window: Window, column: int) -> Codes | None:
    """Codes of the input at rest; none when what they show is no offset but a current."""
    if (codes := _rest(window, column)) is None:
        return None
    plausible = 6.0 * max(scale.offset_uncertainty, 0.5 * abs(scale.step))
    return codes if abs(float(scale.to_si(codes).mean())) <= plausible else None


def _mean(scale: InputScale, codes: Codes | None) -> float:
    return 0.0 if codes is None else float(scale.to_si(codes).mean())


def at_the_same_instants(values: FloatArray, later_scans: float) -> FloatArray:
    """Values of one input moved to another's instants, which lie part of a scan later."""
    if values.size < 2 or later_scans == 0:
        return values
    out: NDArray[np.float64] = values.copy()
    if later_scans > 0:
        out[:-1] += later_scans * (values[1:] - values[:-1])
        out[-1] += later_scans * (values[-1] - values[-2])
    else:
        out[1:] += later_scans * (values[1:] - values[:-1])
        out[0] += later_scans * (values[1] - values[0])
    return out
