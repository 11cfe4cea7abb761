"""Writes the ngspice deck from the circuit."""

from __future__ import annotations

import itertools
import math

from .circuit import Circuit, Event, Place, Scenario

SAVED = (
    "i(vp_coil)",
    "i(vp_part)",
    "i(vp_catch)",
    "i(vp_clamp)",
    "i(vp_sup)",
    "v(sht)",
    "v(pa)",
    "v(pb)",
    "v(spa)",
    "v(spb)",
    "v(sup)",
    "v(rail)",
    "v(drain)",
    "v(e_gap)",
)

Steps = list[tuple[float, float | None, float]]


def pwl(name: str, node: str, base: float, steps: Steps, ramp_s: float) -> str:
    """Return a piecewise linear control source; each step is (start, end, level)."""
    points: list[tuple[float, float]] = [(0.0, base)]
    for start_s, end_s, level in steps:
        if start_s <= points[-1][0]:
            raise ValueError(f"{name}: steps overlap")
        points += [(start_s, base), (start_s + ramp_s, level)]
        if end_s is not None:
            if end_s <= start_s + ramp_s:
                raise ValueError(f"{name}: step shorter than its ramp")
            points += [(end_s, level), (end_s + ramp_s, base)]
    text = " ".join(f"{t:.12g} {v:.12g}" for t, v in points)
    return f"V{name} {node} 0 PWL({text})"


def above(x: str, smooth_v: float) -> str:
    """Return a ramp of positive x, rounded at its corner so that Newton's method converges."""
    return f"(0.5*(({x})+sqrt(({x})*({x})+{smooth_v**2:g})))"


def limiter(n1: str, n2: str, limit_v: float, smooth_v: float) -> str:
    """Return the voltage in excess of a limit, in both directions."""
    v = f"V({n1},{n2})"
    return f"({above(f'{v}-{limit_v:g}', smooth_v)}-{above(f'-{v}-{limit_v:g}', smooth_v)})"


def _steps(event: Event | None, level: float) -> Steps:
    return [] if event is None else [(a, b, level) for a, b in event.intervals()]


def log_resistor(name: str, n1: str, n2: str, ctl: str) -> str:
    """Return a resistor whose decimal logarithm is a control voltage."""
    return f"B{name} {n1} {n2} I=V({n1},{n2})*exp(-{math.log(10.0):.15g}*V({ctl}))"


def contact(c: Circuit, name: str, n1: str, n2: str, event: Event | None) -> list[str]:
    """Return a contact or joint between two nodes that may open, with gap and arc."""
    if event is None:
        return [f"R{name} {n1} {n2} {c.r_contact_closed_ohm:g}"]
    mid, ctl = f"{name}_m", f"{name}_ctl"
    how = event.contact
    if event.place in (Place.SENSE_FEED, Place.SENSE_SWITCH):
        # A wire that is off: a gap of 1 MOhm would still pass 5 % beside a 50 kOhm divider.
        level = math.log10(how.open_ohm if how.open_ohm < 1e6 else 1e9)
        base = math.log10(c.r_contact_closed_ohm)
        return [
            pwl(name, ctl, base, _steps(event, level), how.ramp_s),
            log_resistor(f"{name}_r", n1, n2, ctl),
        ]
    lines = [
        f"Vp_{name} {n1} {mid} 0",
        pwl(
            name,
            ctl,
            math.log10(c.r_contact_closed_ohm),
            _steps(event, math.log10(how.open_ohm)),
            how.ramp_s,
        ),
        log_resistor(f"{name}_r", mid, n2, ctl),
        f"B{name}_g {mid} {n2} I={limiter(mid, n2, c.gap_v, c.gap_smooth_v)}/{c.gap_r_ohm:g}",
        f"B{name}_e 0 e_gap I=1e-3*V({mid},{n2})*I(Vp_{name})",
    ]
    if how.arc is None:
        return lines
    arc, en, lat = how.arc, f"{name}_en", f"{name}_x"
    low = f"(0.5+0.5*tanh(({arc.arc_a:g}-abs(I(Vp_{name})))/{0.003 * arc.arc_a:g}))"
    excess = limiter(mid, n2, arc.arc_v, arc.arc_smooth_v)
    held = f"(0.5+0.5*tanh((V({lat})-0.5)/0.05))"
    rise = f"V({en})*max({low},{held})*(1-V({lat}))"
    lines += [
        pwl(f"{name}_en", en, 0.0, _steps(event, 1.0), how.ramp_s),
        f"C{name}_x {lat} 0 1n",
        f"B{name}_x 0 {lat} I={1e-9 / arc.quench_s:g}*({rise}-(1-V({en}))*V({lat}))",
        f"B{name}_a {mid} {n2} I=exp(-16*V({lat}))*{excess}/{arc.arc_r_ohm:g}",
    ]
    return lines


def wire(name: str, n1: str, n2: str, r_ohm: float, l_h: float, hf_ohm: float) -> list[str]:
    """Return a wire: resistance in series with an inductance that is lossy."""
    return [
        f"R{name} {n1} {name}_m {r_ohm:g}",
        f"L{name} {name}_m {n2} {l_h:g}",
        f"R{name}_hf {name}_m {n2} {hf_ohm:g}",
    ]


def _supply(s: Scenario) -> list[str]:
    c = s.circuit
    sag, limit = s.find(Place.SAG), s.find(Place.LIMIT)
    sag_steps = _steps(sag, sag.sag_v) if sag else []
    limit_steps = _steps(limit, limit.limit_a) if limit else []
    return [
        pwl("emf", "emf", c.supply_v, sag_steps, sag.source_ramp_s if sag else 1e-6),
        pwl("ilim", "ilim", c.i_limit_a, limit_steps, limit.source_ramp_s if limit else 1e-6),
        f"Bsupply 0 sc I=min(V(ilim),(V(emf)-V(sc))/{c.r_supply_ohm:g})",
        f"Cout sc sc_e {c.c_out_f:g}",
        f"Resr sc_e 0 {c.esr_out_ohm:g}",
        "Vp_sup sc sc_p 0",
        *wire(
            "wsup",
            "sc_p",
            "fuse",
            c.r_supply_wire_ohm + c.r_fuse_ohm,
            c.l_supply_h,
            c.r_supply_hf_ohm,
        ),
        *contact(c, "k_sup", "fuse", "sup", s.find(Place.SUPPLY)),
        f"Csup sup 0 {c.c_supply_node_f:g}",
        f"Rdiv sup 0 {c.r_div_top_ohm + c.r_div_bottom_ohm:g}",
        *contact(c, "k_feed", "sup", "rail", s.find(Place.FEED)),
        f"Crail rail 0 {c.c_rail_f:g}",
        f"Rrail rail 0 {c.r_rail_leak_ohm:g}",
        "Vp_catch 0 cd 0",
        "Dcatch cd rail dcatch",
        f".model dcatch D(IS={c.catch_is_a:g} N={c.catch_n:g} RS={c.catch_rs_ohm:g})",
    ]


def _coil(c: Circuit, event: Event | None) -> list[str]:
    """Return the winding between nodes ca and pb, with its short-circuit if there is one."""
    k = c.coil
    live = 1.0
    if event is not None:
        live = event.live_fraction
    lines = [f"Ccoil ca pb {k.c_par_f:g}"]
    if event is None or live <= 0.0:
        lines += [
            "Vp_coil ca cl 0",
            f"Lcoil cl cm {k.l_h:.9g}",
            f"Rcore ca cm {k.r_core_ohm:g}",
            f"Rcoil cm pb {k.r_ohm:.9g}",
        ]
    else:
        dead = 1.0 - live
        lines += [
            "Vp_coil ca cl 0",
            f"Lcoil cl cm {k.l_h * live**2:.9g}",
            f"Rcore ca cm {k.r_core_ohm * live**2:g}",
            f"Rcoil cm cx {k.r_ohm * live:.9g}",
            f"Ldead cx cy {k.l_h * dead**2:.9g}",
            f"Rdead cy pb {k.r_ohm * dead:.9g}",
            f"Kcoil Lcoil Ldead {event.coupling:.9g}",
        ]
    if event is not None:
        lines += _short(event, "s_coil", "ca" if live <= 0.0 else "cx", "pb")
    return lines


def _short(event: Event, name: str, n1: str, n2: str) -> list[str]:
    base, level = math.log10(event.unshorted_ohm), math.log10(event.short_ohm)
    return [
        pwl(name, f"{name}_ctl", base, _steps(event, level), event.contact.ramp_s),
        log_resistor(f"{name}_r", n1, n2, f"{name}_ctl"),
    ]


def _part(s: Scenario) -> list[str]:
    c = s.circuit
    lead = (c.r_lead_ohm, c.l_lead_h, c.r_lead_hf_ohm)
    lines = [
        *wire("wfeed", "rail", "lf", *lead),
        *contact(c, "k_lf", "lf", "pa", s.find(Place.LEAD_FEED)),
        "Vp_part pa pa_p 0",
        *contact(c, "k_part", "pa_p", "ca", s.find(Place.PART)),
        *_coil(c, s.find(Place.COIL_SHORT)),
        *contact(c, "k_ls", "pb", "ls", s.find(Place.LEAD_SWITCH)),
        *wire("wsw", "ls", "drain", *lead),
        f"Clf lf 0 {c.c_lead_f:g}",
        f"Cls ls 0 {c.c_lead_f:g}",
        f"Cpa pa 0 {c.c_lead_f:g}",
    ]
    for side, node, place in (("a", "pa", Place.SENSE_FEED), ("b", "pb", Place.SENSE_SWITCH)):
        lines += contact(c, f"k_s{side}", node, f"sp{side}", s.find(place))
        lines += [
            f"Rs{side} sp{side} 0 {c.r_sense_ohm:g}",
            f"Cs{side} sp{side} 0 {c.c_sense_f:g}",
        ]
    for name, place, node in (
        ("s_gnd", Place.GROUND_SHORT, "0"),
        ("s_rail", Place.RAIL_SHORT, "rail"),
    ):
        event = s.find(place)
        if event is not None:
            lines += _short(event, name, "pb", node)
    return lines


def _switch_control(s: Scenario) -> str:
    """Return the control of the switch: on, disturbed, off."""
    c = s.circuit
    on, off = math.log10(c.r_on_ohm), math.log10(c.r_off_ohm)
    end_s = s.stop_s if s.off_s is None else s.off_s
    points = [(0.0, off), (s.on_s, off), (s.on_s + c.t_switch_s, on)]
    event = s.find(Place.SWITCH)
    if event is not None:
        ramp_s = event.contact.ramp_s
        level = min(math.log10(event.contact.open_ohm), off)
        for start_s, stop_s in event.intervals():
            if start_s + ramp_s >= end_s:
                break
            points += [(start_s, on), (start_s + ramp_s, level)]
            if stop_s is not None and stop_s + ramp_s < end_s:
                points += [(stop_s, level), (stop_s + ramp_s, on)]
    if s.off_s is not None:
        points += [(s.off_s, points[-1][1]), (s.off_s + c.t_switch_s, off)]
    for before, after in itertools.pairwise(points):
        if after[0] <= before[0]:
            raise ValueError("switch: times overlap")
    return "Vsw sw_ctl 0 PWL(" + " ".join(f"{t:.12g} {v:.12g}" for t, v in points) + ")"


def _switch(s: Scenario) -> list[str]:
    c = s.circuit
    return [
        _switch_control(s),
        log_resistor("sw", "drain", "sht", "sw_ctl"),
        f"Coss drain sht {c.c_oss_f:g}",
        "Dbody sht drain dbody",
        f".model dbody D(IS={c.body_is_a:g} N={c.body_n:g} RS={c.body_rs_ohm:g})",
        "Vp_clamp drain cz 0",
        f"Bclamp cz sht I={above(f'V(cz,sht)-{c.clamp_v:g}', c.clamp_smooth_v)}/{c.clamp_r_ohm:g}",
        f"Rshunt sht 0 {c.r_shunt_ohm:g}",
    ]


def write(s: Scenario) -> str:
    """Return the whole deck."""
    o = s.solver
    return "\n".join(
        [
            "* low-side-switched bench rig",
            *_supply(s),
            *_part(s),
            *_switch(s),
            "* energy turned into heat in opening contacts, 1 V is 1 J",
            "Ce_gap e_gap 0 1e-3",
            "Re_gap e_gap 0 1e9",
            f".options reltol={o.reltol:g} abstol={o.abstol_a:g} vntol={o.vntol_v:g}",
            f".options chgtol={o.chgtol_c:g} trtol={o.trtol:g} method={o.method} maxord=2",
            ".options itl1=1000 itl4=200 filetype=binary",
            ".save " + " ".join(SAVED),
            f".tran 1u {s.stop_s:.9g} 0 {o.max_step_s:g}",
            ".end",
            "",
        ]
    )
