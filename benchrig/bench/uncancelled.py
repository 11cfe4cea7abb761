"""What a run still has to do when it was told to stop."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


def uncancel() -> None:
    """A caught cancellation is ours: without this every later timeout would misfire."""
    task = asyncio.current_task()
    while task is not None and task.cancelling():
        task.uncancel()


async def finish(
    work: Coroutine[Any, Any, T] | asyncio.Future[T], told_to_stop: Callable[[], None]
) -> T:
    """Work to its end whoever cancels; ``told_to_stop`` hears of each cancellation."""
    task = asyncio.ensure_future(work)
    while not task.done():
        try:
            await asyncio.wait({task})
        except asyncio.CancelledError:
            uncancel()
            told_to_stop()
    return task.result()


async def finish_in_thread(work: Callable[[], T]) -> T:
    """Seconds of arithmetic to their end, in a thread: other rigs of the loop need heartbeats.

    The part is off by then; what is left is its record.
    """
    return await finish(asyncio.to_thread(work), lambda: None)


async def hold_in_thread(work: Callable[[], T]) -> T:
    """A wait for the disk to its end, in a thread; a cancellation comes at the next wait instead.

    For what must be on the disk before the caller goes on, while other rigs of the loop need
    their heartbeats.
    """
    stopped = False

    def told_to_stop() -> None:
        nonlocal stopped
        stopped = True

    result = await finish(asyncio.to_thread(work), told_to_stop)
    task = asyncio.current_task()
    if stopped and task is not None:
        task.cancel()
    return result
