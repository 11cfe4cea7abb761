"""The writer of one run: takes events and samples without waiting; a thread commits them.

The caller is never blocked. What arrives is queued, and the log's committer takes it at least
once a second. When the disk is too slow, full or gone, ``failure`` says so and nothing more is
kept; whoever runs the job looks at it and ends the run safely.
"""

from __future__ import annotations

import hashlib
import threading
import zlib
from collections.abc import Sequence
from typing import Any

from sqlalchemy.engine import URL

from benchrig.errors import BenchrigError, LogError
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.record import forms
from benchrig.record.codec import Codec, pack, same_layout
from benchrig.record.committer import Committer
from benchrig.record.database import as_log_error
from benchrig.record.rowhash import next_digest
from benchrig.record.rows import ScaleSet, end_row, press
from benchrig.record.schema import chunk_table
from benchrig.record.values import EventKind, RunEvent, RunRecord

WAKE_BYTES = 1 << 20  # so much waiting is written at once, whatever the period
BEHIND_BYTES = 16 << 20  # above this the writer saves time rather than space
QUEUE_BYTES_MAX = 64 << 20
CHUNK_SAMPLES_MAX = 1 << 19
_EVENT_BYTES = 300
_AT_ONCE = frozenset({EventKind.FAULT, EventKind.NOT_SAFE, EventKind.WARNING})

_Item = RunEvent | SampleBlock | ScaleSet


class RunWriter:
    """Keeps one run. Made by ``RunLog.writer``; used by one caller."""

    def __init__(
        self, committer: Committer, url: URL, log_id: str, record_id: str, seq: int, digest: bytes
    ) -> None:
        self.record_id = record_id
        self._committer, self._url, self._log_id = committer, url, log_id
        self._seq, self._digest = seq, digest
        self._lock = threading.Lock()
        self._changed = threading.Condition(self._lock)
        self._ended = threading.Event()
        self._items: list[_Item] = []
        self._bytes = 0
        self._taken_bytes = self._taken = 0
        self._accepted = 0
        self._committed = 0
        self._record: RunRecord | None = None
        self._stop = False
        self._failure: Exception | None = None
        committer.add(self)

    @property
    def failure(self) -> Exception | None:
        """Why nothing more is kept; None while all is well."""
        return self._failure

    @property
    def closed(self) -> bool:
        """Whether nothing more will be committed."""
        return self._ended.is_set()

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
                self._committer.wake()

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
            self._committer.wake()

    def _fail(self, error: Exception) -> None:
        with self._lock:
            self._failure = self._failure or error
            self._items.clear()
            self._bytes = self._taken_bytes = 0
            self._changed.notify_all()
        self._committer.wake()

    def flush(self) -> None:
        """Block until all that was taken is committed; raises what went wrong."""
        with self._lock:
            goal = self._accepted
            self._committer.wake()
            while self._committed < goal and self._failure is None and not self.closed:
                self._changed.wait(0.05)
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
        """Commit what was taken and end; without ``finish`` the run stays open."""
        self._stop = True
        self._committer.wake()
        self._ended.wait()

    def _raise_failure(self) -> None:
        if self._failure is None:
            return
        if isinstance(self._failure, BenchrigError):
            raise LogError(str(self._failure), advice=self._failure.advice)
        raise self._failure

    # --- in the committer's thread ----------------------------------------------------------

    @property
    def stopped(self) -> bool:
        """Whether nothing more is taken."""
        return self._stop or self._failure is not None

    def take_rows(self) -> list[dict[str, Any]]:
        """Rows of all that waits; they are being written until ``rows_kept`` or ``give_up``."""
        with self._lock:
            items, self._items = self._items, []
            self._taken_bytes, self._bytes = self._bytes, 0
            self._taken = len(items)
        if not items or self._failure is not None:  # after a failure nothing may follow the gap
            return []
        behind = self._taken_bytes > BEHIND_BYTES
        return self._rows(items, Codec.DELTA_SHUFFLE if behind else Codec.DELTA_NIBBLES_ZLIB)

    def rows_kept(self) -> None:
        """What was taken is on the disk."""
        with self._lock:
            self._committed += self._taken
            self._taken = self._taken_bytes = 0
            self._changed.notify_all()

    def give_up(self, error: Exception) -> None:
        """What was taken cannot be kept: the run must hear of it."""
        self._fail(error if isinstance(error, BenchrigError) else as_log_error(self._url, error))

    def last_row(self) -> dict[str, Any] | None:
        """The row that ends the run, when it is to be ended."""
        if self._record is None or self._failure is not None:
            return None
        return end_row(self._log_id, self._record, self._seq, self._digest)

    def end(self) -> None:
        """Nothing more will be asked of this writer."""
        self._ended.set()
        with self._lock:
            self._changed.notify_all()

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
