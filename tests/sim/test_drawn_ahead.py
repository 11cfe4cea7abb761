"""Samples drawn ahead of their time are those that would have been drawn late, whatever happens."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf

import numpy as np
import pytest

from benchrig.wire.messages import (
    AllOff,
    CloseFeed,
    Heartbeat,
    Hello,
    OpenFeed,
    ReadStatus,
    Samples,
    Start,
    StopStream,
    Stream,
)
from benchrig.wire.packing import unpack_codes
from benchrig_sim import stream
from benchrig_sim.faults import LINE_KINDS, Fault, FaultKind
from benchrig_sim.frontend import FrontEnd
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario
from tests.sim.desk import Desk

SCHEDULE = [(1, 1_200_000), (0, 800_000)]
INPUTS = (1, 3)
ON_S, OFF_S = 1.0134, 1.7371  # amid blocks drawn ahead

Act = Callable[[Desk], object]
ACTS: dict[str, Act] = {
    "open feed": lambda desk: desk.try_ask(OpenFeed()),
    "all off": lambda desk: desk.try_ask(AllOff()),
    "break": lambda desk: desk.rig.on_break(desk.t),
    "hello": lambda desk: desk.try_ask(Hello(protocol_major=1, protocol_minor=0)),
    "close feed": lambda desk: desk.try_ask(CloseFeed()),
    "start": lambda desk: desk.try_ask(Start(schedule_id=1)),
    "stop": lambda desk: desk.try_ask(StopStream()),
    "other stream": lambda desk: desk.try_ask(Stream(inputs_mask=0b11, scan_period_us=200)),
    "heartbeat": lambda desk: desk.try_ask(Heartbeat()),
    "status": lambda desk: desk.try_ask(ReadStatus()),
    "silence": lambda desk: desk.wait(0.4, beat=False),
}


def play(act: Act | None, at_s: float, faults: tuple[Fault, ...] = ()) -> Desk:
    """Two on-times with something done on the way, all of it sampled."""
    spec = open_scenario("healthy").rig
    desk = Desk(SimRig(replace(spec, faults=faults)))
    desk.run(SCHEDULE, repeats=2)
    desk.stream(*INPUTS)
    if act is not None:
        desk.wait(at_s - desk.t)
        act(desk)
    desk.wait(2.5 - desk.t)
    return desk


def the_same(ahead: Desk, late: Desk) -> None:
    """All that was said is the same, and samples but for what rounding does to the physics."""
    said = [[m for m in desk.unasked if not isinstance(m, Samples)] for desk in (ahead, late)]
    assert said[0] == said[1]
    assert ahead.missed == late.missed
    blocks, expected = ahead.heard(Samples), late.heard(Samples)
    assert [replace(b, packed=b"") for b in blocks] == [replace(b, packed=b"") for b in expected]
    codes, others = (
        np.array([c for b in said for c in unpack_codes(b.packed, b.count, 10)], dtype=np.int64)
        for said in (blocks, expected)
    )
    assert len(codes) > 5_000
    assert np.abs(codes - others).max() <= 1
    assert np.count_nonzero(codes != others) <= 5e-4 * len(codes)


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many blocks each overtaking threw away."""
    thrown: list[int] = []
    overtaken = stream.Sampler.overtaken

    def watched(self: stream.Sampler, front: FrontEnd) -> None:
        thrown.append(len(self._drawn))
        overtaken(self, front)

    monkeypatch.setattr(stream.Sampler, "overtaken", watched)
    return thrown


@pytest.mark.parametrize("at_s", [ON_S, OFF_S])
@pytest.mark.parametrize("act", ACTS)
def test_whatever_is_asked(
    act: str, at_s: float, drawn: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    ahead = play(ACTS[act], at_s)
    assert max(drawn) > 10, "nothing was drawn ahead"
    monkeypatch.setattr(stream, "CALM_S", inf)
    drawn.clear()
    late = play(ACTS[act], at_s)
    assert max(drawn) == 0
    the_same(ahead, late)


@pytest.mark.parametrize("at_s", [ON_S, OFF_S])
@pytest.mark.parametrize("kind", sorted(set(FaultKind) - LINE_KINDS))
def test_whatever_breaks(kind: FaultKind, at_s: float, monkeypatch: pytest.MonkeyPatch) -> None:
    fault = Fault(kind=kind, at_s=at_s, duration_s=0.3137)
    ahead = play(None, at_s, (fault,))
    monkeypatch.setattr(stream, "CALM_S", inf)
    the_same(ahead, play(None, at_s, (fault,)))
