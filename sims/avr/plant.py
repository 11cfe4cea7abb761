"""What hangs on the emulated processor's pins: the simulator's bench, seen by an ADC's pins.

Outputs and feed are the pins', contacts and parts are the physics' of ``benchrig_sim``, and each
conversion gets the millivolts that make the code the simulator's front end would have given.
"""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from avr.emulator import HZ, Emulator
from benchrig.wire.messages import InputRole
from benchrig_sim.frontend import CURRENTS, PART_VOLTAGES, FrontEnd
from benchrig_sim.hardware import Hardware
from benchrig_sim.plant import Plant
from benchrig_sim.rig import RigSpec
from benchrig_sim.scenario import open_scenario

VREF_MV = 5000
FORGET_S = 0.5
SOURCE_SETTLES_S = 5e-3  # far beyond the low-current source's own time constant
HOLD_S = 0.5e-3  # how long a plateau's levels are taken as they are


def millivolts_for(code: int) -> int:
    """The least whole millivolts that the emulator converts to this code (1023 at VREF)."""
    return -(-code * VREF_MV // 1023)


class Bench(Protocol):
    """What the emulator asks of a bench."""

    def attach(self, emulator: Emulator) -> None:
        """The processor whose pins these are."""
        ...

    def on_adc(self, cycle: int, channel: int) -> int:
        """Millivolts at an input when its conversion starts."""
        ...

    def on_pins(self, cycle: int, outputs: int, feed: bool) -> None:
        """The gate and feed pins from now on."""
        ...

    def on_time(self, cycle: int) -> None:
        """Time has passed: contacts may have moved."""
        ...


class PlainBench:
    """Nothing but constant levels: for tests of time, not of physics."""

    def __init__(self, codes: dict[int, int] | None = None) -> None:
        self.codes = codes or {}

    def attach(self, emulator: Emulator) -> None:
        """The auxiliary contact then follows the feed at once."""
        self._emulator = emulator

    def on_adc(self, cycle: int, channel: int) -> int:
        """The level set for this input."""
        del cycle
        return millivolts_for(self.codes.get(channel, 16))

    def on_pins(self, cycle: int, outputs: int, feed: bool) -> None:
        """Only the feed's auxiliary contact follows."""
        del cycle, outputs
        self._emulator.set_auxiliary(feed)

    def on_time(self, cycle: int) -> None:
        """Nothing here moves by itself."""


class SimulatedBench:
    """A bench of the simulator: supply, contactor, parts, shunt, amplifiers."""

    def __init__(self, spec: RigSpec) -> None:
        self.plant = Plant(spec.circuit, spec.parts)
        self.front = FrontEnd(self.plant, [replace(m) for m in spec.inputs], spec.seed)
        self.hardware = Hardware(self.plant, list(spec.outputs), self.plant.at, spec.seed + 1)
        self._emulator: Emulator | None = None
        self._auxiliary = False
        self._forgotten_s = 0.0
        self._noise = random.Random(spec.seed + 2)
        self._held: dict[InputRole, float] = {}  # levels of a plateau
        self._held_until_s = 0.0
        self._edge_s = 0.0

    def attach(self, emulator: Emulator) -> None:
        """The processor whose pins these are."""
        self._emulator = emulator

    def on_adc(self, cycle: int, channel: int) -> int:
        """Solve up to now and look through the amplifier of this input."""
        now = cycle / HZ
        if channel >= len(self.front.inputs):
            return 0
        model = self.front.inputs[channel]
        if now >= self._held_until_s:
            self._look(now)
        level = self._held.get(model.info.role)
        if level is None or model.stuck_code is not None:
            self._advance(now)
            codes = self.front.codes([channel], np.array([now]), np.zeros(1))
            return millivolts_for(int(codes[0, 0]))
        wide = model.ideal_code(level, now) + self._noise.gauss(0.5, model.noise_codes)
        top = (1 << model.info.bits) - 1
        return millivolts_for(min(max(int(wide), 0), top))

    def on_time(self, cycle: int) -> None:
        """Let the contacts move that were on their way."""
        self._advance(cycle / HZ)

    def _look(self, now: float) -> None:
        """Where all is straight, one solution serves for a while, or until the next edge."""
        last = self.plant.t
        self._advance(now)
        levels = self.plant.straight_levels(last, now)
        if levels is not None:
            self._held = {role: line[1] for role, line in levels.items()}
            self._held[InputRole.REFERENCE_VOLTAGE] = 0.0
        elif self.plant.source_on and now - self._edge_s > SOURCE_SETTLES_S:
            self._held = self._by_the_source(np.array([now]))
        else:
            self._held = {}
        if self._held:
            self._held[InputRole.TEMPERATURE] = self.plant.circuit.ambient_c
        self._held_until_s = now + (HOLD_S if self._held else 0.0)

    def _by_the_source(self, t: NDArray[np.float64]) -> dict[InputRole, float]:
        sensed, current = self.plant.sense_voltage(t), self.plant.shunt_current(t)
        return {
            InputRole.SUPPLY_VOLTAGE: float(self.plant.supply_voltage(t)[0]),
            InputRole.REFERENCE_VOLTAGE: float(self.plant.reference_voltage(t)[0]),
            **dict.fromkeys(PART_VOLTAGES, float(sensed[0])),
            **dict.fromkeys(CURRENTS, float(current[0])),
        }

    def on_pins(self, cycle: int, outputs: int, feed: bool) -> None:
        """Solve up to the edge, then let the contacts follow."""
        now = cycle / HZ
        self._advance(now)
        self._held, self._held_until_s, self._edge_s = {}, 0.0, now
        self.hardware.set_mask(outputs, now)
        self.hardware.set_feed(feed, now)

    def _advance(self, now: float) -> None:
        self.plant.advance(now)
        if self.hardware.feed_real != self._auxiliary and self._emulator is not None:
            self._auxiliary = self.hardware.feed_real
            self._emulator.set_auxiliary(self._auxiliary)
        if now - self._forgotten_s > FORGET_S:
            self._forgotten_s = now
            self.plant.forget(now - FORGET_S / 2)


def open_bench(scenario: str) -> Bench:
    """The bench of a scenario."""
    return SimulatedBench(open_scenario(scenario).rig)
