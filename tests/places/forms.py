"""Closed forms and a plain integrator, for checks; nothing here looks at the deck."""

from __future__ import annotations

import math

from .circuit import Circuit


def outside_ohm(c: Circuit) -> float:
    """Loop resistance without the coil, switch on: five sound contacts are in it."""
    return (
        c.r_supply_ohm
        + c.r_supply_wire_ohm
        + c.r_fuse_ohm
        + 5.0 * c.r_contact_closed_ohm
        + 2.0 * c.r_lead_ohm
        + c.r_on_ohm
        + c.r_shunt_ohm
    )


def relax(i0_a: float, l_h: float, r_ohm: float, e_v: float, t_s: float) -> float:
    """Current of L di/dt = e - R i after a time."""
    end_a = e_v / r_ohm
    return end_a + (i0_a - end_a) * math.exp(-t_s * r_ohm / l_h)


def time_to(i0_a: float, i1_a: float, l_h: float, r_ohm: float, e_v: float) -> float:
    """Time from one current to another; for i1 = 0 it is tau*ln(1 + i0*R/(-e))."""
    end_a = e_v / r_ohm
    return l_h / r_ohm * math.log((i0_a - end_a) / (i1_a - end_a))


def charge(i0_a: float, i1_a: float, l_h: float, r_ohm: float, e_v: float) -> float:
    """Charge passed in that time: integrate the equation of the loop."""
    return (e_v * time_to(i0_a, i1_a, l_h, r_ohm, e_v) - l_h * (i1_a - i0_a)) / r_ohm


def freewheel(
    c: Circuit, i0_a: float, t_s: float, temperature_v: float = 0.025865, steps: int = 4000
) -> float:
    """Coil current after a time of freewheeling through the catch diode, by Runge-Kutta."""
    r_ohm = (
        c.coil.r_ohm
        + 2.0 * c.r_lead_ohm
        + 3.0 * c.r_contact_closed_ohm
        + c.r_on_ohm
        + c.r_shunt_ohm
        + c.catch_rs_ohm
    )

    def slope(i_a: float) -> float:
        i_a = max(i_a, 0.0)
        drop_v = c.catch_n * temperature_v * math.log1p(i_a / c.catch_is_a)
        return -(drop_v + i_a * r_ohm) / c.coil.l_h

    h, i = t_s / steps, i0_a
    for _ in range(steps):
        k1 = slope(i)
        k2 = slope(i + 0.5 * h * k1)
        k3 = slope(i + 0.5 * h * k2)
        k4 = slope(i + h * k3)
        i += h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
    return i
