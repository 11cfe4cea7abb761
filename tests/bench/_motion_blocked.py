"""The same coils recorded once with the armature held, and told from that recording.

Each coil has its own: the mean of 25 noisy on-times through the same converter, at another
winding temperature (resistance within 2 %, some 5 K) and supply (within 1 %), which change
its time constant, its final current and how far its iron is driven.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchrig.measure import motion_bank
from benchrig.measure.motion_blocked import beside_blocked, learn_blocked
from tests.bench._motion_physics import Parameters

Array = NDArray[np.float64]

ON_TIMES = 25
RESISTANCE, VOLTS = 0.02, 0.01  # how far they may differ, relative


def otherwise(count: int, seed: int) -> Parameters:
    """Winding resistance and supply of each coil when it was held."""
    rng = np.random.default_rng(seed + 5)
    return {
        "resistance": 1 + rng.uniform(-RESISTANCE, RESISTANCE, count),
        "volts": 1 + rng.uniform(-VOLTS, VOLTS, count),
    }


def held_of_family(coils: motion_bank.Coils, duration: float, seed: int) -> Array:
    """Coils of the product's own family, held; in the units of ``coils``."""
    then = otherwise(len(coils), seed)
    resistance, volts = then["resistance"], then["volts"]
    still = replace(coils, change=np.zeros_like(coils.change))
    warm = motion_bank.warmed(still, resistance.astype(np.float32), volts.astype(np.float32))
    time, currents = motion_bank.simulate(warm, duration * (1 + 2 * RESISTANCE))
    count = round(duration * motion_bank.STEPS_PER_TAU) + 1
    rows = zip(currents, resistance, volts, strict=True)
    return np.array([np.interp(time[:count], time / r, line) * v / r for line, r, v in rows])


def told(
    at: Array, records: Array, held: Array, noise_a: float, held_noise_a: float
) -> tuple[float, float]:
    """Share of the coils called moved beside their own recording, and of those compared."""
    found = [
        beside_blocked(
            at, record, learn_blocked([(at, own)], noise_a=held_noise_a), noise_a=noise_a
        )
        for record, own in zip(records, held, strict=True)
    ]
    return (
        float(np.mean([one.moved for one in found])),
        float(np.mean([not one.reason for one in found])),
    )
