"""Where a run's events and samples go. Sinks never answer and never delay a run.

The log is essential: when it fails, the run ends safely, for a run that nobody can look up
later was not worth the wear. Every other sink may fail; that becomes a warning.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from benchrig.errors import LogError
from benchrig.measure.samples import SampleBlock
from benchrig.record.values import EventKind, RunEvent
from benchrig.record.writer import RunWriter


class Sink(Protocol):
    """Takes what a run tells. Must not block; ``failure`` is set once it can no longer."""

    essential: bool

    def accept(self, event: RunEvent) -> None:
        """Take one event."""

    def add_block(self, block: SampleBlock) -> None:
        """Take one block of raw samples."""

    @property
    def failure(self) -> Exception | None:
        """Why the sink no longer takes anything, None while it does."""


class LogSink:
    """The run log's writer as the one essential sink."""

    essential = True

    def __init__(self, writer: RunWriter) -> None:
        self._writer = writer

    def accept(self, event: RunEvent) -> None:
        """Keep an event."""
        self._writer.accept(event)

    def add_block(self, block: SampleBlock) -> None:
        """Keep raw samples."""
        self._writer.add_block(block)

    @property
    def failure(self) -> Exception | None:
        """Why nothing more can be kept."""
        return self._writer.failure


class SinkSet:
    """Hands events and blocks to all sinks and remembers which have failed."""

    def __init__(self, sinks: Sequence[Sink]) -> None:
        self._alive: tuple[Sink, ...] = tuple(sinks)  # never changed, only replaced
        self.warnings: list[str] = []
        self.essential_failure: LogError | None = None

    def accept(self, event: RunEvent) -> None:
        """Give an event to every living sink."""
        for sink in self._alive:
            try:
                sink.accept(event)
            except Exception as error:  # noqa: BLE001 - a sink's fault must never reach the run
                self._drop(sink, error)
        self.check()

    def add_block(self, block: SampleBlock) -> None:
        """Give a block to every living sink."""
        for sink in self._alive:
            try:
                sink.add_block(block)
            except Exception as error:  # noqa: BLE001 - as above
                self._drop(sink, error)
        self.check()

    def check(self) -> None:
        """Drop sinks that have failed on their own."""
        for sink in self._alive:
            if sink.failure is not None:
                self._drop(sink, sink.failure)

    def _drop(self, sink: Sink, error: Exception) -> None:
        self._alive = tuple(other for other in self._alive if other is not sink)
        text = f"{type(sink).__name__} failed: {error}"
        if sink.essential:
            self.essential_failure = LogError(f"the run log can no longer be written: {error}")
            return
        self.warnings.append(text)
        self.accept(RunEvent(kind=EventKind.WARNING, at_s=0.0, message=text))
