"""The charts of a part page, from a record and, where they are at hand, its samples."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.measure.features import CycleFeatures, MotionAnswer
from benchrig.quantity import Measured
from benchrig.record.values import RunRecord
from benchrig.report.svg import Floats, Frame, Plot, picture
from benchrig.report.words import quantity, scale_for

WIDTH = 480.0  # half a page, in pixels of the view box
WIDE = 980.0  # a whole page
HEIGHT = 226.0
_LOOKS = ("first", "median", "last")
_RISE_TAUS = 7.0  # how much of a rise is shown


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CycleTrace:
    """Samples of one on-time: seconds since switch-on and amperes."""

    cycle: int
    time_s: Floats
    current_a: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunTrace:
    """Samples of the whole run: seconds since the first edge and amperes."""

    time_s: Floats
    current_a: Floats
    step_s: float | None = None  # the longest there is without a gap, where samples were left out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Samples:
    """What the log hands to a report; either may be missing."""

    cycles: tuple[CycleTrace, ...] = ()
    run: RunTrace | None = None


def cycles_to_show(record: RunRecord) -> tuple[int, ...]:
    """Numbers of the first, median and last complete cycle, each once."""
    complete = [c.cycle for c in record.cycles if c.complete] or [c.cycle for c in record.cycles]
    if not complete:
        return ()
    chosen = (complete[0], complete[(len(complete) - 1) // 2], complete[-1])
    return tuple(dict.fromkeys(chosen))


def rise_chart(record: RunRecord, samples: Samples | None = None) -> str:
    """Current rise of the first, median and last cycle, with fitted curve and motion mark."""
    shown = [c for c in record.cycles if c.cycle in cycles_to_show(record)]
    traces = {t.cycle: t for t in samples.cycles} if samples else {}
    end_s = _rise_end_s(shown, [traces[c.cycle] for c in shown if c.cycle in traces])
    top = _rise_top_a(shown, traces, end_s)
    if not shown or end_s <= 0 or top <= 0:
        return _nothing("Current rise", "no rise was measured")
    scale = scale_for("s", end_s)
    plot = Plot(
        frame=Frame(left=44, top=24, width=WIDTH - 56, height=HEIGHT - 62),
        x_range=(0.0, end_s / scale.factor),
        y_range=(0.0, 1.08 * top),
    )
    plot.axes(x_label=f"{scale.unit} after switch-on", y_label="current, A")
    entries: list[tuple[str, str]] = []
    for look, cycle in zip(_looks(len(shown)), shown, strict=True):
        _draw_rise(plot, look, cycle, traces.get(cycle.cycle), scale.factor, end_s)
        entries.append((look, f"cycle {cycle.cycle} ({look})"))
    if not traces:
        y_px = plot.frame.height - 14 * (len(entries) + 1) + 2
        plot.note(plot.frame.width - 190, y_px, "fitted curves; no samples at hand")
    elif any(_fitted(c) for c in shown):
        entries.append(("fit", "fitted rise, no movement"))
    plot.key(entries, plot.frame.width - 158, plot.frame.height - 14 * len(entries) + 2)
    _mark_motion(plot, shown, traces, scale.factor)
    title = "Current rise of the first, median and last cycle"
    return picture(WIDTH, HEIGHT, title, plot.markup())


def tray_chart(slots: Sequence[tuple[str, RunRecord | None, bool]]) -> str:
    """The fitted rise of each slot's last fitted cycle on one pair of axes; "" where none is.

    ``slots``: label, record, and whether the slot stands apart, which is drawn last and named.
    """
    found = []
    for label, record, apart in slots:
        fitted = [c for c in record.cycles if _fitted(c)] if record is not None else []
        if fitted:
            found.append((apart, label, fitted[-1]))
    if not found:
        return ""
    end_s = _rise_end_s([cycle for _, _, cycle in found], [])
    top = _rise_top_a([cycle for _, _, cycle in found], {}, end_s)
    if end_s <= 0 or top <= 0:
        return ""
    scale = scale_for("s", end_s)
    plot = Plot(
        frame=Frame(left=44, top=24, width=WIDE - 56, height=92),
        x_range=(0.0, end_s / scale.factor),
        y_range=(0.0, 1.08 * top),
    )
    plot.axes(x_label=f"{scale.unit} after switch-on, as fitted", y_label="current, A")
    for apart, _, cycle in sorted(found, key=lambda each: each[0]):
        _draw_rise(plot, "apart" if apart else "thin", cycle, None, scale.factor, end_s)
    apart_labels = [label for apart, label, _ in found if apart]
    if apart_labels:
        plot.note(plot.frame.width - 220, 78, f"stands apart: slot {', '.join(apart_labels)[:24]}")
    return picture(WIDE, 154, "Current rise of every slot", plot.markup())


def _looks(count: int) -> tuple[str, ...]:
    return _LOOKS if count == 3 else (("first", "last") if count == 2 else ("first",))


def _fitted(cycle: CycleFeatures) -> bool:
    rise = cycle.rise
    return rise is not None and rise.converged and rise.current_a is not None


def _rise_end_s(shown: list[CycleFeatures], traces: list[CycleTrace]) -> float:
    taus = [c.rise.tau_s.value for c in shown if c.rise and c.rise.converged and c.rise.tau_s]
    ends = [c.motion.end_s.value for c in shown if c.motion and c.motion.end_s]
    longest = max((float(t.time_s[-1]) for t in traces if t.time_s.size), default=0.0)
    wanted = max([_RISE_TAUS * tau for tau in taus] + [2.5 * end for end in ends], default=0.0)
    if not wanted:
        return min(longest, 0.5)
    return min(wanted, longest) if longest else wanted


def _rise_top_a(shown: list[CycleFeatures], traces: dict[int, CycleTrace], end_s: float) -> float:
    tops = [c.rise.current_a.value for c in shown if _fitted(c) and c.rise and c.rise.current_a]
    for trace in traces.values():
        seen = trace.current_a[: int(np.searchsorted(trace.time_s, end_s, side="right"))]
        seen = seen[np.isfinite(seen)]
        tops.append(float(seen.max()) if seen.size else 0.0)
    return max(tops, default=0.0)


def _draw_rise(
    plot: Plot,
    look: str,
    cycle: CycleFeatures,
    trace: CycleTrace | None,
    factor: float,
    end_s: float,
) -> None:
    if trace is not None:
        plot.line(look, trace.time_s / factor, trace.current_a)
    rise = cycle.rise
    if rise is not None and rise.converged and rise.current_a and rise.tau_s:
        time_s = np.linspace(0.0, end_s, 121)
        curve = rise.current_a.value * -np.expm1(-time_s / rise.tau_s.value)
        plot.line("fit" if trace is not None else look, time_s / factor, curve)


def _mark_motion(
    plot: Plot, shown: list[CycleFeatures], traces: dict[int, CycleTrace], factor: float
) -> None:
    """A ring on each curve at the end of travel, a line down to the axis with the time."""
    marked: list[tuple[float, float]] = []
    for cycle in shown:
        motion = cycle.motion
        if motion is None or motion.answer is not MotionAnswer.MOVED or motion.end_s is None:
            continue
        height = _current_at(cycle, traces.get(cycle.cycle), motion.end_s.value)
        if height is not None:
            marked.append((motion.end_s.value, height))
    if not marked:
        answers = [c.motion.answer.value for c in shown if c.motion is not None]
        plot.note(8, 12, f"armature: {answers[0] if answers else MotionAnswer.NOT_ASSESSED.value}")
        return
    at_s, height = min(marked, key=lambda place: place[1])
    plot.whisker("limit", at_s / factor, 0.0, height)
    times = sorted({quantity(at, "s") for at, _ in marked})
    text = times[0] if len(times) == 1 else f"{times[0]} to {times[-1]}"
    plot.note(
        plot.x(at_s / factor) - plot.frame.left + 6, 0.62 * plot.frame.height, "end of travel"
    )
    plot.note(plot.x(at_s / factor) - plot.frame.left + 6, 0.62 * plot.frame.height + 14, text)
    for at_s, height in marked:
        plot.dot("ring", at_s / factor, height, 4.0)


def _current_at(cycle: CycleFeatures, trace: CycleTrace | None, at_s: float) -> float | None:
    if trace is not None and trace.time_s.size:
        return float(np.interp(at_s, trace.time_s, trace.current_a))
    rise = cycle.rise
    if rise is not None and rise.current_a and rise.tau_s:
        return float(rise.current_a.value * -np.expm1(-at_s / rise.tau_s.value))
    return None


def warmth_chart(record: RunRecord) -> str:
    """Resistance at operating current against R20, and winding temperature, over the run."""
    cycles = [c for c in record.cycles if c.resistance_ohm is not None]
    if not cycles:
        return _current_chart(record)
    warm = [c for c in record.cycles if c.winding_temperature_c is not None]
    share = (HEIGHT - 62 - 30) / 2
    end_s = max(c.start_s + c.on_s for c in record.cycles)
    r20 = record.cold.resistance_20c_ohm
    points = [(c.start_s + c.on_s, m) for c in cycles if (m := c.resistance_ohm)]
    upper = Plot(
        frame=Frame(left=44, top=24, width=WIDTH - 56, height=share if warm else HEIGHT - 62),
        x_range=(0.0, end_s),
        y_range=_range([m for _, m in points], [r20.value] if r20 else []),
    )
    upper.axes(x_label="" if warm else "s since the first pulse", y_label="resistance, Ω", y_most=4)
    if r20 is not None:
        upper.level("limit", r20.value, f"R20 {quantity(r20.value, 'ohm', 4)}, cold")
    _points(upper, points)
    _mark_drop_outs(upper, record)
    body = upper.markup()
    if warm:
        body += _temperature_plot(record, warm, end_s, share)
    else:
        upper.note(8, 12, "winding temperature not known")
        body = upper.markup()
    title = "Resistance and winding temperature over the run"
    return picture(WIDTH, HEIGHT, title, body)


def _temperature_plot(
    record: RunRecord, warm: list[CycleFeatures], end_s: float, share: float
) -> str:
    points = [(c.start_s + c.on_s, m) for c in warm if (m := c.winding_temperature_c)]
    limit_c = record.plan.part.ability.winding_c_max
    near = max(m.value for _, m in points) > limit_c - 25.0
    lower = Plot(
        frame=Frame(left=44, top=24 + share + 30, width=WIDTH - 56, height=share),
        x_range=(0.0, end_s),
        y_range=_range([m for _, m in points], [limit_c] if near else []),
    )
    lower.axes(x_label="s since the first pulse", y_label="winding temperature, °C", y_most=4)
    if near:
        lower.level("limit", limit_c, f"cycling stops at {limit_c:g} °C")
    _points(lower, points)
    return lower.markup()


def _current_chart(record: RunRecord) -> str:
    points = [(c.start_s + c.on_s, m) for c in record.cycles if (m := c.current_a)]
    if not points:
        return _nothing("Current over the run", "no cycle gave a current")
    plot = Plot(
        frame=Frame(left=44, top=24, width=WIDTH - 56, height=HEIGHT - 62),
        x_range=(0.0, max(at for at, _ in points)),
        y_range=_range([m for _, m in points], []),
    )
    plot.axes(x_label="s since the first pulse", y_label="steady current, A")
    _points(plot, points)
    _mark_drop_outs(plot, record)
    return picture(WIDTH, HEIGHT, "Steady current over the run", plot.markup())


def _points(plot: Plot, measured: list[tuple[float, Measured]]) -> None:
    few = len(measured) <= 60
    if few:
        for at, m in measured:
            plot.whisker("whisker", at, m.value - m.expanded, m.value + m.expanded)
    times = np.asarray([at for at, _ in measured])
    plot.line("first", times, np.asarray([m.value for _, m in measured]))
    if few:
        for at, m in measured:
            plot.dot("dot", at, m.value)


def _mark_drop_outs(plot: Plot, record: RunRecord) -> None:
    top = plot.y_range[1]
    for drop in record.drop_outs:
        if drop.start_s <= plot.x_range[1]:
            plot.mark("drop", drop.start_s, top, side="above")


def run_chart(record: RunRecord, samples: Samples | None) -> str:
    """Current over the whole run, every drop-out marked; "" when no samples are at hand."""
    run = samples.run if samples else None
    if run is None or run.time_s.size < 2:
        return ""
    finite = run.current_a[np.isfinite(run.current_a)]
    top = max(float(finite.max()) if finite.size else 0.0, 1e-3)
    plot = Plot(
        frame=Frame(left=44, top=24, width=WIDE - 56, height=64),
        x_range=(float(run.time_s[0]), float(run.time_s[-1])),
        y_range=(min(0.0, float(finite.min()) if finite.size else 0.0), 1.05 * top),
    )
    plot.axes(x_label="s since the first pulse", y_label="current, A", x_most=13, y_most=3)
    plot.line("thin", run.time_s, run.current_a, run.step_s)
    for drop in record.drop_outs:
        plot.mark("drop", drop.start_s, 1.05 * top, side="above")
    return picture(WIDE, 126, "Current over the whole run", plot.markup())


def _range(measured: list[Measured], others: list[float]) -> tuple[float, float]:
    """A range that holds every value with its uncertainty."""
    ends = [m.value - m.expanded for m in measured] + [m.value + m.expanded for m in measured]
    low, high = min(ends + others), max(ends + others)
    room = max(0.06 * (high - low), 0.005 * abs(high), 1e-9)
    return low - room, high + room


def _nothing(title: str, words: str) -> str:
    plot = Plot(
        frame=Frame(left=44, top=24, width=WIDTH - 56, height=HEIGHT - 62),
        x_range=(0.0, 1.0),
        y_range=(0.0, 1.0),
    )
    plot.note(0, 12, f"{title}: {words}")
    return picture(WIDTH, 60, title, plot.markup())
