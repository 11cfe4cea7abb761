"""Pieces of a solved current: closed forms where they exist, tables where they do not.

A branch's history is a row of segments without gaps. Each gives the current, and the voltage
across the part, at any times asked for, whole arrays at once; nothing is computed for times
that nobody samples.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(slots=True, kw_only=True)
class Segment:
    """From t0 to t1; the sense voltage is ``emf - sense_ohm * current`` unless said otherwise."""

    t0: float
    t1: float
    emf_v: float  # what drives the branch
    sense_ohm: float  # resistance between that and the sense point
    from_supply: bool  # the current comes out of the supply
    through_shunt: bool
    limited: bool = False  # the supply's current limit holds the current

    def current(self, t: Floats) -> Floats:
        """Amperes at these times."""
        raise NotImplementedError

    def voltage(self, t: Floats) -> Floats:
        """Volts between the sense points at these times."""
        return self.emf_v - self.sense_ohm * self.current(t)

    def square_integral(self) -> float:
        """The integral of the squared current over the whole segment."""
        raise NotImplementedError

    def peak(self) -> float:
        """The greatest current in the segment."""
        raise NotImplementedError

    def first_above(self, ceiling_a: float) -> float | None:
        """When the current first stands above a ceiling."""
        raise NotImplementedError


@dataclass(slots=True, kw_only=True)
class Line(Segment):
    """A straight line: a plateau that warms slowly, or nothing at all."""

    i0: float = 0.0
    i1: float = 0.0

    def current(self, t: Floats) -> Floats:
        slope = (self.i1 - self.i0) / (self.t1 - self.t0) if self.t1 > self.t0 else 0.0
        return self.i0 + slope * (t - self.t0)

    def flat(self, t0: float, t1: float) -> tuple[float, float]:
        """Currents at two times."""
        slope = (self.i1 - self.i0) / (self.t1 - self.t0) if self.t1 > self.t0 else 0.0
        return self.i0 + slope * (t0 - self.t0), self.i0 + slope * (t1 - self.t0)

    def square_integral(self) -> float:
        a, b = self.i0, self.i1
        return (self.t1 - self.t0) * (a * a + a * b + b * b) / 3.0

    def peak(self) -> float:
        return max(self.i0, self.i1)

    def first_above(self, ceiling_a: float) -> float | None:
        if self.i0 > ceiling_a:
            return self.t0
        if self.i1 <= ceiling_a:
            return None
        return self.t0 + (ceiling_a - self.i0) / (self.i1 - self.i0) * (self.t1 - self.t0)


@dataclass(slots=True, kw_only=True)
class Exponential(Segment):
    """``end + (i0 - end) * exp(-(t - t0) / tau)``: the exact solution of a linear coil."""

    i0: float
    end: float
    tau: float

    def current(self, t: Floats) -> Floats:
        return self.end + (self.i0 - self.end) * np.exp((self.t0 - t) / self.tau)

    def at(self, t: float) -> float:
        """The current at one time."""
        return self.end + (self.i0 - self.end) * exp((self.t0 - t) / self.tau)

    def square_integral(self) -> float:
        d, c, span = self.i0 - self.end, self.end, self.t1 - self.t0
        fade = exp(-span / self.tau)
        return (
            c * c * span
            + 2.0 * c * d * self.tau * (1.0 - fade)
            + 0.5 * d * d * self.tau * (1.0 - fade * fade)
        )

    def peak(self) -> float:
        return max(self.i0, self.at(self.t1))

    def first_above(self, ceiling_a: float) -> float | None:
        if self.i0 > ceiling_a:
            return self.t0
        if self.at(self.t1) <= ceiling_a:
            return None
        return self.t0 - self.tau * log((ceiling_a - self.end) / (self.i0 - self.end))


@dataclass(slots=True, kw_only=True)
class Table(Segment):
    """A transient that was integrated in small steps; straight lines between them."""

    times: Floats
    currents: Floats
    voltages: Floats | None = None  # where the coil's own voltage is what is seen

    def current(self, t: Floats) -> Floats:
        return np.interp(t, self.times, self.currents)

    def voltage(self, t: Floats) -> Floats:
        if self.voltages is None:
            return self.emf_v - self.sense_ohm * self.current(t)
        return np.interp(t, self.times, self.voltages)

    def square_integral(self) -> float:
        a, b = self.currents[:-1], self.currents[1:]
        return float(np.dot(np.diff(self.times), a * a + a * b + b * b)) / 3.0

    def peak(self) -> float:
        return float(self.currents.max())

    def first_above(self, ceiling_a: float) -> float | None:
        above = self.currents > ceiling_a
        return float(self.times[int(above.argmax())]) if above.any() else None
