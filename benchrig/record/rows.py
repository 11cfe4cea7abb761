"""Values to rows of the log and back."""

from __future__ import annotations

import json
import re
import zlib
from dataclasses import dataclass, replace
from typing import Any

from benchrig.errors import LogError
from benchrig.measure.features import CycleFeatures
from benchrig.measure.samples import InputScale
from benchrig.record import forms
from benchrig.record.values import RigIdentity, RunPlan, RunRecord
from benchrig.wire.simulated import is_simulated

KEY_CHARACTERS = 200  # longer words are cut in the columns that lists and indexes use
PRESS_LEVEL = 3  # 6 takes twice as long for a tenth less, and samples are most of a log
UNPRESSED_BYTES_MAX = 256 << 20  # a log from elsewhere must not fill the memory
_STAMP = re.compile(r"(\d{4})(\d\d)(\d\d)-(\d\d)(\d\d)(\d\d)")


def word(text: str) -> str:
    """A text as a column holds it: no NUL (PostgreSQL has none), not longer than an index can."""
    fit = text if text.isascii() else str(forms.plain(text))
    return fit.replace("\x00", "\ufffd")[:KEY_CHARACTERS]


def press(data: bytes) -> bytes:
    """Compressed."""
    return zlib.compress(data, PRESS_LEVEL)


def unpress(data: bytes) -> bytes:
    """What ``press`` compressed; raises LogError when it is damaged, or far too long to be ours."""
    unpacker = zlib.decompressobj()
    try:
        value = unpacker.decompress(data, UNPRESSED_BYTES_MAX)
    except zlib.error as error:
        raise LogError(
            f"a stored value cannot be read: {error}", advice="run `benchrig record verify`"
        ) from None
    if not unpacker.eof or unpacker.unused_data:
        raise LogError(
            "a stored value cannot be read: it does not end where it should",
            advice="run `benchrig record verify`",
        )
    return value


def stamp_of(record_id: str) -> str:
    """The time a record's id was made, ISO 8601 without zone; empty when it says none."""
    found = _STAMP.match(record_id)
    return "{}-{}-{}T{}:{}:{}".format(*found.groups()) if found else ""


def begin_row(
    log_id: str, record_id: str, plan: RunPlan, rig: RigIdentity, begun_at: str
) -> dict[str, Any]:
    """The row that says a run has begun."""
    return {
        "record_id": word(record_id),
        "log_id": log_id,
        "begun_at": word(begun_at or stamp_of(record_id)),
        "rig_unique_id": word(rig.unique_id),
        "tag": word(plan.tag),
        "order_number": word(plan.order),
        "part": word(plan.part.name),
        "output": plan.output,
        "plan": press(forms.stored_bytes(plan)),
        "rig": press(forms.stored_bytes(rig)),
    }


def end_row(log_id: str, record: RunRecord, chunks: int, chunks_digest: bytes) -> dict[str, Any]:
    """The row that closes a run: what lists show, the record, and its cycles."""
    plan = record.plan
    values = {
        j.characteristic.value: [j.measured.value, j.measured.std_uncertainty, j.measured.unit]
        for j in record.characteristics
        if j.measured is not None
    }
    return {
        "record_id": word(record.record_id),
        "log_id": log_id,
        "begun_at": word(record.begun_at),
        "ended_at": word(record.ended_at),
        "tag": word(plan.tag),
        "part": word(plan.part.name),
        "part_number": word(plan.part_number),
        "order_number": word(plan.order),
        "position": word(plan.position),
        "stage": plan.stage.value,
        "operator": word(plan.operator),
        "rig_unique_id": word(record.rig.unique_id),
        "verdict": record.verdict.value,
        "ending": record.ending.value,
        "proven_safe": int(record.proven_safe),
        "cycles_done": record.cycles_done,
        "drop_outs": len(record.drop_outs),
        "characteristic_values": json.dumps(values, separators=(",", ":")),
        "chunks": chunks,
        "chunks_digest": chunks_digest,
        "record": press(forms.stored_bytes(replace(record, cycles=()))),
        "features": press(forms.stored_bytes(record.cycles, tuple[CycleFeatures, ...])),
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleSet:
    """How the codes of the chunks that follow become SI values and seconds."""

    scales: tuple[InputScale, ...]
    tick_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenRun:
    """A run that was begun and never ended: power cut, killed program, full disk."""

    record_id: str
    begun_at: str
    rig_unique_id: str
    output: int
    plan: RunPlan
    rig: RigIdentity


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A characteristic as lists show it."""

    value: float
    std_uncertainty: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSummary:
    """One line of a list; corrected where a correction was entered."""

    record_id: str
    log_id: str
    begun_at: str
    ended_at: str
    tag: str
    part: str
    part_number: str
    order: str
    position: str
    stage: str
    operator: str
    rig_unique_id: str
    verdict: str
    ending: str
    proven_safe: bool
    cycles_done: int
    drop_outs: int
    values: dict[str, Value]
    corrected: tuple[str, ...] = ()  # names of the fields that were

    @property
    def simulated(self) -> bool:
        """The rig was no hardware."""
        return is_simulated(self.rig_unique_id)


def summary(row: Any) -> RunSummary:
    """The line of a row of ``SUMMARY_COLUMNS``."""
    form = dict(row)
    try:
        values = json.loads(form.pop("characteristic_values"))
        form["values"] = {
            name: Value(value=value, std_uncertainty=u, unit=unit)
            for name, (value, u, unit) in values.items()
        }
    except (ValueError, TypeError, AttributeError):
        raise LogError(
            f"record {form['record_id']}: its values cannot be read",
            advice="run `benchrig record verify`",
        ) from None
    form["order"] = form.pop("order_number")
    form["proven_safe"] = bool(form["proven_safe"])
    return RunSummary(**form)
