"""Checks the decks against closed forms, and shows that the checks can fail.

Every check states what it got, what it wanted and its tolerance.  After them come the mutants:
a deck with one wrong component must make at least one check fail, otherwise the self-test fails.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from . import forms
from .circuit import COILS, Arc, Chatter, Circuit, Coil, Contact, Event, Place, Scenario
from .front import FrontEnd, channels, limits, low_pass, observe, sample, see
from .quantities import Floats, Transient
from .run import run, solve

EVENT_S = 13e-3
Mutation = Callable[[Circuit], Circuit]


@dataclass
class Bench:
    """Runs scenarios (with a mutated circuit if asked) and collects the outcomes."""

    cache: Path | None
    mutation: Mutation | None = None
    quiet: bool = False
    failed: list[str] = field(default_factory=list)
    count: int = 0

    def true(self, s: Scenario) -> Transient:
        """Return the transient, with a mutated circuit if there is a mutation."""
        if self.mutation is not None:
            s = replace(s, circuit=self.mutation(s.circuit))
        return solve(replace(s, trip=None), self.cache)[0]

    def check(
        self, name: str, got: float, want: float, rel: float = 0.01, floor: float = 0.0
    ) -> None:
        """Compare: the tolerance is rel*|want| + floor."""
        self.count += 1
        allowed = rel * abs(want) + floor
        good = abs(got - want) <= allowed
        if not good:
            self.failed.append(name)
        if not self.quiet:
            mark = "ok  " if good else "FAIL"
            print(f"{mark} {name}: got {got:.6g}, want {want:.6g} within {allowed:.2g}", flush=True)


def at(t: Transient, name: str, time_s: float) -> float:
    """Return a quantity at a time."""
    return float(np.interp(time_s, t.time_s, getattr(t, name)))


def falls_to(t: Transient, name: str, level: float, after_s: float) -> float:
    """Return when a quantity first is below a level after a time, counted from that time."""
    x: Floats = getattr(t, name)
    k = int(np.flatnonzero((t.time_s > after_s) & (x < level))[0])
    t0, t1, x0, x1 = t.time_s[k - 1], t.time_s[k], x[k - 1], x[k]
    return float(t0 + (x0 - level) / (x0 - x1) * (t1 - t0)) - after_s


def plain(coil: Coil) -> Circuit:
    """Return a circuit without core loss, stray capacitance and dividers' current."""
    bare = replace(coil, r_core_ohm=1e9, c_par_f=1e-13)
    return Circuit(coil=bare, r_sense_ohm=1e8, c_sense_f=1e-12, c_lead_f=1e-12, c_oss_f=50e-12)


def scene(c: Circuit, *events: Event) -> Scenario:
    """Return a scenario long enough for the coil to have settled before the event."""
    return Scenario(circuit=c, events=events, stop_s=30e-3)


def check_rise(b: Bench, c: Circuit) -> None:
    """Switch-on: exponential with the loop's time constant."""
    t = b.true(scene(c))
    r = forms.outside_ohm(c) + c.coil.r_ohm
    for k in (0.5, 1.0, 2.0):
        d = k * c.coil.l_h / r
        want = forms.relax(0.0, c.coil.l_h, r, c.supply_v, d)
        b.check(f"rise {c.coil.name} {k} tau", at(t, "i_shunt_a", 1e-3 + d), want)


def check_clamp(b: Bench, c: Circuit) -> None:
    """Switch off: the clamp takes the current, which falls to zero in t0."""
    t = b.true(scene(c, Event(Place.SWITCH, EVENT_S, contact=Contact(1e7, 0.5e-6))))
    i0 = c.supply_v / (forms.outside_ohm(c) + c.coil.r_ohm)
    r = forms.outside_ohm(c) + c.coil.r_ohm - c.r_on_ohm + c.clamp_r_ohm
    e = c.supply_v - c.clamp_v
    t0 = forms.time_to(i0, 0.0, c.coil.l_h, r, e)
    got = falls_to(t, "i_coil_a", 1e-3 * i0, EVENT_S)
    b.check(f"clamp {c.coil.name} t0", got, t0, 0.01, 1e-6)
    half = at(t, "i_shunt_a", EVENT_S + 0.5 * t0)
    b.check(f"clamp {c.coil.name} half way", half, forms.relax(i0, c.coil.l_h, r, e, 0.5 * t0))
    ext = forms.outside_ohm(c) - 2.0 * c.r_contact_closed_ohm
    want_v = c.supply_v - c.clamp_v - half * (ext - c.r_on_ohm + c.clamp_r_ohm)
    b.check(f"clamp {c.coil.name} part voltage", at(t, "v_part_v", EVENT_S + 0.5 * t0), want_v)


def check_freewheel(b: Bench, c: Circuit) -> None:
    """Supply or feed open: catch diode; by integration, and by t0 with a sharp diode."""
    for place in (Place.SUPPLY, Place.FEED):
        t = b.true(scene(c, Event(place, EVENT_S)))
        i0 = at(t, "i_shunt_a", EVENT_S - 1e-6)
        for d in (0.5e-3, 1e-3, 2e-3):
            got = at(t, "i_shunt_a", EVENT_S + d)
            want = forms.freewheel(c, c.supply_v / (forms.outside_ohm(c) + c.coil.r_ohm), d)
            b.check(f"freewheel {place.name} {c.coil.name} {d * 1e3} ms", got, want, 0.01, 5e-4)
        want_v = 0.0 if place is Place.SUPPLY else c.supply_v
        seen = see(t, c)
        got_v = float(np.interp(EVENT_S + 0.3e-3, seen.time_s, seen.supply_v))
        b.check(f"freewheel {place.name} {c.coil.name} supply read", got_v, want_v, 0.01, 0.02)
        b.check(f"start {c.coil.name}", i0, c.supply_v / (forms.outside_ohm(c) + c.coil.r_ohm))
    # A sharp diode (the solver takes no saturation current under about 1e-28 A).
    sharp = replace(c, catch_n=0.1, catch_is_a=1e-27, catch_rs_ohm=1e-3)
    t = b.true(scene(sharp, Event(Place.FEED, EVENT_S)))
    i0 = c.supply_v / (forms.outside_ohm(c) + c.coil.r_ohm)
    r = c.coil.r_ohm + 2.0 * c.r_lead_ohm + 3e-3 + c.r_on_ohm + c.r_shunt_ohm + 1e-3
    drop = 0.1 * 0.025865 * math.log(0.3 * i0 / 1e-27)
    part = forms.time_to(i0, 0.1 * i0, c.coil.l_h, r, -drop)
    got = falls_to(t, "i_coil_a", 0.1 * i0, EVENT_S)
    b.check(f"freewheel {c.coil.name} to a tenth, by logarithm", got, part, 0.01)


def check_gap(b: Bench, c: Circuit) -> None:
    """Joint open inside the part, and lead open: the gap's limit empties the coil."""
    i0 = c.supply_v / (forms.outside_ohm(c) + c.coil.r_ohm)
    r = forms.outside_ohm(c) + c.coil.r_ohm + c.gap_r_ohm
    e = c.supply_v - c.gap_v
    t0 = forms.time_to(i0, 0.0, c.coil.l_h, r, e)
    q = forms.charge(i0, 0.0, c.coil.l_h, r, e)
    ramp_s = 1e-6
    # The gap's voltage is reached when the logarithmic ramp passes gap_v/i0.
    reach_s = ramp_s * (math.log10(c.gap_v / i0) + 3.0) / 9.0
    for place, v_end in (
        (Place.PART, c.supply_v),
        (Place.LEAD_FEED, 0.0),
        (Place.LEAD_SWITCH, 0.0),
    ):
        t = b.true(scene(c, Event(place, EVENT_S, contact=Contact(1e6, ramp_s))))
        name = f"gap {place.name} {c.coil.name}"
        got = falls_to(t, "i_shunt_a", 0.05 * i0, EVENT_S)
        want = forms.time_to(i0, 0.05 * i0, c.coil.l_h, r, e) + reach_s
        b.check(f"{name} fall", got, want, 0.02, 0.1e-6)
        b.check(
            f"{name} part voltage after", at(t, "v_part_v", EVENT_S + 0.5e-3), v_end, 0.01, 0.03
        )
        heat = at(t, "e_gap_j", EVENT_S + 0.5e-3)
        # Charge during the ramp counts in time, hardly in heat.
        want_j = c.gap_v * q + c.gap_r_ohm * i0 * i0 * t0 / 3.0
        b.check(f"{name} heat in the gap", heat, want_j, 0.02, 0.3e-6 * i0 * c.gap_v)
        if place is not Place.PART:
            low = at(t, "v_part_v", EVENT_S + reach_s + 0.5 * t0)
            mid = forms.relax(i0, c.coil.l_h, r, e, 0.5 * t0)
            want_v = c.supply_v - c.gap_v - mid * (r - c.coil.r_ohm)
            b.check(f"{name} part voltage during", low, want_v, 0.02)


def check_series(b: Bench, c: Circuit) -> None:
    """Series resistance step: new end value, new time constant, voltage by the place."""
    add = 10.0
    i0 = c.supply_v / (forms.outside_ohm(c) + c.coil.r_ohm)
    r = forms.outside_ohm(c) + c.coil.r_ohm + add
    out = forms.outside_ohm(c) - 2.0 * c.r_contact_closed_ohm
    for place in (Place.PART, Place.LEAD_FEED, Place.SUPPLY, Place.FEED, Place.SWITCH):
        t = b.true(scene(c, Event(place, EVENT_S, contact=Contact(add, 1e-6))))
        d = c.coil.l_h / r
        name = f"series {place.name}"
        want = forms.relax(i0, c.coil.l_h, r, c.supply_v, d)
        if place in (Place.PART, Place.LEAD_FEED, Place.SWITCH):
            b.check(f"{name} one tau", at(t, "i_shunt_a", EVENT_S + d), want)
        end = c.supply_v / r
        b.check(f"{name} end", at(t, "i_shunt_a", 28e-3), end)
        inside = 0.0 if place is Place.PART else add
        b.check(f"{name} part voltage", at(t, "v_part_v", 28e-3), c.supply_v - end * (out + inside))
        upstream = c.r_supply_ohm + c.r_supply_wire_ohm + c.r_fuse_ohm
        sup = c.supply_v - end * (upstream + (add if place is Place.SUPPLY else 0.0))
        b.check(f"{name} supply", at(t, "v_supply_v", 28e-3), sup)


def check_arc(b: Bench, c: Circuit) -> None:
    """Arc of constant voltage until its current is under the limit."""
    arc = Arc()
    i0 = c.supply_v / (forms.outside_ohm(c) + c.coil.r_ohm)
    r = forms.outside_ohm(c) + c.coil.r_ohm + arc.arc_r_ohm
    e = c.supply_v - arc.arc_v
    hold = forms.time_to(i0, arc.arc_a, c.coil.l_h, r, e)
    mid_a = forms.relax(i0, c.coil.l_h, r, e, 0.5 * hold)
    for place in (Place.PART, Place.LEAD_FEED, Place.LEAD_SWITCH):
        t = b.true(scene(c, Event(place, EVENT_S, contact=Contact(arc=arc))))
        name = f"arc {place.name} {c.coil.name}"
        got = falls_to(t, "i_shunt_a", 0.9 * arc.arc_a, EVENT_S)
        b.check(f"{name} until", got, hold, 0.015, 3e-6)
        b.check(f"{name} current", at(t, "i_shunt_a", EVENT_S + 0.5 * hold), mid_a)
        out = forms.outside_ohm(c) - 2.0 * c.r_contact_closed_ohm
        want = c.supply_v - mid_a * out
        if place is not Place.PART:
            want -= arc.arc_v + mid_a * arc.arc_r_ohm
        b.check(f"{name} voltage", at(t, "v_part_v", EVENT_S + 0.5 * hold), want, 0.01, 0.01)


def check_source(b: Bench, c: Circuit) -> None:
    """Supply limit and sag: end values."""
    t = b.true(scene(c, Event(Place.LIMIT, EVENT_S, limit_a=0.5)))
    b.check("limit current", at(t, "i_shunt_a", 29e-3), 0.5, 0.01)
    b.check("limit part voltage", at(t, "v_part_v", 29e-3), 0.5 * (c.coil.r_ohm + 1e-3), 0.01)
    t = b.true(scene(c, Event(Place.SAG, EVENT_S, 14e-3, sag_v=6.0)))
    r = forms.outside_ohm(c) + c.coil.r_ohm
    i0 = c.supply_v / r
    # A ramp of the source acts as a step in its middle, but for the curvature of one ramp.
    want = forms.relax(i0, c.coil.l_h, r, 6.0, 0.95e-3)
    b.check("sag current", at(t, "i_shunt_a", EVENT_S + 1e-3), want, 0.01)
    b.check("sag recovered", at(t, "i_shunt_a", 29e-3), i0, 0.01)


def check_shorts(b: Bench, c: Circuit) -> None:
    """Short-circuits: end values, and the free decay of the shorted coil."""
    out = forms.outside_ohm(c)
    i0 = c.supply_v / (out + c.coil.r_ohm)
    event = Event(Place.COIL_SHORT, EVENT_S)
    t = b.true(scene(c, event))
    i_short = c.supply_v / (out + event.short_ohm)
    b.check("dead short current", at(t, "i_shunt_a", 20e-3), i_short, 0.01)
    keep_v = i_short * event.short_ohm
    want = forms.relax(i0, c.coil.l_h, c.coil.r_ohm, keep_v, 1e-3)
    b.check("dead short coil current", at(t, "i_coil_a", EVENT_S + 1e-3), want, 0.015)
    t = b.true(scene(c, replace(event, live_fraction=0.5)))
    r_dead = 0.5 * c.coil.r_ohm
    par = r_dead * event.short_ohm / (r_dead + event.short_ohm)
    want = c.supply_v / (out + 0.5 * c.coil.r_ohm + par)
    b.check("half of the turns, end", at(t, "i_shunt_a", 29e-3), want, 0.01)
    t = b.true(scene(c, Event(Place.GROUND_SHORT, EVENT_S)))
    leg = 1e-3 + c.r_lead_ohm + c.r_on_ohm + c.r_shunt_ohm
    both = leg * event.short_ohm / (leg + event.short_ohm)
    total = c.supply_v / (out + c.coil.r_ohm - leg + both)
    b.check("ground short shunt share", at(t, "i_shunt_a", 29e-3), total * both / leg, 0.01)


def check_sense(b: Bench, c: Circuit) -> None:
    """A sense wire off: what the pair shows while the switch is on."""
    i0 = c.supply_v / (forms.outside_ohm(c) + c.coil.r_ohm)
    low_v = i0 * (1e-3 + c.r_lead_ohm + c.r_on_ohm + c.r_shunt_ohm)
    up = c.r_supply_ohm + c.r_supply_wire_ohm + c.r_fuse_ohm + c.r_lead_ohm + 3e-3
    high_v = c.supply_v - i0 * up
    far = Contact()
    t = b.true(scene(c, Event(Place.SENSE_FEED, EVENT_S, contact=far)))
    b.check("sense wire off, feed side", at(t, "v_pair_v", 20e-3), -low_v, 0.01, 1e-3)
    t = b.true(scene(c, Event(Place.SENSE_SWITCH, EVENT_S, contact=far)))
    b.check("sense wire off, switch side", at(t, "v_pair_v", 20e-3), high_v, 0.01)
    b.check("part voltage unharmed", at(t, "v_part_v", 20e-3), high_v - low_v, 0.01)


def check_return(b: Bench, c: Circuit) -> None:
    """Intermittent and chattering breaks: the current comes back with the time constant."""
    r = forms.outside_ohm(c) + c.coil.r_ohm
    t = b.true(scene(c, Event(Place.PART, EVENT_S, EVENT_S + 2e-3)))
    d = c.coil.l_h / r
    got = at(t, "i_shunt_a", EVENT_S + 2e-3 + d)
    b.check("return one tau", got, forms.relax(0.0, c.coil.l_h, r, c.supply_v, d), 0.01)
    chatter = Chatter(openings=3, open_s=200e-6, closed_s=300e-6, ends_open=False)
    how = Contact(chatter=chatter)
    t = b.true(scene(c, Event(Place.LEAD_FEED, EVENT_S, contact=how)))
    for k in range(3):
        back = EVENT_S + k * 500e-6 + 200e-6
        want = forms.relax(0.0, c.coil.l_h, r, c.supply_v, 290e-6)
        b.check(f"chatter {k}", at(t, "i_shunt_a", back + 290e-6), want, 0.01)
        b.check(f"chatter {k} open", at(t, "i_shunt_a", back - 5e-6), 0.0, 0.0, 2e-3)


def check_front(b: Bench, c: Circuit, front: FrontEnd) -> None:
    """Filters against closed forms and a plain Euler integration; limits and codes."""
    t = np.array([0.0, 1e-3, 1e-3, 2e-3])
    x = np.array([0.0, 0.0, 1.0, 1.0])
    ask = np.array([1e-3 + 10e-6])
    ch = channels(front, c)
    got = float(low_pass(t, x, ch["coarse_a"].tau_s, ask)[0])
    b.check("filter step", got, 1.0 - math.exp(-1.0), 1e-6)
    ramp = low_pass(np.array([0.0, 1e-3]), np.array([0.0, 1.0]), 10e-6, np.array([0.5e-3]))
    b.check("filter ramp lags by its time constant", float(ramp[0]), 0.49, 1e-6)
    true = b.true(scene(c, Event(Place.SWITCH, EVENT_S, contact=Contact(1e7, 0.5e-6))))
    fine = np.arange(EVENT_S - 50e-6, EVENT_S + 700e-6, 20e-9)
    for name, src in (("part_v", true.v_pair_v), ("coarse_a", true.i_shunt_a)):
        low, high = limits(ch[name], front)
        u = np.clip(np.interp(fine, true.time_s, src), low, high)
        y, out = float(u[0]), np.empty_like(u)
        for i, v in enumerate(u.tolist()):
            y += (v - y) * 20e-9 / 10e-6
            out[i] = y
        exact = observe(true.time_s, src, ch[name], front, fine)
        worst = float(np.max(np.abs(exact - out))) / (high - low)
        b.check(f"filter {name} against Euler, of full scale", worst, 0.0, 0.0, 2e-3)
    b.check("part voltage reads at least", limits(ch["part_v"], front)[0], -16 / 1024 * 20.0, 1e-9)
    b.check("coarse reads at most", limits(ch["coarse_a"], front)[1], 10.0 * (1 - 16 / 1024), 1e-9)
    coded = sample(true, c, front, phase_s=37e-6, quantise=True)
    step = 20.0 / 1024
    codes = (coded.part_v + 16 * step) / step
    b.check("codes are whole", float(np.max(np.abs(codes - np.round(codes)))), 0.0, 0.0, 1e-6)
    k = round((EVENT_S + 0.2e-3) * 1e4)
    b.check("code of a clipped part voltage", float(codes[k]), 0.0, 0.0, 1e-6)


def check_trip(b: Bench, c: Circuit) -> None:
    """The trip ends a short-circuit after its delay (needs the second deck)."""
    s = Scenario(c, (Event(Place.COIL_SHORT, 9e-3),))
    if b.mutation is not None:
        s = replace(s, circuit=b.mutation(c))
    r = run(s, b.cache)
    b.check("trip time after the short", (r.trip_s or 0.0) - 9e-3, 0.3e-3, 0.0, 60e-6)
    b.check("current after the trip", at(r.true, "i_shunt_a", 10.5e-3), 0.0, 0.0, 5e-3)


def check_solver(b: Bench) -> None:
    """Halving the largest step and the tolerance must not move the readings."""
    for key, event in (
        ("a13", Event(Place.SWITCH, EVENT_S, contact=Contact(1e7, 0.5e-6))),
        ("b2", Event(Place.FEED, EVENT_S)),
        ("c28", Event(Place.LEAD_FEED, EVENT_S)),
    ):
        s = scene(Circuit(coil=COILS[key]), event)
        strict = replace(s, solver=replace(s.solver, reltol=3e-5, max_step_s=1e-6))
        one, two = solve(s, b.cache)[0], solve(strict, b.cache)[0]
        front = FrontEnd()
        ch = channels(front, s.circuit)
        grid = np.arange(0.5e-3, 29e-3, 3.3e-6)
        for name in ch:
            src = "i_shunt_a" if name.endswith("_a") else "v_pair_v"
            src = "v_supply_v" if name == "supply_v" else src
            y1 = observe(one.time_s, getattr(one, src), ch[name], front, grid)
            y2 = observe(two.time_s, getattr(two, src), ch[name], front, grid)
            low, high = limits(ch[name], front)
            worst = float(np.max(np.abs(y1 - y2))) / (high - low)
            b.check(f"solver {key} {name}, of full scale", worst, 0.0, 0.0, 2e-3)


def all_checks(b: Bench) -> None:
    """Run every check that depends on the circuit."""
    for coil in COILS.values():
        c = plain(coil)
        check_rise(b, c)
        check_clamp(b, c)
        check_gap(b, c)
        check_freewheel(b, c)
    c = plain(COILS["a13"])
    check_arc(b, c)
    check_arc(b, plain(COILS["b2"]))
    check_series(b, c)
    check_source(b, c)
    check_shorts(b, c)
    check_sense(b, replace(c, r_sense_ohm=50e3))
    check_return(b, c)
    check_trip(b, Circuit(coil=COILS["a13"]))
    check_front(b, c, FrontEnd())


def few_checks(b: Bench) -> None:
    """Run the checks that a mutant must not pass."""
    c = plain(COILS["a13"])
    for check in (check_rise, check_clamp, check_gap, check_freewheel):
        check(b, c)
    check_sense(b, replace(c, r_sense_ohm=50e3))


MUTANTS: dict[str, Mutation] = {
    "inductance 5 % more": lambda c: replace(c, coil=replace(c.coil, l_h=1.05 * c.coil.l_h)),
    "resistance 3 % more": lambda c: replace(c, coil=replace(c.coil, r_ohm=1.03 * c.coil.r_ohm)),
    "clamp 1 V more": lambda c: replace(c, clamp_v=c.clamp_v + 1.0),
    "gap 5 % more": lambda c: replace(c, gap_v=1.05 * c.gap_v),
    "catch diode 0.1 V more": lambda c: replace(c, catch_is_a=c.catch_is_a * 0.04),
    "supply 2 % less": lambda c: replace(c, supply_v=0.98 * c.supply_v),
    "shunt and switch 50 mohm more": lambda c: replace(c, r_on_ohm=c.r_on_ohm + 0.05),
}


def main(cache: Path | None) -> int:
    """Run all; return the number of failures."""
    bench = Bench(cache)
    all_checks(bench)
    check_solver(bench)
    failures = len(bench.failed)
    for name, mutation in MUTANTS.items():
        mutant = Bench(cache, mutation, quiet=True)
        few_checks(mutant)
        caught = len(mutant.failed)
        print(f"{'ok  ' if caught else 'FAIL'} mutant '{name}': {caught} of {mutant.count} fail")
        failures += 0 if caught else 1
    print(f"{bench.count} checks, {failures} failures")
    return failures
