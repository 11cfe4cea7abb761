"""The bench of a case: the simulated rig, and beside it what a witness writes down."""

from __future__ import annotations

from dataclasses import replace

from benchrig_sim.branch import PartSpec
from benchrig_sim.circuit import CircuitSpec
from benchrig_sim.coil import CoilSpec
from benchrig_sim.rig import RigSpec, SimRig
from benchrig_sim.variants import build_rig
from fault_search.case import CEILING_US, Case

SECOND_OUTPUT = 3


class WatchedRig(SimRig):
    """A simulated rig and what it truly heard and captured."""

    def __init__(self, spec: RigSpec) -> None:
        self.heard_s: list[float] = []
        self.captured: dict[tuple[int, int, int], bytes] = {}  # (boot, tick, block) -> body
        super().__init__(spec)

    def on_bytes(self, data: bytes, now_s: float) -> None:
        """Bytes from the host have arrived."""
        self.heard_s.append(now_s)
        super().on_bytes(data, now_s)

    def _capture(self, ready_s: float, apart_s: float, bodies: list[bytes]) -> None:
        """Blocks are full: they are noted, too."""
        super()._capture(ready_s, apart_s, bodies)
        for body in bodies:
            number, tick = (int.from_bytes(body[a:b], "little") for a, b in ((1, 3), (3, 7)))
            self.captured[(self.identity.boot_count, tick, number)] = body


def rig_spec(case: Case) -> RigSpec:
    """What is on the bench."""
    circuit = CircuitSpec(freewheel_v=0.9 if case.freewheel else None)
    parts = {0: _part("the part", case.resistance_20c_ohm)}
    if case.second_part:
        parts[SECOND_OUTPUT] = _part("the other part", 12.0)
    spec = build_rig(
        circuit=circuit,
        parts=parts,
        faults=case.rig_faults,
        seed=case.seed,
        drift=case.drift,
        relay_outputs=(0,) if case.relay else (),
        conversion_us=case.conversion_us,
    )
    outputs = tuple(replace(info, on_us_max=CEILING_US) for info in spec.outputs)
    return replace(spec, outputs=outputs)


def _part(name: str, ohm: float) -> PartSpec:
    coil = CoilSpec(
        resistance_20c_ohm=ohm,
        inductance_rest_h=0.0105,
        inductance_seat_h=0.0136,
        saturation_wb=0.02,
        eddy_ohm=250.0,
    )
    return PartSpec(name=name, electrical=coil)
