"""Runs as they are told: the events of a run in the order a run tells them, and its record."""

from __future__ import annotations

from benchrig.record.values import EventKind, RunEvent, RunRecord
from tests.record import made

STAMP = "2026-01-02T03:04:05.678+01:00"
RIG = made.RIG_ID


def stamp() -> str:
    """A wall clock that stands still."""
    return STAMP


def started(run: str = "20260102-030405-abcd", rig: str = RIG) -> RunEvent:
    """The first event."""
    return RunEvent(
        kind=EventKind.STARTED,
        at_s=0.0,
        data={
            "record": run,
            "rig": rig,
            "part": "Fern injector (invented)",
            "tag": "T-1",
            "pattern": "six-second",
            "cycles": 3,
            "invented": True,
        },
    )


def state(at_s: float, doing: str, energised: bool | None) -> RunEvent:
    """What the run does."""
    return RunEvent(kind=EventKind.STATE, at_s=at_s, data={"state": doing, "energised": energised})


def edge(at_s: float, on: bool) -> RunEvent:
    """The output's own switch."""
    return RunEvent(kind=EventKind.EDGE, at_s=at_s, data={"on": on, "tick": round(at_s * 2e6)})


def cycle(number: int) -> RunEvent:
    """The features of a cycle."""
    return RunEvent(
        kind=EventKind.CYCLE,
        at_s=12.0 * number,
        data={
            "cycle": number,
            "cycles": 3,
            "complete": True,
            "current_a": 0.98 - 0.01 * number,
            "winding_c": None if number == 1 else 24.0 + number,
            "drop_outs": 0,
        },
    )


def safe() -> RunEvent:
    """Evidence was had."""
    return RunEvent(
        kind=EventKind.SAFE,
        at_s=40.0,
        message="the part is off, measured",
        data={"residual_current_a": 0.0004, "feed_opened": True},
    )


def not_safe() -> RunEvent:
    """Evidence was not had."""
    return RunEvent(
        kind=EventKind.NOT_SAFE,
        at_s=40.0,
        message="NOT PROVEN SAFE",
        data={"disconnect": ["the supply", "the rig"], "last_current_a": 1.2},
    )


def ended(run: str = "20260102-030405-abcd", verdict: str = "PASS") -> RunEvent:
    """The last event."""
    return RunEvent(kind=EventKind.ENDED, at_s=41.0, message=verdict, data={"record": run})


def a_run(run: str = "20260102-030405-abcd", rig: str = RIG) -> list[RunEvent]:
    """A run of three cycles."""
    events = [started(run, rig), state(0.1, "checking", False)]
    events.append(
        RunEvent(kind=EventKind.CHECK, at_s=0.2, message="13.5 V", data={"name": "supply"})
    )
    events.append(state(1.0, "cycling", True))
    for number in (1, 2, 3):
        at_s = 12.0 * number - 10
        events += [edge(at_s, True)]
        events.append(
            RunEvent(
                kind=EventKind.LIVE,
                at_s=at_s + 1,
                data={"energised": True, "on": True, "current_a": 0.97, "trace": [0.9, 0.97]},
            )
        )
        events += [edge(at_s + 6, False), cycle(number)]
    events += [state(38.0, "cooling down", False), state(39.0, "making safe", None)]
    return [*events, safe(), state(40.1, "made safe", False), ended(run)]


def record(number: int, *, rig: str = RIG) -> RunRecord:
    """A finished run's record; each number another run."""
    del rig
    return made.record(f"20260102-{number:06d}-abcd", tag=f"T-{number}", cycles=25)
