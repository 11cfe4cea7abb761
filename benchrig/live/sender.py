"""Empties the outbox into a broker, in order, one acknowledged message after the other."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from benchrig.live.broker import ANSWER_S, BrokerClient, NotAllowed
from benchrig.live.payloads import encode
from benchrig.record.outbox import Outbox

HOLD_S = 3 * ANSWER_S
TURN_S = 0.5


@dataclass(slots=True)
class Sent:
    """What came of it."""

    sent: int = 0
    refused: set[str] = field(default_factory=set)  # topics we may not publish to


async def send_waiting(
    client: BrokerClient, outbox: Outbox, *, owner: str, stamp: Callable[[], str]
) -> Sent:
    """Send all that waits. A topic the broker refuses keeps its messages; others go on.

    Raises MqttError when the connection breaks; whatever was not acknowledged still waits.
    """
    done = Sent()
    after = 0
    if not outbox.count_waiting():
        return done
    outbox_id = outbox.outbox_id()
    # Another process of this host may be sending; a file tells no event, so look again.
    while not outbox.lease(owner, HOLD_S):  # noqa: ASYNC110
        await asyncio.sleep(TURN_S)
    try:
        while batch := outbox.waiting(after=after):
            for message in batch:
                after = message.number
                if message.topic in done.refused:
                    continue
                outbox.lease(owner, HOLD_S)
                payload = message.payload | {"outbox": outbox_id, "number": message.number}
                try:
                    await client.deliver(message.topic, encode(payload), retain=True)
                except NotAllowed:
                    done.refused.add(message.topic)
                    continue
                outbox.mark_sent(message.number, stamp())
                done.sent += 1
    finally:
        outbox.release(owner)
    return done
