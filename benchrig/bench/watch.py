"""The host's own eye on a running pattern: when to stop early, and what the screen shows.

The rig's trips are faster and do not need the host. This catches what the rig cannot know:
the part's own current limit, an estimated winding temperature, current while the output is
off, inputs that answer nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchrig.bench.observer import Observer
from benchrig.bench.safety import CURRENT_THRESHOLD_A, VOLTAGE_THRESHOLD_V, Offsets
from benchrig.measure.features import CycleFeatures
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.parts.copper import COPPER_K_C
from benchrig.record.values import ColdCheck, Ending, EventKind, RunPlan
from benchrig.wire.messages import InputRole

OFF_DECAY_S = 0.060  # current must be gone by then
OFF_CURRENT_S = 0.050  # and this much of it, unbroken, is no noise
OFF_CURRENT_FACTOR = 3.0
OVER_CURRENT_S = 0.010
DEAD_CYCLES = 2
CREDIBLE_C_MAX = 300.0  # no enamelled winding lives there
TRACE_PARTS = 4
LIVE_PERIOD_S = 0.18  # samples come in tenths or twentieths of a second: five times in one

Emit = Callable[[EventKind, str, dict[str, Any] | None], None]


class Watch:
    """Fed with blocks, edges and cycles; says ``stop`` with an ending and a reason."""

    def __init__(self, plan: RunPlan, emit: Emit) -> None:
        self.plan = plan
        self.emit = emit
        self.stop = False
        self.ending = Ending.COMPLETE
        self.reason = ""
        self.warnings: list[str] = []
        self._observer: Observer | None = None
        self._current: InputScale | None = None
        self._voltage: InputScale | None = None
        self._offset_a = 0.0
        self._cold_ohm: float | None = None
        self._on = False
        self._edge_tick = 0
        self._shown_tick = 0  # the screen has seen it up to here
        self._off_s = 0.0  # unbroken current while off
        self._over_s = 0.0
        self._cycle = 0
        self._drop_outs = 0
        self._dead_cycles = 0
        self._current_a = 0.0
        self._voltage_v = 0.0
        self._winding_c: float | None = None
        self._trace: deque[float] = deque(maxlen=512)
        self._told_low_supply = False

    def begin(self, observer: Observer, offsets: Offsets, cold: ColdCheck, role: InputRole) -> None:
        """Start to watch; everything before belongs to the checks."""
        self._observer = observer
        self._current = observer.scale(role)
        self._voltage = observer.scale(InputRole.PART_VOLTAGE)
        self._offset_a = offsets.by_role.get(role, 0.0)
        if cold.resistance_ohm is not None and self.plan.part.copper_winding:
            self._cold_ohm = cold.resistance_ohm.value

    def take_edge(self, tick: int, on: bool) -> None:
        """The output changed at a device tick."""
        if on and not self._on:
            self._cycle += 1
        self._on, self._edge_tick = on, tick
        self._off_s = self._over_s = 0.0

    def take_block(self, block: SampleBlock) -> None:
        """Look at a block of the running stream."""
        observer, scale = self._observer, self._current
        if observer is None or scale is None or scale.input not in block.inputs:
            return
        if not len(block.codes):
            return
        codes = block.codes[:, block.inputs.index(scale.input)]
        begins = np.arange(0, len(codes), -(-len(codes) // TRACE_PARTS))
        peaks = np.maximum.reduceat(codes, begins).tolist()
        self._trace.extend([scale.value(code) - self._offset_a for code in peaks])
        low, middle = _least_and_median(codes)
        least_a = scale.value(low) - self._offset_a
        self._current_a = scale.value(middle) - self._offset_a
        tick_s = observer.rig.identity.tick_ns * 1e-9
        length_s = len(block.codes) * block.scan_period_ticks * tick_s
        if self._on:
            self._watch_on(observer, block, length_s, least_a)
        else:
            since_edge_s = (block.tick - self._edge_tick) * tick_s
            flowing = least_a > OFF_CURRENT_FACTOR * CURRENT_THRESHOLD_A
            self._off_s = self._off_s + length_s if since_edge_s > OFF_DECAY_S and flowing else 0.0
            if self._off_s > OFF_CURRENT_S and self._cycle:
                self._halt(
                    Ending.FAULT,
                    f"{self._current_a * 1e3:.0f} mA flows while the output is off: "
                    "the output does not switch off",
                )
        end_tick = block.tick + len(block.codes) * block.scan_period_ticks
        if (end_tick - self._shown_tick) * tick_s >= LIVE_PERIOD_S:
            self._shown_tick = end_tick
            self._live()

    def _watch_on(
        self, observer: Observer, block: SampleBlock, length_s: float, least_a: float
    ) -> None:
        most_a = self.plan.part.ability.current_a_max
        self._over_s = self._over_s + length_s if least_a > most_a else 0.0
        if self._over_s > OVER_CURRENT_S:
            self._halt(
                Ending.STOPPED,
                f"the current of {least_a:.2f} A is above the {most_a:g} A the part may draw",
            )
        voltage = self._voltage
        if voltage is None or voltage.input not in block.inputs:
            return
        codes = block.codes[:, block.inputs.index(voltage.input)]
        self._voltage_v = voltage.value(_least_and_median(codes)[1])
        # Only a long on-time is steady enough to serve as a thermometer while it lasts.
        steady_s = (block.tick - self._edge_tick) * observer.rig.identity.tick_ns * 1e-9
        if self._cold_ohm is None or self.plan.temperature is None or steady_s < 0.2:
            return
        if self._current_a > CURRENT_THRESHOLD_A:
            ratio = self._voltage_v / self._current_a / self._cold_ohm
            self._look_at_winding(ratio * (COPPER_K_C + self.plan.temperature.value_c) - COPPER_K_C)

    def take_cycle(self, features: CycleFeatures) -> None:
        """A cycle is complete."""
        self._drop_outs += bool(features.drop_outs)
        if features.winding_temperature_c is not None:
            self._look_at_winding(features.winding_temperature_c.value)
        self._dead_cycles = self._dead_cycles + 1 if _is_dead(features) else 0
        if self._dead_cycles >= DEAD_CYCLES:
            self._halt(
                Ending.FAULT,
                "neither voltage nor current answers while the output is on: "
                "the supply, the feed, the output or the inputs are dead",
            )

    def _look_at_winding(self, winding_c: float) -> None:
        if winding_c > CREDIBLE_C_MAX:
            return  # a joint that opens reads as a hot coil; drop-outs are looked for elsewhere
        self._winding_c = winding_c
        if winding_c > self.plan.part.ability.winding_c_max:
            self._halt(
                Ending.STOPPED,
                f"the winding reads {winding_c:.0f} °C, the part file stops at "
                f"{self.plan.part.ability.winding_c_max:g} °C",
            )

    def _halt(self, ending: Ending, reason: str) -> None:
        if not self.stop:
            self.stop, self.ending, self.reason = True, ending, reason
            self.wake()

    def wake(self) -> None:
        """Let whoever waits for the end of the pattern look again."""
        if self._observer is not None:
            self._observer.wake()

    def _live(self) -> None:
        """Tell the screen; the log keeps samples instead."""
        trace = list(self._trace)
        self._trace.clear()
        self.emit(
            EventKind.LIVE,
            "",
            {
                "energised": True,
                "on": self._on,
                "current_a": self._current_a,
                "trace": trace,
                "winding_c": self._winding_c,
                "part_v": self._voltage_v if self._on else 0.0,
            },
        )

    def cycle_data(self, features: CycleFeatures) -> dict[str, Any]:
        """The small numbers of a cycle for screen and broker."""
        current, winding = features.current_a, features.winding_temperature_c
        return {
            "cycle": features.cycle,
            "cycles": self.plan.pattern.cycles,
            "complete": features.complete,
            "current_a": None if current is None else current.value,
            "winding_c": None if winding is None else winding.value,
            "drop_outs": self._drop_outs,
        }


def _is_dead(features: CycleFeatures) -> bool:
    """A whole on-time in which nothing stood across the part and nothing flowed through it."""
    volts, amperes = features.voltage_v, features.current_a
    if not features.complete or volts is None or amperes is None:
        return False
    return abs(volts.value) < VOLTAGE_THRESHOLD_V and abs(amperes.value) < CURRENT_THRESHOLD_A


def _least_and_median(codes: NDArray[np.int16]) -> tuple[int, float]:
    """Both of a block; of codes, since those are small and in SI their order is the same."""
    ordered = codes.copy()
    ordered.sort()
    last = len(ordered) - 1
    return ordered.item(0), 0.5 * (ordered.item(last // 2) + ordered.item((last + 1) // 2))
