"""Breaks by place against ngspice: decks that share nothing with the simulated rig.

From 60 µs after the break on; nearer to it, and where a clamp or diode lets go, the two differ by
what the simulated rig leaves out. ``python -m tests.bench places`` prints all of it.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig_sim.faults import Place
from tests.bench.places import THEIRS, apart

WITHIN = 0.01  # of full scale


@pytest.mark.parametrize("place", list(THEIRS))
def test_the_current_of_a_break_is_the_circuits(place: Place, tmp_path: Path) -> None:
    rows = apart(place, tmp_path)
    assert max(off_a for t, off_a, _ in rows if t >= 60e-6) < WITHIN
    # The voltage once clamp and gap have let go; a diode's knee is 0.3 V, 1.6 % of full scale.
    assert max(off_v for t, _, off_v in rows if t >= 1e-3) < 2 * WITHIN


def test_another_place_is_told_apart(tmp_path: Path) -> None:
    rows = apart(Place.FEED, tmp_path, theirs_at=THEIRS[Place.SWITCH])
    assert max(off_a for t, off_a, _ in rows if t >= 60e-6) > 10 * WITHIN
