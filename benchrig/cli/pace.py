"""Which event loop a rig address runs on, signals, and the person at the terminal.

A simulated rig runs on virtual time: five minutes of cycling take a moment. A real rig, and a
simulator behind a port, run on the wall clock.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import os
import queue
import signal
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Coroutine
from datetime import datetime
from typing import Any, TypeVar

from benchrig.bench.safety import Declaration, Shortfall
from benchrig.cli.output import Interrupted
from benchrig.errors import NotProvenSafe, UsageError
from benchrig.text import printable

T = TypeVar("T")
DECLARED = "disconnected"
UNATTENDED_TRIES = 10  # looks at a vanished rig before an unattended program gives up


def is_virtual(url: str) -> bool:
    """Whether this address is simulated in process."""
    return url.startswith(("sim:", "avr:"))


def loop_factory(url: str) -> Callable[[], asyncio.AbstractEventLoop] | None:
    """The event loop that belongs to a rig address."""
    if url.startswith("sim:"):
        from benchrig_sim.virtual_time import VirtualTimeLoop

        return VirtualTimeLoop
    if url.startswith("avr:"):
        try:
            virtual_time = importlib.import_module("avr.virtual_time")
        except ImportError as error:
            raise UsageError(
                "avr: rigs need the emulator harness in sims/avr, which is not installed",
                advice="run from a checkout with sims/ on PYTHONPATH",
            ) from error
        factory: Callable[[], asyncio.AbstractEventLoop] = virtual_time.new_event_loop
        return factory
    return None


def run_async(
    url: str,
    work: Coroutine[Any, Any, T],
    *,
    on_task: Callable[[asyncio.Future[T]], None] | None = None,
) -> T:
    """Run ``work`` on the loop of a rig address.

    SIGINT, SIGTERM and SIGHUP cancel it, and the run's own way out makes the part safe first;
    ``Interrupted`` where that was before a run had begun.
    ``on_task`` is given the running work, for others who may cancel it.
    """

    async def guarded() -> T:
        task = asyncio.ensure_future(work)
        if on_task is not None:
            on_task(task)
        loop = asyncio.get_running_loop()
        terminals = [fd for fd in (1, 2) if os.isatty(fd)]

        def stop(number: int) -> None:
            if number == getattr(signal, "SIGHUP", None):
                _let_go_of(terminals)
            task.cancel()

        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None:
                try:
                    loop.add_signal_handler(number, stop, number)
                except (NotImplementedError, RuntimeError):
                    signal.signal(number, lambda *_: loop.call_soon_threadsafe(task.cancel))
        return await task

    with asyncio.Runner(loop_factory=loop_factory(url)) as runner:
        try:
            return runner.run(guarded())
        except asyncio.CancelledError:
            raise Interrupted from None


def _let_go_of(terminals: list[int]) -> None:
    """The terminal has been closed: to write to it would fail, and cost the exit code."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for descriptor in terminals:
        os.dup2(nowhere, descriptor)
    os.close(nowhere)


def stamp() -> str:
    """The wall clock, ISO 8601 with offset; for stamps only, never for durations."""
    return datetime.now().astimezone().isoformat(timespec="milliseconds")


def new_record_id(now: str) -> str:
    """``YYYYMMDD-HHMMSS-xxxx`` from a stamp and four random hex digits."""
    import secrets

    digits = now[:19].replace("-", "").replace(":", "").replace("T", "-")
    return f"{digits}-{secrets.token_hex(2)}"


async def person_types(question: str) -> str:
    """A line from the person while the loop goes on; an interrupt does not wait for Enter.

    The thread that is then left behind must neither hold up the end of the program, as one of
    the executor's would, nor hold the lock of ``sys.stdin``: it reads the descriptor itself. A
    simulated clock stands still meanwhile.
    """
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[str] = loop.create_future()

    def settle(line: str) -> None:
        if not answer.done():
            answer.set_result(line)

    def read() -> None:
        typed = b""
        with contextlib.suppress(OSError):
            while b"\n" not in typed and (more := os.read(0, 256)):
                typed += more
        line = typed.decode(errors="replace").strip()
        with contextlib.suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(settle, line)

    sys.stderr.write(question)
    sys.stderr.flush()
    threading.Thread(target=read, daemon=True).start()
    with getattr(loop, "awaiting_threads", contextlib.nullcontext)():
        return await answer


class Person:
    """Asks whoever sits at the terminal, without ever blocking the run.

    ``tell`` is called at each failed attempt to prove the part off. It reads standard input
    in a thread; the word ``disconnected`` on a line is the declaration. With nobody there
    (input closed) and the link gone it gives up after some tries; while the rig still
    answers it never does.
    """

    def __init__(self, url: str) -> None:
        self._virtual = is_virtual(url)
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._reader: threading.Thread | None = None
        self._tries = 0
        self._nobody = False

    async def tell(self, alarm: NotProvenSafe, shortfall: Shortfall) -> Declaration | None:
        """Show what to disconnect; return what the person declared, if anything."""
        if self._reader is None:
            self._reader = threading.Thread(target=self._read, daemon=True)
            self._reader.start()
        if self._tries % 10 == 0:
            self._show(alarm)
        self._tries += 1
        if self._virtual:
            # Virtual time must not rush on while a person is needed: hold the whole loop.
            time.sleep(1.0)  # noqa: ASYNC251
        while not self._lines.empty():
            line = self._lines.get()
            if line is None:
                self._nobody = True
            elif line.strip().lower() == DECLARED:
                if not shortfall.link_gone:
                    sys.stderr.write(
                        "  Noted. But the rig still answers, and it does not see the part off:\n"
                        f"    {shortfall.reason}.\n"
                        "  This ends when it measures nothing, or when its USB plug is pulled.\n"
                    )
                    sys.stderr.flush()
                return Declaration(text="the supply is declared disconnected")
            elif line.strip():
                word = printable(line.strip()[:20])
                sys.stderr.write(
                    f'  "{word}" is not it: type {DECLARED}, once the supply is off.\n'
                )
                sys.stderr.flush()
        if self._nobody and shortfall.link_gone and self._tries >= UNATTENDED_TRIES:
            raise alarm
        return None

    def _show(self, alarm: NotProvenSafe) -> None:
        lines = [
            "",
            "!" * 72,
            f"  {alarm.message}",
            "  THIS RUN IS NOT FINISHED. Disconnect, in this order:",
            *(
                textwrap.fill(step, 72, initial_indent=f"    {number}. ", subsequent_indent=" " * 7)
                for number, step in enumerate(alarm.disconnect, 1)
            ),
            f"  When the supply is off the part, type {DECLARED} and press Enter.",
            "!" * 72,
            "",
        ]
        sys.stderr.write("\n".join(lines) + "\n")
        sys.stderr.flush()

    def _read(self) -> None:
        try:
            for line in sys.stdin:
                self._lines.put(line)
        except (OSError, ValueError):
            pass
        self._lines.put(None)
