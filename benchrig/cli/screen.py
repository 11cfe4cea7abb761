"""The live card as a sink of a run."""

from __future__ import annotations

from benchrig.measure.samples import SampleBlock
from benchrig.record.values import RunEvent
from benchrig.report.terminal import LiveCard


class CardSink:
    """Events to the card; samples are for the log."""

    essential = False
    failure: Exception | None = None

    def __init__(self, card: LiveCard) -> None:
        self._card = card

    def accept(self, event: RunEvent) -> None:
        """Show an event."""
        self._card(event)

    def add_block(self, block: SampleBlock) -> None:
        """Nothing: the card lives on LIVE events."""
