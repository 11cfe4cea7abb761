"""A rig that is found unsound only while the part is made safe: the run is no sound run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchrig.bench import safety
from benchrig.bench.observer import Observer
from benchrig.judge.verdict import Verdict
from benchrig.record.values import Ending, SafeEvidence
from tests.bench_room.jobs import run_sim


def _feed_had_to_be_opened(observer: Observer, evidence: SafeEvidence) -> SafeEvidence:
    del observer
    return replace(evidence, feed_opened=True)


def _feed_is_stuck(observer: Observer, evidence: SafeEvidence) -> SafeEvidence:
    observer.feed_stuck = True
    return evidence


@pytest.mark.parametrize(
    ("change", "reason"),
    [(_feed_had_to_be_opened, "the feed had to be opened"), (_feed_is_stuck, "it is stuck closed")],
)
def test_a_switch_or_feed_that_failed_at_the_last_is_a_fault(
    change: Callable[[Observer, SafeEvidence], SafeEvidence],
    reason: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    true = safety.make_safe

    async def make_safe(observer: Observer, *given: Any, **more: Any) -> Any:
        evidence = await true(observer, *given, **more)
        assert isinstance(evidence, SafeEvidence)
        return change(observer, evidence)

    monkeypatch.setattr("benchrig.bench.sequencer.make_safe", make_safe)
    record = run_sim("healthy", tmp_path / "runs.db")
    assert record.ending is Ending.FAULT
    assert reason in record.ending_reason
    assert record.verdict is Verdict.INCONCLUSIVE
