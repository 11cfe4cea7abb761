"""Faults of the bench behind the pins: contacts, converter, parts, supply.

They touch the physics and the front end only, so they strike the same way whatever drives the
pins: the simulator's own firmware or a real one in an emulator.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial
from math import inf
from typing import Any, Protocol

import numpy as np

from benchrig_sim.faults import Fault, FaultKind, Place
from benchrig_sim.frontend import FrontEnd
from benchrig_sim.hardware import Hardware
from benchrig_sim.plant import Plant

RANDOM_GAPS_S = 3600.0  # intermittents are drawn this far ahead


class Bench(Protocol):
    """What a fault of the bench needs."""

    @property
    def plant(self) -> Plant:
        """The physics."""
        ...

    @property
    def front(self) -> FrontEnd:
        """The amplifiers and the converter."""
        ...

    @property
    def hardware(self) -> Hardware:
        """Contacts."""
        ...

    @property
    def now_s(self) -> float:
        """True time."""
        ...

    def flush_samples(self) -> None:
        """Take what was sampled so far, before anything changes."""
        ...

    def later(self, t: float, act: Callable[[], None], *, boot: int | None, irq: bool) -> object:
        """Do something at a true time."""
        ...


class BenchStriker:
    """Counts switch-ons and carries out the faults of a bench, each once."""

    def __init__(self, rig: Bench, faults: tuple[Fault, ...], seed: int) -> None:
        self.rig = rig
        self.faults = faults
        self.cycles = 0
        self.struck: list[tuple[float, Fault]] = []
        self._rng = np.random.default_rng(seed + 2)
        self._by_cycle: dict[int, list[Fault]] = {}
        for fault in faults:
            self._place(fault)

    def _place(self, fault: Fault) -> None:
        if fault.at_cycle is not None:
            self._by_cycle.setdefault(fault.at_cycle, []).append(fault)
        if fault.at_s is not None:
            self._after(fault.at_s, lambda: self.strike(fault))

    def _after(self, t: float, act: Callable[[], None]) -> None:
        self.rig.later(t, act, boot=None, irq=True)

    def from_start(self) -> None:
        """Strike everything that is there before anything happens."""
        for fault in self.faults:
            if fault.from_start and fault.kind in self.acts():
                self.strike(fault)

    def switched_on(self) -> None:
        """A driven output went on: count it."""
        self.cycles += 1
        self._strike_all(self._by_cycle, self.cycles)

    def _strike_all(self, table: dict[int, list[Fault]], number: int) -> None:
        for fault in table.pop(number, ()):
            # Never inside whatever counted it: an event of its own, at this very time.
            self._after(self.rig.now_s, partial(self.strike, fault))

    def strike(self, fault: Fault) -> None:
        """Let it happen now."""
        self.rig.flush_samples()
        self.struck.append((self.rig.now_s, fault))
        self.acts()[fault.kind](self, fault)

    @classmethod
    def acts(cls) -> Mapping[FaultKind, Callable[[Any, Fault], None]]:
        """How each kind is carried out."""
        return BENCH_ACTS

    # --- what each one does ------------------------------------------------------------------

    def _welded_output(self, fault: Fault) -> None:
        self.rig.hardware.weld_output(fault.output, self.rig.now_s)

    def _welded_feed(self, fault: Fault) -> None:
        del fault
        self.rig.hardware.weld_feed(self.rig.now_s)

    def _input_stuck(self, fault: Fault) -> None:
        for model in self.rig.front.inputs:
            if fault.input in (None, model.info.input):
                model.stuck_code = int(fault.number(model.info.zero_code))

    def _input_saturated(self, fault: Fault) -> None:
        for model in self.rig.front.inputs:
            if fault.input in (None, model.info.input):
                model.stuck_code = (1 << model.info.bits) - 1

    def _input_drifting(self, fault: Fault) -> None:
        for model in self.rig.front.inputs:
            if fault.input in (None, model.info.input):
                model.drift_codes_per_s = fault.number(0.5)
                model.drift_from_s = self.rig.now_s

    def _adc_stuck(self, fault: Fault) -> None:
        for model in self.rig.front.inputs:
            model.stuck_code = int(fault.number(0))

    def _opens_when_hot(self, fault: Fault) -> None:
        branch = self.rig.plant.branches[fault.output]
        branch.opens_above_c = fault.number(70.0)

    def _part_open(self, fault: Fault) -> None:
        self.rig.plant.branches[fault.output].connection.open = True

    def _part_shorted(self, fault: Fault) -> None:
        self.rig.plant.branches[fault.output].short_turns(1.0 - fault.number(0.02))

    def _shorted_turns(self, fault: Fault) -> None:
        self.rig.plant.branches[fault.output].short_turns(fault.number(0.15))

    def _stuck_armature(self, fault: Fault) -> None:
        self.rig.plant.branches[fault.output].block_armature()

    def _high_joint(self, fault: Fault) -> None:
        self.rig.plant.branches[fault.output].joint_ohm += fault.number(3.0)

    def _intermittent(self, fault: Fault) -> None:
        """Gaps at random times from now on; exponential waits and lengths."""
        rate, mean = fault.number(0.3), fault.duration_s or 5e-3
        t, gaps = self.rig.now_s, []
        while t < self.rig.now_s + RANDOM_GAPS_S:
            t += float(self._rng.exponential(1.0 / rate))
            length = max(float(self._rng.exponential(mean)), 2e-4)
            gaps.append((t, t + length))
            t += length
        if fault.place in (Place.PART, Place.LEAD):
            self.rig.plant.branches[fault.output].set_gaps(gaps, fault.place)
        else:
            self._open_next(fault, iter(gaps))

    def _open_next(self, fault: Fault, gaps: Iterator[tuple[float, float]]) -> None:
        """One gap of the bench after the other: only the next waits to happen."""
        begin, end = next(gaps, (inf, inf))
        if begin < inf:
            self._after(begin, partial(self._set_broken, fault, True))
            self._after(end, partial(self._close_again, fault, gaps))

    def _close_again(self, fault: Fault, gaps: Iterator[tuple[float, float]]) -> None:
        self._set_broken(fault, False)
        self._open_next(fault, gaps)

    def _set_broken(self, fault: Fault, broken: bool) -> None:
        self.rig.flush_samples()
        self.rig.plant.set_broken(fault.place, fault.output, broken, self.rig.now_s)

    def _break(self, fault: Fault) -> None:
        self._set_broken(fault, True)
        self._restore(fault, partial(self._set_broken, fault, False))

    def _supply_sag(self, fault: Fault) -> None:
        rig = self.rig
        before = rig.plant.supply_v
        rig.plant.set_supply(rig.now_s, volts=fault.number(8.0))
        self._restore(fault, lambda: rig.plant.set_supply(rig.now_s, volts=before))

    def _supply_limit(self, fault: Fault) -> None:
        rig = self.rig
        before = rig.plant.supply_limit_a
        rig.plant.set_supply(rig.now_s, limit_a=fault.number(0.3))
        self._restore(fault, lambda: rig.plant.set_supply(rig.now_s, limit_a=before))

    def _supply_off(self, fault: Fault) -> None:
        rig = self.rig
        rig.plant.set_supply(rig.now_s, on=False)
        self._restore(fault, lambda: rig.plant.set_supply(rig.now_s, on=True))

    def _restore(self, fault: Fault, act: Callable[[], None]) -> None:
        if 0.0 < fault.duration_s < inf:
            self._after(self.rig.now_s + fault.duration_s, act)


BENCH_ACTS: dict[FaultKind, Callable[[Any, Fault], None]] = {
    FaultKind.WELDED_OUTPUT: BenchStriker._welded_output,
    FaultKind.WELDED_FEED: BenchStriker._welded_feed,
    FaultKind.INPUT_STUCK: BenchStriker._input_stuck,
    FaultKind.INPUT_SATURATED: BenchStriker._input_saturated,
    FaultKind.INPUT_DRIFTING: BenchStriker._input_drifting,
    FaultKind.ADC_STUCK: BenchStriker._adc_stuck,
    FaultKind.OPENS_WHEN_HOT: BenchStriker._opens_when_hot,
    FaultKind.PART_OPEN: BenchStriker._part_open,
    FaultKind.PART_SHORTED: BenchStriker._part_shorted,
    FaultKind.SHORTED_TURNS: BenchStriker._shorted_turns,
    FaultKind.STUCK_ARMATURE: BenchStriker._stuck_armature,
    FaultKind.HIGH_JOINT: BenchStriker._high_joint,
    FaultKind.INTERMITTENT: BenchStriker._intermittent,
    FaultKind.BREAK: BenchStriker._break,
    FaultKind.SUPPLY_SAG: BenchStriker._supply_sag,
    FaultKind.SUPPLY_LIMIT: BenchStriker._supply_limit,
    FaultKind.SUPPLY_OFF: BenchStriker._supply_off,
}
