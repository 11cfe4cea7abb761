"""Independent ngspice judge of where a low-side-switched coil circuit breaks.

from places import Scenario, Circuit, Event, Place, run, sample
r = run(Scenario(Circuit(), (Event(Place.FEED, start_s=9e-3),)), cache)
r.true.i_coil_a ... on r.true.time_s; r.seen.part_v ... on r.seen.time_s
s = sample(r.true, r.scenario.circuit, phase_s=37e-6)
"""

from .circuit import (
    COILS,
    Arc,
    Chatter,
    Circuit,
    Coil,
    Contact,
    Event,
    Place,
    Scenario,
    Solver,
    Trip,
)
from .front import Filtered, FrontEnd, Sampled, sample, see
from .quantities import Transient
from .run import Result, run, solve

__all__ = [
    "COILS",
    "Arc",
    "Chatter",
    "Circuit",
    "Coil",
    "Contact",
    "Event",
    "Filtered",
    "FrontEnd",
    "Place",
    "Result",
    "Sampled",
    "Scenario",
    "Solver",
    "Transient",
    "Trip",
    "run",
    "sample",
    "see",
    "solve",
]
