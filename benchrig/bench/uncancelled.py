"""What a run still has to do when it was told to stop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def uncancel() -> None:
    """A caught cancellation is ours: without this every later timeout would misfire."""
    task = asyncio.current_task()
    while task is not None and task.cancelling():
        task.uncancel()


async def finish_in_thread(work: Callable[[], T]) -> T:
    """Seconds of arithmetic to their end, in a thread: other rigs of the loop need heartbeats."""
    task = asyncio.ensure_future(asyncio.to_thread(work))
    while not task.done():
        try:
            await asyncio.shield(task)
        except asyncio.CancelledError:  # the part is off; what is left is its record
            uncancel()
            if task.cancelled():
                raise
    return task.result()
