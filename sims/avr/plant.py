"""What hangs on the emulated processor's pins: the simulator's bench, seen by an ADC's pins.

Outputs and feed are the pins', contacts and parts are the physics' of ``benchrig_sim``, and each
conversion gets the millivolts that make the code the simulator's front end would have given.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf
from typing import Protocol

from avr.emulator import CHANNELS, HZ, Emulator
from avr.faults import EmulatedStriker
from benchrig.wire.messages import InputRole, OutputKind
from benchrig_sim.frontend import FrontEnd, InputModel, Scans
from benchrig_sim.hardware import Hardware
from benchrig_sim.plant import Plant
from benchrig_sim.rig import RigSpec
from benchrig_sim.scenario import open_scenario

VREF_MV = 5000
FORGET_S = 0.5
HOLD_S = 5e-3  # how long a plateau's levels are taken as they are: it drifts some mA in a second
LOOK_AGAIN_S = 0.5e-3  # and how often a transient is asked whether it is one still
BEFORE_S = 1e-9  # a level is looked at just before now, where the solution ends


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

    def next_s(self) -> float:
        """When something on it happens by itself."""
        ...

    @property
    def unplugged(self) -> bool:
        """The cable is out: nobody reaches the processor any more."""
        ...


class PlainBench:
    """Nothing but constant levels: for tests of time, not of physics."""

    unplugged = False

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

    def next_s(self) -> float:
        """Never."""
        return inf


class SimulatedBench:
    """A bench of the simulator: supply, contactor, parts, shunt, amplifiers, and its faults."""

    def __init__(self, spec: RigSpec) -> None:
        self.plant = Plant(spec.circuit, spec.parts)
        self.front = FrontEnd(self.plant, [replace(m) for m in spec.inputs], spec.seed)
        self.hardware = Hardware(self.plant, list(spec.outputs), self.plant.at, spec.seed + 1)
        self.unplugged = False
        self._emulator: Emulator | None = None
        self._seed = spec.seed
        self._auxiliary = False
        self._forgotten_s = 0.0
        self._looked_until_s = 0.0
        self._reset_cause: int | None = None
        self._driven = sum(
            1 << o.output for o in spec.outputs if o.kind is not OutputKind.LOW_CURRENT_SOURCE
        )
        self.striker = EmulatedStriker(self, spec.faults, spec.seed)
        self.striker.from_start()

    def attach(self, emulator: Emulator) -> None:
        """The processor whose pins these are."""
        self._emulator = emulator
        emulator.seed_noise(self._seed)

    # --- what the emulator asks --------------------------------------------------------------

    def on_adc(self, cycle: int, channel: int) -> int:
        """Solve up to now and look through the amplifier of this input."""
        now = cycle / HZ
        if channel >= len(self.front.inputs):
            return 0
        if now >= self._looked_until_s:
            self._look(now)
        self._advance(now)
        codes = self.front.codes(
            Scans(inputs=(channel,), begin_s=now - BEFORE_S, period_s=0.0, count=1)
        )
        return millivolts_for(int(codes[0, 0]))

    def on_time(self, cycle: int) -> None:
        """Let the contacts move that were on their way, and the processor start anew."""
        self._advance(cycle / HZ)
        if self._reset_cause is not None and self._emulator is not None:
            cause, self._reset_cause = self._reset_cause, None
            self._emulator.reset(cause)

    def next_s(self) -> float:
        """When something here happens by itself."""
        return self.plant.next_change_s()

    def on_pins(self, cycle: int, outputs: int, feed: bool) -> None:
        """Solve up to the edge, then let the contacts follow."""
        now = cycle / HZ
        self._advance(now)
        self._looked_until_s = 0.0
        before = self.hardware.mask
        self.hardware.set_mask(outputs, now)
        self.hardware.set_feed(feed, now)
        if outputs & ~before & self._driven and feed:
            self.striker.switched_on()

    # --- what a fault asks -------------------------------------------------------------------

    @property
    def now_s(self) -> float:
        """True time."""
        return self.plant.t

    def flush_samples(self) -> None:
        """Each conversion was made when it began: nothing waits."""

    def later(self, t: float, act: Callable[[], None], *, boot: int | None, irq: bool) -> None:
        """Do something at a true time."""
        del boot, irq
        self.plant.at(t, act)

    def reset_soon(self, cause: int, *, unplugged: bool = False) -> None:
        """Reset the processor as soon as no instruction is under way."""
        self._reset_cause = cause
        self.unplugged = self.unplugged or unplugged
        if self._emulator is not None:
            self._emulator.stop()

    # --- levels that stand still -------------------------------------------------------------

    def _look(self, now: float) -> None:
        """Where all is straight, one solution serves for a while, or until something happens."""
        last = self.plant.t
        self._advance(now)
        t = now - BEFORE_S
        straight = self.plant.straight_levels(min(last, t), t)
        levels = {role: line[1] for role, line in straight.items()} if straight else {}
        until = min(now + HOLD_S, self.plant.next_change_s())
        if not levels or self._emulator is None or until <= now:
            self._looked_until_s = now + LOOK_AGAIN_S
            return
        held = [self._held(model, levels, now) for model in self.front.inputs[:CHANNELS]]
        held += [(0.0, 0.0)] * (CHANNELS - len(held))
        self._emulator.hold([h[0] for h in held], [h[1] for h in held], int(until * HZ))
        self._looked_until_s = until

    @staticmethod
    def _held(model: InputModel, levels: dict[InputRole, float], now: float) -> tuple[float, float]:
        """Code and noise of an input; a negative code where its level is not known."""
        if model.stuck_code is not None:
            return float(model.stuck_code), 0.0
        level = levels.get(model.info.role)
        if level is None:
            return -1.0, 0.0
        return max(model.ideal_code(level, now) + 0.5, 0.0), model.noise_codes

    def _advance(self, now: float) -> None:
        self.plant.advance(now)
        if self.hardware.feed_real != self._auxiliary and self._emulator is not None:
            self._auxiliary = self.hardware.feed_real
            self._emulator.set_auxiliary(self._auxiliary)
        if now - self._forgotten_s > FORGET_S:
            self._forgotten_s = now
            self.plant.forget(now - FORGET_S / 2)


def open_bench(scenario: str) -> SimulatedBench:
    """The bench of a scenario; UsageError for a fault that an emulated rig cannot have."""
    return SimulatedBench(open_scenario(scenario).rig)
