"""A run again, out of the log: its edges and samples in the order they happened.

Whoever analysed the run live can analyse it again from here, with a newer method or a better
calibration. Neighbouring blocks come joined, since reading them one by one costs most.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchrig.errors import LogError
from benchrig.measure.samples import SampleBlock
from benchrig.record.read import LogReader
from benchrig.record.values import EventKind, RunEvent


@dataclass(frozen=True, slots=True, kw_only=True)
class LoggedEdge:
    """A change of the outputs as the rig stamped it."""

    edge: int  # numbered at capture, unwrapped; a gap is loss
    tick: int  # unwrapped
    outputs_mask: int
    cause: str

    def to_event(self, at_s: float) -> RunEvent:
        """The event that keeps this edge; ``replay`` reads it back."""
        data = {
            "edge": self.edge,
            "tick": self.tick,
            "outputs_mask": self.outputs_mask,
            "cause": self.cause,
        }
        return RunEvent(kind=EventKind.EDGE, at_s=at_s, data=data)


def edges(log: LogReader, record_id: str) -> list[LoggedEdge]:
    """The edges of a run in the order of their ticks."""
    found = []
    for event in log.events(record_id):
        if event.kind is not EventKind.EDGE:
            continue
        try:
            found.append(
                LoggedEdge(
                    edge=int(event.data["edge"]),
                    tick=int(event.data["tick"]),
                    outputs_mask=int(event.data["outputs_mask"]),
                    cause=str(event.data.get("cause", "")),
                )
            )
        except (KeyError, TypeError, ValueError):
            raise LogError(
                f"record {record_id}: an edge without its tick or outputs",
                advice="run `benchrig record verify`",
            ) from None
    return sorted(found, key=lambda edge: (edge.tick, edge.edge))


def replay(log: LogReader, record_id: str) -> Iterator[LoggedEdge | SampleBlock]:
    """Edges and joined sample blocks; an edge comes before the block it falls into."""
    waiting = edges(log, record_id)[::-1]
    for block in log.samples(record_id, merged=True):
        end = block.tick + len(block.codes) * block.scan_period_ticks
        while waiting and waiting[-1].tick < end:
            yield waiting.pop()
        yield block
    yield from waiting[::-1]
