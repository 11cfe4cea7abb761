"""Whether the witnesses of a run can all be right: one judge over all of them.

Each sentence names two witnesses that contradict one another and the smallest next step. It
says nothing of which of them lies; with one of them nothing is said for or against the part.
Left to others: a drive that was lost (``lost_voltage``), drop-outs, and whatever touches safety.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from itertools import pairwise

from benchrig.judge.resistance import ColdValues
from benchrig.judge.words import with_uncertainty
from benchrig.measure.features import CycleFeatures
from benchrig.parts.copper import COPPER_K_C
from benchrig.parts.part import Part
from benchrig.quantity import Measured

SURE = 3.0  # standard uncertainties that two honest witnesses may be apart
# Copper at 30 A/mm2 with no heat leaving: J^2 rho / (density x specific heat), with 17.2 nohm m and
# 3.45 MJ/(m3 K), is 4.5 K/s. Windings are laid out for a fraction of that: common practice, no
# source.
HEATING_K_PER_S = 5.0
SUPPLY_ROSE = 0.05  # share by which a charger or a supply may have risen since the cold check
# The kernel steers a host's monotonic clock by up to 500 ppm (adjtimex(2)); its crystal adds 100,
# the round trips another 100.
HOST_CLOCK_PPM = 700.0
KNOWN_RESISTOR = "clip on the known resistor and run `benchrig rig check --resistor-ohm`"


def contradictions(
    part: Part,
    cold: ColdValues,
    cycles: Sequence[CycleFeatures],
    *,
    clock_ratio_ppm: float | None,
    clock_tolerance_ppm: float,
) -> tuple[str, ...]:
    """Sentences of witnesses that cannot both be right; empty where all agree.

    ``clock_ratio_ppm`` is host seconds in a second of the rig, as a deviation from one.
    """
    found = (
        clock_against_host(clock_ratio_ppm, clock_tolerance_ppm),
        voltage_against_supply(cold.supply_v, cycles),
        "" if part.kind.is_pump else cold_against_hot(cold.resistance_ohm, cycles),
    )
    return tuple(text for text in found if text)


def clock_against_host(ratio_ppm: float | None, tolerance_ppm: float) -> str:
    """The rig's clock beside the host's."""
    if ratio_ppm is None or abs(ratio_ppm) <= tolerance_ppm + HOST_CLOCK_PPM:
        return ""
    return (
        f"the rig's clock and the host's differ by {abs(ratio_ppm) * 1e-4:.3g} %, the rig declares "
        f"{tolerance_ppm:g} ppm: no time of this run can be trusted; see the rig's crystal and "
        "the tick that its firmware declares, then run `benchrig rig conform`"
    )


def voltage_against_supply(supply_v: Measured | None, cycles: Sequence[CycleFeatures]) -> str:
    """More voltage at the part than the supply gave."""
    if supply_v is None:
        return ""
    for cycle in cycles:
        volts = cycle.voltage_v
        if volts is None:
            continue
        doubt = SURE * math.hypot(volts.std_uncertainty, supply_v.std_uncertainty)
        if volts.value > supply_v.value * (1.0 + SUPPLY_ROSE) + doubt:
            return (
                f"cycle {cycle.cycle}: the part voltage input reads {volts.value:.2f} V, the "
                f"supply input read {supply_v.value:.2f} V: a part has no more than its supply; "
                "hold a meter across the supply, then calibrate the input that is wrong"
            )
    return ""


def cold_against_hot(cold: Measured | None, cycles: Sequence[CycleFeatures]) -> str:
    """The low-current reading beside that of the first on-time, both ways.

    A winding that warms reads more, and no more than copper can warm in the time. What stays
    the same in every cycle is either the rig or a joint that was there from the first pulse on:
    the run cannot tell. What differs from cycle to cycle by more than warming is no gain of an
    input, it is a part (or a clip) that changes; that is left to be judged as such.
    """
    hot = [(c, c.resistance_ohm) for c in cycles if c.resistance_ohm is not None]
    if cold is None or cold.value <= 0 or not hot:
        return ""
    first, reading = hot[0]
    doubt = SURE * math.hypot(cold.std_uncertainty, reading.std_uncertainty)
    warmed_s = first.start_s + first.on_s
    warming = reading.value * HEATING_K_PER_S * warmed_s / COPPER_K_C
    if cold.value - doubt <= reading.value <= cold.value + doubt + warming:
        return ""
    if _changes([r for _, r in hot]):
        return ""
    return (
        f"the low-current source read {with_uncertainty(cold.value, cold.expanded, 'ohm')}, cycle "
        f"{first.cycle} at operating current "
        f"{with_uncertainty(reading.value, reading.expanded, 'ohm')}, and so does every other: "
        f"not what {warmed_s:.2g} s of warming can do, so an input or the reference resistor is "
        f"wrong, or a contact carries little current badly; {KNOWN_RESISTOR}"
    )


def _changes(readings: Sequence[Measured]) -> bool:
    """Whether the resistance goes about from cycle to cycle, other than slowly up.

    Gains and offsets are the same in all cycles, so only the noise of each counts against it.
    """
    if len(readings) < 3:
        return False
    values = [r.value for r in readings]
    steps = [after - before for before, after in pairwise(values)]
    noise = max(_noise(r) for r in readings)
    typical = statistics.median(values)
    slow = statistics.median(steps)
    return max(abs(step - slow) for step in steps) > max(8.0 * noise, 0.03 * typical)


def _noise(reading: Measured) -> float:
    """What differs from one cycle to the next: the evaluated-by-statistics lines."""
    own = [line.std_uncertainty for line in reading.budget if line.evaluation == "A"]
    return math.hypot(*own) if own else 0.0
