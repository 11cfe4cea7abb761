"""The writer of one run: takes events and samples without waiting, commits in a thread.

The caller is never blocked. What arrives is queued, and one thread commits it at least once a
second. When the disk is too slow, full or gone, ``failure`` says so and nothing more is kept;
whoever runs the job looks at it and ends the run safely.
"""

from __future__ import annotations

import hashlib
import threading
import zlib
from collections.abc import Callable, Sequence
from typing import Any

from sqlalchemy import Connection, Engine, insert
from sqlalchemy.engine import URL
from sqlalchemy.exc import OperationalError

from benchrig.errors import BenchrigError, LogError
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.record import forms
from benchrig.record.chain import append_row
from benchrig.record.codec import Codec, pack, same_layout
from benchrig.record.database import as_log_error, set_full_sync
from benchrig.record.rowhash import next_digest
from benchrig.record.rows import ScaleSet, end_row, press
from benchrig.record.schema import chunk_table, end_table
from benchrig.record.values import EventKind, RunEvent, RunRecord

COMMIT_PERIOD_S = 0.8  # and the commit itself: under a second together
WAKE_BYTES = 1 << 20  # so much waiting is written at once, whatever the period
BEHIND_BYTES = 16 << 20  # above this the writer saves time rather than space
QUEUE_BYTES_MAX = 64 << 20
CHUNK_SAMPLES_MAX = 1 << 19
BUSY_TRIES_MAX = 6  # each waits for the database's own busy time
_EVENT_BYTES = 300
_AT_ONCE = frozenset({EventKind.FAULT, EventKind.SAFE, EventKind.NOT_SAFE, EventKind.WARNING})

_Item = RunEvent | SampleBlock | ScaleSet


class RunWriter:
    """Keeps one run. Made by ``RunLog.writer``; used by one caller."""

    def __init__(
        self, engine: Engine, url: URL, log_id: str, record_id: str, seq: int, digest: bytes
    ) -> None:
        self.record_id = record_id
        self._engine, self._url, self._log_id = engine, url, log_id
        self._seq, self._digest = seq, digest
        self._lock = threading.Condition()
        self._wake = threading.Event()
        self._items: list[_Item] = []
        self._bytes = 0
        self._taken_bytes = 0
        self._accepted = 0
        self._committed = 0
        self._record: RunRecord | None = None
        self._stop = False
        self._failure: Exception | None = None
        self._thread = threading.Thread(target=self._run, name=f"run log {record_id}", daemon=True)
        self._thread.start()

    @property
    def failure(self) -> Exception | None:
        """Why nothing more is kept; None while all is well."""
        return self._failure

    @property
    def closed(self) -> bool:
        """Whether the thread has ended."""
        return not self._thread.is_alive()

    @property
    def pending_bytes(self) -> int:
        """How much waits to be committed."""
        return self._bytes + self._taken_bytes

    @property
    def behind(self) -> bool:
        """Far more waits than usual. On a simulated clock, give the disk its time: ``flush``."""
        return self._bytes + self._taken_bytes > BEHIND_BYTES

    @property
    def accepted(self) -> int:
        """How many events, blocks and scales were taken."""
        return self._accepted

    @property
    def committed(self) -> int:
        """How many of them are on the disk."""
        return self._committed

    def accept(self, event: RunEvent) -> None:
        """Take an event. Live samples for the screen are not kept."""
        if event.kind is not EventKind.LIVE:
            self._put(event, _EVENT_BYTES + len(event.message))
            if event.kind in _AT_ONCE:
                self._wake.set()

    def add_block(self, block: SampleBlock) -> None:
        """Take a block of samples. The codes must not change afterwards."""
        self._put(block, 200 + block.codes.nbytes)

    def set_scales(self, scales: tuple[InputScale, ...], tick_ns: int) -> None:
        """Say how the codes of the blocks that follow become SI values."""
        self._put(ScaleSet(scales=scales, tick_ns=tick_ns), 100 + 300 * len(scales))

    def _put(self, item: _Item, size: int) -> None:
        if self._failure is not None or self._stop:
            return
        with self._lock:
            self._items.append(item)
            self._bytes += size
            self._accepted += 1
            waiting = self._bytes + self._taken_bytes
        if waiting > QUEUE_BYTES_MAX:
            self._fail(
                LogError(
                    f"the run log cannot keep up: {waiting >> 20} MB wait to be written",
                    advice="use a faster disk, or a lower sample rate",
                )
            )
        elif self._bytes > WAKE_BYTES:
            self._wake.set()

    def _fail(self, error: Exception) -> None:
        with self._lock:
            self._failure = self._failure or error
            self._items.clear()
            self._bytes = self._taken_bytes = 0
            self._lock.notify_all()
        self._wake.set()

    def flush(self) -> None:
        """Block until all that was taken is committed; raises what went wrong."""
        with self._lock:
            goal = self._accepted
            self._wake.set()
            while self._committed < goal and self._failure is None and self._thread.is_alive():
                self._lock.wait(0.05)
        self._raise_failure()

    def finish(self, record: RunRecord) -> None:
        """Block until everything and the record are committed, safe from a power cut."""
        self._raise_failure()
        if record.record_id != self.record_id:
            raise ValueError(f"record {record.record_id} does not belong to run {self.record_id}")
        if self._stop:
            raise ValueError(f"run {self.record_id}: its writer is closed")
        self._record = record
        self.close()
        self._raise_failure()

    def close(self) -> None:
        """Commit what was taken and end the thread; without ``finish`` the run stays open."""
        self._stop = True
        self._wake.set()
        self._thread.join()

    def _raise_failure(self) -> None:
        if self._failure is None:
            return
        if isinstance(self._failure, BenchrigError):
            raise LogError(str(self._failure), advice=self._failure.advice)
        raise self._failure

    # --- the thread -------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            with self._engine.connect().execution_options(immediate=True) as connection:
                set_full_sync(connection, False)
                while self._failure is None:
                    self._wake.wait(COMMIT_PERIOD_S)
                    self._wake.clear()
                    stop = self._stop
                    self._commit_waiting(connection)
                    if stop and not self._items:
                        self._commit_record(connection)
                        return
        except Exception as error:  # noqa: BLE001 - whatever it is, the run must hear of it
            self._fail(self._as_failure(error))

    def _as_failure(self, error: Exception) -> Exception:
        return error if isinstance(error, BenchrigError) else as_log_error(self._url, error)

    def _commit_waiting(self, connection: Connection) -> None:
        with self._lock:
            items, self._items = self._items, []
            self._taken_bytes, self._bytes = self._bytes, 0
        if items:
            behind = self._taken_bytes > BEHIND_BYTES
            codec = Codec.DELTA_SHUFFLE if behind else Codec.DELTA_NIBBLES_ZLIB
            rows = self._rows(items, codec)
            self._retry(lambda: self._insert(connection, rows))
        with self._lock:
            self._committed += len(items)
            self._taken_bytes = 0
            self._lock.notify_all()

    def _retry(self, work: Callable[[], None]) -> None:
        for attempt in range(1, BUSY_TRIES_MAX + 1):
            try:
                work()
                return
            except OperationalError as error:
                busy = "locked" in str(error.orig) or "busy" in str(error.orig)
                if not busy or attempt == BUSY_TRIES_MAX or self._failure is not None:
                    raise

    def _insert(self, connection: Connection, rows: list[dict[str, Any]]) -> None:
        with connection.begin():
            connection.execute(insert(chunk_table), rows)

    def _commit_record(self, connection: Connection) -> None:
        record = self._record
        if record is None or self._failure is not None:
            return
        row = end_row(self._log_id, record, self._seq, self._digest)
        set_full_sync(connection, True)

        def work() -> None:
            with connection.begin():
                append_row(connection, self._log_id, "end", end_table, row, row["record_id"])

        self._retry(work)

    def _rows(self, items: Sequence[_Item], codec: Codec) -> list[dict[str, Any]]:
        rows: list[dict[str, Any]] = []
        events: list[RunEvent] = []
        blocks: list[SampleBlock] = []
        samples = 0

        def end_group() -> None:
            nonlocal samples
            if blocks:
                packed = pack(blocks, codec)
                rows.append(self._row("samples", packed.codec, packed.samples, packed.data))
            blocks.clear()
            samples = 0

        for item in items:
            if isinstance(item, RunEvent):
                events.append(item)
            elif isinstance(item, ScaleSet):
                end_group()
                data = press(forms.stored_bytes(item))
                rows.append(self._row("scales", Codec.JSON_ZLIB, len(item.scales), data))
            elif item.codes.size:
                if (blocks and not same_layout(blocks[-1], item)) or samples > CHUNK_SAMPLES_MAX:
                    end_group()
                blocks.append(item)
                samples += item.codes.size
        end_group()
        if events:
            data = press(forms.stored_bytes(events, list[RunEvent]))
            rows.append(self._row("events", Codec.JSON_ZLIB, len(events), data))
        return rows

    def _row(self, kind: str, codec: Codec, items: int, data: bytes) -> dict[str, Any]:
        row = {
            "record_id": self.record_id,
            "log_id": self._log_id,
            "seq": self._seq,
            "kind": kind,
            "codec": int(codec),
            "items": items,
            "crc32": zlib.crc32(data),
            "data": data,
        }
        self._digest = next_digest(self._digest, chunk_table, row)
        row["digest"] = self._digest
        self._seq += 1
        return row


def first_digest(begin_digest: bytes) -> bytes:
    """What the first chunk of a run follows: the row that began it."""
    return hashlib.sha256(b"run" + begin_digest).digest()
