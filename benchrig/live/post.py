"""The outbox by hand: what waits, send it now, send it again, fill it from the log."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from benchrig.live.broker import BrokerAddress, MqttError, as_log_error, connection
from benchrig.live.publisher import INBOUND_BYTES_MAX, queue_verdict
from benchrig.live.sender import send_waiting
from benchrig.live.topics import RigTopics
from benchrig.record.outbox import Outbox
from benchrig.record.values import RunRecord

TRIES = 3
PAUSE_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PostResult:
    """What one sending came to."""

    sent: int
    waiting: int
    refused: tuple[str, ...]


async def send_now(
    broker: BrokerAddress, outbox: Outbox, *, stamp: Callable[[], str]
) -> PostResult:
    """Send what waits; raises LogError when the broker cannot be reached."""
    sent = 0
    for tries in range(1, TRIES + 1):
        owner = f"benchrig-outbox-{outbox.outbox_id()[:12]}"
        try:
            async with connection(
                broker, identifier=owner, packet_bytes_max=INBOUND_BYTES_MAX
            ) as client:
                done = await send_waiting(client, outbox, owner=owner, stamp=stamp)
        except (MqttError, OSError, TimeoutError) as error:
            if tries == TRIES:
                raise as_log_error(broker, error) from None
            await asyncio.sleep(PAUSE_S)
            continue
        return PostResult(
            sent=sent + done.sent,
            waiting=outbox.count_waiting(),
            refused=tuple(sorted(done.refused)),
        )
    raise AssertionError("unreachable")


def fill(outbox: Outbox, bench: str, records: Iterable[RunRecord], queued_at: str) -> int:
    """Queue the verdicts of finished runs that the outbox does not know; how many."""
    new = 0
    for record in records:
        topics = RigTopics(bench=bench, rig=record.rig.unique_id)
        new += queue_verdict(outbox, topics, record, queued_at)
    return new
