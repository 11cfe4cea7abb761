"""Unwrapping, and events that a status brings to light."""

from __future__ import annotations

import random

import pytest

from benchrig.rig.events import EdgeEvent, EventReader, Unwrapper, inputs_of
from benchrig.wire.messages import Edge, EdgeCause


@pytest.mark.parametrize("bits", [8, 16, 32])
def test_a_wrapping_counter_is_followed_for_ever(bits: int) -> None:
    generator = random.Random(bits)
    unwrap, true = Unwrapper(bits), 0
    assert unwrap(0) == 0
    for _ in range(2000):
        true += generator.randrange((1 << bits) // 2)
        assert unwrap(true % (1 << bits)) == true
        back = max(true - generator.randrange((1 << bits) // 2), 0)
        assert unwrap(back % (1 << bits)) == back  # a late one does not lead astray
    assert true > 100 << bits


def test_edges_are_numbered_across_the_wrap_and_a_repeated_one_is_told_once() -> None:
    reader = EventReader()
    told = []
    for number in range(70_000):
        edge = Edge(edge=number & 0xFFFF, tick=number, outputs_mask=0, cause=EdgeCause.SCHEDULE)
        if number not in (65_535, 65_536):
            told += reader.read(edge)
        if number % 1000 == 0:
            told += reader.read(edge)
    numbers = [event.edge for event in told if isinstance(event, EdgeEvent)]
    assert numbers == [n for n in range(70_000) if n not in (65_535, 65_536)]
    assert reader.edges_lost == 2


def test_masks() -> None:
    assert inputs_of(0) == ()
    assert inputs_of(0b1000_0000_0000_1010) == (1, 3, 15)
