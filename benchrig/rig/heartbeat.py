"""The heartbeat of a rig: the host lives. Without it the rig drops everything by itself.

Beats of all rigs fall together, just ahead of the time at which their links are looked at, so
that the answers are read with what has gathered and wake nobody. A beat is a timer's call and
no task: many rigs beat all day, and nobody waits for an answer that the exchange keeps watch of.
"""

from __future__ import annotations

import asyncio

from benchrig.rig.exchange import Exchange

PERIOD_S = 0.1
BEFORE_LOOK_S = 0.004


def next_beat_s(sent_s: float) -> float:
    """A period later at the latest; sooner where that brings it together with other rigs'."""
    soonest_s = sent_s + PERIOD_S / 50
    turn = (soonest_s + BEFORE_LOOK_S) // PERIOD_S + 1.0
    return min(sent_s + PERIOD_S, turn * PERIOD_S - BEFORE_LOOK_S)


class Heartbeat:
    """Beats on an exchange from now on, until it is lost or mistaken, or this is stopped."""

    def __init__(self, exchange: Exchange) -> None:
        self._exchange = exchange
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.Handle = self._loop.call_soon(self._beat)

    def stop(self) -> None:
        """No more of them."""
        self._timer.cancel()

    def _beat(self) -> None:
        exchange = self._exchange
        now_s = self._loop.time()
        exchange.beat()
        if not exchange.lost and exchange.mistake is None:
            self._timer = self._loop.call_at(next_beat_s(now_s), self._beat)
