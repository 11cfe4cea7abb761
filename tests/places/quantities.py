"""True quantities of one transient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Transient:
    """True quantities on the solver's own, uneven times."""

    time_s: Floats
    i_coil_a: Floats  # through the inductance
    i_part_a: Floats  # into the part's feed-side terminal
    i_shunt_a: Floats
    i_catch_a: Floats
    i_clamp_a: Floats
    i_supply_a: Floats
    v_part_v: Floats  # between the part's terminals
    v_pair_v: Floats  # between the dividers' inputs: differs when a sense wire is off
    v_supply_v: Floats
    v_rail_v: Floats
    v_drain_v: Floats
    e_gap_j: Floats  # heat in opening contacts so far
