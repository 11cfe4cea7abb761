"""The coil's current against a general-purpose circuit simulator (ngspice, run in batch).

Every sample of the switch-on, the diode freewheel and the low-side clamped turn-off agrees to
0.5 % of the final current, for an ideal coil and for one with an eddy loop and saturating iron.
"""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from benchrig_sim.branch import PartSpec
from benchrig_sim.circuit import CircuitSpec
from benchrig_sim.coil import CoilSpec
from benchrig_sim.plant import Plant

ON_S, OFF_S = 15e-3, 5e-3
IDEAL = CoilSpec(resistance_20c_ohm=14.5, inductance_rest_h=12e-3, inductance_seat_h=12e-3)
COILS = {
    "ideal": IDEAL,
    "eddy": replace(IDEAL, eddy_ohm=220.0),
    "saturating": replace(IDEAL, saturation_wb=9e-3),
    "eddy and saturating": replace(IDEAL, saturation_wb=9e-3, eddy_ohm=220.0),
}


@dataclass(frozen=True, slots=True)
class TurnOff:
    """A way to turn off, here and in the netlist."""

    circuit: CircuitSpec
    netlist: str


_WIRES = CircuitSpec(supply_ohm=0.2, feed_ohm=0.01, switch_ohm=0.02, shunt_ohm=0.05, ambient_c=20.0)
# Near-ideal junctions: a level, and ten milliohm behind it.
TURN_OFFS = {
    "freewheel diode": TurnOff(
        replace(_WIRES, freewheel_v=0.7),
        "Vd low dk 0.7\nSd dk high dk high free\n.model free sw vt=0 vh=0 ron=0.001 roff=1e9\n",
    ),
    "low-side clamp": TurnOff(
        replace(_WIRES, clamp_v=36.0),
        "Vz zk gnd1 36\nSz low zk low zk clamp\n.model clamp sw vt=0 vh=0 ron=0.001 roff=1e9\n",
    ),
}
LEAD_OHM = 0.06


def netlist(coil: CoilSpec, turn_off: TurnOff, table: Path) -> str:
    """Supply, feed and leads, the coil as a flux, the low-side switch and the shunt.

    The coil is its flux (the voltage of a one-farad capacitor charged by its own voltage) and
    a current drawn by that flux; the eddy loop is a resistor across it.
    """
    inverse = 1.0 / coil.inductance_rest_h
    sat = coil.saturation_wb
    curve = f"{inverse!r}*v(flux)"
    if sat is not None:
        curve += f"+{1.0 / (coil.inductance_seat_h * sat**6)!r}*pow(v(flux),7)"
    eddy = "" if coil.eddy_ohm is None else f"Re high2 low {coil.eddy_ohm!r}\n"
    return f"""* generated: one coil, switched on and off
Vs supply 0 {turn_off.circuit.supply_v}
Rs supply high {turn_off.circuit.supply_ohm + turn_off.circuit.feed_ohm}
Rw high high2 {coil.resistance_20c_ohm + LEAD_OHM!r}
Bi high2 low i={curve}
Bf 0 flux i=v(high2,low)
Cf flux 0 1 ic=0
Rf flux 0 1e12
{eddy}Ssw low sw ctl 0 mos
.model mos sw vt=0.5 vh=0 ron={turn_off.circuit.switch_ohm} roff=1e9
Vsense sw gnd1 0
Rsh gnd1 0 {turn_off.circuit.shunt_ohm}
Vctl ctl 0 pwl(0 1 {ON_S} 1 {ON_S + 1e-7} 0)
{turn_off.netlist}.options reltol=1e-5 abstol=1e-9 vntol=1e-7
.control
tran 2u {ON_S + OFF_S} 0 2u uic
wrdata {table} i(vcoil)
.endc
.end
""".replace("Rw high high2", "Vcoil high hs 0\nRw hs high2")


def spice(coil: CoilSpec, turn_off: TurnOff, folder: Path) -> tuple[NDArray[np.float64], ...]:
    program = shutil.which("ngspice")
    assert program, "ngspice is not installed: apt-get install ngspice"
    table, source = folder / "out.txt", folder / "coil.cir"
    source.write_text(netlist(coil, turn_off, table))
    done = subprocess.run(
        [program, "-b", str(source)], capture_output=True, text=True, timeout=60, check=False
    )
    assert table.exists(), done.stdout + done.stderr
    rows = np.loadtxt(table)
    return rows[:, 0], rows[:, 1]


def simulated(coil: CoilSpec, circuit: CircuitSpec, t: NDArray[np.float64]) -> NDArray[np.float64]:
    part = PartSpec(name="coil", electrical=coil, lead_ohm=LEAD_OHM, heat_capacity_j_per_k=1e9)
    plant = Plant(circuit, {0: part})
    plant.set_feed(True, 0.0)
    plant.set_output(0, True, 0.0)
    plant.set_output(0, False, ON_S)
    plant.advance(ON_S + OFF_S + 1e-3)
    current = np.zeros(len(t))
    for segment, span in plant.branches[0].pieces(t):
        current[span] = segment.current(t[span])
    return current


@pytest.mark.parametrize("turn_off", TURN_OFFS)
@pytest.mark.parametrize("coil", COILS)
def test_current_agrees_with_ngspice(coil: str, turn_off: str, tmp_path: Path) -> None:
    way = TURN_OFFS[turn_off]
    times, expected = spice(COILS[coil], way, tmp_path)
    edge = (times > ON_S - 1e-9) & (times < ON_S + 3e-6)  # the switch of a netlist takes a moment
    keep = ~edge & (times > 3e-6)
    ours = simulated(COILS[coil], way.circuit, times)
    final = way.circuit.supply_v / (14.5 + LEAD_OHM + 0.28)
    assert expected[times < ON_S].max() == pytest.approx(final, rel=2e-3)
    worst = np.abs(ours - expected)[keep].max() / final
    assert worst < 0.005, f"{worst:.3%} of the final current"
