"""Between the firmware's pins and the true contacts: relay delays, bounce, welds, pull-downs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from benchrig.wire.messages import OutputInfo, OutputKind
from benchrig_sim.plant import Plant


@dataclass(frozen=True, slots=True, kw_only=True)
class RelayTiming:
    """How slowly and how untidily a relay moves."""

    operate_s: float = 8e-3
    release_s: float = 5e-3
    bounce_s: float = 2e-3
    bounces: int = 4


FEED_TIMING = RelayTiming(operate_s=12e-3, release_s=6e-3, bounce_s=2e-3, bounces=3)


class Hardware:
    """Commands go in; contacts move when they do. ``later`` runs something at a true time."""

    def __init__(
        self,
        plant: Plant,
        outputs: list[OutputInfo],
        later: Callable[[float, Callable[[], None]], None],
        seed: int,
    ) -> None:
        self.plant = plant
        self.outputs = outputs
        self.relay = RelayTiming()
        self.mask = 0  # gate pins
        self.feed = False  # the feed's drive
        self.feed_real = False
        self.welded_outputs: set[int] = set()
        self.welded_feed = False
        self._later = later
        self._moves = {output.output: 0 for output in outputs}
        self._feed_moves = 0
        self._rng = np.random.default_rng(seed)
        self._kind = {output.output: output.kind for output in outputs}

    def set_mask(self, mask: int, t: float) -> None:
        """Drive the gates."""
        changed, self.mask = mask ^ self.mask, mask
        for output in self._kind:
            if changed >> output & 1:
                self._drive(output, bool(mask >> output & 1), t)

    def set_feed(self, closed: bool, t: float) -> None:
        """Drive the feed contactor's coil."""
        if closed == self.feed:
            return
        self.feed = closed
        self._feed_moves += 1
        move = self._feed_moves
        for when, state in self._contact_moves(FEED_TIMING, closed, t):
            self._later(when, partial(self._feed_contact, move, state, when))

    def pull_down(self, t: float) -> None:
        """No firmware drives the pins: everything drops."""
        self.set_mask(0, t)
        self.set_feed(False, t)

    def weld_output(self, output: int, t: float) -> None:
        """From now on this switch stays closed."""
        self.welded_outputs.add(output)
        self.plant.set_output(output, True, t)

    def weld_feed(self, t: float) -> None:
        """From now on the feed stays closed."""
        self.welded_feed = True
        self.feed_real = True
        self.plant.set_feed(True, t)

    def _drive(self, output: int, on: bool, t: float) -> None:
        kind = self._kind[output]
        if kind is OutputKind.LOW_CURRENT_SOURCE:
            self.plant.set_source(on, t)
            return
        if on:
            self.plant.set_sense(output, t)
        if kind is OutputKind.SOLID_STATE:
            self.plant.set_output(output, on or output in self.welded_outputs, t)
            return
        self._moves[output] += 1
        move = self._moves[output]
        for when, state in self._contact_moves(self.relay, on, t):
            self._later(when, partial(self._contact, output, move, state, when))

    def _contact(self, output: int, move: int, closed: bool, t: float) -> None:
        if move == self._moves[output]:
            self.plant.set_output(output, closed or output in self.welded_outputs, t)

    def _feed_contact(self, move: int, closed: bool, t: float) -> None:
        if move == self._feed_moves:
            self.feed_real = closed or self.welded_feed
            self.plant.set_feed(self.feed_real, t)

    def _contact_moves(
        self, timing: RelayTiming, close: bool, t: float
    ) -> list[tuple[float, bool]]:
        if not close:
            return [(t + timing.release_s, False)]
        start = t + timing.operate_s
        times = start + np.sort(self._rng.uniform(0.0, timing.bounce_s, 2 * timing.bounces))
        states = [bool(n % 2) for n in range(2 * timing.bounces)]
        return [(start, True), *zip(times.tolist(), states, strict=True)]
