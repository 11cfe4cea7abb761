"""Coil with non-linear, hysteretic, eddy-current iron and a moving armature.

The whole magnetic circuit is written in the linkage plane (V s and A), so no turn count
is needed.  With ``lam`` the core linkage, ``j`` the part of the coil current that magnetises
the iron, ``G(x)`` the reluctance of the gap (1/H) and ``ie`` the eddy current reflected
into the coil::

    v = R i + Lleak di/dt + dlam/dt          i = j(lam, history) + lam G(x) + ie
    dlam/dt = R1 ie1 + dpsi2/dt              Cauer ladder of a solid round bar
    m x'' = -1/2 lam^2 dG/dx - preload - k x - friction - film - stops

A batch of coils is advanced with a two-stage, L-stable, second-order implicit Runge-Kutta
step.  The ladder is linear and is eliminated, so that a stage is one scalar equation per coil.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

RUNGS = 4
GAMMA = 1.0 - 1.0 / np.sqrt(2.0)
OPEN_OHM = 2.0e4
IRON_KINDS = ("linear", "froehlich", "langevin", "hysteresis")
ARMATURES = ("free", "blocked_open", "blocked_closed", "none")


@dataclass(frozen=True)
class Coil:
    """Parameters of one coil.  Currents of the iron are referred to the winding."""

    resistance_ohm: float
    leak_h: float
    iron: str
    iron_h: float
    sat_vs: float
    air_h: float
    gap_slope_per_hm: float
    gap_closed_m: float
    stroke_m: float
    fringe_per_m: float = 0.0
    eddy_ohm: float = float("inf")
    ja_alpha_a: float = 0.0
    ja_k_a: float = 1.0
    ja_c: float = 0.2
    armature: str = "blocked_open"
    mass_kg: float = 0.01
    preload_n: float = 1.0
    spring_n_per_m: float = 0.0
    viscous_ns_per_m: float = 0.0
    coulomb_n: float = 0.0
    restitution: float = 0.0
    film_ns_per_m: float = 0.0
    film_gap_m: float = 1.0e-4
    remanent: bool = False

    @property
    def shape_a(self) -> float:
        """Current scale of the anhysteretic curve, from its initial inductance."""
        slope = (self.iron_h - self.air_h) / self.sat_vs
        if self.iron == "froehlich":
            return 1.0 / slope
        return (1.0 / slope + self.ja_alpha_a) / 3.0

    def gap_reluctance(self, travel_m: float) -> float:
        """Reluctance of the gap in 1/H at a travel counted from the open stop."""
        gap = self.gap_closed_m + self.stroke_m - travel_m
        return self.gap_slope_per_hm * gap / (1.0 + self.fringe_per_m * gap)


@dataclass(frozen=True)
class Drive:
    """What feeds one coil: supply, its disturbances, the switch and a bad joint."""

    supply_v: float
    toggles_s: tuple[float, ...] = (1.0e-3,)
    supply_ohm: float = 0.0
    clamp_v: float = 30.0
    ripple_v: tuple[float, ...] = ()
    ripple_hz: tuple[float, ...] = ()
    ripple_rad: tuple[float, ...] = ()
    sag_v: float = 0.0
    sag_s: float = 5.0e-3
    joint_s: tuple[float, ...] = ()
    joint_ohm: tuple[float, ...] = ()
    joint_inside: bool = False


@dataclass(frozen=True)
class Contact:
    """One impact at a stop."""

    time_s: float
    closed_stop: bool
    speed_m_per_s: float


@dataclass
class Trace:
    """Internal quantities kept at every output point when asked for; arrays (time, coil)."""

    flux_vs: FloatArray
    iron_a: FloatArray
    emf_v: FloatArray
    travel_m: FloatArray
    speed_m_per_s: FloatArray
    force_n: FloatArray
    eddy_a: list[FloatArray] = field(default_factory=list)


@dataclass
class Result:
    """Noise-free physics of a batch; arrays are (time, coil)."""

    time_s: FloatArray
    current_a: FloatArray
    voltage_v: FloatArray
    supply_v: FloatArray
    contacts: list[list[Contact]]
    travel_start_s: FloatArray
    travel_end_s: FloatArray
    release_start_s: FloatArray
    flux_end_vs: FloatArray
    trace: Trace | None = None


def langevin(h: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Langevin function and its derivative, safe at zero."""
    small = np.abs(h) < 0.15
    big = np.where(small, 1.0, h)
    clip = np.minimum(np.abs(big), 300.0)
    h2 = h * h
    val = np.where(
        small,
        h * (1 / 3 - h2 * (1 / 45 - h2 * (2 / 945 - h2 / 4725))),
        1.0 / np.tanh(big) - 1.0 / big,
    )
    der = np.where(
        small,
        1 / 3 - h2 * (1 / 15 - h2 * (2 / 189 - h2 / 675)),
        1.0 / (big * big) - 1.0 / np.sinh(clip) ** 2,
    )
    return val, der


class Iron:
    """Iron of a batch: gives dj/dlam, and keeps j on the curve where it is single-valued."""

    def __init__(self, coils: Sequence[Coil]) -> None:
        kinds = np.array([IRON_KINDS.index(c.iron) for c in coils])
        self.is_lin: BoolArray = kinds == 0
        self.is_fro: BoolArray = kinds == 1
        self.is_lan: BoolArray = kinds == 2
        self.is_hys: BoolArray = kinds == 3
        self.any_fro, self.any_lan = bool(self.is_fro.any()), bool(self.is_lan.any())
        self.any_hys = bool(self.is_hys.any())
        self.iron_h = np.array([c.iron_h for c in coils])
        self.sat = np.array([c.sat_vs for c in coils])
        self.air = np.array([c.air_h for c in coils])
        self.a = np.array([c.shape_a if c.iron != "linear" else 1.0 for c in coils])
        self.alpha = np.array([c.ja_alpha_a for c in coils])
        self.k = np.array([c.ja_k_a for c in coils])
        self.c = np.array([c.ja_c for c in coils])

    def slope(self, j: FloatArray, lam: FloatArray, rising: FloatArray) -> FloatArray:
        """Return dj/dlam (1/H); ``rising`` is the sign of dlam/dt."""
        out = 1.0 / self.iron_h
        if self.any_fro:
            dm = 1.0 / (self.a * (1.0 + np.abs(j) / self.a) ** 2)
            out = np.where(self.is_fro, 1.0 / (self.sat * dm + self.air), out)
        if self.any_lan:
            dm = langevin(j / self.a)[1] / self.a
            out = np.where(self.is_lan, 1.0 / (self.sat * dm + self.air), out)
        if self.any_hys:
            m = (lam - self.air * j) / self.sat
            man, dman = langevin((j + self.alpha * m) / self.a)
            dman = dman / self.a
            irr = (m - self.c * man) / (1.0 - self.c)
            num = (1.0 - self.c) * np.maximum(rising * (man - irr), 0.0) / self.k
            num = num + self.c * dman
            chi = num / np.maximum(1.0 - self.alpha * num, 0.05)
            out = np.where(self.is_hys, 1.0 / (self.sat * chi + self.air), out)
        return out

    def flux(self, j: FloatArray) -> FloatArray:
        """Anhysteretic linkage at an iron current (alpha of the hysteretic iron iterated)."""
        out = self.iron_h * j
        if self.any_fro:
            out = np.where(
                self.is_fro, self.sat * j / self.a / (1 + np.abs(j) / self.a) + self.air * j, out
            )
        if self.any_lan:
            out = np.where(self.is_lan, self.sat * langevin(j / self.a)[0] + self.air * j, out)
        if self.any_hys:
            m = np.zeros_like(j)
            for _ in range(200):
                m = langevin((j + self.alpha * m) / self.a)[0]
            out = np.where(self.is_hys, self.sat * m + self.air * j, out)
        return out

    def pull_back(self, j: FloatArray, lam: FloatArray, slope: FloatArray) -> FloatArray:
        """One Newton correction of j towards the single-valued curve (not for hysteresis)."""
        if not (self.any_fro or self.any_lan):
            return j
        cure = j + (lam - self.flux_single(j)) * slope
        return np.where(self.is_fro | self.is_lan, cure, j)

    def flux_single(self, j: FloatArray) -> FloatArray:
        """Linkage of the single-valued kinds only (cheap)."""
        out = self.iron_h * j
        if self.any_fro:
            out = np.where(self.is_fro, self.sat * j / (self.a + np.abs(j)) + self.air * j, out)
        if self.any_lan:
            out = np.where(self.is_lan, self.sat * langevin(j / self.a)[0] + self.air * j, out)
        return out


def static_flux(coil: Coil, current_a: float, travel_m: float) -> float:
    """Anhysteretic core linkage at a steady current and a fixed gap (bisection)."""
    iron = Iron([coil])
    gap = coil.gap_reluctance(travel_m)
    low, high = 0.0, abs(current_a)
    for _ in range(80):
        mid = 0.5 * (low + high)
        if mid + gap * float(iron.flux(np.array([mid]))[0]) > abs(current_a):
            high = mid
        else:
            low = mid
    return float(np.sign(current_a)) * float(iron.flux(np.array([0.5 * (low + high)]))[0])


def quasi_static(
    coil: Coil, currents_a: FloatArray, travel_m: float, start: tuple[float, float] = (0.0, 0.0)
) -> tuple[FloatArray, FloatArray]:
    """Slow drive through a list of coil currents; returns (j, lam) at each of them."""
    iron = Iron([coil])
    gap = coil.gap_reluctance(travel_m)
    j, lam = np.array([start[0]]), np.array([start[1]])
    out_j, out_l = np.empty_like(currents_a), np.empty_like(currents_a)
    for n, target in enumerate(currents_a):
        step = float(target) - float(j[0] + gap * lam[0])
        sign = np.array([1.0 if step >= 0 else -1.0])
        g1 = iron.slope(j, lam, sign)
        half = 0.5 * step / (g1 + gap)
        g2 = iron.slope(j + g1 * half, lam + half, sign)
        move = step / (g2 + gap)
        j, lam = j + g2 * move, lam + move
        out_j[n], out_l[n] = j[0], lam[0]
    return out_j, out_l


def start_state(coil: Coil, current_a: float) -> tuple[float, float]:
    """Iron state before the pulse: virgin, or remanent after earlier pulses of that current."""
    if coil.iron != "hysteresis" or not coil.remanent:
        return 0.0, 0.0
    closed = coil.armature in ("free", "blocked_closed")
    travel = coil.stroke_m if closed else 0.0
    up = np.linspace(0.0, current_a, 400)
    path = np.concatenate([up, up[::-1], up, up[::-1]])
    js, lams = quasi_static(coil, path, travel)
    # the spring opens the gap at zero current: the flux falls along the return branch
    j, lam = float(js[-1]), float(lams[-1])
    back = 0.0 if coil.armature != "blocked_closed" else travel
    iron = Iron([coil])
    for share in np.linspace(0.0, 1.0, 200)[1:]:
        gap = coil.gap_reluctance(travel + (back - travel) * float(share))
        move = -(j + gap * lam) / (
            gap + float(iron.slope(np.array([j]), np.array([lam]), np.array([-1.0]))[0])
        )
        slope = float(iron.slope(np.array([j]), np.array([lam]), np.array([-1.0]))[0])
        j, lam = j + slope * move, lam + move
    return j, lam


def small_signal_h(coil: Coil, travel_m: float) -> float:
    """Initial anhysteretic inductance seen at the terminals, eddy currents apart."""
    return coil.leak_h + 1.0 / (1.0 / coil.iron_h + coil.gap_reluctance(travel_m))


class Feed:
    """Source, switch and joint of a batch on the fixed step grid."""

    def __init__(self, drives: Sequence[Drive], steps: int, step_s: float) -> None:
        self.v0 = np.array([d.supply_v for d in drives])
        self.sag_v = np.array([d.sag_v for d in drives])
        self.sag_s = np.array([d.sag_s for d in drives])
        self.first = np.array([d.toggles_s[0] if d.toggles_s else 1e9 for d in drives])
        self.supply_ohm = np.array([d.supply_ohm for d in drives])
        self.clamp_v = np.array([d.clamp_v for d in drives])
        self.inside = np.array([d.joint_inside for d in drives])
        width = max((len(d.ripple_v) for d in drives), default=0)
        self.ripple = np.zeros((3, width, len(drives)))
        for b, d in enumerate(drives):
            for r, item in enumerate(zip(d.ripple_v, d.ripple_hz, d.ripple_rad, strict=True)):
                self.ripple[:, r, b] = (item[0], 2 * np.pi * item[1], item[2])
        self.closed: BoolArray = np.zeros((steps, len(drives)), dtype=np.bool_)
        self.has_joint = any(d.joint_s for d in drives)
        self.joint = np.zeros((steps if self.has_joint else 1, len(drives)))
        edges = np.arange(steps) * step_s + 0.5 * step_s
        for b, d in enumerate(drives):
            self.closed[:, b] = np.searchsorted(np.array(d.toggles_s), edges) % 2 == 1
            if d.joint_s:
                at = np.searchsorted(np.array(d.joint_s), edges) - 1
                self.joint[:, b] = np.where(at >= 0, np.array(d.joint_ohm)[np.maximum(at, 0)], 0.0)

    def joint_at(self, step: int) -> FloatArray:
        """Joint resistance during a step."""
        return self.joint[step if self.has_joint else 0]

    def source(self, time_s: float) -> FloatArray:
        """Open-circuit supply voltage."""
        volt = self.v0
        if self.sag_v.any():
            late = np.maximum(time_s - self.first, 0.0)
            volt = volt - self.sag_v * -np.expm1(-late / self.sag_s)
        for amp, omega, phase in self.ripple.transpose(1, 0, 2):
            volt = volt + amp * np.sin(omega * time_s + phase)
        return volt


class Ladder:
    """Cauer ladder of a solid round bar, eliminated for an implicit stage of length ``h_s``.

    Shunt inductances Lfe/3, Lfe/5, Lfe/7 and series resistances R1, 2 R1, 3 R1, 4 R1.
    """

    def __init__(self, coils: Sequence[Coil], h_s: float) -> None:
        r1 = np.array([c.eddy_ohm for c in coils])
        self.active: BoolArray = np.isfinite(r1)
        self.any = bool(self.active.any())
        safe = np.where(self.active, r1, 1.0)
        iron_h = np.array([c.iron_h for c in coils])
        self.h_s = h_s
        self.ohm = [safe * (q + 1) for q in range(RUNGS)]
        self.ind = [iron_h / (2 * q + 3) for q in range(RUNGS - 1)]
        self.big_a: list[FloatArray] = [np.empty(0)] * RUNGS
        self.big_a[-1] = self.ohm[-1]
        self.div: list[FloatArray] = [np.empty(0)] * (RUNGS - 1)
        for q in range(RUNGS - 2, -1, -1):
            self.div[q] = 1.0 / (1.0 + h_s * self.big_a[q + 1] / self.ind[q])
            self.big_a[q] = self.ohm[q] + self.big_a[q + 1] * self.div[q]
        self.inv_a1 = np.where(self.active, 1.0 / self.big_a[0], 0.0)

    def history(self, psi: list[FloatArray]) -> list[FloatArray]:
        """Constant parts b_q of e_q = A_q ie_q + b_q for given stage histories."""
        zero = np.zeros_like(self.inv_a1)
        b = [zero] * RUNGS
        for q in range(RUNGS - 2, -1, -1):
            hist = (psi[q] + self.h_s * b[q + 1]) / self.ind[q]
            b[q] = b[q + 1] - self.big_a[q + 1] * self.div[q] * hist
        return b

    def unfold(
        self, ie1: FloatArray, psi: list[FloatArray], b: list[FloatArray]
    ) -> tuple[list[FloatArray], list[FloatArray]]:
        """Emf behind each rung and the current of each rung, from the first eddy current."""
        emf, cur = [], [ie1]
        for q in range(RUNGS - 1):
            hist = (psi[q] + self.h_s * b[q + 1]) / self.ind[q]
            cur.append((cur[q] - hist) * self.div[q])
            emf.append(self.big_a[q + 1] * cur[q + 1] + b[q + 1])
        return emf, cur


@dataclass
class _State:
    """Electrical and mechanical state of a batch."""

    lam: FloatArray
    j: FloatArray
    cur: FloatArray
    psi: list[FloatArray]
    x: FloatArray
    u: FloatArray


class Mechanics:
    """Armature, stops and the books on its contacts."""

    def __init__(self, coils: Sequence[Coil]) -> None:
        def get(name: str) -> FloatArray:
            return np.array([float(getattr(c, name)) for c in coils])

        self.stroke, self.slope = get("stroke_m"), get("gap_slope_per_hm")
        self.rest, self.fringe = get("gap_closed_m"), get("fringe_per_m")
        self.mass, self.preload = get("mass_kg"), get("preload_n")
        self.spring, self.visc = get("spring_n_per_m"), get("viscous_ns_per_m")
        self.coul, self.rebound = get("coulomb_n"), get("restitution")
        self.film, self.film_gap = get("film_ns_per_m"), get("film_gap_m")
        self.free: BoolArray = np.array([c.armature == "free" for c in coils])
        self.any = bool(self.free.any())
        self.contacts: list[list[Contact]] = [[] for _ in coils]
        nan = np.full(len(coils), np.nan)
        self.start, self.end, self.release = nan.copy(), nan.copy(), nan.copy()
        self.first_speed = np.zeros(len(coils))

    def gap(self, x: FloatArray) -> FloatArray:
        """Gap reluctance at a travel."""
        gap = self.rest + self.stroke - x
        return self.slope * gap / (1.0 + self.fringe * gap)

    def pull(self, x: FloatArray, lam: FloatArray) -> FloatArray:
        """Magnetic force towards the closed stop, from the gap energy at constant linkage."""
        gap = self.rest + self.stroke - x
        return 0.5 * lam * lam * self.slope / (1.0 + self.fringe * gap) ** 2

    def net(self, x: FloatArray, u: FloatArray, lam: FloatArray) -> FloatArray:
        """Force without the velocity-proportional part; dry friction opposes the motion."""
        force = self.pull(x, lam) - self.preload - self.spring * x
        rest = np.sign(force) * np.maximum(np.abs(force) - self.coul, 0.0)
        return np.where(u == 0.0, rest, force - self.coul * np.sign(u))

    def damping(self, x: FloatArray) -> FloatArray:
        """Viscous plus squeeze-film coefficient."""
        ratio = self.film_gap / (np.maximum(self.stroke - x, 0.0) + self.film_gap)
        return self.visc + self.film * ratio**3

    def advance(self, s: _State, lam_new: FloatArray, t_s: float, h: float) -> None:
        """One step of the armature with its stops; updates ``s.x`` and ``s.u``."""
        f0 = self.net(s.x, s.u, s.lam)
        b = self.damping(s.x) * h / (2.0 * self.mass)
        u_mid = s.u + h * f0 / self.mass
        f1 = self.net(np.clip(s.x + h * s.u, 0.0, self.stroke), u_mid, lam_new)
        u = (s.u * (1.0 - b) + 0.5 * h * (f0 + f1) / self.mass) / (1.0 + b)
        u = np.where((s.u != 0.0) & (u * s.u < 0.0) & (np.abs(f0) < 2 * self.coul), 0.0, u)
        at_open, at_closed = s.x <= 0.0, s.x >= self.stroke
        u = np.where((at_open & (u < 0.0)) | (at_closed & (u > 0.0)) | ~self.free, 0.0, u)
        x = s.x + 0.5 * h * (s.u + u)
        left_open = at_open & (u > 0.0) & np.isnan(self.start)
        if left_open.any():
            self.start[left_open] = t_s
        left_closed = at_closed & (u < 0.0) & np.isnan(self.release)
        if left_closed.any():
            self.release[left_closed] = t_s
        hit_c, hit_o = (x >= self.stroke) & (u > 0.0), (x <= 0.0) & (u < 0.0)
        if hit_c.any() or hit_o.any():
            for b_ in np.nonzero(hit_c | hit_o)[0]:
                self._impact(int(b_), s, x, u, t_s, h)
        s.x, s.u = x, u

    def _impact(
        self, b: int, s: _State, x: FloatArray, u: FloatArray, t_s: float, h: float
    ) -> None:
        """Reflect one armature at a stop and note the contact."""
        closed = bool(u[b] > 0.0)
        wall = float(self.stroke[b]) if closed else 0.0
        span = float(x[b] - s.x[b])
        share = min(max((wall - float(s.x[b])) / span, 0.0), 1.0) if span else 1.0
        speed = abs(float(u[b]))
        self.contacts[b].append(Contact(t_s + share * h, closed, speed))
        if closed and np.isnan(self.end[b]):
            self.end[b] = t_s + share * h
        self.first_speed[b] = max(float(self.first_speed[b]), speed)
        back = float(self.rebound[b]) * speed
        if back < 0.03 * float(self.first_speed[b]):
            x[b], u[b] = wall, 0.0
            return
        u[b] = -back if closed else back
        x[b] = wall + float(u[b]) * (1.0 - share) * h


class Engine:
    """Fixed-step integrator of a batch of coils."""

    def __init__(
        self, coils: Sequence[Coil], drives: Sequence[Drive], end_s: float, step_s: float
    ) -> None:
        for c in coils:
            if c.iron not in IRON_KINDS or c.armature not in ARMATURES:
                raise ValueError(f"unknown iron or armature: {c.iron}, {c.armature}")
        self.h, self.steps = step_s, round(end_s / step_s)
        self.iron, self.mech = Iron(coils), Mechanics(coils)
        self.lad = Ladder(coils, GAMMA * step_s)
        self.feed = Feed(drives, self.steps, step_s)
        self.ohm = np.array([c.resistance_ohm for c in coils])
        self.leak = np.array([c.leak_h for c in coils])
        start = [
            start_state(c, d.supply_v / (c.resistance_ohm + d.supply_ohm))
            for c, d in zip(coils, drives, strict=True)
        ]
        shut = np.array([c.armature == "blocked_closed" for c in coils])
        zero = np.zeros(len(coils))
        self.state = _State(
            lam=np.array([s[1] for s in start]),
            j=np.array([s[0] for s in start]),
            cur=zero.copy(),
            psi=[zero.copy() for _ in range(RUNGS - 1)],
            x=np.where(shut, self.mech.stroke, 0.0),
            u=zero.copy(),
        )
        self.emf, self.volt = zero.copy(), zero.copy()
        self.eddy: list[FloatArray] = [zero.copy() for _ in range(RUNGS)]

    def _stage(
        self, hist: _State, gap: FloatArray, v_src: FloatArray, ext: FloatArray, on: BoolArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, list[FloatArray]]:
        """Solve one implicit stage; returns emf, dj/dlam, coil current and rung emfs."""
        hg = GAMMA * self.h
        b = self.lad.history(hist.psi) if self.lad.any else [np.zeros_like(gap)] * RUNGS
        base = b[0] * self.lad.inv_a1 - hist.j - hist.lam * gap
        lead = self.leak / hg
        q_on, q_off = self.ohm + ext + lead, self.ohm + OPEN_OHM + lead
        part = lead * hist.cur
        all_on = bool(on.all())
        q = np.where(on, q_on, self.ohm + lead)
        p = np.where(on, v_src, -self.feed.clamp_v) + part
        emf, slope = self.emf, np.empty(0)
        for _ in range(2):
            sign = np.where(emf >= 0.0, 1.0, -1.0)
            j, lam = hist.j + hg * emf * self.slope, hist.lam + hg * emf
            slope = self.iron.slope(j, lam, sign)
            self.slope = slope
            rest = self.lad.inv_a1 + hg * (slope + gap)
            emf = (base + p / q) / (rest + 1.0 / q)
            if not all_on:
                loose = ~on & (p - emf < 0.0)
                emf = np.where(loose, (base + part / q_off) / (rest + 1.0 / q_off), emf)
                cur = np.where(loose, (part - emf) / q_off, (p - emf) / q)
        if all_on:
            cur = (p - emf) / q
        self.volt = np.where(on, v_src - ext * cur, self.ohm * cur + emf + lead * cur - part)
        emfs: list[FloatArray] = []
        if self.lad.any:
            ie1 = np.where(self.lad.active, (emf - b[0]) * self.lad.inv_a1, 0.0)
            emfs, self.eddy = self.lad.unfold(ie1, hist.psi, b)
        return emf, slope, cur, emfs

    def _step(self, n: int) -> None:
        """Advance everything by one step."""
        s, h, g = self.state, self.h, GAMMA
        t = n * h
        joint, on = self.feed.joint_at(n), self.feed.closed[n]
        ext = self.feed.supply_ohm + joint
        gap1 = gap2 = self.gap0
        if self.mech.any:
            gap1 = self.mech.gap(np.clip(s.x + g * h * s.u, 0.0, self.mech.stroke))
            gap2 = self.mech.gap(np.clip(s.x + h * s.u, 0.0, self.mech.stroke))
        e1, k1, c1, r1 = self._stage(s, gap1, self.feed.source(t + g * h), ext, on)
        w = (1.0 - g) * h
        mid = _State(
            lam=s.lam + w * e1,
            j=s.j + w * e1 * k1,
            cur=s.cur + (w / (g * h)) * (c1 - s.cur),
            psi=[p + w * r for p, r in zip(s.psi, r1, strict=True)] if r1 else s.psi,
            x=s.x,
            u=s.u,
        )
        self.source = self.feed.source(t + h)
        e2, k2, c2, r2 = self._stage(mid, gap2, self.source, ext, on)
        hg = g * h
        lam = mid.lam + hg * e2
        j = self.iron.pull_back(mid.j + hg * e2 * k2, lam, k2)
        if self.mech.any:
            self.mech.advance(s, lam, t, h)
        s.lam, s.j, s.cur, self.emf = lam, j, c2, e2
        if r2:
            s.psi = [p + hg * r for p, r in zip(mid.psi, r2, strict=True)]
        inner = self.feed.inside & on
        if self.feed.has_joint and bool(inner.any()):
            self.volt = np.where(inner, self.volt + joint * c2, self.volt)
        self.supply = np.where(on, self.source - self.feed.supply_ohm * c2, self.source)

    def run(self, every: int, keep_trace: bool) -> Result:
        """Run to the end; keep every ``every``-th point."""
        count = self.steps // every + 1
        shape = (count, len(self.ohm))
        cur, volt, sup = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        tr = [np.zeros(shape) for _ in range(6 + RUNGS)] if keep_trace else []
        self.gap0 = self.mech.gap(self.state.x)
        self.slope = self.iron.slope(self.state.j, self.state.lam, np.ones(shape[1]))
        sup[0] = self.feed.source(0.0)
        if tr:
            self._note(tr, 0)
        for n in range(self.steps):
            self._step(n)
            if (n + 1) % every == 0:
                k = (n + 1) // every
                cur[k], volt[k], sup[k] = self.state.cur, self.volt, self.supply
                if tr:
                    self._note(tr, k)
        trace = Trace(*tr[:6], eddy_a=tr[6:]) if tr else None
        m = self.mech
        return Result(
            np.arange(count) * self.h * every, cur, volt, sup, m.contacts,
            m.start, m.end, m.release, self.state.lam.copy(), trace,
        )  # fmt: skip

    def _note(self, tr: list[FloatArray], k: int) -> None:
        """Store one point of the internal quantities."""
        s = self.state
        pull = self.mech.pull(s.x, s.lam)
        for store, value in zip(
            tr, [s.lam, s.j, self.emf, s.x, s.u, pull, *self.eddy], strict=True
        ):
            store[k] = value


def simulate(
    coils: Sequence[Coil],
    drives: Sequence[Drive],
    end_s: float,
    step_s: float = 2.5e-6,
    every: int = 2,
    keep_trace: bool = False,
) -> Result:
    """Simulate a batch from rest; all coils share the time grid."""
    return Engine(coils, drives, end_s, step_s).run(every, keep_trace)
