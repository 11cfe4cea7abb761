"""A scenario's faults on an emulated rig: those of its bench, and those that end in a reset.

What the firmware or the line would have to get wrong is refused: the firmware is the real one,
and nobody tampers with its frames.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

from avr.emulator import BROWN_OUT, EXTERNAL, POWER_ON
from benchrig.errors import UsageError
from benchrig_sim.bench_faults import BENCH_ACTS, Bench, BenchStriker
from benchrig_sim.faults import Fault, FaultKind


class Emulated(Bench, Protocol):
    """A bench whose processor can be reset."""

    def reset_soon(self, cause: int, *, unplugged: bool = False) -> None:
        """Reset the processor as soon as no instruction is under way."""
        ...


class EmulatedStriker(BenchStriker):
    """Carries out a scenario's faults behind and on the emulated processor."""

    rig: Emulated

    def __init__(self, rig: Emulated, faults: tuple[Fault, ...], seed: int) -> None:
        for fault in faults:
            _refuse_what_cannot_be(fault)
        super().__init__(rig, faults, seed)

    @classmethod
    def acts(cls) -> Mapping[FaultKind, Callable[[Any, Fault], None]]:
        """How each kind is carried out."""
        return _ACTS

    def _reset(self, fault: Fault) -> None:
        del fault
        self.rig.reset_soon(EXTERNAL)

    def _brown_out(self, fault: Fault) -> None:
        del fault
        self.rig.reset_soon(BROWN_OUT)

    def _unplug(self, fault: Fault) -> None:
        del fault
        self.rig.reset_soon(POWER_ON, unplugged=True)


_ACTS: dict[FaultKind, Callable[[Any, Fault], None]] = {
    **BENCH_ACTS,
    FaultKind.RESET: EmulatedStriker._reset,
    FaultKind.BROWN_OUT: EmulatedStriker._brown_out,
    FaultKind.UNPLUG: EmulatedStriker._unplug,
}


def _refuse_what_cannot_be(fault: Fault) -> None:
    advice = "run it on the simulated rig: sim:SCENARIO"
    if fault.kind not in _ACTS:
        raise UsageError(f"an emulated rig cannot have the fault {fault.kind}", advice=advice)
    if fault.at_frame_in is not None or fault.at_frame_out is not None:
        raise UsageError(
            f"{fault.kind}: an emulated rig's faults strike at a time or a cycle, not at a frame",
            advice=advice,
        )
    if fault.kind is FaultKind.UNPLUG and fault.duration_s:
        raise UsageError("an emulated rig is not plugged in again", advice=advice)
