"""JSON forms: any value of a run to bytes and back, and the public JSON of a record.

The canonical bytes of a value are JSON with the fields in the order of their classes, no
spaces, ASCII only, numbers in their shortest round-trip form. The same value gives the same
bytes. A number that is not finite becomes a word ("NaN"), a character that no text may hold
becomes U+FFFD; neither stops a run from being kept. The digest that stands on a page leaves out
what is as it is by default: a field that a later version adds changes no digest of today.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from enum import Enum
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeVar, cast

from benchrig.errors import LogError
from benchrig.judge.verdict import Judged
from benchrig.parts.part import UNITS
from benchrig.quantity import Measured
from benchrig.record.values import NotProven, RunRecord, SafeEvidence

if TYPE_CHECKING:
    from pydantic import TypeAdapter

T = TypeVar("T")


@lru_cache(maxsize=64)
def _adapter(kind: Any) -> TypeAdapter[Any]:
    from pydantic import TypeAdapter  # late: --help and part list must not pay for it

    return TypeAdapter(kind)


@lru_cache(maxsize=64)
def _stored_adapter(kind: Any) -> TypeAdapter[Any]:
    from pydantic import ConfigDict, TypeAdapter

    # A dataclass alone takes no settings; as the one item of a tuple it follows the tuple's.
    return TypeAdapter(tuple[kind], config=ConfigDict(ser_json_inf_nan="strings"))


def plain(value: Any, *, sparse: bool = False) -> Any:
    """A value made of dict, list, str, int, float, bool and None only; never fails.

    ``sparse``: without the fields that hold their default.
    """
    if isinstance(value, Enum):
        return plain(value.value)
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, int):
        return int(value)
    if isinstance(value, float):
        return _plain_float(float(value))
    if isinstance(value, str):
        return value.encode("utf-8", "replace").decode("utf-8") if _unfit(value) else str(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = [(f, getattr(value, f.name)) for f in dataclasses.fields(value)]
        stated = [(f.name, item) for f, item in fields if not (sparse and _is_default(f, item))]
        return {name: plain(item, sparse=sparse) for name, item in stated}
    if isinstance(value, dict):
        return {str(plain(key)): plain(item, sparse=sparse) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item, sparse=sparse) for item in value]
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return plain(value.tolist())
    return plain(str(value))


def _is_default(field: dataclasses.Field[Any], value: Any) -> bool:
    if field.default_factory is not dataclasses.MISSING:
        return bool(value == field.default_factory())
    return field.default is not dataclasses.MISSING and bool(value == field.default)


def _plain_float(value: float) -> float | str:
    if math.isfinite(value):
        return value
    return "NaN" if math.isnan(value) else "Infinity" if value > 0 else "-Infinity"


def _unfit(text: str) -> bool:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return True
    return False


def _name(kind: Any) -> str:
    return str(getattr(kind, "__name__", kind))


def to_json(value: Any) -> dict[str, Any]:
    """A dataclass of this package as a JSON-able dict."""
    form = plain(value)
    if not isinstance(form, dict):
        raise ValueError(f"{type(value).__name__} has no JSON object form")
    return form


def to_bytes(value: Any, kind: Any = None) -> bytes:
    """Canonical JSON bytes of a dataclass, or of anything ``plain`` takes."""
    if kind is None and dataclasses.is_dataclass(value) and not isinstance(value, type):
        kind = type(value)
    if kind is not None:
        try:
            # The serialiser in C does what plain() does, ten times as fast, except for numbers
            # that are not finite and text that is not text; both make it raise.
            form = _adapter(kind).dump_python(value, mode="json", warnings="error")
            return _dumps(form)
        except (ValueError, TypeError):
            return _slow_bytes(value, kind)
    return _dumps(plain(value))


def stored_bytes(value: Any, kind: Any = None) -> bytes:
    """JSON bytes that read back as the same value, for a row of the log.

    Written in one go in C, several times as fast as the canonical bytes, from which they differ
    in how a number or a letter is spelt.
    """
    kind = type(value) if kind is None else kind
    try:
        whole = _stored_adapter(kind).dump_json((value,), warnings="error")
    except (ValueError, TypeError):
        return to_bytes(value, kind)
    return whole[1:-1]  # without the tuple round it


def _slow_bytes(value: Any, kind: Any, *, sparse: bool = False) -> bytes:
    """The same bytes, whatever the value holds: read back once, so that 10 A is 10.0 A too."""
    form = plain(value)
    try:
        return _dumps(plain(_adapter(kind).validate_python(form), sparse=sparse))
    except (ValueError, TypeError):
        return _dumps(form)


def _dumps(form: Any) -> bytes:
    return json.dumps(form, separators=(",", ":"), allow_nan=False).encode("ascii")


def from_json(kind: type[T], form: Any) -> T:
    """The value whose JSON form this is; raises LogError when it is none."""
    from pydantic import ValidationError

    try:
        value: T = _adapter(cast(Any, kind)).validate_python(form)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(step) for step in first["loc"])
        raise LogError(
            f"not a {_name(kind)} of this version: {where or 'value'}: {first['msg']}",
            advice="run `benchrig record verify`; the log may be damaged or from a newer benchrig",
        ) from None
    return value


def from_bytes(kind: type[T], data: bytes) -> T:
    """The value whose canonical bytes these are; raises LogError when they are none."""
    try:
        form = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise LogError(
            f"a stored {_name(kind)} is not JSON: {error}",
            advice="run `benchrig record verify`; the log may be damaged",
        ) from None
    return from_json(kind, form)


def digest(value: Any) -> str:
    """SHA-256 of a dataclass's canonical bytes without what is by default; 64 hex digits."""
    return hashlib.sha256(_slow_bytes(value, type(value), sparse=True)).hexdigest()


def record_to_json(record: RunRecord, budget: bool = False) -> dict[str, Any]:
    """The public JSON of a record: what ``--json`` prints."""
    form: dict[str, Any] = plain(record)
    plan = form["plan"]
    return {
        "schema": form["schema"],
        "record": form["record_id"],
        "digest": digest(record),
        "simulated": record.simulated,
        "part": plan["part"]["name"],
        "part_title": plan["part"]["title"],
        "invented": plan["part"]["invented"],
        "pattern": plan["pattern"]["name"],
        **{
            name: plan[name]
            for name in (
                *("tag", "part_number", "order", "position", "position_scheme"),
                *("operator", "stage", "note"),
            )
        },
        "begun_at": form["begun_at"],
        "ended_at": form["ended_at"],
        "ending": form["ending"],
        "ending_reason": form["ending_reason"],
        "verdict": form["verdict"],
        "verdict_reason": form["verdict_reason"],
        "headline": form["headline"],
        "characteristics": [_judged_to_json(j, budget) for j in record.characteristics],
        "temperature": plan["temperature"],
        "cold": _without_budget(form["cold"], budget),
        "cycles_planned": form["cycles_planned"],
        "cycles": _without_budget(form["cycles"], budget),
        "drop_outs": form["drop_outs"],
        "fault_rate_upper_95": form["fault_rate_upper_95"],
        "made_safe": _safe_to_json(record.made_safe),
        "rig": _without_budget(form["rig"], budget),
        "edges_lost": form["edges_lost"],
        "blocks_lost": form["blocks_lost"],
        "warnings": form["warnings"],
        "analysis_version": form["analysis_version"],
    }


def _judged_to_json(judged: Judged, budget: bool) -> dict[str, Any]:
    measured, limit = judged.measured, judged.limit
    form: dict[str, Any] = {
        "name": judged.characteristic.value,
        "value": None if measured is None else plain(measured.value),
        "unit": UNITS[judged.characteristic] if measured is None else plain(measured.unit),
        "std_uncertainty": None if measured is None else plain(measured.std_uncertainty),
        "limits": None
        if limit is None
        else {
            "low": plain(limit.low),
            "high": plain(limit.high),
            "rule": limit.rule.value,
            "at_voltage_v": plain(limit.at_voltage_v),
        },
        "source": None if limit is None else plain(limit.source),
        "verdict": judged.verdict.value,
        "reason": plain(judged.reason),
        "zone": plain(judged.zone),
        "guard_band": plain(judged.guard_band),
        "conformance_probability": plain(judged.conformance_probability),
        "does_not_prove": plain(judged.does_not_prove),
    }
    if budget:
        form["budget"] = [] if measured is None else plain(measured.budget)
    return form


def _safe_to_json(made_safe: SafeEvidence | NotProven) -> dict[str, Any]:
    if isinstance(made_safe, SafeEvidence):
        return {
            "proven": True,
            "residual_current_a": plain(made_safe.residual_current_a),
            "feed_opened": made_safe.feed_opened,
            "readings": plain(made_safe.readings),
            "inputs_alive": plain(made_safe.inputs_alive),
            "life": plain(made_safe.life),
            "waited_s": plain(made_safe.waited_s),
        }
    return {
        "proven": False,
        "residual_current_a": plain(made_safe.last_current_a),
        "feed_opened": made_safe.feed_opened,
        "reason": plain(made_safe.reason),
        "declared": plain(made_safe.declared),
    }


_MEASURED_FIELDS = {field.name for field in dataclasses.fields(Measured)}


def _without_budget(form: Any, budget: bool) -> Any:
    """Budgets are most of the bytes; they are left out unless asked for."""
    if budget:
        return form
    if isinstance(form, list):
        return [_without_budget(item, budget) for item in form]
    if isinstance(form, dict):
        drop = form.keys() == _MEASURED_FIELDS
        return {
            key: _without_budget(item, budget)
            for key, item in form.items()
            if not (drop and key == "budget")
        }
    return form
