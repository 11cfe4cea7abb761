"""Movement told on coils of others' equations: ``tests/outside/solenoid``, one pulse each.

Each class has its own iron or its own fault of supply, joint, contact or pick-up; 10 kS/s, 10 bit.
Stuck coils must not be called moved; moving ones should be found, or it should be said that it
cannot be told.
"""

from __future__ import annotations

import json as jsonlib
import time as clock

import numpy as np

from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.linkage import Pulse
from benchrig.measure.motion import assess_pulses
from tests.outside.iron_classes import FEEDS, IRONS, SEED, Drawn, draw

COILS = 500
STUCK_MAX, FOUND_MIN, SOFT_MIN, UNSURE_MAX, COVERED_MIN = 0.01, 0.9, 0.6, 0.2, 0.93


def answers(drawn: Drawn) -> list[Motion]:
    """One answer a coil."""
    return [
        assess_pulses(
            [
                Pulse(
                    time_s=drawn.time_s,
                    current_a=drawn.current_a[row],
                    voltage_v=drawn.voltage_v[row],
                    noise_a=float(drawn.noise_a[row]),
                )
            ]
        )
        for row in range(len(drawn.noise_a))
    ]


def row_of(name: str, drawn: Drawn, goal: float) -> dict[str, object]:
    """One line of the table; a goal of 0 is for stuck coils."""
    found = answers(drawn)
    if goal:  # those that did touch their stop while the record ran
        touched = np.isfinite(drawn.contact_s) & (drawn.contact_s < drawn.time_s[-1])
        found = [motion for motion, there in zip(found, touched, strict=True) if there]
        ends = drawn.contact_s[touched]
    moved = float(np.mean([m.answer is MotionAnswer.MOVED for m in found]))
    unsure = float(np.mean([m.answer is MotionAnswer.CANNOT_TELL for m in found]))
    line: dict[str, object] = {
        "class": name,
        "coils": len(found),
        "moved": round(moved, 4),
        "cannot_tell": round(unsure, 3),
        "end_within_2u": None,
        "met": moved <= STUCK_MAX if not goal else moved >= goal and unsure <= UNSURE_MAX,
    }
    if goal:
        z = [
            abs(m.end_s.value - end) / m.end_s.std_uncertainty
            for m, end in zip(found, ends, strict=True)
            if m.end_s is not None
        ]
        line["end_within_2u"] = round(float(np.mean(np.array(z) < 2)), 3) if z else None
    return line


def table(count: int) -> list[dict[str, object]]:
    """All classes."""
    rows = []
    for iron in IRONS:
        rows.append(row_of(f"stuck: {iron}", draw(iron, count), 0.0))
    for feed in FEEDS:
        rows.append(row_of(f"stuck: {feed}", draw("eddy", count, feed=feed), 0.0))
    for iron in IRONS:
        drawn = draw(iron, count, change=(0.05, 0.2))
        rows.append(row_of(f"moving 5 to 20 %: {iron}", drawn, FOUND_MIN))
    for iron in ("ideal", "eddy"):
        drawn = draw(iron, count, change=(0.03, 0.05))
        rows.append(row_of(f"moving 3 to 5 %: {iron}", drawn, 0.95))
    for iron in ("ideal", "saturation, eddy, hysteresis"):
        drawn = draw(iron, count, change=(0.05, 0.2), soft=True)
        rows.append(row_of(f"landing softly, 5 to 20 %: {iron}", drawn, SOFT_MIN))
    return rows


def run(json: bool) -> int:
    """Print the table."""
    began = clock.process_time()
    rows = table(COILS)
    spent = round(clock.process_time() - began, 1)
    if json:
        print(jsonlib.dumps({"seed": SEED, "rows": rows, "cpu_s": spent}))
    else:
        print(f"seed {SEED}; {spent} s of processor time")
        for row in rows:
            print("  ".join(f"{name} {value}" for name, value in row.items()))
    return 0 if all(row["met"] for row in rows) else 1
