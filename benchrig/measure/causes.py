"""Whose a drop-out is: the part's, a lead's or clip's, the supply's or feed's, the rig's switch's.

What decides is the circuit. Where the part opens between the sense points, the supply's voltage
stands there while the current is gone. Where anything else opens, it does not, and the coil's
current tells what: it dies away slowly through the catch diode where supply, fuse or feed let go,
as at every switch-off where the rig's switch did, and at once where a lead or a clip did, for
nothing but the gap is left to carry it.

Only samples from inside the gap are asked, never its first and last, none at an end of the
input's range, and none while the current comes back: then the voltage is there whatever opened.
One sample decides nothing; where fewer than two agree, nobody can tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.cycle_window import Trace, two_wire
from benchrig.measure.features import DRIVEN_SHARE, Cause, CycleFeatures, DropOut
from benchrig.measure.propagation import FloatArray

EDGE_SAMPLES = 3  # while the voltage comes up at switch-on
AGREE_LEAST = 2  # samples
DEAD_SHARE = 0.1  # of the supply: less is no voltage at all
FALLEN = 0.1  # of the current before: where a fall ends, as in the turn-off
BEFORE_FALL = 0.985  # of the current before: it has not begun to fall
MATCH = 1.6  # a fall is as long as another within this factor
AT_ONCE = 0.35  # of an ordinary switch-off; an arc of 100 V or more is gone sooner
CATCH_DIODE_SHARE = 0.055  # of the supply: what a silicon diode adds to the coil's own drop
COMES_BACK = 0.5  # of the rise that a whole circuit would give

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the run knows beside the cycle. SI units; None where it is not known."""

    supply_v: float | None  # without load, before the run
    tau_s: float | None  # of the coil's rise
    current_a: float | None  # usual, steady
    decay_s: float | None  # of an ordinary switch-off, to 10 %
    clamp: str = ""  # as the rig declares it
    pump: bool = False


def tell_causes(features: CycleFeatures, trace: Trace, known: Known) -> CycleFeatures:
    """The same cycle, each drop-out with its cause; those not the part's are set apart."""
    if not features.drop_outs:
        return features
    look = _Look(features, trace, known)
    told = [look.at(drop) for drop in features.drop_outs]
    return replace(
        features,
        drop_outs=tuple(drop for drop in told if drop.cause is Cause.PART),
        undriven=tuple(drop for drop in told if drop.cause is not Cause.PART),
    )


class _Look:
    """One cycle's samples, asked about each of its drop-outs."""

    def __init__(self, features: CycleFeatures, trace: Trace, known: Known) -> None:
        self.features, self.known = features, known
        self.time, self.current = trace.time_s, trace.current_a
        self.on = (trace.time_s > 0) & (trace.time_s < features.on_s)
        self.two_wire = trace.voltage_scale is not None and two_wire(trace.voltage_scale)
        self.volts = _own_volts(trace)
        self.at_end: Bools = np.zeros(self.time.size, dtype=np.bool_)
        self.at_low = self.at_end
        if trace.voltage_codes is not None and trace.voltage_scale is not None:
            top = (1 << trace.voltage_scale.bits) - 1
            self.at_low = trace.voltage_codes <= 0
            self.at_end = self.at_low | (trace.voltage_codes >= top)
        self.supply_v = self._reference_v()
        self.without = self.on.copy()
        for drop in features.drop_outs:
            self.without[self._span(drop)] = False
        self.step_s = float(np.median(np.diff(self.time))) if self.time.size > 1 else 1.0

    def at(self, drop: DropOut) -> DropOut:
        """The drop-out with its cause and the sentence that says why."""
        cause, why = self._judge(drop)
        return replace(drop, cause=cause, why=why)

    def _judge(self, drop: DropOut) -> tuple[Cause, str]:
        volts, supply_v = self.volts, self.supply_v
        if volts is None or supply_v is None:
            return Cause.UNKNOWN, "the voltage at the part was not measured"
        least = DRIVEN_SHARE * supply_v
        flows = self.without & (self.current > 0.5 * self.current[self.on].max(initial=0.0))
        if flows.any() and np.median(volts[flows]) < least:
            return Cause.UNKNOWN, "the voltage input shows nothing while a current flows"
        span = self._span(drop)
        asked = self._asked(span)
        clear = asked & ~self.at_end
        stood = clear & (volts >= least)
        gone = clear & (volts < DEAD_SHARE * supply_v)
        between = clear & ~stood & ~gone
        before = self._lead_in(span) & (volts < least)
        low = int(np.count_nonzero(gone | (asked & self.at_low))) + int(np.count_nonzero(before))
        if low >= AGREE_LEAST:
            gone_for_certain = int(np.count_nonzero(gone)) >= AGREE_LEAST
            return self._outside(span, gone_for_certain, self._shown(gone))
        if np.count_nonzero(between) >= AGREE_LEAST:
            shown = f"{float(np.median(volts[between])):.2f} V"
            return Cause.UNKNOWN, (
                f"only {shown} stood at the part: the supply sags, or a contact before it has "
                "resistance"
            )
        if np.count_nonzero(stood) < AGREE_LEAST:
            return Cause.UNKNOWN, "too few samples inside it to tell whose it is"
        where = self._shown(stood)
        if self.two_wire:
            return Cause.UNKNOWN, (
                f"{where} stood at the rig's end of the leads while the current was gone: the part "
                "or a lead; sense at the part's terminals to tell"
            )
        return Cause.PART, f"{where} stood at the part while its current was gone"

    # --- which samples -------------------------------------------------------------------

    def _span(self, drop: DropOut) -> slice:
        begin_s = drop.start_s - self.features.start_s
        first, last = np.searchsorted(
            self.time, (begin_s - 1e-9, begin_s + drop.duration_s - 1e-9)
        ).tolist()
        end = int(np.searchsorted(self.time, self.features.on_s))
        return slice(first, min(last, end))

    def _asked(self, span: slice) -> Bools:
        """Inside the gap, neither its edges nor while the current comes back."""
        asked: Bools = np.zeros(self.time.size, dtype=np.bool_)
        asked[span.start + 1 : max(span.stop - 1, span.start + 1)] = True
        asked[: int(np.argmax(self.on)) + EDGE_SAMPLES] = False
        tau, level = self.known.tau_s, self._level(span)
        if tau is None or level <= 0 or self.known.pump:
            return asked
        low_half = level - self.current >= 0.5 * (level - self.current[span].min(initial=level))
        rises = np.diff(self.current, append=self.current[-1])
        whole = (level - self.current) * (1.0 - math.exp(-self.step_s / tau))
        back = rises > np.maximum(COMES_BACK * whole, 0.004 * level)
        back[1:] |= back[:-1].copy()
        return np.asarray(asked & ~back & low_half)

    def _lead_in(self, span: slice) -> Bools:
        """Before a drop-out that is missed only once the current should have settled."""
        settle_s = 8.0 * (self.known.tau_s or 0.0)
        begin_s = float(self.time[min(span.start, self.time.size - 1)])
        near: Bools = self.on & (self.time > begin_s - settle_s) & (self.time < begin_s)
        near[: int(np.argmax(self.on)) + EDGE_SAMPLES] = False
        return near

    def _level(self, span: slice) -> float:
        """The current before the fall, else the usual one."""
        before = self.current[max(0, span.start - 6) : max(0, span.start - 1)]
        usual = self.known.current_a or 0.0
        if before.size and float(before.max()) > 0.5 * usual:
            return float(np.median(before))
        return usual

    def _reference_v(self) -> float | None:
        if self.known.supply_v is not None:
            return self.known.supply_v
        return None if self.features.voltage_v is None else self.features.voltage_v.value

    def _shown(self, which: Bools) -> str:
        assert self.volts is not None
        return f"{float(np.median(self.volts[which])):.2f} V" if which.any() else "no voltage"

    # --- what lies outside ---------------------------------------------------------------

    def _outside(self, span: slice, for_certain: bool, shown: str) -> tuple[Cause, str]:
        """No voltage at the part: by the fall of the current, lead, supply or the rig's switch."""
        said = "no voltage stood at the part" + (f" ({shown})" if for_certain else "")
        cannot = (
            f"{said}: lead, clip, supply, fuse, feed or the rig's switch; the samples do not show "
            "which"
        )
        found = self._fall(span)
        if found is None or self.two_wire:
            return Cause.UNKNOWN, cannot
        shares, least_s, most_s = found
        expected = self._expected_s(shares)
        fits = {
            cause
            for cause, at_s in expected.items()
            if least_s / MATCH <= at_s <= most_s * MATCH and at_s > 0
        }
        ordinary_s = expected.get(Cause.RIG)
        if ordinary_s is not None and least_s <= AT_ONCE * ordinary_s:
            fits.add(Cause.LEAD)
        if len(fits) != 1:
            return Cause.UNKNOWN, cannot
        took = f"{1e3 * 0.5 * (least_s + most_s):.2f} ms"
        (cause,) = fits
        ordinary = "" if ordinary_s is None else f" ({1e3 * ordinary_s:.2f} ms at a switch-off)"
        why = {
            Cause.LEAD: f"{said}, and its current was gone within {1e3 * most_s:.2f} ms{ordinary}: "
            "a lead or a clip opened",
            Cause.RIG: f"{said}, and its current fell in {took}, as it does when the rig switches "
            f"off{ordinary}: the rig's own switch",
            Cause.SUPPLY: f"{said}, and its current died away in {took} through the catch diode"
            f"{ordinary}: supply, fuse or feed",
        }
        return cause, why[cause]

    def _fall(self, span: slice) -> tuple[float, float, float] | None:
        """How far the current fell (share left), and between which times that was, s."""
        level = self._level(span)
        first = int(np.argmax(self.on))
        if level <= 0 or span.start <= first + 1 or span.stop - span.start < AGREE_LEAST:
            return None
        begin = span.start
        while begin > first and self.current[begin - 1] < BEFORE_FALL * level:
            begin -= 1
        if begin <= first or span.start - begin > 8:
            return None
        fall = self.current[begin : span.stop] / level
        lowest = int(np.argmin(fall))
        share = max(FALLEN, float(fall[lowest]))
        if share > 0.8:
            return None
        reached = int(np.argmax(fall <= share))
        last_s, next_s = float(self.time[begin - 1]), float(self.time[begin])
        at_s = float(self.time[begin + reached])
        if reached:
            high, low = float(fall[reached - 1]), float(fall[reached])
            part = (high - share) / (high - low) if high > low else 1.0
            at_s -= (1.0 - part) * (at_s - float(self.time[begin + reached - 1]))
        return share, max(at_s - next_s, 0.0), at_s - last_s

    def _expected_s(self, share: float) -> dict[Cause, float]:
        """How long a fall to a share takes where supply or feed, or the rig's switch, let go."""
        tau, supply_v = self.known.tau_s, self.supply_v
        if tau is None or supply_v is None or self.known.pump:
            return {}
        expected = {Cause.SUPPLY: tau * _fall_in_tau(share, CATCH_DIODE_SHARE)}
        clamp_v = _clamp_v(self.known.clamp)
        if clamp_v is not None and clamp_v > supply_v:
            against = clamp_v / supply_v - 1.0
            whole_s = self.known.decay_s or tau * _fall_in_tau(FALLEN, against)
            portion = _fall_in_tau(share, against) / _fall_in_tau(FALLEN, against)
            expected[Cause.RIG] = whole_s * portion
        return expected


def _fall_in_tau(share: float, against: float) -> float:
    """Time constants until a coil's current is a share of what it was, opposed by a voltage.

    ``L di/dt = -R i - U`` from ``i = I``: ``t / tau = ln((1 + u) / (share + u))``, u = U / (R I).
    """
    return math.log((1.0 + against) / (share + against))


def _clamp_v(clamp: str) -> float | None:
    """Volts of a low-side clamp as a rig declares it; of a diode nothing follows for the shunt."""
    words = clamp.split()
    if len(words) < 2 or not clamp.startswith("low side clamp"):
        return None
    try:
        return float(words[-2])
    except ValueError:
        return None


def _own_volts(trace: Trace) -> FloatArray | None:
    """The voltage as it was converted, not moved to the current's instants across edges."""
    scale, codes, zero = trace.voltage_scale, trace.voltage_codes, trace.voltage_zero
    if trace.voltage_v is None or scale is None or codes is None:
        return None
    rest = 0.0 if zero is None else float(scale.to_si(zero).mean())
    return np.asarray(scale.to_si(codes) - rest)
