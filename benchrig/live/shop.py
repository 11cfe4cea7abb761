"""The shop as it is known from what the rigs told: pure, fed with messages and a clock.

What comes over a network is not believed unread: a payload that does not fit its topic is
counted and dropped, texts lose their control characters, and the number of rigs is bounded.
A rig that is silent for ``STALE_S``, or whose last will has come, is STALE: what it said last is
shown as what it was, never as what it is.
"""

from __future__ import annotations

import json
from collections import OrderedDict, deque
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from benchrig.live.deduplicate import Deduplicator
from benchrig.live.payloads import PAYLOAD_BYTES_MAX, Link, RigState
from benchrig.live.topics import parse
from benchrig.wire.simulated import is_simulated

STALE_S = 15.0  # three beats of a publisher
RIGS_MAX = 500
VERDICTS_SHOWN = 3
WORD_MAX = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownVerdict:
    """A finished run in one line."""

    at: datetime
    run: str
    name: str  # tag, else part
    verdict: str
    proven_safe: bool


@dataclass(slots=True, kw_only=True)
class RigView:
    """What is known of one rig."""

    bench: str
    rig: str
    link: str = ""
    link_at: datetime | None = None
    state: RigState = RigState.UNKNOWN
    since: datetime | None = None
    doing: str = ""
    part: str = ""
    tag: str = ""
    run: str = ""
    invented: bool = False
    cycle: int = 0
    cycles: int = 0
    disconnect: tuple[str, ...] = ()
    current_a: float | None = None
    seen: datetime | None = None
    warning: str = ""
    verdicts: deque[ShownVerdict] = field(default_factory=lambda: deque(maxlen=VERDICTS_SHOWN))

    @property
    def simulated(self) -> bool:
        """No hardware: by the id, whatever the payload says."""
        return is_simulated(self.rig)

    @property
    def name(self) -> str:
        """Bench and the last digits of the rig's id."""
        return f"{self.bench}/{self.rig[-4:]}"

    def silent_s(self, now: datetime) -> float | None:
        """How long nothing has been heard."""
        return None if self.seen is None else max(0.0, (now - self.seen).total_seconds())

    def is_stale(self, now: datetime) -> bool:
        """Whether what is shown may no longer be so."""
        if self.link == Link.LEFT:
            return False
        silent_s = self.silent_s(now)
        return self.link == Link.GONE or silent_s is None or silent_s > STALE_S

    def standing(self, now: datetime) -> str:
        """One word: ENERGISED, OFF, UNKNOWN, STALE, or AWAY after a goodbye."""
        if self.is_stale(now):
            return "STALE"
        if self.link == Link.LEFT and self.state is RigState.OFF:
            return "AWAY"
        return self.state.value


class Shop:
    """Takes messages; ``rigs`` are in the order of their names."""

    def __init__(self) -> None:
        self._rigs: dict[tuple[str, str], RigView] = {}
        self._verdicts = Deduplicator()
        self.unfit = 0
        self.doubles = 0

    @property
    def rigs(self) -> list[RigView]:
        """All rigs, by bench and id."""
        return [self._rigs[key] for key in sorted(self._rigs)]

    @property
    def missing(self) -> int:
        """Verdicts whose numbers were passed over."""
        return len(self._verdicts.missing)

    def take(self, topic: str, payload: object, *, retained: bool, now: datetime) -> RigView | None:
        """Take a message; the rig it changed, or None."""
        place = parse(topic)
        data = _read(payload)
        if place is None or data is None:
            self.unfit += 1
            return None
        topics, kind = place
        fits = data.get("schema") == f"benchrig.{kind}/1"
        if not fits or (data.get("bench"), data.get("rig")) != (topics.bench, topics.rig):
            self.unfit += 1
            return None
        key = (topics.bench, topics.rig)
        if key not in self._rigs and len(self._rigs) >= RIGS_MAX:
            self.unfit += 1
            return None
        view = self._rigs.setdefault(key, RigView(bench=topics.bench, rig=topics.rig))
        at = _time(data.get("at"))
        self._fold(view, kind, data, at)
        # The broker speaks for a rig that is gone; an old message tells only of its time.
        if kind not in ("link", "verdict") or data.get("link") == Link.HERE:
            heard = min(at, now) if retained and at is not None else None if retained else now
            if heard is not None and (view.seen is None or heard > view.seen):
                view.seen = heard
        return view

    def _fold(self, view: RigView, kind: str, data: dict[str, Any], at: datetime | None) -> None:
        match kind:
            case "link":
                view.link, view.link_at = _word(data.get("link")), at
            case "state":
                _fold_state(view, data)
            case "event":
                if data.get("kind") in ("warning", "fault", "not safe"):
                    view.warning = _word(data.get("message"))
                elif data.get("kind") == "started":
                    view.warning = ""
            case "cycle":
                view.cycle, view.cycles = _count(data.get("cycle")), _count(data.get("cycles"))
                view.current_a = _number(data.get("current_a"))
            case "live":
                view.current_a = _number(data.get("current_a"))
            case "verdict":
                self._fold_verdict(view, data, at)

    def _fold_verdict(self, view: RigView, data: dict[str, Any], at: datetime | None) -> None:
        if not self._verdicts.is_new(data) or at is None:
            self.doubles = self._verdicts.doubles
            return
        view.verdicts.append(
            ShownVerdict(
                at=at,
                run=_word(data.get("run")),
                name=_word(data.get("tag")) or _word(data.get("part")),
                verdict=_word(data.get("verdict")),
                proven_safe=data.get("proven_safe") is True,
            )
        )


def _fold_state(view: RigView, data: dict[str, Any]) -> None:
    state = data.get("state")
    evidence = data.get("evidence")
    # OFF without evidence is not believed, whoever says it.
    if state == RigState.OFF and not (
        isinstance(evidence, dict) and _number(evidence.get("residual_current_a")) is not None
    ):
        state = RigState.UNKNOWN
    view.state = RigState(state) if state in list(RigState) else RigState.UNKNOWN
    view.since = _time(data.get("since"))
    view.doing, view.part = _word(data.get("doing")), _word(data.get("part"))
    view.tag, view.run = _word(data.get("tag")), _word(data.get("run"))
    view.invented = data.get("invented") is True
    view.cycle, view.cycles = _count(data.get("cycle")), _count(data.get("cycles"))
    steps = data.get("disconnect")
    view.disconnect = tuple(_word(s) for s in steps[:8]) if isinstance(steps, list) else ()


def _read(payload: object) -> dict[str, Any] | None:
    if not isinstance(payload, bytes) or len(payload) > PAYLOAD_BYTES_MAX:
        return None
    try:
        data: Any = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return data if isinstance(data, dict) else None


def _word(value: object) -> str:
    if not isinstance(value, str):
        return ""
    return "".join(c for c in value[:WORD_MAX] if c.isprintable())


def _count(value: object) -> int:
    fits = isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 10**9
    return value if fits and isinstance(value, int) else 0


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value) if abs(value) < 1e12 else None


def _time(value: object) -> datetime | None:
    if not isinstance(value, str):
        return None
    try:
        at = datetime.fromisoformat(value)
        return at.astimezone(UTC) if at.tzinfo else at.replace(tzinfo=UTC)
    except (ValueError, OverflowError):
        return None


def as_json(view: RigView, now: datetime) -> dict[str, Any]:
    """A rig as one JSON line."""
    silent_s = view.silent_s(now)
    latest: OrderedDict[str, Any] = OrderedDict()
    for one in view.verdicts:
        latest[one.run] = {
            "at": one.at.isoformat(),
            "name": one.name,
            "verdict": one.verdict,
            "proven_safe": one.proven_safe,
        }
    return {
        "schema": "benchrig.watch/1",
        "at": now.isoformat(),
        "bench": view.bench,
        "rig": view.rig,
        "standing": view.standing(now),
        "stale": view.is_stale(now),
        "link": view.link or None,
        "last_known": view.state.value,
        "since": view.since.isoformat() if view.since else None,
        "silent_s": None if silent_s is None else round(silent_s, 1),
        "doing": view.doing,
        "run": view.run,
        "part": view.part,
        "tag": view.tag,
        "invented": view.invented,
        "simulated": view.simulated,
        "cycle": view.cycle,
        "cycles": view.cycles,
        "current_a": view.current_a,
        "disconnect": list(view.disconnect),
        "verdicts": [{"run": run, **told} for run, told in latest.items()],
    }
