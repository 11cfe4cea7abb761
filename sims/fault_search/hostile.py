"""What goes wrong on the host's side: signals, a frozen program, sinks, the log's disk."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Sequence
from typing import Any

from sqlalchemy import event

from benchrig.bench.sinks import Sink
from benchrig.errors import LogError
from benchrig.measure.samples import SampleBlock
from benchrig.record.log import RunLog
from benchrig.record.values import RunEvent, RunRecord
from benchrig.record.writer import RunWriter
from benchrig_sim.virtual_time import VirtualTimeLoop
from fault_search.case import HostFault, HostFaultKind

AGAIN_S = 0.1
FLUSH_S = 0.5


class WeakSink:
    """A sink that fails from some moment on; not essential, and no run may notice."""

    essential = False

    def __init__(self, *, throws: bool) -> None:
        self._throws = throws
        self.broken = False

    def accept(self, event: RunEvent) -> None:
        """Take an event, or throw."""
        del event
        self._try()

    def add_block(self, block: SampleBlock) -> None:
        """Take samples, or throw."""
        del block
        self._try()

    def _try(self) -> None:
        if self.broken and self._throws:
            raise RuntimeError("the screen is gone")

    @property
    def failure(self) -> Exception | None:
        """A broker that went away says so here."""
        return LogError("the broker is gone") if self.broken and not self._throws else None


class HostTrouble:
    """Carries the host's faults out, each at its moment."""

    def __init__(self, faults: Sequence[HostFault], log: RunLog) -> None:
        self._faults = faults
        self._log = log
        self._loop = asyncio.get_running_loop()
        self.writer: RunWriter | None = None
        self._full = False
        self._slow_s = 0.0
        self._throwing = self.threw = False
        kinds = {f.kind for f in faults}
        self._weak = {
            kind: WeakSink(throws=kind is HostFaultKind.SCREEN_RAISES)
            for kind in (HostFaultKind.SCREEN_RAISES, HostFaultKind.BROKER_GONE)
            if kind in kinds
        }
        self._catch_writer(log)
        self._disk = None
        if kinds & {HostFaultKind.DISK_FULL, HostFaultKind.DISK_SLOW}:
            self._disk = log._engine
            event.listen(self._disk, "before_cursor_execute", self._before_execute)

    @property
    def sinks(self) -> tuple[Sink, ...]:
        """The sinks that will fail."""
        return tuple(self._weak.values())

    def begin(self, task: asyncio.Task[RunRecord]) -> None:
        """Set the alarm clocks; the loop's time is the job's."""
        for fault in self._faults:
            self._loop.call_at(fault.at_s, self._strike, fault, task)

    def end(self) -> None:
        """The disk is well again: a file's engine outlives the log."""
        if self._disk is not None:
            event.remove(self._disk, "before_cursor_execute", self._before_execute)

    def _strike(self, fault: HostFault, task: asyncio.Task[RunRecord]) -> None:
        kind = fault.kind
        if kind is HostFaultKind.CANCELLED:
            for again in range(int(fault.value)):
                self._loop.call_later(again * AGAIN_S, task.cancel)
        elif kind is HostFaultKind.FROZEN:
            assert isinstance(self._loop, VirtualTimeLoop)
            self._loop.sleep_through(fault.value)
        elif kind in self._weak:
            self._weak[kind].broken = True
        elif kind is HostFaultKind.LOG_RAISES:
            self._throwing = True
        elif kind is HostFaultKind.DISK_FULL:
            self._full = True
            self._flush()
        else:
            self._slow_s = fault.value

    def _flush(self) -> None:
        """Commit now, so that the full disk is met at a virtual time and not at a real one."""
        if self.writer is not None and self.writer.failure is None and not self.writer.closed:
            try:
                self.writer.flush()
            except LogError:
                return
        self._loop.call_later(FLUSH_S, self._flush)

    def _catch_writer(self, log: RunLog) -> None:
        make = log.writer

        def writer(record_id: str) -> RunWriter:
            self.writer = made = make(record_id)
            add_block, accept = made.add_block, made.accept

            def block(block: SampleBlock) -> None:
                self._throw()
                add_block(block)

            def take(event: RunEvent) -> None:
                self._throw()
                accept(event)

            made.add_block, made.accept = block, take  # type: ignore[method-assign]
            return made

        log.writer = writer  # type: ignore[method-assign]

    def _throw(self) -> None:
        if self._throwing:
            self.threw = True
            raise RuntimeError("the log's sink throws")

    def _before_execute(self, connection: Any, cursor: Any, statement: str, *_: Any) -> None:
        del cursor
        if not statement.startswith("INSERT"):
            return
        if self._slow_s:
            time.sleep(self._slow_s)
        if self._full:
            # SQLite itself refuses with "database or disk is full": no page may be added.
            connection.connection.driver_connection.execute("PRAGMA max_page_count=1")
