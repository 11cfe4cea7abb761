"""Whose a drop-out is, on traces drawn by hand from the circuit; no simulator in between."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from benchrig.measure.causes import Known, tell_causes
from benchrig.measure.cycle_window import Trace
from benchrig.measure.features import Cause, CycleFeatures, DropOut
from benchrig.measure.propagation import FloatArray
from benchrig.wire.messages import InputFlag
from tests.measure.streams import SCALES

SUPPLY_V, CURRENT_A, TAU_S = 13.5, 0.9, 1e-3
STEP_S = 1e-4
TIME: FloatArray = np.arange(-10, 1000, dtype=np.float64) * STEP_S
START_S = 24.0
VOLTS = SCALES[0]
KNOWN = Known(
    supply_v=SUPPLY_V,
    tau_s=TAU_S,
    current_a=CURRENT_A,
    decay_s=0.44e-3,  # a clamp of 36 V: tau * ln((1 + 1.67) / (0.1 + 1.67)) = 0.41 ms
    clamp="low side clamp 36 V",
)


def cycle(begin_s: float, long_s: float) -> CycleFeatures:
    drop = DropOut(
        cycle=3,
        start_s=START_S + begin_s,
        duration_s=long_s,
        depth=1.0,
        winding_temperature_c=None,
    )
    return CycleFeatures(cycle=3, start_s=START_S, on_s=0.1, complete=True, drop_outs=(drop,))


def trace(current: FloatArray, volts: FloatArray) -> Trace:
    """An on-time of 0.1 s as the reference rig's voltage input would have coded it."""
    top = (1 << VOLTS.bits) - 1
    codes = np.clip(np.round(volts / VOLTS.step) + VOLTS.zero_code, 0, top).astype(np.int16)
    return Trace(
        time_s=TIME,
        current_a=current,
        voltage_v=VOLTS.to_si(codes),
        current_scale=SCALES[2],
        voltage_scale=VOLTS,
        current_codes=codes,
        voltage_codes=codes,
        current_zero=None,
        voltage_zero=None,
        dead=0,
        over_range=False,
        flows_before=False,
    )


def broken(place: str, begin_s: float = 0.0201, gap_s: float = 5e-3) -> Trace:
    """A break of so long, by the circuit: what carries the current on tells where it is.

    Part and lead: an arc of 200 V, over within one sample. Supply and feed: 0.7 V of the catch
    diode against the coil. Switch: 22.5 V, the clamp less the supply. Then the coil's own rise.
    """
    against = {"supply": 0.7, "switch": 22.5}.get(place, 200.0) / SUPPLY_V
    since, back = TIME - begin_s, TIME - begin_s - gap_s
    fall = np.maximum((1.0 + against) * np.exp(-np.maximum(since, 0.0) / TAU_S) - against, 0.0)
    left = fall[int(np.searchsorted(back, 0.0)) - 1]
    rise = 1.0 - (1.0 - left) * np.exp(-np.maximum(back, 0.0) / TAU_S)
    share = np.where(back > 0, rise, np.where(since > 0, fall, 1.0))
    low = {"supply": -0.8, "switch": -22.5, "lead": -186.0}.get(place, SUPPLY_V)
    none = SUPPLY_V if place == "part" else 0.0
    gap = np.where(share > 0.002, low, none)
    volts = np.where((since > 0) & (back <= 0), gap, SUPPLY_V)
    on = TIME >= 0
    return trace(np.where(on, CURRENT_A * share, 0.0), np.where(on, volts, 0.0))


def told(
    seen: Trace, begin_s: float = 0.0202, long_s: float = 9e-3, known: Known = KNOWN
) -> DropOut:
    found = tell_causes(cycle(begin_s, long_s), seen, known)
    (drop,) = (*found.drop_outs, *found.undriven)
    assert (drop.cause is Cause.PART) is bool(found.drop_outs)
    return drop


@pytest.mark.parametrize(
    ("place", "cause"),
    [
        ("part", Cause.PART),
        ("lead", Cause.LEAD),
        ("supply", Cause.SUPPLY),
        ("switch", Cause.RIG),
    ],
)
def test_the_circuit_tells_where_it_opened(place: str, cause: Cause) -> None:
    drop = told(broken(place))
    assert drop.cause is cause, drop.why
    assert ("stood at the part while its current was gone" in drop.why) is (cause is Cause.PART)
    if cause is Cause.PART:
        assert "13.5" in drop.why
    else:
        assert "ms" in drop.why


def test_single_and_saturated_samples_decide_nothing_alone() -> None:
    seen = broken("part")
    assert seen.voltage_codes is not None
    for code in (0, 16, 1023):  # below the range, no volts, above it
        codes = seen.voltage_codes.copy()
        codes[int(np.searchsorted(TIME, 0.0221))] = code
        assert told(replace(seen, voltage_codes=codes)).cause is Cause.PART
    # All of them at the low end, and no fall that agrees with anything: nobody can tell.
    codes = seen.voltage_codes.copy()
    codes[np.searchsorted(TIME, 0.0199) : np.searchsorted(TIME, 0.026)] = 1023
    assert told(replace(seen, voltage_codes=codes)).cause is Cause.UNKNOWN
    # Two samples, both edges: nobody can tell.
    assert told(broken("part", gap_s=2e-4), long_s=2e-4).cause is Cause.UNKNOWN


def test_while_the_current_comes_back_the_voltage_says_nothing() -> None:
    """It stands at the part again, whatever had opened."""
    drop = told(broken("supply", gap_s=5e-4), long_s=5e-3)
    assert drop.cause in (Cause.SUPPLY, Cause.UNKNOWN), drop.why
    assert told(broken("lead", gap_s=5e-4), long_s=5e-3).cause is not Cause.PART


def test_a_drive_missed_only_once_the_current_should_have_settled() -> None:
    seen = broken("supply", begin_s=0.0005, gap_s=2e-3)
    assert told(seen, begin_s=0.003, long_s=0.004).cause is not Cause.PART


def test_nobody_tells_by_inputs_that_say_nothing() -> None:
    seen = broken("part")
    assert seen.voltage_codes is not None
    dead = replace(seen, voltage_codes=np.full_like(seen.voltage_codes, 16))
    assert told(dead).cause is Cause.UNKNOWN
    assert "while a current flows" in told(dead).why
    assert told(replace(seen, voltage_v=None, voltage_codes=None)).cause is Cause.UNKNOWN
    two = replace(VOLTS, flags=InputFlag.SEES_TURN_OFF)
    assert told(replace(seen, voltage_scale=two)).cause is Cause.UNKNOWN


def test_a_supply_that_sags_is_nobodys_break() -> None:
    seen = broken("part")
    volts = np.where((TIME > 0.02) & (TIME < 0.03), 5.0, np.where(TIME >= 0, SUPPLY_V, 0.0))
    drop = told(replace(trace(seen.current_a, volts)))
    assert drop.cause is Cause.UNKNOWN
    assert "5.0" in drop.why


def test_without_a_clamp_of_known_voltage_lead_and_switch_are_not_told_apart() -> None:
    known = replace(KNOWN, clamp="freewheel diode 0.8 V", decay_s=None)
    assert told(broken("lead"), known=known).cause is Cause.UNKNOWN
    assert told(broken("supply"), known=known).cause is Cause.SUPPLY
