"""Makes faults strike: at a time, at a switch-on, at a frame, or from the start."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from benchrig.wire.messages import ResetCause
from benchrig_sim.bench_faults import BENCH_ACTS, BenchStriker
from benchrig_sim.faults import LINE_KINDS, Fault, FaultKind
from benchrig_sim.tamper import Line

if TYPE_CHECKING:
    from benchrig_sim.rig import SimRig


class Striker(BenchStriker):
    """Holds a rig's faults, those of its line and its program too."""

    rig: SimRig

    def __init__(self, rig: SimRig) -> None:
        self.line_in, self.line_out = Line(), Line()
        self._by_frame_in: dict[int, list[Fault]] = {}
        self._by_frame_out: dict[int, list[Fault]] = {}
        super().__init__(rig, rig.spec.faults, rig.spec.seed)

    @property
    def waits_for_frames_in(self) -> bool:
        """Whether any fault counts the host's frames."""
        return bool(self._by_frame_in)

    @property
    def waits_for_frames_out(self) -> bool:
        """Whether any fault counts the rig's frames."""
        return bool(self._by_frame_out)

    @classmethod
    def acts(cls) -> Mapping[FaultKind, Callable[[Any, Fault], None]]:
        """How each kind is carried out."""
        return _ACTS

    def _place(self, fault: Fault) -> None:
        if fault.kind in LINE_KINDS:
            if fault.at_frame_in is not None:
                self.line_in.expect(fault.at_frame_in, fault)
            if fault.at_frame_out is not None:
                self.line_out.expect(fault.at_frame_out, fault)
            return
        for table, key in (
            (self._by_frame_in, fault.at_frame_in),
            (self._by_frame_out, fault.at_frame_out),
        ):
            if key is not None:
                table.setdefault(key, []).append(fault)
        super()._place(fault)

    def frame_in(self, number: int) -> None:
        """A frame towards the rig is about to arrive."""
        self._strike_all(self._by_frame_in, number)

    def frame_out(self, number: int) -> None:
        """A frame from the rig is about to leave."""
        self._strike_all(self._by_frame_out, number)

    # --- what each one does ------------------------------------------------------------------

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


_ACTS: dict[FaultKind, Callable[[Any, Fault], None]] = {
    **BENCH_ACTS,
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
}
