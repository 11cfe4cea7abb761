"""Component values and events of the bench rig's circuit, all named, all with visible defaults.

The topology is written down in CIRCUIT.md.  Units are in the names.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, field, replace


@dataclass(frozen=True)
class Coil:
    """The part: inductance with winding resistance, winding capacitance and core loss."""

    name: str = "13.2 ohm 13 mH"
    r_ohm: float = 13.2
    l_h: float = 13e-3
    c_par_f: float = 100e-12  # across the whole winding
    r_core_ohm: float = 5e3  # across the inductance: eddy currents in the iron


COILS: dict[str, Coil] = {
    "a13": Coil(),
    "b2": Coil("2.4 ohm 3 mH", 2.4, 3e-3, 100e-12, 2.5e3),
    "c28": Coil("28 ohm 40 mH", 28.0, 40e-3, 100e-12, 8e3),
    "d90": Coil("90 ohm 150 mH", 90.0, 150e-3, 100e-12, 16e3),
}


@dataclass(frozen=True)
class Circuit:
    """Every component of the rig.  What the description does not say is marked 'assumed'."""

    coil: Coil = field(default_factory=Coil)
    # Supply (all assumed, except that there is a 10 A fuse)
    supply_v: float = 12.0
    r_supply_ohm: float = 0.05  # inner resistance
    i_limit_a: float = 60.0  # current limit of the supply
    c_out_f: float = 100e-6  # output capacitor of the supply
    esr_out_ohm: float = 0.05
    l_supply_h: float = 1e-6  # both supply wires
    r_supply_hf_ohm: float = 10.0  # across l_supply: loss at high frequency
    r_supply_wire_ohm: float = 0.04
    r_fuse_ohm: float = 0.01
    # Node between fuse and contactor
    c_supply_node_f: float = 10e-9
    r_div_top_ohm: float = 3e3  # 3:1 is stated, the absolute value is assumed
    r_div_bottom_ohm: float = 1e3
    # Parts' rail
    r_contact_closed_ohm: float = 1e-3  # every contact or joint that can break, when sound
    c_rail_f: float = 10e-9
    r_rail_leak_ohm: float = 100e3
    catch_is_a: float = 1e-9  # catch diode, 0.67 V at 1 A including catch_rs_ohm
    catch_n: float = 1.2
    catch_rs_ohm: float = 0.03
    # Leads of the part, each of the two
    r_lead_ohm: float = 0.05
    l_lead_h: float = 0.5e-6
    r_lead_hf_ohm: float = 5.0
    c_lead_f: float = 50e-12  # to ground, at each of the part's ends
    # Sense pair
    r_sense_ohm: float = 50e3  # each divider to ground: 40 kOhm + 10 kOhm
    c_sense_f: float = 20e-12
    # Low-side switch and clamp
    r_on_ohm: float = 0.012
    r_off_ohm: float = 10e6  # is the leakage
    t_switch_s: float = 0.5e-6
    c_oss_f: float = 400e-12
    body_is_a: float = 1e-12
    body_n: float = 1.1
    body_rs_ohm: float = 0.01
    clamp_v: float = 36.0
    clamp_r_ohm: float = 0.3
    clamp_smooth_v: float = 0.02  # numerical
    # Shunt
    r_shunt_ohm: float = 0.05
    # Gap of any opened contact: breaks down, as a limiter
    gap_v: float = 400.0
    gap_r_ohm: float = 5.0
    gap_smooth_v: float = 0.1  # width of the rounded corner, numerical


@dataclass(frozen=True)
class Solver:
    """Tolerances of the transient analysis."""

    reltol: float = 1e-4
    abstol_a: float = 1e-7
    vntol_v: float = 1e-5
    chgtol_c: float = 1e-11
    trtol: float = 1.0  # the usual 7 lets local errors grow sevenfold
    max_step_s: float = 4e-6
    method: str = "gear"


class Place(enum.Enum):
    """Where something happens."""

    PART = "a: inside the part"
    LEAD_FEED = "b1: feed-side lead"
    LEAD_SWITCH = "b2: switch-side lead"
    SUPPLY = "c: supply or fuse"
    FEED = "d: feed contactor"
    SWITCH = "e: low-side switch"
    SENSE_FEED = "f1: sense wire, feed side"
    SENSE_SWITCH = "f2: sense wire, switch side"
    LIMIT = "g: supply current limit"
    SAG = "h: supply sag"
    COIL_SHORT = "i: coil short-circuit"
    GROUND_SHORT = "j1: switched side to ground"
    RAIL_SHORT = "j2: switched side to rail"


BREAKS = (
    Place.PART,
    Place.LEAD_FEED,
    Place.LEAD_SWITCH,
    Place.SUPPLY,
    Place.FEED,
    Place.SENSE_FEED,
    Place.SENSE_SWITCH,
)


@dataclass(frozen=True)
class Arc:
    """Arc between opening contacts: constant voltage until the current is under a limit."""

    arc_v: float = 15.0
    arc_a: float = 0.4
    arc_r_ohm: float = 0.1
    arc_smooth_v: float = 0.05  # numerical
    quench_s: float = 0.2e-6


@dataclass(frozen=True)
class Chatter:
    """Brief openings before the final one."""

    openings: int = 4
    open_s: float = 150e-6
    closed_s: float = 250e-6
    ends_open: bool = True


@dataclass(frozen=True)
class Contact:
    """How a contact (or the switch) leaves its sound state; the ramp is linear in log(R)."""

    open_ohm: float = 1e6  # 0.5 ... 50 for a series resistance step
    ramp_s: float = 1e-6
    arc: Arc | None = None
    chatter: Chatter | None = None


@dataclass(frozen=True)
class Event:
    """What happens, when, and when it ends (None: stays)."""

    place: Place
    start_s: float = 9e-3
    end_s: float | None = None
    contact: Contact = field(default_factory=Contact)
    # For LIMIT (limit_a), SAG (sag_v), and the short-circuits:
    limit_a: float = 0.5
    sag_v: float = 6.0
    source_ramp_s: float = 100e-6  # of limit and sag
    live_fraction: float = 0.0  # COIL_SHORT: turns left, 0 is a dead short of the terminals
    coupling: float = 0.99  # COIL_SHORT: between the live and the shorted turns
    short_ohm: float = 0.02
    unshorted_ohm: float = 1e7

    def intervals(self) -> list[tuple[float, float | None]]:
        """Return the (start, end) times of the disturbed state."""
        chatter = self.contact.chatter
        if chatter is None:
            return [(self.start_s, self.end_s)]
        period_s = chatter.open_s + chatter.closed_s
        out: list[tuple[float, float | None]] = []
        for k in range(chatter.openings):
            start_s = self.start_s + k * period_s
            out.append((start_s, start_s + chatter.open_s))
        if chatter.ends_open:
            out.append((self.start_s + chatter.openings * period_s, self.end_s))
        return out


@dataclass(frozen=True)
class Trip:
    """Switch off when the filtered coarse current has passed the threshold."""

    threshold_a: float = 9.0
    delay_s: float = 0.3e-3  # up to 1 ms
    feed_delay_s: float = 5e-3  # after the switch: the contactor's contacts part


@dataclass(frozen=True)
class Scenario:
    """One run: circuit, drive and events."""

    circuit: Circuit = field(default_factory=Circuit)
    events: tuple[Event, ...] = ()
    on_s: float = 1e-3
    off_s: float | None = None
    stop_s: float = 21e-3
    trip: Trip | None = field(default_factory=Trip)
    solver: Solver = field(default_factory=Solver)

    def with_coil(self, coil: Coil) -> Scenario:
        """Return the same scenario with another part."""
        return replace(self, circuit=replace(self.circuit, coil=coil))

    def find(self, place: Place) -> Event | None:
        """Return the event at a place, if any; two at one place are refused."""
        found = [e for e in self.events if e.place is place]
        if len(found) > 1:
            raise ValueError(f"two events at {place}")
        return found[0] if found else None
