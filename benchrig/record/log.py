"""The run log: begin, keep, close and read runs. SQLite in a file; PostgreSQL to read by URL."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Self

from sqlalchemy import Connection, Engine, and_, bindparam, select
from sqlalchemy.engine import URL

from benchrig.errors import LogError, UsageError
from benchrig.judge.verdict import Verdict
from benchrig.record import database, forms
from benchrig.record.chain import append_row
from benchrig.record.committer import Committer
from benchrig.record.entries import CORRECTABLE, Correction, Entry, Withdrawal, may_withdraw
from benchrig.record.read import LogReader
from benchrig.record.rowhash import row_digest
from benchrig.record.rows import OpenRun, begin_row, unpress, word
from benchrig.record.schema import begin_table, chunk_table, end_table, entry_table
from benchrig.record.values import (
    ColdCheck,
    Ending,
    EventKind,
    NotProven,
    RigIdentity,
    RunPlan,
    RunRecord,
    SafeEvidence,
    Stage,
)
from benchrig.record.writer import RunWriter, first_digest

# Built once: most of the time of a small statement is building it.
_BEGUN = select(begin_table.c.record_id).where(begin_table.c.record_id == bindparam("record"))
_ENDED = select(end_table.c.record_id).where(end_table.c.record_id == bindparam("record"))
_LAST_CHUNK = (
    select(chunk_table.c.seq, chunk_table.c.digest)
    .where(chunk_table.c.record_id == bindparam("record"))
    .order_by(chunk_table.c.seq.desc())
    .limit(1)
)


class RunLog(LogReader):
    """One run log. ``open`` it, and ``close`` it or use it in a ``with``."""

    def __init__(self, engine: Engine, url: URL, *, read_only: bool) -> None:
        super().__init__(engine, url)
        self._read_only = read_only
        self._log_id = ""
        self._immediate = engine.execution_options(immediate=True)  # dear to make anew each time
        self._committer = Committer(engine)
        self._writers: list[RunWriter] = []
        self._writers_lock = threading.Lock()

    @classmethod
    def open(cls, where: str | Path | None = None, *, read_only: bool = False) -> Self:
        """Open a log by path or URL, and make it if it is a path where none is.

        A shared log (``postgresql://``) is filled by ``push`` and only read here.
        """
        url = database.parse_url(where)
        sqlite = database.is_sqlite(url)
        read_only = read_only or not sqlite
        with database.log_errors(url):
            if sqlite:
                path = Path(str(url.database))
                database.check_file(path)
                if read_only and not path.exists():
                    raise LogError(f"run log {path}: there is none", advice="check --log")
                read_only = read_only or (path.exists() and not os.access(path, os.W_OK))
                if not read_only:
                    path.parent.mkdir(parents=True, exist_ok=True)
            engine = database.make_engine(url, read_only=read_only)
            try:
                log = cls(engine, url, read_only=read_only)
                log._prepare(sqlite)
            except BaseException:
                engine.dispose()
                raise
        return log

    def _prepare(self, sqlite: bool) -> None:
        version = None if self._read_only else database.migrate(self._engine, self._url)
        with self._engine.connect() as connection:
            if version is None:
                version = database.version_of(connection)
            if version == 0:
                raise LogError(
                    f"run log {self.shown}: holds no run log yet",
                    advice="`benchrig record push` makes it on first use",
                )
            database.check_version(self._url, version)
            if sqlite:
                self._log_id = database.own_log_id(connection)

    def close(self) -> None:
        """Commit what writers still hold, and let go of the file."""
        for writer in self._writers:
            writer.close()
        self._committer.join()
        super().close()

    @property
    def log_id(self) -> str:
        """The id of the log in this file; empty for a shared log, which holds many."""
        return self._log_id

    @property
    def read_only(self) -> bool:
        """Whether this log only answers."""
        return self._read_only

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        if self._read_only:
            raise LogError(
                f"run log {self.shown}: may only be read",
                advice="check the rights of the file and its directory"
                if database.is_sqlite(self._url)
                else "runs are kept in a log file on the bench and pushed from there",
            )
        with database.log_errors(self._url), self._immediate.connect() as connection:
            database.set_full_sync(connection, True)
            with connection.begin():
                yield connection

    # --- runs ---------------------------------------------------------------------------------

    def begin_run(
        self, record_id: str, plan: RunPlan, rig: RigIdentity, begun_at: str = ""
    ) -> None:
        """Commit that a run begins, safe from a power cut, before anything is switched on."""
        if word(record_id) != record_id or not record_id:
            raise ValueError(f"{record_id!r} cannot be a record's id")
        row = begin_row(self._log_id, record_id, plan, rig, begun_at)
        with self._writing() as connection:
            self._refuse_double(connection, record_id)
            append_row(connection, self._log_id, "begin", begin_table, row, record_id)

    def _refuse_double(self, connection: Connection, record_id: str) -> None:
        if connection.execute(_BEGUN, {"record": record_id}).first():
            raise LogError(
                f"record {record_id}: is in the log already", advice="a record is never replaced"
            )

    def writer(self, record_id: str) -> RunWriter:
        """The writer of a run that was begun and not ended."""
        with self.reading() as connection:
            begin = self._begin_of(connection, record_id)
            if self._is_ended(connection, record_id):
                raise LogError(f"record {record_id}: is closed", advice="begin a new run")
            last = connection.execute(_LAST_CHUNK, {"record": record_id}).first()
        if self._read_only:
            raise LogError(f"run log {self.shown}: may only be read")
        seq, digest = (0, first_digest(row_digest(begin_table, dict(begin))))
        if last is not None:
            seq, digest = last[0] + 1, bytes(last[1])
        with self._writers_lock:  # runs of several rigs begin and end in threads
            writer = RunWriter(self._committer, self._url, self._log_id, record_id, seq, digest)
            self._writers = [w for w in self._writers if not w.closed] + [writer]
        return writer

    def _is_ended(self, connection: Connection, record_id: str) -> bool:
        return connection.execute(_ENDED, {"record": record_id}).first() is not None

    def open_runs(self, rig_unique_id: str | None = None) -> list[OpenRun]:
        """Runs that were begun and never ended, oldest first; of one rig or of all."""
        begin, end = begin_table.c, end_table.c
        # The ids first, out of two indexes alone; the rows, which are few, after that.
        query = (
            select(begin.record_id, begin.log_id)
            .outerjoin(
                end_table, and_(begin.record_id == end.record_id, begin.log_id == end.log_id)
            )
            .where(end.record_id.is_(None))
        )
        if rig_unique_id is not None:
            query = query.where(begin.rig_unique_id == word(rig_unique_id))
        with self.reading() as connection:
            rows = [
                connection.execute(
                    select(begin_table).where(begin.record_id == found[0], begin.log_id == found[1])
                )
                .mappings()
                .one()
                for found in connection.execute(query).all()
            ]
        rows.sort(key=lambda row: (row["begun_at"], row["record_id"]))
        return [
            OpenRun(
                record_id=row["record_id"],
                begun_at=row["begun_at"],
                rig_unique_id=row["rig_unique_id"],
                output=row["output"],
                plan=forms.from_bytes(RunPlan, unpress(row["plan"])),
                rig=forms.from_bytes(RigIdentity, unpress(row["rig"])),
            )
            for row in rows
        ]

    def close_found_open(
        self, record_id: str, made_safe: SafeEvidence | NotProven, ended_at: str, reason: str = ""
    ) -> RunRecord:
        """Close a run that an earlier program left open, with what was found now."""
        run = next((r for r in self.open_runs() if r.record_id == record_id), None)
        if run is None:
            raise LogError(f"record {record_id}: is no open run", advice="see `record list`")
        cycles = sum(event.kind is EventKind.CYCLE for event in self.events(record_id))
        record = RunRecord(
            record_id=record_id,
            begun_at=run.begun_at,
            ended_at=ended_at,
            plan=run.plan,
            rig=run.rig,
            ending=Ending.FOUND_OPEN,
            ending_reason=reason or "the program ended before the run did",
            made_safe=made_safe,
            verdict=Verdict.INCONCLUSIVE,
            characteristics=(),
            cold=ColdCheck(),
            cycles_planned=run.plan.pattern.cycles,
            cycles_done=min(cycles, run.plan.pattern.cycles),
            cycles=(),
            drop_outs=(),
            fault_rate_upper_95=None,
            edges_lost=0,
            blocks_lost=0,
            warnings=("the end of this run was not seen; nothing was judged",),
        )
        self.writer(record_id).finish(record)
        return record

    # --- entries ------------------------------------------------------------------------------

    def add(self, entry: Entry) -> int:
        """Add an entry; its number in the log."""
        if isinstance(entry, Correction | Withdrawal):
            raise ValueError("these are made by correct() and withdraw()")
        with self._writing() as connection:
            return self._append_entry(connection, entry)

    def correct(
        self, record_id: str, field: str, new: str, *, who: str, why: str, at: str
    ) -> Correction:
        """Correct a word of a record's plan: the old one stays, the new one stands beside it."""
        if field not in CORRECTABLE:
            raise UsageError(
                f"{field} cannot be corrected",
                advice="one of " + ", ".join(CORRECTABLE) + "; a measured number never",
            )
        if not who.strip() or not why.strip():
            raise UsageError("a correction needs who makes it and why")
        if field == "stage" and new not in set(Stage):
            raise UsageError(f"{new}: no such stage", advice="one of " + ", ".join(Stage))
        old = str(getattr(self.record(record_id).plan, field))
        correction = Correction(
            at=at,
            who=who,
            record_id=record_id,
            tag=new if field == "tag" else "",
            field=field,
            old=old,
            new=new,
            why=why,
        )
        with self._writing() as connection:
            self._append_entry(connection, correction)
        return correction

    def withdraw(self, number: int, *, who: str, why: str, at: str) -> Entry:
        """Let an entry of this log count no longer; it stays, and so does its number."""
        if not who.strip() or not why.strip():
            raise UsageError("a withdrawal needs who makes it and why")
        found = next((n for n in self.numbered(Entry) if n.number == number), None)
        if found is None:
            raise LogError(
                f"no entry {number} in {self.shown}",
                advice="`benchrig record history TAG` shows the numbers",
            )
        if not may_withdraw(found.entry):
            raise UsageError(
                f"entry {number} is a {found.entry.KIND}; only what was typed in is withdrawn"
            )
        if found.withdrawal is not None:
            raise UsageError(f"entry {number} was withdrawn already: {found.withdrawal.why}")
        withdrawal = Withdrawal(
            at=at,
            who=who,
            record_id=found.entry.record_id,
            tag=found.entry.tag,
            rig_unique_id=found.entry.rig_unique_id,
            number=number,
            why=why,
        )
        with self._writing() as connection:
            self._append_entry(connection, withdrawal)
        return found.entry

    def _append_entry(self, connection: Connection, entry: Entry) -> int:
        row = {
            "log_id": self._log_id,
            "kind": entry.KIND,
            "at": word(entry.at),
            "who": word(entry.who),
            "record_id": word(entry.record_id),
            "tag": word(entry.tag),
            "rig_unique_id": word(entry.rig_unique_id),
            "data": forms.to_bytes(entry).decode("ascii"),
        }
        return append_row(connection, self._log_id, "entry", entry_table, row, entry.KIND)
