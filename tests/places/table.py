"""Prints what each place does after the break, and which places can be told apart."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from .circuit import Arc, Circuit, Contact, Event, Place, Scenario
from .front import FrontEnd, Sampled, channels, limits, sample, see
from .run import Result, run

EVENT_S = 9e-3
AFTER_MS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0)
SHORT = {
    "supply_v": "Vsup",
    "part_v": "Vpart",
    "part_fine_v": "Vfine",
    "coarse_a": "I",
    "fine_a": "Ifine",
}


@dataclass(frozen=True)
class Case:
    """One row of the table."""

    key: str
    what: str
    event: Event


def cases(i0_a: float) -> list[Case]:
    """Return the rows; series steps are 10 ohm, arcs 15 V and 0.4 A where the current allows."""
    arc = Contact(arc=Arc(arc_a=min(0.4, 0.4 * i0_a)))
    low_arc = Contact(ramp_s=10e-6, arc=replace(Arc(), arc_v=10.0, arc_a=min(0.4, 0.4 * i0_a)))
    step = Contact(open_ohm=10.0)
    off = Contact(open_ohm=1e7, ramp_s=0.5e-6)
    p = Place
    return [
        Case("a", "inside the part", Event(p.PART, EVENT_S)),
        Case("a-arc", "the same, arc 15 V", Event(p.PART, EVENT_S, contact=arc)),
        Case("a-10R", "the same, 10 ohm", Event(p.PART, EVENT_S, contact=step)),
        Case("b1", "feed-side lead", Event(p.LEAD_FEED, EVENT_S)),
        Case("b1-arc", "the same, arc 15 V", Event(p.LEAD_FEED, EVENT_S, contact=arc)),
        Case("b1-10R", "the same, 10 ohm", Event(p.LEAD_FEED, EVENT_S, contact=step)),
        Case("b2", "switch-side lead", Event(p.LEAD_SWITCH, EVENT_S)),
        Case("b2-arc", "the same, arc 15 V", Event(p.LEAD_SWITCH, EVENT_S, contact=arc)),
        Case("b2-10R", "the same, 10 ohm", Event(p.LEAD_SWITCH, EVENT_S, contact=step)),
        Case("c", "supply or fuse", Event(p.SUPPLY, EVENT_S)),
        Case("c-10R", "the same, 10 ohm", Event(p.SUPPLY, EVENT_S, contact=step)),
        Case("d", "feed contactor", Event(p.FEED, EVENT_S)),
        Case("d-arc", "the same, arc 15 V", Event(p.FEED, EVENT_S, contact=arc)),
        Case("d-arc10", "the same, arc 10 V", Event(p.FEED, EVENT_S, contact=low_arc)),
        Case("d-10R", "the same, 10 ohm", Event(p.FEED, EVENT_S, contact=step)),
        Case("e", "rig's switch off", Event(p.SWITCH, EVENT_S, contact=off)),
        Case("e-10R", "the same, 10 ohm", Event(p.SWITCH, EVENT_S, contact=step)),
        Case("f1", "sense wire off, feed side", Event(p.SENSE_FEED, EVENT_S)),
        Case("f2", "sense wire off, switch side", Event(p.SENSE_SWITCH, EVENT_S)),
        Case("g", "supply limits at 0.5 A", Event(p.LIMIT, EVENT_S, limit_a=0.5)),
        Case("h", "sag to 6 V for 3 ms", Event(p.SAG, EVENT_S, EVENT_S + 3e-3)),
        Case("i", "part shorted dead", Event(p.COIL_SHORT, EVENT_S)),
        Case("i-10%", "10 % of turns left", Event(p.COIL_SHORT, EVENT_S, live_fraction=0.1)),
        Case("j1", "switched side to ground", Event(p.GROUND_SHORT, EVENT_S)),
        Case("j2", "switched side to rail", Event(p.RAIL_SHORT, EVENT_S)),
    ]


def rows(circuit: Circuit, cache: Path | None) -> list[tuple[Case, Result]]:
    """Run all cases."""
    i0_a = circuit.supply_v / (circuit.coil.r_ohm + 0.3)
    return [(c, run(Scenario(circuit, (c.event,)), cache)) for c in cases(i0_a)]


def print_true(found: list[tuple[Case, Result]]) -> None:
    """Print the true values and the readings after the break."""
    ms = np.array(AFTER_MS)
    print(f"{'':8}{'':28}" + "".join(f"{m:>9.1f}" for m in (-0.1, *AFTER_MS)) + "  ms")
    when = EVENT_S + np.concatenate(([-0.1], ms)) * 1e-3
    for case, r in found:
        end = "" if r.trip_s is None else f"; trip at {(r.trip_s - EVENT_S) * 1e3:.2f} ms"
        print(f"{case.key:8}{case.what}{end}")
        t, true, seen = r.true.time_s, r.true, see(r.true, r.scenario.circuit)
        for name, x, tx in (
            ("true coil current A", true.i_coil_a, t),
            ("true shunt current A", true.i_shunt_a, t),
            ("true part voltage V", true.v_part_v, t),
            ("true drain voltage V", true.v_drain_v, t),
            ("read current coarse A", seen.coarse_a, seen.time_s),
            ("read current fine A", seen.fine_a, seen.time_s),
            ("read part voltage V", seen.part_v, seen.time_s),
            ("read supply voltage V", seen.supply_v, seen.time_s),
        ):
            y = np.interp(when, tx, x)
            y = np.where(np.abs(y) < 5e-4, 0.0, y)
            print(f"{'':8}{name:28}" + "".join(f"{v:9.3f}" for v in y))


def apart(
    one: Sampled, two: Sampled, circuit: Circuit, front: FrontEnd, steady: bool
) -> tuple[str, float, int]:
    """Return the best input, its largest difference in % of full scale, and samples above 1 %.

    The first sample after the break is left out, since the instant of the break is not known.
    """
    first, last = EVENT_S + 150e-6, EVENT_S + 5e-3
    if steady:
        first, last = EVENT_S + 8e-3, EVENT_S + 11e-3
    use = (one.time_s >= first) & (one.time_s < last)
    best, size, count = "", 0.0, 0
    for name, channel in channels(front, circuit).items():
        low, high = limits(channel, front)
        d = np.abs(getattr(one, name) - getattr(two, name))[use] / (high - low) * 100.0
        over = int(np.count_nonzero(d > 1.0))
        if (over, float(d.max())) > (count, size):
            best, size, count = SHORT[name], float(d.max()), over
    return best, size, count


def print_pairs(found: list[tuple[Case, Result]], circuit: Circuit) -> None:
    """Print for each pair of places what tells them apart, computed from the samples."""
    front = FrontEnd()
    got = [(c, sample(r.true, circuit, front, phase_s=37e-6)) for c, r in found]
    print("\nPairs with fewer than 3 samples (10 kS/s) that differ by over 1 % of full scale,")
    print("from the second sample after the break to 5 ms: cannot be told apart by these inputs,")
    print("or only by a sample or two whose value depends on the instant of sampling:")
    clear = 0
    for (c1, s1), (c2, s2) in itertools.combinations(got, 2):
        name, size, count = apart(s1, s2, circuit, front, steady=False)
        if count >= 3:
            clear += 1
            continue
        print(f"  {c1.key:8}{c2.key:8} {count} samples, at most {size:.2f} % ({name or '-'})")
    print(f"All other {clear} pairs differ in 3 samples or more.")
    print("\nAmong those, pairs that are the same again 8 to 11 ms after the break")
    print("(the transient alone tells them apart): input, samples within 5 ms")
    for (c1, s1), (c2, s2) in itertools.combinations(got, 2):
        name, size, count = apart(s1, s2, circuit, front, steady=False)
        if count >= 3 and apart(s1, s2, circuit, front, steady=True)[2] == 0:
            print(f"  {c1.key:8}{c2.key:8} {name:6}{count:3d} samples, at most {size:.1f} %")


EXPLAIN = """
What tells the places apart (see PHYSICS.md):
  a   current gone, part voltage STAYS at the supply: the only place with both.
  b   current gone within some 50 us (or after an arc), part voltage 0, supply up.
      b1 and b2 give the same differential voltage; with these inputs they CANNOT be told apart.
  c   supply reads 0 at once, current decays slowly through the catch diode, part about -0.8 V.
      Fuse, disconnect and supply's lead CANNOT be told apart: one divider stands behind all.
  d   as c, but the supply stays up; after the decay it is the same as b and e.
  e   current goes through the clamp (about 24 V drive it down), supply up, part voltage clipped.
      b with an arc above the supply voltage looks like e but for the duration and the arc's
      sudden end; the aux contact and the commanded gate decide d and e when they were commanded.
  10 ohm steps: b1, b2, d and e end the SAME in all inputs; a and c differ by voltages.
      Their transients differ only if the current times 10 ohm passes about 12.7 V (d: catch
      diode) or 36 V (e: clamp).
  The part voltage reads no lower than -0.3125 V, so -0.8 V (c, d), -24 V (e) and -390 V (b)
  are one reading; only its duration and the current's course remain.
"""


def main(circuit: Circuit, cache: Path | None) -> None:
    """Print everything for one coil."""
    print(f"coil {circuit.coil.name}, supply {circuit.supply_v:g} V, break at 0 ms\n")
    found = rows(circuit, cache)
    print_true(found)
    print_pairs(found, circuit)
    print(EXPLAIN)
