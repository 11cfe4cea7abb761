"""What people and checks add to the log beside runs: corrections, flow, leak, calibration.

Entries are only ever added. A later entry of the same kind replaces the meaning of an earlier
one, never its row. Hand-entered numbers carry their unit in their name.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar

from benchrig.quantity import Measured

# What of a plan may be corrected afterwards: words a person wrote, never a measured number.
CORRECTABLE = (
    *("tag", "part_number", "order", "position", "position_scheme", "operator", "stage", "note"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """Base: who entered it, when (ISO 8601), and about what; empty where it does not apply."""

    KIND: ClassVar[str] = ""
    at: str
    who: str
    record_id: str = ""
    tag: str = ""
    rig_unique_id: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction(Entry):
    """A field of a record's plan was wrong. Made by ``RunLog.correct``."""

    KIND: ClassVar[str] = "correction"
    field: str
    old: str
    new: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowEntry(Entry):
    """Flow measured elsewhere, typed in."""

    KIND: ClassVar[str] = "flow"
    stage: str
    static_flow_cc_per_min: float | None = None
    dynamic_flow_ul: float | None = None
    std_uncertainty: float | None = None  # in the unit of the value
    pressure_pa: float | None = None
    fluid: str = ""
    instrument: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakEntry(Entry):
    """Drops counted over a time."""

    KIND: ClassVar[str] = "leak"
    stage: str
    drops: int
    duration_s: float
    pressure_pa: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SprayEntry(Entry):
    """What the spray looked like, in words."""

    KIND: ClassVar[str] = "spray"
    stage: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkEntry(Entry):
    """What was done to a part, or to all parts of an order, in words."""

    KIND: ClassVar[str] = "work"
    text: str
    order: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CustomerEntry(Entry):
    """Whose order it is and what was asked, for the pages that leave the shop."""

    KIND: ClassVar[str] = "customer"
    order: str
    name: str
    asked: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReleaseEntry(Entry):
    """Somebody answers for a record's page: the name as it was typed, in ``who``."""

    KIND: ClassVar[str] = "release"


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawal(Entry):
    """What was typed in by mistake no longer counts; it stays. Made by ``RunLog.withdraw``."""

    KIND: ClassVar[str] = "withdrawal"
    number: int  # of the entry, in the same log
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GoldenEntry(Entry):
    """The golden part of a rig, or a day's check of it: expected and found values by name."""

    KIND: ClassVar[str] = "golden"
    expected: dict[str, float] = field(default_factory=dict)
    expected_u: dict[str, float] = field(default_factory=dict)  # standard uncertainty of each
    found: dict[str, float] = field(default_factory=dict)
    accepted: bool | None = None  # None: this entry sets the expected values


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationEntry(Entry):
    """Gain and offset of one input of a rig, with date, expiry and what it was compared with."""

    KIND: ClassVar[str] = "calibration"
    input: int
    gain: float
    offset: float  # SI
    gain_rel_uncertainty: float
    offset_uncertainty: float
    date: str
    expires: str
    reference: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LeadNullEntry(Entry):
    """The resistance of a rig's leads, clipped together."""

    KIND: ClassVar[str] = "lead null"
    output: int | None
    resistance_ohm: Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class TraySlot:
    """One slot of a tray as it was laid out; its labels as they were written."""

    number: int  # place in the tray file, from 1
    output: int
    tag: str
    part_number: str = ""
    position: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayEntry(Entry):
    """A tray was begun, or gone on with: what lay where, so that its page can be made again."""

    KIND: ClassVar[str] = "tray"
    order: str
    tray: str  # name of the tray file
    stage: str
    customer_words: str = ""
    position_scheme: str = ""
    golden: str = ""  # the golden part's check of that day, in words
    file_digest: str = ""
    slots: tuple[TraySlot, ...] = ()


FLOW_LINE = "flow line"  # name of an OtherEntry: volume over pulse width


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherEntry(Entry):
    """Anything else worth keeping; ``name`` tells the kinds apart."""

    KIND: ClassVar[str] = "other"
    name: str
    data: dict[str, Any] = field(default_factory=dict)


ENTRY_KINDS: dict[str, type[Entry]] = {
    kind.KIND: kind
    for kind in (
        *(Correction, FlowEntry, LeakEntry, SprayEntry, WorkEntry, ReleaseEntry, Withdrawal),
        CustomerEntry,
        *(GoldenEntry, CalibrationEntry, LeadNullEntry, TrayEntry, OtherEntry),
    )
}

# What a person typed and may therefore withdraw.
WITHDRAWABLE = tuple(
    kind.KIND for kind in (FlowEntry, LeakEntry, SprayEntry, WorkEntry, CustomerEntry, ReleaseEntry)
)


def may_withdraw(entry: Entry) -> bool:
    """Typed by a person about a part; a calibration or a correction is none of these."""
    return entry.KIND in WITHDRAWABLE or (isinstance(entry, OtherEntry) and entry.name == FLOW_LINE)
