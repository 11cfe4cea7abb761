"""Drop-outs of the drive, set apart from those of the part.

A current falls away too where the supply, the feed or the rig's own switch let go. Then the
voltage at the part goes with it; where the part itself opens, it stays. A cycle in which the
part was not driven says nothing against it, and nothing for it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchrig.measure.cycle_window import Trace
from benchrig.measure.features import DRIVEN_SHARE, CycleFeatures, DropOut

EDGE_SAMPLES = 3  # while the voltage comes up


def set_undriven_apart(
    features: CycleFeatures, trace: Trace, *, supply_v: float | None, settle_s: float
) -> CycleFeatures:
    """The same cycle, those of its drop-outs apart in which the voltage was gone as well.

    ``supply_v`` is what the supply gave before the run; ``settle_s`` is how long the current
    takes to come back once it is there again. A voltage input that shows nothing while
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
        leading = on & (time > begin_s - settle_s) & (time < begin_s + 1e-9)
        leading[: int(np.argmax(on)) + EDGE_SAMPLES] = False
        missing = volts[during].size and np.median(volts[during]) < least
        if missing or (volts[leading] < least).any():
            lost.append(drop)
    current = trace.current_a
    flows = without & (current > 0.5 * current[on].max(initial=0.0))
    if not lost or (flows.any() and np.median(volts[flows]) < least):
        return features
    stayed = tuple(drop for drop in features.drop_outs if drop not in lost)
    return replace(features, drop_outs=stayed, undriven=tuple(lost))
