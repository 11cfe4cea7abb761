"""Real processes: a run that is killed, told to stop, stopped or hung up on, at any moment."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.faults.kills import How, kill_once

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs signals and pseudo-terminals")


@pytest.mark.parametrize(
    ("how", "after_s"),
    [
        (How.KILL, 2.6),
        (How.STOP, 2.1),
        (How.TERM, 2.4),
        (How.INT3, 2.8),
        (How.HANG_UP, 2.5),
    ],
)
def test_whatever_ends_the_program_nothing_stays_on(
    how: How, after_s: float, tmp_path: Path
) -> None:
    killed = kill_once(how, after_s, tmp_path)
    assert killed.wrong == []
    if how is How.KILL:
        assert killed.was_open  # and the next start closed it with evidence
