"""The emulated rig behind a pseudo-terminal, paced to the wall clock: one true serial path.

Only for a smoke test of the real driver: the emulator may fall behind a busy machine, so nothing
that depends on exact times belongs here.
"""

from __future__ import annotations

import contextlib
import os
import pty
import select
import threading
import time
import tty
from types import TracebackType
from typing import Self

from avr.emulator import HZ, Emulator
from avr.plant import Bench, PlainBench

SLICE_S = 0.001


class EmulatedPort:
    """A rig in a thread of its own; ``path`` is what ``--rig`` takes."""

    def __init__(self, bench: Bench | None = None) -> None:
        self._bench = bench or PlainBench()
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self._slave = slave
        self._stop = threading.Event()
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._guarded, name="emulated-port", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)
        if self._error is not None and error is None:
            raise self._error

    def _guarded(self) -> None:
        try:
            self._run()
        except BaseException as error:  # noqa: BLE001 - raised again where the port is left
            self._error = error

    def _run(self) -> None:
        emulator = Emulator(on_adc=self._bench.on_adc, on_pins=self._bench.on_pins)
        self._bench.attach(emulator)
        began = time.monotonic()
        while not self._stop.is_set():
            if select.select([self._master], [], [], 0)[0]:
                emulator.write(os.read(self._master, 4096))
            emulator.run_s(SLICE_S)
            self._bench.on_time(emulator.cycle)
            data = emulator.read()
            if data:
                with contextlib.suppress(OSError):
                    os.write(self._master, data)
            ahead = emulator.cycle / HZ - (time.monotonic() - began)
            if ahead > 0:
                self._stop.wait(ahead)
        emulator.close()
