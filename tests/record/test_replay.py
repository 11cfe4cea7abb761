"""A run read again from the log: order, completeness, speed is the bench's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchrig.errors import LogError
from benchrig.measure.samples import SampleBlock
from benchrig.record.log import RunLog
from benchrig.record.replay import LoggedEdge, edges, replay
from benchrig.record.values import EventKind, RunEvent
from tests.record import made


def test_edges_and_samples_come_in_the_order_they_happened(tmp_path: Path) -> None:
    blocks = [made.block(n) for n in (0, 1, 2, 7, 8)]
    at = [blocks[0].tick - 5, blocks[2].tick + 3, blocks[3].tick - 1, blocks[4].tick + 10**9]
    kept = [
        LoggedEdge(edge=n, tick=t, outputs_mask=n % 2, cause="SCHEDULE") for n, t in enumerate(at)
    ]
    with RunLog.open(tmp_path / "runs.db") as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        for edge in kept[::-1]:  # late and out of order, as after a repeat
            writer.accept(edge.to_event(0.0))
        for block in blocks:
            writer.add_block(block)
        writer.close()
        assert edges(log, "a") == kept
        found = list(replay(log, "a"))
    shape = [
        ("block", item.block) if isinstance(item, SampleBlock) else ("edge", item.edge)
        for item in found
    ]
    assert shape == [("edge", 0), ("edge", 1), ("block", 0), ("edge", 2), ("block", 7), ("edge", 3)]
    codes = [item.codes for item in found if isinstance(item, SampleBlock)]
    assert np.array_equal(np.concatenate(codes), np.concatenate([b.codes for b in blocks]))


def test_an_edge_that_is_none_is_told(tmp_path: Path) -> None:
    with RunLog.open(tmp_path / "runs.db") as log:
        log.begin_run("a", made.plan(), made.rig())
        writer = log.writer("a")
        writer.accept(RunEvent(kind=EventKind.EDGE, at_s=0.0, data={"tick": "x"}))
        writer.close()
        with pytest.raises(LogError, match="edge without"):
            edges(log, "a")
