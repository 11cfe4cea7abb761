"""A small plotter: axes, lines and marks as SVG that takes its looks from the page.

Why not a plotting library: the figure shares the page's fonts and colours, prints crisp, has
text that can be searched, costs no import of a second, and the same numbers give the same
bytes. Ticks follow the 1-2-5 rule; a test compares them with a plotting library's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
from numpy.typing import NDArray

from benchrig.report.decimate import decimate, gap_numbers
from benchrig.report.looks import ATTRIBUTES, CURVES, FONTS, curve

Floats = NDArray[np.float64]
_FINE = 10  # path coordinates are whole tenths of a pixel


def nice_ticks(low: float, high: float, most: int) -> list[float]:
    """At most ``most`` round numbers (steps 1, 2 or 5 times a power of ten) within a range."""
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low or most < 2:
        return []
    rough = (high - low) / (most - 1)
    power = 10.0 ** math.floor(math.log10(rough))
    for factor in (1.0, 2.0, 5.0, 10.0, 20.0):
        step = factor * power
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first + 1 <= most:
            return [round(k * step, 12) for k in range(first, last + 1)]
    return []


def tick_text(value: float, step: float) -> str:
    """A tick's number with as many decimals as its step has."""
    decimals = max(0, -math.floor(math.log10(step) + 1e-9)) if step > 0 else 0
    text = f"{value:.{decimals}f}"
    return "0" if float(text) == 0 else text.replace("-", "−")


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Where the plot stands in the picture, in pixels of the view box."""

    left: float
    top: float
    width: float
    height: float


@dataclass(slots=True, kw_only=True)
class Plot:
    """One pair of axes. Numbers go in as they are; ``x`` and ``y`` turn them into pixels."""

    frame: Frame
    x_range: tuple[float, float]
    y_range: tuple[float, float]
    _parts: list[str] = field(default_factory=list)

    def x(self, value: float) -> float:
        """Pixel of a value on the x axis."""
        low, high = self.x_range
        return self.frame.left + (value - low) / (high - low) * self.frame.width

    def y(self, value: float) -> float:
        """Pixel of a value on the y axis; clipped to the frame."""
        low, high = self.y_range
        share = min(1.02, max(-0.02, (value - low) / (high - low)))
        return self.frame.top + (1.0 - share) * self.frame.height

    def axes(self, *, x_label: str, y_label: str, x_most: int = 7, y_most: int = 5) -> None:
        """Grid, ticks and the axes' names. An empty ``x_label`` leaves the x numbers out."""
        f = self.frame
        bottom = f.top + f.height
        ys = nice_ticks(*self.y_range, y_most)
        for value in ys:
            y = self.y(value)
            self._parts.append(_line("grid", f.left, y, f.left + f.width, y))
            text = tick_text(value, _step(ys))
            self._parts.append(_text("tick end", f.left - 5, y + 3.5, text))
        xs = nice_ticks(*self.x_range, x_most)
        for value in xs:
            x = self.x(value)
            self._parts.append(_line("axis", x, bottom, x, bottom + 4))
            if x_label:
                text = tick_text(value, _step(xs))
                self._parts.append(_text("tick mid", x, bottom + 15, text))
        self._parts.append(_line("axis", f.left, bottom, f.left + f.width, bottom))
        if x_label:
            self._parts.append(_text("name end", f.left + f.width, bottom + 28, x_label))
        self._parts.append(_text("name", f.left, f.top - 6, y_label))

    def line(self, look: str, time: Floats, values: Floats, step: float | None = None) -> None:
        """A line through samples, decimated to the frame's pixel columns, broken at gaps.

        ``step``: what lies between neighbours, where their own distances do not show it.
        """
        kept = decimate(time, values, *self.x_range, round(self.frame.width))
        if not kept.size:
            return
        gaps = np.flatnonzero(np.diff(gap_numbers(time, kept, step))) + 1
        data = "".join(self._path(time[k], values[k]) for k in np.split(kept, gaps))
        if data:
            self._parts.append(
                f'<path transform="scale({1 / _FINE:g})" {curve(look, _FINE)} d="{data}"/>'
            )

    def level(self, look: str, value: float, text: str = "") -> None:
        """A horizontal line over the whole width, with its name at the right end."""
        f = self.frame
        y = self.y(value)
        self._parts.append(_line(look, f.left, y, f.left + f.width, y))
        if text:
            self._parts.append(_text("note end", f.left + f.width - 2, y - 4, text))

    def dot(self, look: str, x: float, y: float, radius: float = 2.0) -> None:
        """A round point."""
        place = f'cx="{_n(self.x(x))}" cy="{_n(self.y(y))}" r="{_n(radius)}"'
        self._parts.append(f"<circle {ATTRIBUTES[look]} {place}/>")

    def whisker(self, look: str, x: float, low: float, high: float) -> None:
        """A vertical bar from low to high, for an uncertainty."""
        at = self.x(x)
        self._parts.append(_line(look, at, self.y(low), at, self.y(high)))

    def mark(self, look: str, x: float, y: float, text: str = "", *, side: str = "below") -> None:
        """A small triangle pointing at a place of a curve from below or above."""
        px, py = self.x(x), self.y(y)
        reach = 9.0 if side == "below" else -9.0
        tip = py + reach / 4.5
        points = f"{_n(px)},{_n(tip)} {_n(px - 4)},{_n(tip + reach)} {_n(px + 4)},{_n(tip + reach)}"
        self._parts.append(f'<polygon {ATTRIBUTES[look]} points="{points}"/>')
        if text:
            self._parts.append(_text("note", px + 7, tip + reach + (2 if reach > 0 else 4), text))

    def note(self, x_px: float, y_px: float, text: str, look: str = "note") -> None:
        """Words at a place inside the frame, in pixels from its top left corner."""
        self._parts.append(_text(look, self.frame.left + x_px, self.frame.top + y_px, text))

    def key(self, entries: Sequence[tuple[str, str]], x_px: float, y_px: float) -> None:
        """What each line look means, one under the other."""
        for row, (look, text) in enumerate(entries):
            x, y = self.frame.left + x_px, self.frame.top + y_px + 14 * row
            self._parts.append(_line(look, x, y - 3.5, x + 22, y - 3.5))
            self._parts.append(_text("note", x + 28, y, text))

    def markup(self) -> str:
        """Everything drawn so far."""
        return "".join(self._parts)

    def _path(self, xs: Floats, ys: Floats) -> str:
        if not xs.size:
            return ""
        low, high = self.x_range
        f = self.frame
        px = np.rint(_FINE * (f.left + (xs - low) / (high - low) * f.width)).astype(np.int64)
        share = np.clip((ys - self.y_range[0]) / (self.y_range[1] - self.y_range[0]), -0.02, 1.02)
        py = np.rint(_FINE * (f.top + (1.0 - share) * f.height)).astype(np.int64)
        dx, dy = np.diff(px), np.diff(py)
        moved = (dx != 0) | (dy != 0)
        steps = zip(dx[moved].tolist(), dy[moved].tolist(), strict=True)
        tail = "".join(f"{a}{b:+d}" if a < 0 else f" {a}{b:+d}" for a, b in steps)
        return f"M{px[0]} {py[0]}" + (f"l{tail.lstrip()}" if tail else "h1")


def picture(width: float, height: float, title: str, body: str) -> str:
    """A whole SVG element; ``title`` is what a screen reader says."""
    return (
        f'<svg class="chart" viewBox="0 0 {_n(width)} {_n(height)}" role="img" '
        f'font-family="{FONTS}" xmlns="http://www.w3.org/2000/svg"><title>{escape(title)}</title>{body}</svg>'
    )


def _step(ticks: Sequence[float]) -> float:
    return abs(ticks[1] - ticks[0]) if len(ticks) > 1 else 1.0


def _n(value: float) -> str:
    text = f"{value:.1f}"
    return text[:-2] if text.endswith(".0") else text


def _line(look: str, x1: float, y1: float, x2: float, y2: float) -> str:
    attributes = curve(look) if look in CURVES else ATTRIBUTES[look]
    return f'<path {attributes} d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}"/>'


def _text(look: str, x: float, y: float, words: str) -> str:
    return f'<text {ATTRIBUTES[look]} x="{_n(x)}" y="{_n(y)}">{escape(words)}</text>'
