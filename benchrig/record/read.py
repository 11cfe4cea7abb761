"""Reading the run log: lists, history, records, events, samples, entries."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Generic, Self, TypeVar

from sqlalchemy import Connection, Engine, RowMapping, Select, and_, bindparam, func, select
from sqlalchemy.engine import URL

from benchrig.errors import LogError
from benchrig.measure.features import CycleFeatures
from benchrig.measure.samples import SampleBlock
from benchrig.record import database, forms
from benchrig.record.codec import Codec, Packed, unpack
from benchrig.record.entries import ENTRY_KINDS, Correction, Entry, Withdrawal, may_withdraw
from benchrig.record.rows import RunSummary, ScaleSet, summary, unpress, word
from benchrig.record.schema import (
    SUMMARY_COLUMNS,
    begin_table,
    chunk_table,
    end_table,
    entry_table,
)
from benchrig.record.values import RunEvent, RunRecord, Stage

E = TypeVar("E", bound=Entry)
ORDER_MOST = 10_000  # runs
_IDS_AT_ONCE = 500
# Built once: most of the time of a small statement is building it. Two rows are one too many.
_BEGIN_OF = select(begin_table).where(begin_table.c.record_id == bindparam("record")).limit(2)
_OF_END = end_table.c.record_id == bindparam("record")
_END_OF = select(end_table).where(_OF_END).limit(2)
_LIST = select(*SUMMARY_COLUMNS).order_by(end_table.c.begun_at.desc(), end_table.c.record_id.desc())
_OF_TAG = _LIST.where(end_table.c.tag == bindparam("tag")).limit(bindparam("most"))
_CORRECTED = select(entry_table.c.record_id, entry_table.c.data).where(
    entry_table.c.kind == Correction.KIND
)
_CORRECTED_TO_TAG = _CORRECTED.where(entry_table.c.tag == bindparam("tag"))
_CORRECTIONS = _CORRECTED.where(
    entry_table.c.record_id.in_(bindparam("ids", expanding=True))
).order_by(entry_table.c.number)
_FEATURES_OF = select(end_table.c.features).where(_OF_END).limit(2)


@cache
def _entries_where(*columns: str) -> Select[Any]:
    """Entries with given values in these columns, in the order they were made."""
    entry = entry_table.c
    query = select(entry_table).order_by(entry.log_id, entry.number)
    return query.where(*(entry[name] == bindparam(name) for name in columns))


@dataclass(frozen=True, slots=True, kw_only=True)
class Filters:
    """What a list shows; None shows all.

    Times are ISO 8601 and compared as text, so by each bench's own clock; a day counts whole.
    """

    tag: str | None = None
    order: str | None = None
    part: str | None = None
    verdict: str | None = None
    stage: str | None = None
    rig_unique_id: str | None = None
    since: str | None = None
    until: str | None = None


class LogReader:
    """Everything of a log that only answers; the same for a file and for a shared log."""

    def __init__(self, engine: Engine, url: URL) -> None:
        self._engine = engine
        self._url = url

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file or the server."""
        self._engine.dispose()

    @property
    def shown(self) -> str:
        """Path or URL for a person to read, without a password."""
        return database.shown(self._url)

    @property
    def url(self) -> URL:
        """Where the log is; holds the password, so never show it."""
        return self._url

    def connect(self) -> Connection:
        """A bare connection, for work that tells errors of two databases apart."""
        return self._engine.connect()

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection to read with; its errors become LogError."""
        with database.log_errors(self._url), self._engine.connect() as connection:
            yield connection

    # --- lists ------------------------------------------------------------

    def list_runs(self, filters: Filters | None = None, limit: int = 50) -> list[RunSummary]:
        """Finished runs, newest first, corrected where they were."""
        wanted = filters or Filters()
        end = end_table.c
        query = _LIST
        for column, value in (
            (end.part, wanted.part),
            (end.verdict, wanted.verdict),
            (end.rig_unique_id, wanted.rig_unique_id),
        ):
            if value is not None:
                query = query.where(column == word(value))
        if wanted.since is not None:
            query = query.where(end.begun_at >= wanted.since)
        if wanted.until is not None:
            day = len(wanted.until) == len("2026-01-31")
            query = query.where(end.begun_at <= wanted.until + "T99" * day)
        correctable = {"tag": wanted.tag, "order": wanted.order, "stage": wanted.stage}
        with self.reading() as connection:
            for name, value in correctable.items():
                if value is None:
                    continue
                column = end.order_number if name == "order" else end[name]
                moved = self._corrected_to(connection, name, value)
                here = column == word(value)
                query = query.where(here | end.record_id.in_(moved) if moved else here)
            return self._first(connection, query, correctable, limit)

    def _first(
        self, connection: Connection, query: Select[Any], wanted: dict[str, str | None], limit: int
    ) -> list[RunSummary]:
        """So many runs that are wanted as corrected: what was corrected away makes no room."""
        found: list[RunSummary] = []
        looked_at = 0
        while True:
            page = query.limit(limit).offset(looked_at)
            rows = connection.execute(page).mappings().all()
            found += self._corrected(connection, rows, wanted)
            looked_at += limit
            if len(rows) < limit or len(found) >= limit:
                return found[:limit]

    def history(self, tag: str, limit: int = 1000) -> list[RunSummary]:
        """All finished runs of a tag, oldest first."""
        with self.reading() as connection:
            if not self._corrected_to(connection, "tag", tag):
                most = {"tag": word(tag), "most": limit}
                rows = connection.execute(_OF_TAG, most).mappings().all()
                found = self._corrected(connection, rows, {"tag": tag})
                if len(found) == len(rows):
                    return found[::-1]
        return self.list_runs(Filters(tag=tag), limit)[::-1]

    def operations(self, rig_unique_id: str, output: int) -> int:
        """How often an output of a rig has switched a part, by the cycles its runs have done."""
        begin, end = begin_table.c, end_table.c
        query = (
            select(func.sum(end.cycles_done))
            .join_from(
                begin_table,
                end_table,
                and_(begin.record_id == end.record_id, begin.log_id == end.log_id),
            )
            .where(begin.rig_unique_id == word(rig_unique_id), begin.output == output)
        )
        with self.reading() as connection:
            return int(connection.execute(query).scalar() or 0)

    def _corrected_to(self, connection: Connection, field: str, value: str) -> list[str]:
        if field == "tag":
            rows = connection.execute(_CORRECTED_TO_TAG, {"tag": word(value)}).all()
        else:
            rows = connection.execute(_CORRECTED).all()
        made = ((row[0], json.loads(row[1])) for row in rows)
        to = word(value)
        return list({i: None for i, c in made if c["field"] == field and word(c["new"]) == to})

    def _corrected(
        self, connection: Connection, rows: Sequence[RowMapping], wanted: dict[str, str | None]
    ) -> list[RunSummary]:
        found = [summary(row) for row in rows]
        corrections = self._corrections_of(connection, [run.record_id for run in found])
        if not corrections:
            return found
        corrected = [_corrected_summary(run, corrections.get(run.record_id, [])) for run in found]
        return [
            run
            for run in corrected
            if all(v is None or word(getattr(run, k)) == word(v) for k, v in wanted.items())
        ]

    def _corrections_of(
        self, connection: Connection, ids: Iterable[str]
    ) -> dict[str, list[Correction]]:
        ids = list(ids)
        found: dict[str, list[Correction]] = {}
        for start in range(0, len(ids), _IDS_AT_ONCE):
            some = {"ids": ids[start : start + _IDS_AT_ONCE]}
            for record_id, data in connection.execute(_CORRECTIONS, some):
                found.setdefault(record_id, []).append(forms.from_bytes(Correction, data.encode()))
        return found

    # --- one run ------------------------------------------------------------

    def record(self, record_id: str, *, corrected: bool = True) -> RunRecord:
        """A finished run; the words of its plan as corrected, or as they were written."""
        with self.reading() as connection:
            row = self._one(connection, _END_OF, record_id)
            corrections = self._corrections_of(connection, [record_id] if corrected else [])
        record = forms.from_bytes(RunRecord, unpress(row["record"]))
        cycles = forms.from_bytes(tuple[CycleFeatures, ...], unpress(row["features"]))
        record = replace(record, cycles=cycles)
        words: dict[str, Any] = {c.field: c.new for c in corrections.get(record_id, [])}
        if "stage" in words:
            words["stage"] = Stage(words["stage"])
        return replace(record, plan=replace(record.plan, **words)) if words else record

    def corrections(self, record_id: str) -> list[Correction]:
        """What was corrected in a record, in order."""
        return self.entries(Correction, record_id=record_id)

    def cycles(self, record_id: str) -> tuple[CycleFeatures, ...]:
        """The features of a run's cycles."""
        with self.reading() as connection:
            row = self._one(connection, _FEATURES_OF, record_id)
        return forms.from_bytes(tuple[CycleFeatures, ...], unpress(row["features"]))

    def events(self, record_id: str) -> list[RunEvent]:
        """The events of a run, ended or not, in order."""
        found: list[RunEvent] = []
        for row in self._chunks(record_id, "events"):
            found += forms.from_bytes(tuple[RunEvent, ...], unpress(row["data"]))
        return found

    def scales(self, record_id: str) -> list[ScaleSet]:
        """How a run's codes become SI values; more than one when they changed meanwhile."""
        return [
            forms.from_bytes(ScaleSet, unpress(row["data"]))
            for row in self._chunks(record_id, "scales")
        ]

    def samples(self, record_id: str, *, merged: bool = False) -> Iterator[SampleBlock]:
        """The sample blocks of a run, ended or not, exactly as they came.

        ``merged`` joins what has no gap into longer blocks; fast, for computing again.
        """
        for row in self._chunks(record_id, "samples"):
            yield from unpack(Packed(Codec(row["codec"]), row["data"], row["items"]), merged=merged)

    def _chunks(self, record_id: str, kind: str) -> Iterator[RowMapping]:
        chunk = chunk_table.c
        with self.reading() as connection:
            log_id = self._begin_of(connection, record_id)["log_id"]
            query = (
                select(chunk_table)
                .where(chunk.record_id == record_id, chunk.log_id == log_id, chunk.kind == kind)
                .order_by(chunk.seq)
            )
            result = connection.execution_options(yield_per=16).execute(query)
            yield from result.mappings()

    def _begin_of(self, connection: Connection, record_id: str) -> RowMapping:
        return self._one(connection, _BEGIN_OF, record_id)

    def _one(self, connection: Connection, query: Select[Any], record_id: str) -> RowMapping:
        rows = connection.execute(query, {"record": word(record_id)}).mappings().all()
        if not rows:
            raise LogError(
                f"record {record_id}: not in {self.shown}",
                advice="see `benchrig record list`; a tag's: `benchrig record history TAG`",
            )
        if len(rows) > 1:
            raise LogError(
                f"record {record_id}: two benches have a record of this name in {self.shown}",
                advice="read it from the log of its bench",
            )
        return rows[0]

    # --- entries ------------------------------------------------------------

    def runs_of_order(self, order: str, part: str | None = None) -> list[RunSummary]:
        """Finished runs of an order, newest first, but for those with the armature held.

        They are of a part as it never runs.
        """
        runs = self.list_runs(Filters(order=order, part=part), ORDER_MOST)
        return [run for run in runs if run.stage != Stage.HELD]

    def entries(
        self,
        kind: type[E],
        *,
        record_id: str | None = None,
        tag: str | None = None,
        rig_unique_id: str | None = None,
    ) -> list[E]:
        """Entries of one kind, in the order they were made, without those withdrawn."""
        given = {"record_id": record_id, "tag": tag, "rig_unique_id": rig_unique_id}
        return [each.entry for each in self.numbered(kind, **given) if each.withdrawal is None]

    def numbered(
        self,
        kind: type[E],
        *,
        record_id: str | None = None,
        tag: str | None = None,
        rig_unique_id: str | None = None,
    ) -> list[Numbered[E]]:
        """The same with their numbers, and those withdrawn with their withdrawal."""
        given = {"record_id": record_id, "tag": tag, "rig_unique_id": rig_unique_id}
        values = {name: word(value) for name, value in given.items() if value is not None}
        if kind is not Entry:
            values["kind"] = kind.KIND
        with self.reading() as connection:
            rows = connection.execute(_entries_where(*values), values).mappings().all()
            withdrawn = self._withdrawn(connection, values) if rows else {}
        found: list[Numbered[Any]] = []
        for row in rows:
            if row["kind"] not in ENTRY_KINDS:
                raise LogError(f"entry {row['number']}: unknown kind", advice="update benchrig")
            entry = forms.from_bytes(ENTRY_KINDS[row["kind"]], row["data"].encode())
            gone = withdrawn.get((row["log_id"], row["number"])) if may_withdraw(entry) else None
            found.append(Numbered(number=row["number"], entry=entry, withdrawal=gone))
        return found

    @staticmethod
    def _withdrawn(
        connection: Connection, values: dict[str, str]
    ) -> dict[tuple[str, int], Withdrawal]:
        """A withdrawal is about the same record, tag and rig as what it withdraws."""
        about = {**values, "kind": Withdrawal.KIND}
        rows = connection.execute(_entries_where(*about), about).mappings().all()
        made = [(r["log_id"], forms.from_bytes(Withdrawal, r["data"].encode())) for r in rows]
        return {(log_id, withdrawal.number): withdrawal for log_id, withdrawal in made}


@dataclass(frozen=True, slots=True, kw_only=True)
class Numbered(Generic[E]):
    """An entry with its number in its log, and its withdrawal where there is one."""

    number: int
    entry: E
    withdrawal: Withdrawal | None = None


def newest_by_tag(runs: Sequence[RunSummary]) -> dict[str, RunSummary]:
    """The newest of each tag, by tag, of runs that come newest first."""
    return dict(sorted({run.tag: run for run in reversed(runs) if run.tag}.items()))


def _corrected_summary(run: RunSummary, corrections: list[Correction]) -> RunSummary:
    words = {c.field: c.new for c in corrections}
    shown: dict[str, Any] = {k: v for k, v in words.items() if hasattr(run, k)}
    return replace(run, **shown, corrected=tuple(sorted(words)))
