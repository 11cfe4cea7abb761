"""What a rig tells by itself, for a test that waits for it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from benchrig.rig.client import Rig, RigClientState
from benchrig.rig.events import RigEvent


async def next_events(rig: Rig) -> list[RigEvent]:
    """All events that have come, at least one; empty once there will be no more."""
    news = asyncio.Event()
    rig.listen(news.set)
    try:
        await news.wait()
    finally:
        rig.listen(None)
    return rig.take_events()


async def every_event(rig: Rig) -> AsyncIterator[RigEvent]:
    """Events as they come, until the link is lost or closed."""
    while events := await next_events(rig):
        for event in events:
            yield event
    assert rig.state in (RigClientState.LOST, RigClientState.CLOSED)
