"""The matrix of causes, thinned: one severity, one seed, short pulses; none of them wrong.

The whole of it is ``python -m tests.bench diagnosis``.
"""

from __future__ import annotations

import pytest

from tests.bench.diagnosis import PATTERNS, ROWS, Row, play, struck_in_time, words_of

SHORT_PULSE = PATTERNS[1]
ABSTAINS = {"fuse blows", "feed fails for good"}  # a run that waits for a person
THINNED = [
    row
    for row in ROWS
    if row.name not in ABSTAINS
    and (row.truth is not None or row.name in ("sound", "supply in its limit, A", "supply sags, V"))
]


@pytest.mark.parametrize("row", THINNED, ids=lambda row: row.name)
def test_no_cause_is_told_for_another(row: Row) -> None:
    record, plant = play(row, 1, SHORT_PULSE, 0)
    word, said = words_of(row, record, struck_in_time(row, record, plant))
    assert word != "wrong", said
    if row.name == "sound":
        assert said == "PASS"
