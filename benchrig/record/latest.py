"""Which of several values of a part counts: that of the latest stage, whenever it was typed.

Incoming comes before cleaned, cleaned before retest. A run or value of no stage ("single") counts
where it is newer than all that have one. What was withdrawn counts nowhere.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

from benchrig.record.entries import FlowEntry
from benchrig.record.read import LogReader, Numbered
from benchrig.record.rows import RunSummary
from benchrig.record.values import Stage

T = TypeVar("T")
STAGES = (Stage.SINGLE, Stage.INCOMING, Stage.CLEANED, Stage.RETEST)
FLOWS = ("static_flow_cc_per_min", "dynamic_flow_ul")


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A value and where it was taken from."""

    value: float
    stage: str
    at: str  # ISO 8601
    record_id: str = ""  # of a run
    number: int | None = None  # of what was typed in
    std_uncertainty: float | None = None

    @property
    def words(self) -> str:
        """Stage, day and source on a line."""
        source = f"entry {self.number}" if self.number is not None else f"record {self.record_id}"
        return f"{self.stage}, {self.at[:10]}, {source}"


def stage_rank(stage: str) -> int:
    """Where a stage stands in a part's day; -1 for what is no stage of it."""
    return STAGES.index(Stage(stage)) if stage in STAGES else -1


def latest(items: Sequence[T], *, stage: Callable[[T], str], at: Callable[[T], str]) -> T | None:
    """The one that counts; None of none."""

    def time(item: T) -> float:
        return datetime.fromisoformat(at(item)).timestamp()

    staged = [item for item in items if stage_rank(stage(item)) > 0]
    single = [item for item in items if stage_rank(stage(item)) == 0]
    best = max(staged, key=lambda i: (stage_rank(stage(i)), time(i)), default=None)
    loose = max(single, key=time, default=None)
    if best is None or loose is None:
        return loose if best is None else best
    return loose if time(loose) > time(best) else best


def latest_runs(runs: Sequence[RunSummary]) -> dict[str, RunSummary]:
    """The run of each tag that counts, by tag; the golden part's newest, held ones never."""
    by_tag: dict[str, list[RunSummary]] = {}
    for run in runs:
        if run.tag:
            by_tag.setdefault(run.tag, []).append(run)
    found: dict[str, RunSummary] = {}
    for tag, of_tag in sorted(by_tag.items()):
        golden = [run for run in of_tag if run.stage == Stage.GOLDEN]
        best = latest(of_tag, stage=lambda r: r.stage, at=lambda r: r.begun_at)
        if best is None and golden:
            best = max(golden, key=lambda r: r.begun_at)
        if best is not None:
            found[tag] = best
    return found


def typed_flows(log: LogReader, tag: str, *, order: str = "") -> dict[str, Taken]:
    """The flow of a tag that counts, by characteristic.

    With ``order``: typed in after the last run that the tag had in an earlier order.
    """
    since = _order_began(log, tag, order) if order else ""
    kept = [n for n in log.numbered(FlowEntry, tag=tag) if n.withdrawal is None]
    kept = [n for n in kept if not since or _time(n.entry.at) > _time(since)]
    found: dict[str, Taken] = {}
    for name in FLOWS:
        having = [n for n in kept if getattr(n.entry, name) is not None]
        best = latest(having, stage=lambda n: n.entry.stage, at=lambda n: n.entry.at)
        if best is not None:
            found[name] = _taken(best, name)
    return found


def _taken(best: Numbered[FlowEntry], name: str) -> Taken:
    entry = best.entry
    return Taken(
        value=getattr(entry, name),
        stage=entry.stage,
        at=entry.at,
        number=best.number,
        std_uncertainty=entry.std_uncertainty,
    )


def _order_began(log: LogReader, tag: str, order: str) -> str:
    """When the last run of the tag in another order ended, before its first in this one."""
    runs = log.history(tag)
    first = next((run.begun_at for run in runs if run.order == order), "")
    before = [r.ended_at for r in runs if r.order != order and first and r.begun_at < first]
    return max(before, key=_time, default="")


def _time(stamp: str) -> float:
    return datetime.fromisoformat(stamp).timestamp()
