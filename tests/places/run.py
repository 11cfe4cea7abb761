"""Runs decks in ngspice's batch mode, reads the raw file, and caches the results."""

from __future__ import annotations

import hashlib
import os
import subprocess
import tempfile
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np

from . import deck as decks
from .circuit import Contact, Event, Place, Scenario, Solver
from .front import Filtered, FrontEnd, see
from .quantities import Floats, Transient

TIMEOUT_S = 40.0


@dataclass(frozen=True)
class Result:
    """One scenario's outcome."""

    scenario: Scenario  # with the trip's consequences worked in
    true: Transient
    seen: Filtered
    trip_s: float | None
    solver: Solver  # the one that succeeded: see fallbacks


class SpiceError(RuntimeError):
    """The solver failed or stopped early."""


def read_raw(path: Path) -> dict[str, Floats]:
    """Read a binary raw file of real values."""
    blob = path.read_bytes()
    head, sep, body = blob.partition(b"Binary:\n")
    if not sep:
        raise SpiceError("no binary section in the raw file")
    names: list[str] = []
    points = count = 0
    in_names = False
    for line in head.decode("ascii").splitlines():
        if line.startswith("No. Variables:"):
            count = int(line.split(":")[1])
        elif line.startswith("No. Points:"):
            points = int(line.split(":")[1])
        elif line.startswith("Variables:"):
            in_names = True
        elif in_names and line.strip():
            names.append(line.split()[1].lower())
    data = np.frombuffer(body, dtype="<f8", count=points * count).reshape(points, count)
    return {n: np.ascontiguousarray(data[:, i]) for i, n in enumerate(names)}


def _solve(text: str, stop_s: float) -> dict[str, Floats]:
    with tempfile.TemporaryDirectory() as folder:
        deck, raw = Path(folder) / "deck.cir", Path(folder) / "deck.raw"
        deck.write_text(text)
        done = subprocess.run(
            ["ngspice", "-b", "-r", str(raw), str(deck)],
            capture_output=True,
            text=True,
            timeout=TIMEOUT_S,
            check=False,
        )
        if not raw.exists():
            raise SpiceError(done.stdout[-2000:] + done.stderr[-2000:])
        got = read_raw(raw)
    if got["time"].size == 0 or got["time"][-1] < stop_s * (1.0 - 1e-9):
        raise SpiceError("stopped early\n" + done.stdout[-2000:] + done.stderr[-2000:])
    return got


def _transient(raw: dict[str, Floats], r_shunt_ohm: float) -> Transient:
    return Transient(
        time_s=raw["time"],
        i_coil_a=raw["i(vp_coil)"],
        i_part_a=raw["i(vp_part)"],
        i_shunt_a=raw["v(sht)"] / r_shunt_ohm,
        i_catch_a=raw["i(vp_catch)"],
        i_clamp_a=raw["i(vp_clamp)"],
        i_supply_a=raw["i(vp_sup)"],
        v_part_v=raw["v(pa)"] - raw["v(pb)"],
        v_pair_v=raw["v(spa)"] - raw["v(spb)"],
        v_supply_v=raw["v(sup)"],
        v_rail_v=raw["v(rail)"],
        v_drain_v=raw["v(drain)"],
        e_gap_j=raw["v(e_gap)"] - raw["v(e_gap)"][0],
    )


def fallbacks(first: Solver) -> list[Solver]:
    """Return the solvers to try in turn when Newton's method does not converge."""
    return [
        first,
        replace(first, max_step_s=0.77 * first.max_step_s),
        replace(first, method="trap"),
        replace(first, reltol=5.0 * first.reltol, abstol_a=1e-6, chgtol_c=1e-10),
    ]


def _fetch(scenario: Scenario, cache: Path | None) -> Transient:
    text = decks.write(scenario)
    store: Path | None = None
    if cache is not None:
        cache.mkdir(parents=True, exist_ok=True)
        store = cache / (hashlib.sha256(text.encode()).hexdigest()[:32] + ".npz")
        if store.exists():
            with np.load(store) as held:
                return Transient(**{f.name: held[f.name] for f in fields(Transient)})
    out = _transient(_solve(text, scenario.stop_s), scenario.circuit.r_shunt_ohm)
    if store is not None:
        part = store.with_suffix(f".{os.getpid()}.npz")
        np.savez(part, **{f.name: getattr(out, f.name) for f in fields(Transient)})
        part.replace(store)
    return out


def solve(scenario: Scenario, cache: Path | None = None) -> tuple[Transient, Solver]:
    """Return the transient of one deck, from the cache if its deck is known, and the solver."""
    failed = ""
    for solver in fallbacks(scenario.solver):
        try:
            return _fetch(replace(scenario, solver=solver), cache), solver
        except (SpiceError, subprocess.TimeoutExpired) as error:
            failed = str(error)
    raise SpiceError(failed)


def _tripped(s: Scenario, at_s: float) -> Scenario:
    """Return the scenario with the switch off at a time and the feed opened later."""
    off_s = at_s if s.off_s is None else min(at_s, s.off_s)
    events = s.events
    trip = s.trip
    if trip is not None and s.find(Place.FEED) is None:
        feed_s = at_s + trip.feed_delay_s
        if feed_s < s.stop_s:
            events = (*events, Event(Place.FEED, start_s=feed_s, contact=Contact(ramp_s=2e-6)))
    return replace(s, off_s=off_s, events=events, trip=None)


def run(scenario: Scenario, cache: Path | None = None, front: FrontEnd | None = None) -> Result:
    """Run a scenario; a trip needs a second deck."""
    true, solver = solve(scenario, cache)
    seen = see(true, scenario.circuit, front)
    trip_s: float | None = None
    if scenario.trip is not None:
        over = np.flatnonzero(seen.coarse_a > scenario.trip.threshold_a)
        if over.size:
            trip_s = round(float(seen.time_s[over[0]]) + scenario.trip.delay_s, 9)
            if trip_s < scenario.stop_s and (scenario.off_s is None or trip_s < scenario.off_s):
                scenario = _tripped(scenario, trip_s)
                true, solver = solve(scenario, cache)
                seen = see(true, scenario.circuit, front)
            else:
                trip_s = None
    return Result(scenario=scenario, true=true, seen=seen, trip_s=trip_s, solver=solver)
