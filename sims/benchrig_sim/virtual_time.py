"""An event loop whose clock jumps: when nothing is ready, it is the next deadline's time.

``asyncio.run(main(), loop_factory=VirtualTimeLoop)`` (or ``asyncio.Runner``) runs five minutes
of waiting in the time the work takes, and the same way each time. The clock stands still while
work handed to ``run_in_executor`` (or ``asyncio.to_thread``) is under way. Another thread of the
program's own that will call ``call_soon_threadsafe`` is waited for only inside
``loop.awaiting_threads()``; otherwise its call arrives whenever it comes, and the clock does
not wait. When nothing is ready, nothing is timed and no thread is awaited, nothing can ever
happen again: that raises ``Deadlock`` instead of hanging.

Sockets and pipes work but their far ends live in real time; mix them in only to test that.
"""

from __future__ import annotations

import asyncio
import contextlib
import selectors
from collections.abc import Iterator
from typing import Any

POLL_EVERY = 8  # wake-ups; asking the system is a good part of what one costs
POLL_EVERY_ALONE = 64  # where no other thread is expected to call
THREAD_GRACE_S = 2.0  # real time given to a thread nobody announced, before Deadlock


class Deadlock(RuntimeError):
    """Nothing can ever happen again on this loop."""


class _JumpingSelector(selectors.BaseSelector):
    """The real selector, asked only for what is ready; waiting moves the clock instead."""

    def __init__(self) -> None:
        self._real = selectors.DefaultSelector()
        self.poll_every = POLL_EVERY
        self.now_s = 0.0
        self.threads = 0
        self._unasked = 0

    def register(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        return self._real.register(fileobj, events, data)

    def unregister(self, fileobj: Any) -> selectors.SelectorKey:
        return self._real.unregister(fileobj)

    def modify(self, fileobj: Any, events: int, data: Any = None) -> selectors.SelectorKey:
        return self._real.modify(fileobj, events, data)

    def get_map(self) -> Any:
        return self._real.get_map()

    def get_key(self, fileobj: Any) -> selectors.SelectorKey:
        return self._real.get_key(fileobj)

    def close(self) -> None:
        self._real.close()

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        self._unasked += 1
        asked = self._unasked >= self.poll_every
        if timeout is not None and timeout <= 0.0:
            return self._ask(0) if asked else []
        if self.threads:
            return self._ask(None)
        if timeout is not None and not asked:
            self.now_s += timeout
            return []
        ready = self._ask(0 if timeout is not None else THREAD_GRACE_S)
        if ready:
            return ready
        if timeout is None:
            raise Deadlock("nothing is ready, nothing is timed: the program would wait for ever")
        self.now_s += timeout
        return []

    def _ask(self, timeout: float | None) -> list[tuple[selectors.SelectorKey, int]]:
        self._unasked = 0
        return self._real.select(timeout)


class VirtualTimeLoop(asyncio.SelectorEventLoop):
    """A selector loop on virtual time, beginning at 0."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)
        self._clock_resolution = 1e-9

    def time(self) -> float:
        """Virtual seconds since the loop was made."""
        return self._jumping.now_s

    def sleep_through(self, seconds: float) -> None:
        """The whole program does nothing for a while, as when it is stopped; time goes on."""
        self._jumping.now_s += seconds

    def run_in_executor(self, executor, func, *args):  # type: ignore[override, no-untyped-def]
        """Hand work to a thread; the clock stands still until it is done."""
        future = super().run_in_executor(executor, func, *args)
        self._jumping.threads += 1
        future.add_done_callback(self._thread_done)
        return future

    def _thread_done(self, future: asyncio.Future[Any]) -> None:
        del future
        self._jumping.threads -= 1

    @contextlib.contextmanager
    def awaiting_threads(self) -> Iterator[None]:
        """The clock stands still inside: some thread will call back."""
        self._jumping.threads += 1
        try:
            yield
        finally:
            self._jumping.threads -= 1


class UnthreadedTimeLoop(VirtualTimeLoop):
    """The same without threads: work handed to ``run_in_executor`` is done at once.

    For many short jobs, of which threads are a good part of the cost. The work must not wait
    for anything that this loop has still to do.
    """

    def __init__(self) -> None:
        super().__init__()
        self._jumping.poll_every = POLL_EVERY_ALONE

    def run_in_executor(self, executor, func, *args):  # type: ignore[override, no-untyped-def]
        """Do it now; what it gives or raises comes to whoever awaits it."""
        del executor
        future = self.create_future()
        try:
            future.set_result(func(*args))
        except Exception as error:  # noqa: BLE001 - it belongs to whoever awaits
            future.set_exception(error)
        return future
