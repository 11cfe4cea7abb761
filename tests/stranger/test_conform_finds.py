"""What ``rig conform`` finds on the rig built from the document alone, told to lie."""

from __future__ import annotations

import pytest

from benchrig.bench.conform import Outcome
from tests.stranger.link import conform

FOUND = {
    "clock_percent=2": "clock",
    "clock_percent=-5": "clock",
    "clock_percent=10": "clock",
    "gate_never_on": "gate-read-back",
    "inputs_zero": "live-zeros",
    "aux_open": "feed",
    "aux_closed": "feed",
    "zero_code_none": "descriptions",
    "repeats_carried_out": "repeats",
    "silence_ignored": "silence-running",
    "silence_long_us": "silence-running",
    "feed_dead": "feed",
    "finished_never": "schedule-runs",
    "alloff_ignored": "all-off",
    "unasked_stands": "unasked-numbering",
    "mute=6": "schedule-loading",
    "mute=11": "schedule-runs",
}


@pytest.mark.parametrize("sin", FOUND)
def test_a_lie_is_found_by_its_check_with_a_likely_cause(sin: str) -> None:
    failed = {c.name: c for c in conform(sin).checks if c.outcome is Outcome.FAIL}
    assert FOUND[sin] in failed, sorted(failed)
    assert all(check.likely_cause for check in failed.values())


def test_it_goes_on_after_a_request_that_is_never_answered() -> None:
    report = conform("mute=11")
    assert report.checks[-1].name == "watchdog"
    (loaded,) = (c for c in report.checks if c.name == "schedule-loading")
    assert loaded.outcome is Outcome.PASS
