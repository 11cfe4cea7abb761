"""Makes faults strike: at a time, at a switch-on, at a frame, or from the start."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from math import inf
from typing import TYPE_CHECKING

import numpy as np

from benchrig.wire.messages import ResetCause
from benchrig_sim.faults import LINE_KINDS, Fault, FaultKind
from benchrig_sim.tamper import Line

if TYPE_CHECKING:
    from benchrig_sim.rig import SimRig

RANDOM_GAPS_S = 3600.0  # intermittents are drawn this far ahead


class Striker:
    """Holds a rig's faults and carries each out once."""

    def __init__(self, rig: SimRig) -> None:
        self.rig = rig
        self.line_in, self.line_out = Line(), Line()
        self.cycles = 0
        self.struck: list[tuple[float, Fault]] = []
        self._rng = np.random.default_rng(rig.spec.seed + 2)
        self._by_cycle: dict[int, list[Fault]] = {}
        self._by_frame_in: dict[int, list[Fault]] = {}
        self._by_frame_out: dict[int, list[Fault]] = {}
        for fault in rig.spec.faults:
            self._place(fault)

    @property
    def waits_for_frames_out(self) -> bool:
        """Whether any fault counts the rig's frames."""
        return bool(self._by_frame_out)

    def _place(self, fault: Fault) -> None:
        if fault.kind in LINE_KINDS:
            if fault.at_frame_in is not None:
                self.line_in.expect(fault.at_frame_in, fault)
            if fault.at_frame_out is not None:
                self.line_out.expect(fault.at_frame_out, fault)
            return
        for table, key in (
            (self._by_cycle, fault.at_cycle),
            (self._by_frame_in, fault.at_frame_in),
            (self._by_frame_out, fault.at_frame_out),
        ):
            if key is not None:
                table.setdefault(key, []).append(fault)
        if fault.at_s is not None:
            self._after(fault.at_s, lambda: self.strike(fault))

    def _after(self, t: float, act: Callable[[], None]) -> None:
        self.rig.later(t, act, boot=None, irq=True)

    def from_start(self) -> None:
        """Strike everything that is there before anything happens."""
        for fault in self.rig.spec.faults:
            if fault.from_start and fault.kind not in LINE_KINDS:
                self.strike(fault)

    def switched_on(self) -> None:
        """A driven output went on: count it."""
        self.cycles += 1
        self._strike_all(self._by_cycle, self.cycles)

    def frame_in(self, number: int) -> None:
        """A frame towards the rig is about to arrive."""
        self._strike_all(self._by_frame_in, number)

    def frame_out(self, number: int) -> None:
        """A frame from the rig is about to leave."""
        self._strike_all(self._by_frame_out, number)

    def _strike_all(self, table: dict[int, list[Fault]], number: int) -> None:
        for fault in table.pop(number, ()):
            # Never inside whatever counted it: an event of its own, at this very time.
            self._after(self.rig.now_s, partial(self.strike, fault))

    def strike(self, fault: Fault) -> None:
        """Let it happen now."""
        rig = self.rig
        rig.flush_samples()
        self.struck.append((rig.now_s, fault))
        _ACTS[fault.kind](self, fault)

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
        self.rig.plant.branches[fault.output].set_gaps(gaps)

    def _flood(self, fault: Fault) -> None:
        """Rubbish at the full rate of the line."""
        now, length = self.rig.now_s, fault.duration_s or 0.2
        for n in range(max(1, int(length / 2e-3))):
            rubbish = self._rng.integers(0, 256, 200, dtype=np.uint8).tobytes()
            self.line_out.queue([(now + n * 2e-3, rubbish)])

    def _unplug(self, fault: Fault) -> None:
        rig = self.rig
        rig.power_off()
        rig.unplugged = True
        self.line_in.held.clear()
        self.line_out.held.clear()
        if fault.duration_s:
            self._after(rig.now_s + fault.duration_s, self._replug)

    def _replug(self) -> None:
        self.rig.reset(ResetCause.POWER_ON)
        self.rig.unplugged = False
        self.rig.plugged_in += 1

    def _reset(self, fault: Fault) -> None:
        del fault
        self.rig.reset(ResetCause.EXTERNAL)

    def _brown_out(self, fault: Fault) -> None:
        del fault
        self.rig.reset(ResetCause.BROWN_OUT)

    def _hang_on(self, fault: Fault) -> None:
        self._hang("on", fault)

    def _hang_off(self, fault: Fault) -> None:
        self._hang("off", fault)

    def _hang(self, interrupts: str, fault: Fault) -> None:
        from benchrig_sim.rig import WATCHDOG_S

        rig = self.rig
        rig.hung = interrupts
        boot = rig.identity.boot_count
        wait = WATCHDOG_S if interrupts == "off" else fault.duration_s or 2.0 * WATCHDOG_S

        def bite() -> None:
            if rig.identity.boot_count == boot and rig.hung:
                rig.reset(ResetCause.WATCHDOG)

        self._after(rig.now_s + wait, bite)

    def _schedule_stalls(self, fault: Fault) -> None:
        del fault
        self.rig.firmware.stall()

    def _readback_lies(self, fault: Fault) -> None:
        del fault
        self.rig.readback_lies = True

    def _capability_lacking(self, fault: Fault) -> None:
        del fault
        self.rig.refuses_schedules = True

    def _clock_drift(self, fault: Fault) -> None:
        self.rig.set_drift(fault.number(0.02))

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


_ACTS: dict[FaultKind, Callable[[Striker, Fault], None]] = {
    FaultKind.WELDED_OUTPUT: Striker._welded_output,
    FaultKind.WELDED_FEED: Striker._welded_feed,
    FaultKind.INPUT_STUCK: Striker._input_stuck,
    FaultKind.INPUT_SATURATED: Striker._input_saturated,
    FaultKind.INPUT_DRIFTING: Striker._input_drifting,
    FaultKind.ADC_STUCK: Striker._adc_stuck,
    FaultKind.OPENS_WHEN_HOT: Striker._opens_when_hot,
    FaultKind.PART_OPEN: Striker._part_open,
    FaultKind.PART_SHORTED: Striker._part_shorted,
    FaultKind.SHORTED_TURNS: Striker._shorted_turns,
    FaultKind.STUCK_ARMATURE: Striker._stuck_armature,
    FaultKind.HIGH_JOINT: Striker._high_joint,
    FaultKind.INTERMITTENT: Striker._intermittent,
    FaultKind.FLOOD: Striker._flood,
    FaultKind.UNPLUG: Striker._unplug,
    FaultKind.RESET: Striker._reset,
    FaultKind.BROWN_OUT: Striker._brown_out,
    FaultKind.HANG_INTERRUPTS_ON: Striker._hang_on,
    FaultKind.HANG_INTERRUPTS_OFF: Striker._hang_off,
    FaultKind.SCHEDULE_STALLS: Striker._schedule_stalls,
    FaultKind.READBACK_LIES: Striker._readback_lies,
    FaultKind.CAPABILITY_LACKING: Striker._capability_lacking,
    FaultKind.CLOCK_DRIFT: Striker._clock_drift,
    FaultKind.SUPPLY_SAG: Striker._supply_sag,
    FaultKind.SUPPLY_LIMIT: Striker._supply_limit,
    FaultKind.SUPPLY_OFF: Striker._supply_off,
}
