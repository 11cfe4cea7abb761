"""Drawing millions of samples: nothing hidden, no column wrong, ticks as others choose them."""

from __future__ import annotations

import re

import numpy as np
import pytest
from numpy.typing import NDArray

from benchrig.report.charts import RunTrace, Samples, cycles_to_show, rise_chart, run_chart
from benchrig.report.decimate import decimate
from benchrig.report.svg import Frame, Plot, nice_ticks, tick_text
from tests.report import sample_records as samples

Floats = NDArray[np.float64]
WIDTH, HEIGHT = 600, 200


def _plot(end_s: float, low: float, high: float) -> Plot:
    frame = Frame(left=0, top=0, width=WIDTH, height=HEIGHT)
    return Plot(frame=frame, x_range=(0.0, end_s), y_range=(low, high))


def _points(svg: str) -> Floats:
    """The corners of the first path, in pixels; an own reader of ``M x y l dx dy ...``."""
    data = re.search(r' d="M([^"]*)"', svg)
    assert data is not None
    start, _, rest = data.group(1).partition("l")
    steps = [float(n) for n in re.findall(r"[+-]?\d+", rest)]
    corners = np.asarray([[float(n) for n in start.split()], *np.reshape(steps, (-1, 2)).tolist()])
    return np.asarray(np.cumsum(corners, axis=0) / 10.0)


def _covered(xs: Floats, ys: Floats, widen: float = 0.0) -> tuple[Floats, Floats]:
    """Least and greatest y of a polyline in each pixel column, its crossings included."""
    low, high = np.empty(WIDTH), np.empty(WIDTH)
    for column in range(WIDTH):
        left, right = column - widen, column + 1 + widen
        first, end = np.searchsorted(xs, [left, right])
        crossings = np.interp([left, right], xs, ys)
        inside = np.concatenate((ys[first:end], crossings))
        low[column], high[column] = inside.min(), inside.max()
    return low, high


def columns_wrong(true_xs: Floats, true_ys: Floats, xs: Floats, ys: Floats) -> int:
    """Pixel columns off by over a pixel; a place may be off by a tenth, the paths' own grain."""
    wrong = np.zeros(WIDTH, dtype=bool)
    for one, other in (((true_xs, true_ys), (xs, ys)), ((xs, ys), (true_xs, true_ys))):
        low, high = _covered(*one)
        around_low, around_high = _covered(*other, widen=0.1)
        wrong |= (low < around_low - 1.0) | (high > around_high + 1.0)
    return int(wrong.sum())


def _signal(kind: str, count: int) -> Floats:
    rng = np.random.default_rng(7)
    t = np.arange(count) / count
    if kind == "pulses":
        return np.where(np.mod(t * 37, 1.0) < 0.5, 1.0, 0.0) + rng.normal(0, 0.01, count)
    if kind == "walk":
        walk = np.cumsum(rng.normal(0, 1, count))
        return np.asarray((walk - walk.min()) / np.ptp(walk))
    return np.asarray(0.5 + 0.4 * np.sin(2 * np.pi * 5 * t) + rng.normal(0, 0.03, count))


@pytest.mark.parametrize("kind", ["pulses", "walk", "sine"])
@pytest.mark.parametrize("count", [2_000, 40_001, 1_000_000])
def test_no_pixel_column_is_wrong_by_more_than_a_pixel(kind: str, count: int) -> None:
    values = _signal(kind, count)
    end_s = 10.0
    time_s = np.linspace(0.0, end_s, count)
    plot = _plot(end_s, -0.1, 1.2)
    plot.line("thin", time_s, values)
    drawn = _points(plot.markup())
    raw_y = (1.0 - (values + 0.1) / 1.3) * HEIGHT
    assert columns_wrong(time_s / end_s * WIDTH, raw_y, drawn[:, 0], drawn[:, 1]) == 0


def test_least_and_greatest_alone_would_not_do() -> None:
    """The check above can fail: without first and last sample some columns are wrong."""
    count, end_s = 40_001, 10.0
    values, time_s = _signal("pulses", count), np.linspace(0.0, end_s, count)
    kept = [
        start + offset
        for start in range(0, count, 67)  # bins that do not fall on the pixels
        for offset in sorted(
            (int(values[start : start + 67].argmin()), int(values[start : start + 67].argmax()))
        )
    ]
    raw_y = (1.0 - (values + 0.1) / 1.3) * HEIGHT
    xs = time_s / end_s * WIDTH
    assert columns_wrong(xs, raw_y, xs[kept], raw_y[kept]) > 0


@pytest.mark.parametrize("place", [0, 1, 17, 1_499_999, 2_345_678, 2_999_998, 2_999_999])
def test_a_drop_out_of_one_sample_in_three_million_is_drawn(place: int) -> None:
    count = 3_000_000
    values = np.full(count, 0.9)
    values[place] = 0.0
    time_s = np.arange(count) / 10_000.0
    plot = _plot(float(time_s[-1]), 0.0, 1.0)
    plot.line("thin", time_s, values)
    drawn = _points(plot.markup())
    lowest = drawn[drawn[:, 1].argmax()]
    assert lowest[1] == pytest.approx(HEIGHT, abs=0.1)
    assert lowest[0] == pytest.approx(place / count * WIDTH, abs=1.0)


def test_a_gap_is_not_bridged() -> None:
    time_s = np.concatenate((np.arange(0.0, 1.0, 0.001), np.arange(2.0, 3.0, 0.001)))
    plot = _plot(3.0, 0.0, 1.0)
    plot.line("thin", time_s, np.full(time_s.size, 0.5))
    assert plot.markup().count("M") == 2
    plot = _plot(3.0, 0.0, 1.0)
    plot.line("thin", np.arange(0.0, 3.0, 0.001), np.full(3000, 0.5))
    assert plot.markup().count("M") == 1


def test_values_that_are_no_numbers_are_left_out_and_not_drawn_as_zero() -> None:
    count = 100_000
    values = np.full(count, 0.5)
    values[::7] = np.nan
    time_s = np.arange(count) / count
    kept = decimate(time_s, values, 0.0, 1.0, 100)
    assert kept.size > 100
    assert np.isfinite(values[kept]).all()
    assert decimate(time_s, np.full(count, np.nan), 0.0, 1.0, 100).size == 0
    assert decimate(np.empty(0), np.empty(0), 0.0, 1.0, 100).size == 0
    with pytest.raises(ValueError, match="one length"):
        decimate(time_s, values[:-1], 0.0, 1.0, 100)


def test_ticks_are_those_of_a_plotting_library() -> None:
    """Against matplotlib's MaxNLocator with steps 1, 2, 5, 10: same step, same ticks."""
    ticker = pytest.importorskip("matplotlib.ticker")
    rng = np.random.default_rng(3)
    same = 0
    for _ in range(300):
        low = float(rng.normal(0, 10))
        high = low + float(10 ** rng.uniform(-4, 4))
        ours = nice_ticks(low, high, 6)
        locator = ticker.MaxNLocator(nbins=6, steps=[1, 2, 5, 10])
        theirs = [t for t in locator.tick_values(low, high) if low <= t <= high]
        assert 2 <= len(ours) <= 6
        assert all(low - 1e-9 <= t <= high + 1e-9 for t in ours)
        steps = np.diff(ours)
        assert np.allclose(steps, steps[0], rtol=1e-6)
        mantissa = steps[0] / 10 ** np.floor(np.log10(steps[0]) + 1e-6)
        assert round(float(mantissa), 6) in (1.0, 2.0, 5.0)
        same += len(ours) == len(theirs) and np.allclose(ours, theirs, rtol=1e-6, atol=1e-9)
    assert same > 200  # the two differ only in how many ticks still fit


def test_tick_texts() -> None:
    texts = [tick_text(t, 0.2) for t in nice_ticks(0.0, 0.9, 6)]
    assert texts == ["0", "0.2", "0.4", "0.6", "0.8"]
    assert tick_text(-5.0, 5.0) == "−5"
    assert nice_ticks(1.0, 1.0, 5) == []


def test_the_three_shown_cycles_are_first_median_and_last() -> None:
    assert cycles_to_show(samples.healthy()) == (1, 13, 25)
    assert cycles_to_show(samples.not_proven()) == (1, 2, 3)


def test_the_rise_carries_fit_motion_mark_and_key() -> None:
    record = samples.healthy()
    traces = tuple(samples.trace(cycle) for cycle in cycles_to_show(record))
    svg = rise_chart(record, Samples(cycles=traces))
    for needed in ("cycle 1 (first)", "cycle 13 (median)", "cycle 25 (last)", "fitted rise"):
        assert needed in svg
    assert "end of travel" in svg
    assert "1.7 ms" in svg
    assert svg.count("<circle") == 3
    assert svg.count('stroke-dasharray="50 40"') == 3


def test_a_rise_without_movement_says_so_and_marks_nothing() -> None:
    record = samples.stuck()
    svg = rise_chart(record)
    assert "no movement signature seen" in svg
    assert "<circle" not in svg
    assert "no samples at hand" in svg


def test_every_drop_out_is_marked_over_the_run() -> None:
    record = samples.failing()
    time_s, current_a = samples.run_samples(record)
    svg = run_chart(record, Samples(run=RunTrace(time_s=time_s, current_a=current_a)))
    assert svg.count("<polygon") == len(record.drop_outs) == 9
    assert run_chart(record, None) == ""


def test_marks_and_lines_stand_on_one_scale() -> None:
    plot = _plot(1.0, 0.0, 1.0)
    plot.line("first", np.asarray([0.0, 0.5, 1.0]), np.asarray([0.1, 0.9, 0.3]))
    corners = _points(plot.markup())
    assert corners[:, 0] == pytest.approx([plot.x(0.0), plot.x(0.5), plot.x(1.0)])
    assert corners[:, 1] == pytest.approx([plot.y(0.1), plot.y(0.9), plot.y(0.3)], abs=0.05)
    assert plot.y(0.0) == HEIGHT
    assert plot.y(1.0) == 0.0
