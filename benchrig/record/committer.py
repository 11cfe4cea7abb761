"""The thread that commits for all runs of a log: many rigs, one transaction.

A commit costs a millisecond or two whatever is in it, and only one can be under way in a file, so
the runs that are written at the same time share it. What one of them cannot bring in is no
business of the others: when the common transaction fails, each is tried by itself.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any, Protocol

from sqlalchemy import Connection, Engine, bindparam, insert, select
from sqlalchemy.exc import IntegrityError, OperationalError

from benchrig.errors import LogError
from benchrig.record.chain import append_row
from benchrig.record.database import set_full_sync
from benchrig.record.schema import chunk_table, end_table

COMMIT_PERIOD_S = 0.8  # and the commit itself: under a second together
LINGER_TURNS = 3  # without a writer
BUSY_TRIES_MAX = 6  # each waits for the database's own busy time
_ENDED = select(end_table.c.record_id).where(end_table.c.record_id == bindparam("record"))


class Committed(Protocol):
    """One run's writer, as its committer sees it."""

    @property
    def failure(self) -> Exception | None:
        """Why nothing more is kept."""
        ...

    @property
    def stopped(self) -> bool:
        """Whether nothing more is taken."""
        ...

    def take_rows(self) -> list[dict[str, Any]]:
        """Rows of all that waits, in order."""
        ...

    def rows_kept(self) -> None:
        """What was taken is on the disk."""
        ...

    def give_up(self, error: Exception) -> None:
        """What was taken cannot be kept."""
        ...

    def last_row(self) -> dict[str, Any] | None:
        """The row that ends the run, when it is to be ended."""
        ...

    def end(self) -> None:
        """Nothing more will be asked of this writer."""
        ...


_Taken = tuple[Committed, list[dict[str, Any]]]


class Committer:
    """Commits for the writers of one log; its thread lives while there are any, and a bit longer.

    One run of a tray follows the other: a thread and its connection take a while to make.
    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._lock = threading.Lock()
        self._wake = threading.Event()
        self._writers: list[Committed] = []
        self._running = False
        self._idle_turns = 0
        self._leaving = False
        self._thread: threading.Thread | None = None

    def add(self, writer: Committed) -> None:
        """Commit for this writer too, until it has stopped."""
        with self._lock:
            self._writers.append(writer)
            if not self._running:
                self._running, self._idle_turns = True, 0
                self._thread = threading.Thread(target=self._run, name="run log", daemon=True)
                self._thread.start()

    def wake(self) -> None:
        """Commit now rather than at the next turn."""
        self._wake.set()

    def join(self) -> None:
        """Wait until the thread has let go of the file; every writer must have been closed."""
        with self._lock:
            thread, self._leaving = self._thread, True
        self._wake.set()
        if thread is not None:
            thread.join()

    # --- the thread -------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            with self._engine.connect().execution_options(immediate=True) as connection:
                set_full_sync(connection, False)
                while self._goes_on():
                    self._wake.wait(COMMIT_PERIOD_S)
                    self._wake.clear()
                    with self._lock:
                        writers = list(self._writers)
                        self._idle_turns = 0 if writers else self._idle_turns + 1
                    self._turn(connection, writers)
        except Exception as error:  # noqa: BLE001 - whatever it is, every run must hear of it
            with self._lock:
                writers, self._writers, self._running = self._writers, [], False
            for writer in writers:
                writer.give_up(error)
                writer.end()

    def _goes_on(self) -> bool:
        with self._lock:
            lingers = not self._leaving and self._idle_turns < LINGER_TURNS
            self._running = bool(self._writers) or lingers
            return self._running

    def _turn(self, connection: Connection, writers: Sequence[Committed]) -> None:
        # Whoever has stopped by now has nothing to add to what is taken next.
        stopped = [writer for writer in writers if writer.stopped]
        self._commit(connection, [writer for writer in writers if writer not in stopped])
        for writer in stopped:
            self._end(connection, writer)

    def _commit(self, connection: Connection, writers: Sequence[Committed]) -> None:
        taken: list[_Taken] = []
        for writer in writers:
            try:
                rows = writer.take_rows()
            except Exception as error:  # noqa: BLE001 - the run must hear of it
                writer.give_up(error)
            else:
                taken.append((writer, rows))
        self._keep(connection, taken)

    def _keep(self, connection: Connection, taken: Sequence[_Taken]) -> None:
        """Insert what was taken together; what fails together, each by itself."""
        try:
            self._insert(connection, taken)
        except Exception as error:  # noqa: BLE001 - the runs must hear of it
            if len(taken) == 1:
                taken[0][0].give_up(error)
            else:
                for one in taken:
                    self._keep(connection, [one])
        else:
            for writer, _ in taken:
                writer.rows_kept()

    def _insert(
        self, connection: Connection, taken: Sequence[_Taken], last: dict[str, Any] | None = None
    ) -> None:
        """In one transaction; ``last`` ends a run."""
        rows = [row for _, waiting in taken for row in waiting]
        if not rows and last is None:
            return

        def work() -> None:
            with connection.begin():
                for record_id in {row["record_id"] for row in (*rows, *filter(None, [last]))}:
                    _refuse_ended(connection, record_id)
                _insert_chunks(connection, rows)
                if last is not None:
                    key = last["record_id"]
                    append_row(connection, last["log_id"], "end", end_table, last, key)

        _retry(work, [writer for writer, _ in taken])

    def _end(self, connection: Connection, writer: Committed) -> None:
        """End a run with what it has still to keep; with its record, safe from a power cut."""
        try:
            rows, last = writer.take_rows(), writer.last_row()
            set_full_sync(connection, last is not None)
            try:
                self._insert(connection, [(writer, rows)], last)
            finally:
                set_full_sync(connection, False)
        except Exception as error:  # noqa: BLE001 - the run must hear of it
            writer.give_up(error)
        else:
            writer.rows_kept()
        with self._lock:
            self._writers.remove(writer)
        writer.end()


def _insert_chunks(connection: Connection, rows: Sequence[dict[str, Any]]) -> None:
    if not rows:
        return
    try:
        connection.execute(insert(chunk_table), rows)
    except IntegrityError as error:
        which = ", ".join(sorted({row["record_id"] for row in rows}))
        raise LogError(
            f"record {which}: another program writes this run too",
            advice="end the other program; the run stays open until it is settled",
        ) from error


def _refuse_ended(connection: Connection, record_id: str) -> None:
    """A run has one end: whoever found it open and closed it was first, and that stays."""
    if connection.execute(_ENDED, {"record": record_id}).first() is not None:
        raise LogError(
            f"record {record_id}: another program has found this run open and closed it; what was "
            "measured since is not kept",
            advice=f"see `benchrig record show {record_id}`, and run the part again",
        )


def _retry(work: Callable[[], None], writers: Sequence[Committed]) -> None:
    """Again while another program holds the file and anybody still wants it, so often."""
    for attempt in range(1, BUSY_TRIES_MAX + 1):
        try:
            work()
            return
        except OperationalError as error:
            busy = "locked" in str(error.orig) or "busy" in str(error.orig)
            wanted = any(writer.failure is None for writer in writers)
            if not busy or not wanted or attempt == BUSY_TRIES_MAX:
                raise
