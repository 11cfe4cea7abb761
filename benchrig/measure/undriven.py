"""Drop-outs of the drive, set apart from those of the part.

A current falls away too where the supply, the feed or the rig's own switch let go. Then the
voltage at the part goes with it; where the part itself opens, it stays. A cycle in which the
part was not driven says nothing against it, and nothing for it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.cycle_window import Trace
from benchrig.measure.features import CycleFeatures, DropOut
from benchrig.measure.propagation import FloatArray

DRIVEN_SHARE = 0.5  # of the supply, at the part; less than that is no drive
EDGE_SAMPLES = 3


def set_undriven_apart(
    features: CycleFeatures, trace: Trace, supply_v: float | None
) -> CycleFeatures:
    """The same cycle, those of its drop-outs apart in which the voltage was gone as well.

    ``supply_v`` is what the supply gave before the run. A voltage input that shows nothing while
    a current flows is dead: what it says of a drop-out is not believed.
    """
    if not features.drop_outs or trace.voltage_v is None or supply_v is None:
        return features
    time, least = trace.time_s, DRIVEN_SHARE * supply_v
    on = (time > 0) & (time < features.on_s)
    volts, without = trace.voltage_v, on.copy()
    lost: list[DropOut] = []
    for drop in features.drop_outs:
        begin_s = drop.start_s - features.start_s
        during = on & (time > begin_s - 1e-9) & (time < begin_s + drop.duration_s)
        without &= ~during
        if during.any() and _is_gone(volts, on, during, least):
            lost.append(drop)
    rest = volts[without]
    if not lost or (rest.size and float(np.median(rest)) < least):
        return features
    stayed = tuple(drop for drop in features.drop_outs if drop not in lost)
    return replace(features, drop_outs=stayed, undriven=tuple(lost))


def _is_gone(
    volts: FloatArray, on: NDArray[np.bool_], during: NDArray[np.bool_], least: float
) -> bool:
    """Gone for most of the drop-out, or when it began: a coil's current comes back late."""
    first, begun = int(np.argmax(during)), int(np.argmax(on))
    at_first = volts[first - 1 : first + 1]
    inside = first - begun > EDGE_SAMPLES  # at the edge itself the voltage still comes up
    return bool(np.median(volts[during]) < least or (inside and at_first.min() < least))
