"""The rig built from the document alone, told to lie: what becomes of a good part."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.judge.verdict import Verdict
from benchrig.record.values import Ending
from tests.stranger.link import run_on

# Lie -> the two witnesses that contradict one another.
CONTRADICTIONS = {
    "clock_percent=2": ("rig's clock", "host's"),
    "clock_percent=-5": ("rig's clock", "host's"),
    "clock_percent=10": ("rig's clock", "host's"),
    "part_voltage_times=1.2": ("part voltage input", "supply input"),
    "reference_percent=10": ("low-current source", "operating current"),
    "reference_percent=-10": ("low-current source", "operating current"),
    "current_times=0.6": ("low-current source", "operating current"),
}


@pytest.mark.parametrize("sin", CONTRADICTIONS)
def test_a_rig_that_contradicts_itself_says_nothing_for_or_against_the_part(
    sin: str, tmp_path: Path
) -> None:
    record, _ = run_on(sin, log_path=tmp_path / "log.db")
    # A current that reads too low makes a winding that reads too hot, which ends a run early.
    assert record.ending in (Ending.COMPLETE, Ending.STOPPED)
    assert record.proven_safe
    assert record.verdict is Verdict.INCONCLUSIVE, record.verdict_reason
    for witness in CONTRADICTIONS[sin]:
        assert witness in record.verdict_reason
        assert any(witness in warning for warning in record.warnings)
