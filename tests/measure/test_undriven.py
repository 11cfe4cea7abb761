"""A current that falls because nothing drives the part is no drop-out of the part."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchrig.measure.cycle_window import Trace
from benchrig.measure.features import CycleFeatures, DropOut
from benchrig.measure.propagation import FloatArray
from benchrig.measure.undriven import set_undriven_apart
from tests.measure.streams import CoilStream

SUPPLY_V = 13.5
TIME: FloatArray = np.arange(-10, 1000, dtype=np.float64) * 1e-4
START_S = 24.0


def _cycle(*drops: tuple[float, float]) -> CycleFeatures:
    return CycleFeatures(
        cycle=3,
        start_s=START_S,
        on_s=0.1,
        complete=True,
        drop_outs=tuple(
            DropOut(
                cycle=3,
                start_s=START_S + begin,
                duration_s=long,
                depth=1.0,
                winding_temperature_c=None,
            )
            for begin, long in drops
        ),
    )


@pytest.fixture
def trace() -> Trace:
    """The trace of an even on-time; tests put their voltages in."""
    stream = CoilStream(on_s=0.1, off_s=0.1, cycles=1)
    zero = np.zeros(TIME.size, np.int16)
    scale = stream.context().scales[0]
    return Trace(
        time_s=TIME,
        current_a=np.where(TIME >= 0, 0.9, 0.0),
        voltage_v=np.where(TIME >= 0, SUPPLY_V, 0.0),
        current_scale=scale,
        voltage_scale=scale,
        current_codes=zero,
        voltage_codes=zero,
        current_zero=None,
        voltage_zero=None,
        dead=0,
        over_range=False,
        flows_before=False,
    )


def apart(cycle: CycleFeatures, trace: Trace, supply_v: float | None) -> CycleFeatures:
    return set_undriven_apart(cycle, trace, supply_v=supply_v, settle_s=0.003)


def _gone(trace: Trace, begin_s: float, end_s: float) -> Trace:
    assert trace.voltage_v is not None
    volts = np.where((begin_s <= TIME) & (end_s > TIME), 0.01, trace.voltage_v)
    return replace(trace, voltage_v=volts)


def test_the_voltage_tells_the_part_from_its_drive(trace: Trace) -> None:
    cycle = _cycle((0.02, 0.01), (0.06, 1e-4))
    opened = apart(cycle, trace, SUPPLY_V)
    assert (opened.drop_outs, opened.undriven) == (cycle.drop_outs, ())
    let_go = apart(cycle, _gone(trace, 0.02, 0.03), SUPPLY_V)
    assert (let_go.drop_outs, let_go.undriven) == (cycle.drop_outs[1:], cycle.drop_outs[:1])
    glitch = apart(cycle, _gone(trace, 0.06, 0.0601), SUPPLY_V)
    assert (glitch.drop_outs, glitch.undriven) == (cycle.drop_outs[:1], cycle.drop_outs[1:])


def test_a_current_that_comes_back_late_was_let_go_all_the_same(trace: Trace) -> None:
    # Gone for 1 ms; the coil's current is back after 4.
    cycle = _cycle((0.02, 0.004))
    found = apart(cycle, _gone(trace, 0.0199, 0.0209), SUPPLY_V)
    assert found.undriven == cycle.drop_outs
    # So was one that is missed only once it should have settled.
    edge = _cycle((0.003, 0.004))
    assert apart(edge, _gone(trace, 0.0, 0.002), SUPPLY_V).undriven == edge.drop_outs
    # In the middle of an open circuit it proves nothing; nor while it comes up at the edge.
    for begin_s, opened in ((0.022, cycle), (-0.0005, _cycle((0.0, 0.1)))):
        kept = apart(opened, _gone(trace, begin_s, begin_s + 0.001), SUPPLY_V)
        assert kept.drop_outs == opened.drop_outs


def test_a_cycle_without_any_drive_says_nothing_of_the_part(trace: Trace) -> None:
    cycle = _cycle((0.0, 0.1))
    off = replace(trace, current_a=np.zeros(TIME.size))
    found = apart(cycle, _gone(off, 0.0, 1.0), SUPPLY_V)
    assert (found.drop_outs, found.undriven) == ((), cycle.drop_outs)


def test_a_drive_that_is_gone_for_most_of_a_cycle_is_no_dead_input(trace: Trace) -> None:
    cycle = _cycle((0.003, 0.005))
    late = replace(trace, current_a=np.where(TIME > 0.08, 0.9, 0.0))
    assert apart(cycle, _gone(late, 0.0, 0.08), SUPPLY_V).undriven == cycle.drop_outs


def test_a_dead_voltage_input_excuses_no_drop_out(trace: Trace) -> None:
    cycle = _cycle((0.02, 0.01))
    assert apart(cycle, _gone(trace, 0.0, 1.0), SUPPLY_V) == cycle
    assert apart(cycle, replace(trace, voltage_v=None), SUPPLY_V) == cycle
    assert apart(cycle, _gone(trace, 0.02, 0.03), None) == cycle
