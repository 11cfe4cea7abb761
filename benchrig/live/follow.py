"""From run events to the one state of a rig that is told to the shop.

Invariant: OFF is said only after a SAFE event, which only measured evidence makes. A command to
switch off, or the rig's own word, leaves the state UNKNOWN.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from benchrig.live.payloads import RigState, StateNow, number, text
from benchrig.record.values import EventKind, RunEvent


class StateFollower:
    """Folds events in; ``now`` is what to tell."""

    def __init__(self) -> None:
        self.now = StateNow()
        self.rig = ""  # unique id, once a run has named it
        self._proven = False

    def take(self, event: RunEvent, at: str) -> bool:
        """Fold one event in; True when what is told has changed, apart from the cycle count."""
        before = self.now
        data = event.data
        match event.kind:
            case EventKind.STARTED:
                self._start(data, at)
            case EventKind.SAFE:
                self._prove(data, at)
            case EventKind.NOT_SAFE:
                self._proven = False
                self._set(RigState.UNKNOWN, at)
                steps = data.get("disconnect")
                steps = tuple(text(s) for s in steps) if isinstance(steps, list | tuple) else ()
                self.now = replace(self.now, doing="NOT PROVEN SAFE", disconnect=steps)
            case EventKind.CYCLE:
                self.now = replace(
                    self.now, cycle=_count(data, "cycle"), cycles=_count(data, "cycles")
                )
            case EventKind.ENDED:
                self.now = replace(self.now, doing=f"ended: {event.message}")
            case _:
                self._follow(data, at)
        return replace(self.now, cycle=before.cycle) != before

    def _start(self, data: dict[str, Any], at: str) -> None:
        self._proven = False
        rig = data.get("rig")
        if isinstance(rig, str) and rig:
            self.rig = rig
        self.now = StateNow(
            since=at,
            run=text(data.get("record", "")),
            doing="starting",
            part=text(data.get("part", "")),
            tag=text(data.get("tag", "")),
            pattern=text(data.get("pattern", "")),
            invented=bool(data.get("invented", False)),
            cycles=_count(data, "cycles"),
        )

    def _prove(self, data: dict[str, Any], at: str) -> None:
        residual = number(data.get("residual_current_a"))
        self._proven = residual is not None
        if self._proven:
            self._set(RigState.OFF, at)
            self.now = replace(self.now, residual_current_a=residual, disconnect=())

    def _follow(self, data: dict[str, Any], at: str) -> None:
        if isinstance(data.get("state"), str):
            self.now = replace(self.now, doing=text(data["state"]))
        if data.get("on") is True or data.get("energised") is True:
            self._proven = False
            self._set(RigState.ENERGISED, at)
        elif "energised" in data:
            self._set(
                RigState.OFF if self._proven and data["energised"] is False else RigState.UNKNOWN,
                at,
            )

    def _set(self, state: RigState, at: str) -> None:
        if state is not self.now.state:
            self.now = replace(self.now, state=state, since=at, residual_current_a=None)


def _count(data: dict[str, Any], key: str) -> int:
    value = data.get(key)
    return max(0, value) if isinstance(value, int) and not isinstance(value, bool) else 0
