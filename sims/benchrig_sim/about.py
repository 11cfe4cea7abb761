"""What the simulator leaves out. A verdict that rests on one of these rests on nothing.

The list is data so that ``benchrig-sim --about`` and a reader of the source see the same.
"""

from __future__ import annotations

NOT_MODELLED = (
    "fluid: no pressure on the valve, no flow, no damping by fuel; motion is dry motion",
    "leakage inductance between coil and eddy loop: at an edge the current steps by V/(R + Re)",
    "hysteresis and remanence of the iron: a coil at rest holds no flux",
    "capacitance of coil and leads: no ringing after switch-off",
    "heat: one body with one path to ambient; the iron's eddy losses do not warm the winding",
    "leads and joints do not warm; only copper's resistance follows the temperature",
    "two parts on at once see each other's current a step late (0.2 ms moving, 2 ms steady)",
    "supply: a voltage behind a resistance with a hard current limit; no ripple, no inductance",
    "an arc is a fixed 200 V until the current is gone; a gap never re-strikes",
    "a break has one place and is open or whole, with no resistance; both leads act as one",
    "a supply that fails holds no charge: no output capacitor, and its fuse opens at once",
    "sense and supply dividers draw nothing; a floating part shows its own voltage or none",
    "relay bounce opens and closes cleanly; contacts do not wear",
    "pump: ripple is drawn on the mean current and does not act back; no brush arcs",
    "converter: noise is white and Gaussian; no crosstalk, no integral nonlinearity, no aliasing "
    "filter, samples are instants",
    "temperature input: reads the room, never the part",
    "over-current trip: judged on the true current through the trip input's gain and offset, "
    "without its noise",
    "clock: runs at a constant wrong rate between faults; no jitter",
    "line: bytes arrive when their frame does; no byte time towards the rig, and no latency",
    "a pseudo-terminal and a plain TCP port carry no serial break; the in-process link does",
)


def about() -> str:
    """The list as text."""
    lines = ["The simulated rig and its parts are invented. Not modelled:"]
    return "\n".join([*lines, *(f"  - {item}" for item in NOT_MODELLED)])
