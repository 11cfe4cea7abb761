"""A run read again from its log gives what it gave when it was made."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from benchrig.bench.replay import analyse_again, stored_run
from benchrig.record.log import RunLog
from benchrig_sim.link import SimLink
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario
from benchrig_sim.variants import switch_info
from tests.bench_room.jobs import plan_for, run_sim


@pytest.mark.parametrize("relay", [False, True])
def test_cycles_are_read_again_as_they_were(
    relay: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Behind a relay too, whose contact closes late and bounces, and by a poor clock."""
    spec = open_scenario("healthy").rig
    outputs = list(spec.outputs)
    if relay:
        outputs[0] = switch_info(0, spec.circuit, relay=True)
    spec = replace(
        spec,
        outputs=tuple(outputs),
        identity=replace(spec.identity, clock_tolerance_ppm=5000),
    )
    monkeypatch.setattr("benchrig_sim.link.open_sim_link", lambda _: SimLink(SimRig(spec)))
    made = run_sim("healthy", tmp_path / "log.db", plan=plan_for())
    assert len(made.cycles) == 6, made.ending_reason
    with RunLog.open(tmp_path / "log.db", read_only=True) as log:
        again = analyse_again(stored_run(log, made.record_id))
    bare = [replace(cycle, motion=None) for cycle in made.cycles]
    assert [replace(cycle, motion=None) for cycle in again] == bare
