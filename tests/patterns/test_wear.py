"""Relays warn at half and at four fifths of their life with coils as load."""

from __future__ import annotations

import pytest

from benchrig.patterns.wear import wear_warning
from tests.patterns.rigs import output, relay


@pytest.mark.parametrize(
    ("done", "words"),
    # 100 000 rated operations, derated to 40 % for a coil as load.
    [(19_999, ""), (20_000, "50 % of its life"), (31_999, "at hand"), (32_000, "replace it soon")],
)
def test_a_relay_warns_in_time(done: int, words: str) -> None:
    said = wear_warning(relay(), done)
    assert (words in said) if words else said == ""


def test_what_does_not_wear_does_not_warn() -> None:
    assert wear_warning(output(), 10**9) == ""
    assert wear_warning(relay(rated_operations=0), 10**9) == ""
