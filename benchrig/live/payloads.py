"""What is published: one function for each payload, JSON-able, bounded, without surprises.

Every dict made here fits the JSON Schema of its kind in ``schemas/``. Numbers that are not
finite become null; texts are cut to a length a broker and a terminal can bear.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from importlib import resources
from typing import Any

from benchrig.live.topics import RigTopics
from benchrig.quantity import Measured
from benchrig.record.values import RunEvent, RunRecord, SafeEvidence
from benchrig.wire.simulated import is_simulated

TEXT_MAX = 500
LIST_MAX = 64
PAYLOAD_BYTES_MAX = 65_536


class RigState(StrEnum):
    """What is known of a rig's outputs. OFF is said only on measured evidence."""

    ENERGISED = "ENERGISED"
    OFF = "OFF"
    UNKNOWN = "UNKNOWN"


class Link(StrEnum):
    """Whether the program that owns the rig is there."""

    HERE = "here"
    LEFT = "left"  # it ended and said so
    GONE = "gone"  # the broker says so: the last will


@dataclass(frozen=True, slots=True, kw_only=True)
class StateNow:
    """The state of one rig, ready to be told."""

    state: RigState = RigState.UNKNOWN
    since: str = ""
    run: str = ""
    doing: str = ""
    part: str = ""
    tag: str = ""
    pattern: str = ""
    invented: bool = False
    cycle: int = 0
    cycles: int = 0
    residual_current_a: float | None = None  # of the evidence, with OFF
    disconnect: tuple[str, ...] = ()


def link(topics: RigTopics, state: Link, at: str) -> dict[str, Any]:
    """The rig's program is here, left or gone. The last known state is retained beside it."""
    return _head("link", topics, at) | {"link": state.value, "last_known": topics.of("state")}


def state(topics: RigTopics, now: StateNow, at: str) -> dict[str, Any]:
    """The retained state."""
    off = now.state is RigState.OFF
    return _head("state", topics, at) | {
        "state": now.state.value,
        "since": now.since or at,
        "run": text(now.run),
        "doing": text(now.doing),
        "part": text(now.part),
        "tag": text(now.tag),
        "pattern": text(now.pattern),
        "invented": now.invented,
        "cycle": now.cycle,
        "cycles": now.cycles,
        "evidence": {"residual_current_a": number(now.residual_current_a)} if off else None,
        "disconnect": [text(step) for step in now.disconnect[:LIST_MAX]],
    }


def event(topics: RigTopics, run: str, happened: RunEvent, at: str) -> dict[str, Any]:
    """A run event."""
    return _head("event", topics, at) | {
        "run": text(run),
        "kind": happened.kind.value,
        "at_s": number(happened.at_s),
        "message": text(happened.message),
        "data": _small(happened.data),
    }


def cycle(topics: RigTopics, run: str, happened: RunEvent, at: str) -> dict[str, Any]:
    """The features of one cycle."""
    data = happened.data
    return _head("cycle", topics, at) | {
        "run": text(run),
        "at_s": number(happened.at_s),
        "cycle": _count(data.get("cycle")),
        "cycles": _count(data.get("cycles")),
        "complete": bool(data.get("complete", False)),
        "current_a": number(data.get("current_a")),
        "winding_c": number(data.get("winding_c")),
        "drop_outs": _count(data.get("drop_outs")),
    }


def live(topics: RigTopics, run: str, happened: RunEvent, at: str) -> dict[str, Any]:
    """The numbers of the moment."""
    data = happened.data
    on = data.get("on")
    return _head("live", topics, at) | {
        "run": text(run),
        "at_s": number(happened.at_s),
        "on": on if isinstance(on, bool) else None,
        "current_a": number(data.get("current_a")),
        "winding_c": number(data.get("winding_c")),
        "part_v": number(data.get("part_v")),
    }


def verdict(topics: RigTopics, record: RunRecord) -> dict[str, Any]:
    """A finished run. ``outbox`` and ``number`` are added where it leaves."""
    plan, safe = record.plan, record.made_safe
    residual = safe.residual_current_a if isinstance(safe, SafeEvidence) else None
    return _head("verdict", topics, record.ended_at) | {
        "id": verdict_id(topics, record),
        "run": text(record.record_id),
        "part": text(plan.part.title),
        "tag": text(plan.tag),
        "order": text(plan.order),
        "position": text(plan.position),
        "stage": plan.stage.value,
        "invented": plan.part.invented,
        "verdict": record.verdict.value,
        "ending": record.ending.value,
        "ending_reason": text(record.ending_reason),
        "proven_safe": record.proven_safe,
        "residual_current_a": number(residual),
        "cycles_planned": record.cycles_planned,
        "cycles_done": record.cycles_done,
        "drop_outs": len(record.drop_outs),
        "characteristics": [
            {
                "characteristic": judged.characteristic.value,
                "verdict": judged.verdict.value,
                "reason": text(judged.reason),
                "measured": _measured(judged.measured),
            }
            for judged in record.characteristics[:LIST_MAX]
        ],
        "warnings": [text(warning) for warning in record.warnings[:LIST_MAX]],
    }


def verdict_id(topics: RigTopics, record: RunRecord) -> str:
    """The same run gives the same id, whoever queues it and however often."""
    return f"{topics.bench}/{topics.rig}/{record.record_id}"


def encode(payload: dict[str, Any]) -> bytes:
    """JSON bytes."""
    return json.dumps(payload, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()


def schema(kind: str) -> dict[str, Any]:
    """The JSON Schema of a kind of payload, as packaged."""
    file = resources.files("benchrig.live") / "schemas" / f"{kind}.json"
    loaded: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return loaded


def text(words: object) -> str:
    """A text cut to length, without what cannot be written as UTF-8."""
    return str(words)[:TEXT_MAX].encode("utf-8", "replace").decode("utf-8")


def number(value: object) -> float | None:
    """A finite number, else null."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if math.isfinite(value) else None


def _head(kind: str, topics: RigTopics, at: str) -> dict[str, Any]:
    return {
        "schema": f"benchrig.{kind}/1",
        "bench": topics.bench,
        "rig": topics.rig,
        "simulated": is_simulated(topics.rig),
        "at": at,
    }


def _measured(value: Measured | None) -> dict[str, Any] | None:
    if value is None:
        return None
    return {
        "value": number(value.value),
        "std_uncertainty": number(value.std_uncertainty),
        "unit": value.unit,
    }


def _count(value: object) -> int:
    return max(0, value) if isinstance(value, int) and not isinstance(value, bool) else 0


def _small(data: dict[str, Any]) -> dict[str, Any]:
    """Words, numbers and short lists of them; traces belong to the log."""
    small: dict[str, Any] = {}
    for key, value in list(data.items())[:LIST_MAX]:
        if value is None or isinstance(value, bool):
            small[text(key)] = value
        elif isinstance(value, int | float):
            small[text(key)] = value if isinstance(value, int) else number(value)
        elif isinstance(value, str):
            small[text(key)] = text(value)
        elif isinstance(value, Iterable) and key != "trace":
            small[text(key)] = [text(item) for item in list(value)[:LIST_MAX]]
    return small
