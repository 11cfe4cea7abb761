"""Slips of typing are asked about, and sound values are not."""

from __future__ import annotations

import random

from benchrig.judge.plausible import doubts
from benchrig.parts.part import Characteristic, Limit

LIMIT = Limit(
    characteristic=Characteristic.STATIC_FLOW,
    low=230.0,
    high=250.0,
    source="Invented for this test",
)


def order(seed: int) -> list[float]:
    """Thirty-nine parts as they come in: 2 % apart, three of them clogged by a tenth."""
    draw = random.Random(seed)
    values = [round(draw.gauss(240.0, 4.8), 1) for _ in range(36)]
    return values + [round(draw.gauss(216.0, 4.8), 1) for _ in range(3)]


def test_slips_are_found_and_clogged_parts_are_not_called_slips() -> None:
    for seed in range(20):
        others = order(seed)
        for slip in (2400.0, 24.0, 0.24, 22.8, 420.0, 740.0):
            assert doubts(slip, others, LIMIT, "cc/min"), slip
            assert doubts(slip, others, None, "cc/min"), slip
        for at, value in enumerate(others):
            assert doubts(value, others[:at] + others[at + 1 :], LIMIT, "cc/min") == []


def test_the_first_value_has_only_its_limit() -> None:
    assert doubts(2400.0, [], LIMIT, "cc/min") == [
        "more than a factor of three from the limit 230 to 250 cc/min"
    ]
    assert doubts(2400.0, [], None, "cc/min") == []
    assert doubts(2400.0, [240.0], None, "cc/min") != []
    assert doubts(420.0, [240.0, 241.0], None, "cc/min") == []  # too few to say
