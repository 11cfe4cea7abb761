"""Curves for a page out of a real log: the right cycles, the right moment, the right input."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.record.log import RunLog
from benchrig.record.replay import LoggedEdge
from benchrig.record.values import RunRecord
from benchrig.report import logged
from benchrig.report.charts import Samples, run_chart
from benchrig.report.decimate import thin
from benchrig.report.html import part_page
from benchrig.report.logged import samples_of
from benchrig.wire.messages import InputFlag, InputRole
from tests.report import sample_records

TICK_NS = 500
PERIOD_TICKS = 400  # 5 kS/s
FIRST = 7_000_000  # the first cycle's edge; the cold check was before
STARTS_S = (0.0, 1.2, 2.4)
ON_S = 0.6


def _scale(number: int, role: InputRole, full_scale_a: float) -> InputScale:
    return InputScale(
        input=number,
        role=role,
        bits=12,
        zero_code=16.0,
        step=full_scale_a / 4096,
        flags=InputFlag.SEES_TURN_OFF,
        outputs_mask=0xFF,
    )


SCALES = (_scale(1, InputRole.CURRENT_COARSE, 10.0), _scale(2, InputRole.CURRENT_FINE, 1.6))


def _record(current_a: float = 0.9) -> RunRecord:
    base = sample_records.healthy()
    cycles = tuple(
        replace(
            cycle, start_s=start, on_s=ON_S, current_a=sample_records.measured(current_a, 0.01, "A")
        )
        for cycle, start in zip(base.cycles, STARTS_S, strict=False)
    )
    return replace(base, cycles=cycles, cycles_done=3, cycles_planned=3)


def _current(at_s: NDArray[np.floating[Any]], current_a: float) -> NDArray[np.float64]:
    """What flowed: full current a while after each edge, 0.2 A in the cold check."""
    flowing = np.zeros(at_s.shape)
    flowing[(at_s >= -1.5) & (at_s < -1.3)] = 0.2
    for start in STARTS_S:
        on = (at_s >= start) & (at_s < start + ON_S)
        flowing[on] = current_a * -np.expm1(-(at_s[on] - start) / 0.01)
    return flowing


def _logged(path: Path, current_a: float = 0.9, edges: bool = True) -> Samples:
    record = _record(current_a)
    mine = 1 << record.plan.output
    seconds = [(-1.5, mine), (-1.3, 0)]
    for start in STARTS_S:
        seconds += [(start, mine), (start + ON_S, 0)]
    with RunLog.open(path / "runs.db") as log:
        log.begin_run(record.record_id, record.plan, record.rig)
        writer = log.writer(record.record_id)
        writer.set_scales(SCALES, TICK_NS)
        for number, (at_s, mask) in enumerate(seconds if edges else []):
            tick = FIRST + round(at_s * 1e9 / TICK_NS)
            edge = LoggedEdge(edge=number, tick=tick, outputs_mask=mask, cause="SCHEDULE")
            writer.accept(edge.to_event(at_s))
        begin = FIRST - 4_000_000
        scans = 50
        for number in range(600):
            tick = begin + number * scans * PERIOD_TICKS
            columns = []
            for j, scale in enumerate(SCALES):
                ticks = tick + (np.arange(scans) + j / 2) * PERIOD_TICKS
                flowing = _current((ticks - FIRST) * TICK_NS * 1e-9, current_a)
                columns.append(np.clip(np.rint(flowing / scale.step + 16), 0, 4095))
            writer.add_block(
                SampleBlock(
                    stream=1,
                    block=number,
                    tick=tick,
                    inputs=(1, 2),
                    scan_period_ticks=PERIOD_TICKS,
                    codes=np.stack(columns, axis=1).astype(np.int16),
                )
            )
        writer.close()
        return samples_of(log, record)


def test_cycles_start_where_the_record_says_they_do(tmp_path: Path) -> None:
    found = _logged(tmp_path)
    assert [trace.cycle for trace in found.cycles] == [1, 2, 3]
    for trace in found.cycles:
        assert 0 <= trace.time_s[0] <= 2.1e-4
        expected = 0.9 * -np.expm1(-trace.time_s / 0.01)
        assert np.abs(trace.current_a - expected).max() < 1.6 / 4096  # the fine input was read
        assert trace.time_s[-1] == pytest.approx(ON_S, abs=3e-4)
    assert found.run is not None
    assert found.run.time_s[0] >= 0.0  # the cold check stays out
    assert found.run.time_s[-1] == pytest.approx(STARTS_S[-1] + ON_S + 0.1, abs=1e-3)


def test_beyond_the_fine_range_the_coarse_input_is_read(tmp_path: Path) -> None:
    found = _logged(tmp_path, current_a=2.5)
    assert found.cycles[0].current_a.max() == pytest.approx(2.5, abs=0.01)


def test_without_edges_nothing_is_drawn_and_the_page_still_comes(tmp_path: Path) -> None:
    found = _logged(tmp_path, edges=False)
    assert found == Samples() or (found.run is None and not found.cycles)
    assert "fitted curves; no samples at hand" in part_page(_record(), samples=found)


def test_a_thinned_run_is_one_line_and_a_gap_still_breaks_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("whole", "thinned"):
        (tmp_path / name).mkdir()
    whole = _logged(tmp_path / "whole").run
    monkeypatch.setattr(logged, "SAMPLES_MOST", 4_000)
    thinned = _logged(tmp_path / "thinned").run
    assert whole is not None
    assert thinned is not None
    assert thinned.time_s.size < 0.5 * whole.time_s.size
    for run in (whole, thinned):
        assert _moves(run_chart(_record(), Samples(run=run))) == 1
    later = thinned.time_s + np.where(thinned.time_s > 0.5 * thinned.time_s[-1], 0.2, 0.0)
    torn = replace(thinned, time_s=later)
    assert _moves(run_chart(_record(), Samples(run=torn))) == 2


def _moves(svg: str) -> int:
    """Separate strokes of the only curve."""
    (curve,) = re.findall(r'<path transform="scale[^>]* d="([^"]*)"', svg)
    return int(curve.count("M"))


def test_thinning_keeps_the_one_low_sample() -> None:
    values = np.full(100_003, 0.9)
    for place in (0, 3, 50_001, 100_001, 100_002):
        broken = values.copy()
        broken[place] = 0.0
        kept = thin(broken, 50)
        assert kept.size <= 4 * 2_001 + 3
        assert place in kept
        assert np.all(np.diff(kept) > 0)
    assert thin(values, 1).size == values.size
