"""What the log knows of a tray: which slots are done, and the layout its page is made from.

A tray file is the person's and may change or go. What lay where is therefore put into the log
when a tray is begun; the records are found by order, tray, stage and tag.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Protocol

from benchrig.bench.trayfile import Tray
from benchrig.judge.verdict import Verdict
from benchrig.record.entries import TrayEntry, TraySlot
from benchrig.record.read import Filters, LogReader
from benchrig.record.rows import RunSummary
from benchrig.record.values import Ending, RunRecord, Stage

# Endings that say nothing about the part: the slot is done again.
UNFINISHED = (Ending.INTERRUPTED, Ending.FOUND_OPEN, Ending.CHECK_FAILED, Ending.LINK_LOST)
LIST_MOST = 10_000


class Placed(Protocol):
    """A slot of a tray file or of the log."""

    @property
    def number(self) -> int: ...
    @property
    def output(self) -> int: ...
    @property
    def tag(self) -> str: ...
    @property
    def position(self) -> str: ...


def entry_of(tray: Tray, stage: Stage, *, golden: str, at: str) -> TrayEntry:
    """A tray as it goes into the log."""
    return TrayEntry(
        at=at,
        who=tray.operator,
        order=tray.order,
        tray=tray.name,
        stage=stage.value,
        customer_words=tray.customer_words,
        position_scheme=tray.position_scheme,
        golden=golden,
        file_digest=tray.digest,
        slots=tuple(
            TraySlot(
                number=slot.number,
                output=slot.output,
                tag=slot.tag,
                part_number=slot.part_number,
                position=slot.position,
            )
            for slot in tray.slots
        ),
    )


def trays_of(log: LogReader, order: str = "", tray: str = "", stage: str = "") -> list[TrayEntry]:
    """Trays of the log, one for each order, tray and stage, the newest last."""
    newest: dict[tuple[str, str, str], TrayEntry] = {}
    for entry in log.entries(TrayEntry):
        key = (entry.order, entry.tray, entry.stage)
        asked = zip((order, tray, stage), key, strict=True)
        if all(not want or want == has for want, has in asked):
            newest.pop(key, None)  # gone on with: it moves to the end
            newest[key] = entry
    return list(newest.values())


def finished_slots(log: LogReader, tray: Tray, stage: Stage) -> dict[int, RunRecord]:
    """The record of each slot that is done: of this order, stage and tray file, by its tag.

    A slot whose tag is scanned is found by its output and its label.
    """
    found: dict[int, RunRecord] = {}
    for run in _runs(log, tray.order, stage.value):
        if _says_something(run) and (placed := _placed(log, run, tray.name, tray.slots)):
            found.setdefault(*placed)  # the list is newest first
    return found


def records_of(log: LogReader, entry: TrayEntry) -> dict[int, RunRecord]:
    """The record each slot is shown with: the newest that says something about the part.

    A newer one that is not proven safe comes before it, and any other where there is no better.
    """
    newest: dict[int, RunRecord] = {}
    telling: dict[int, RunRecord] = {}
    for run in _runs(log, entry.order, entry.stage):
        placed = _placed(log, run, entry.tray, entry.slots, as_written=True)
        if placed is not None:
            newest.setdefault(*placed)
            if _says_something(run):
                telling.setdefault(*placed)
    return {
        number: telling.get(number, record) if record.proven_safe else record
        for number, record in sorted(newest.items())
    }


def _runs(log: LogReader, order: str, stage: str) -> Iterator[RunSummary]:
    yield from log.list_runs(Filters(order=order, stage=stage), LIST_MOST)


def _says_something(run: RunSummary) -> bool:
    if run.ending in UNFINISHED or not run.proven_safe:
        return False
    return run.ending != Ending.FAULT or run.verdict == Verdict.FAIL


def _placed(
    log: LogReader, run: RunSummary, tray: str, slots: Sequence[Placed], *, as_written: bool = False
) -> tuple[int, RunRecord] | None:
    """The slot a run belongs to, and its record; a corrected tag counts as corrected.

    ``as_written``: the tag as it was before a correction counts too.
    """
    tags = {run.tag}
    if as_written and "tag" in run.corrected:
        tags.add(log.record(run.record_id, corrected=False).plan.tag)
    if any(tags) and all(slot.tag and slot.tag not in tags for slot in slots):
        return None  # no need to read the record
    record = log.record(run.record_id)
    if record.plan.tray != tray:
        return None
    place = (record.plan.output, record.plan.position)
    for slot in slots:
        if slot.tag in tags if slot.tag else (slot.output, slot.position) == place:
            return slot.number, record
    return None
