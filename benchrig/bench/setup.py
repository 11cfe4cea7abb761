"""What a run is given, and what it gives back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from benchrig.bench.known import Known
from benchrig.bench.safety import Reopen, Tell
from benchrig.bench.sinks import Sink
from benchrig.quantity import Measured
from benchrig.record.values import RigIdentity, RunRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSetup:
    """What the caller decides and brings: identity of the record, sinks, how to ask a person."""

    record_id: str
    sinks: Sequence[Sink]
    tell: Tell
    reopen: Reopen
    stamp: Callable[[], str]  # wall-clock stamp, ISO 8601 with offset
    rig_identity: RigIdentity
    lead_null: Measured | None = None
    scan_period_us: int | None = None  # None: as fast as the rig can
    known: Known = field(default_factory=Known)  # what the log knows beside the run


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOutcome:
    """The record of a run, and the bug that ended it, if one did."""

    record: RunRecord
    bug: BaseException | None = None
