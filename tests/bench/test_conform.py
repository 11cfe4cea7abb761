"""The simulated rig keeps every promise; a rig that breaks one is found out by its check."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from benchrig.bench.conform import CHECKS, ConformanceReport, Outcome, run_conformance
from benchrig.errors import LinkError
from benchrig.rig.link import NoBreak
from benchrig.wire.messages import (
    Accepted,
    EdgeCause,
    FaultReason,
    Message,
    RigState,
    ScheduleCommit,
    Status,
)
from benchrig.wire.schedule import Schedule
from benchrig.wire.session import RigSession
from benchrig_sim.firmware import Firmware
from benchrig_sim.link import SimLink, open_sim_link
from benchrig_sim.rig import SimRig
from benchrig_sim.virtual_time import VirtualTimeLoop

SCENARIO = "healthy"


def conformance(
    prepare: Callable[[SimLink], None] | None = None, scenario: str = SCENARIO
) -> ConformanceReport:
    async def main() -> ConformanceReport:
        link = open_sim_link(scenario)
        if prepare is not None:
            prepare(link)
        try:
            return await run_conformance(link)
        finally:
            await link.close()

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main())


def broken(report: ConformanceReport) -> dict[str, str]:
    return {c.name: c.sentence for c in report.checks if c.outcome is Outcome.FAIL}


def test_the_simulated_rig_keeps_every_promise() -> None:
    report = conformance()
    assert broken(report) == {}
    assert report.conforms
    open_points = [c.name for c in report.checks if c.outcome is Outcome.NOT_APPLICABLE]
    assert open_points == ["on-time-timer", "over-current-trip", "watchdog"]
    again = json.loads(json.dumps(report.to_json()))
    assert again["conforms"] is True
    assert len(again["checks"]) == len(CHECKS) + 4
    assert all(check["promise"] and check["sentence"] for check in again["checks"])
    assert again["checks"][0]["outcome"] == "pass"


def test_a_link_without_a_break_makes_that_check_not_applicable() -> None:
    async def no_break() -> None:
        raise NoBreak("none here")

    report = conformance(lambda link: setattr(link, "send_break", no_break))
    (check,) = (c for c in report.checks if c.name == "serial-break")
    assert (check.outcome, check.sentence) == (Outcome.NOT_APPLICABLE, "none here")
    assert report.conforms


def test_a_rig_that_says_nothing_cannot_be_judged() -> None:
    with pytest.raises(LinkError, match="no answer to Hello"):
        conformance(lambda link: setattr(link.rig, "on_bytes", lambda data, now_s: None))


# --- rigs that break one promise each ---------------------------------------------------------

Mutation = tuple[type[Any], str, Callable[[Any], Any]]


def nothing(_: Any) -> Any:
    return lambda *args, **kwargs: None


def beat_on_read(original: Any) -> Any:
    def read_status(self: Firmware, request: Message) -> Message:
        self.beat()
        return original(self, request)  # type: ignore[no-any-return]

    return read_status


def late(original: Any) -> Any:
    def over(self: Firmware) -> None:
        self.board.at_tick(self.board.tick() + self.ticks(50_000), lambda: original(self))

    return over


def unchecked_commit(original: Any) -> Any:
    def commit(self: Firmware, request: ScheduleCommit) -> Message:
        loading = self.loading
        if loading is None or len(loading.steps) < loading.step_count:
            return original(self, request)  # type: ignore[no-any-return]
        self.schedule = Schedule(
            schedule_id=loading.schedule_id,
            steps=tuple(loading.steps[n] for n in range(loading.step_count)),
            repeat_count=loading.repeat_count,
        )
        self.loading = None
        return self._accept(request)

    return commit


def accepts(original: Any) -> Any:
    del original

    def accept(self: Firmware, request: Message) -> Message:
        return Accepted(request=request.ID, tick=self.board.tick() & 0xFFFF_FFFF)

    return accept


def clears_anything(original: Any) -> Any:
    del original

    def clear(self: Firmware, request: Message) -> Message:
        self.state, self.fault = RigState.IDLE, FaultReason.NONE
        return self._accept(request)

    return clear


def drops_without_latch(original: Any) -> Any:
    del original

    def drop(self: Firmware, reason: FaultReason, detail: int = 0) -> None:
        self.end_schedule()
        self.set_mask(0, EdgeCause.FAULT)
        self.drop_feed()

    return drop


def slow_walk(original: Any) -> Any:
    def walk(self: Firmware, schedule: Schedule, begin: int) -> Iterator[tuple[int, int, int]]:
        for tick, mask, done in original(self, schedule, begin):
            yield begin + (tick - begin) * 1002 // 1000, mask, done

    return walk


def skips_edge_numbers(original: Any) -> Any:
    def tell(self: Firmware, cause: EdgeCause) -> None:
        original(self, cause)
        self.edges += 1

    return tell


def lies_about_readback(original: Any) -> Any:
    def status(self: Firmware) -> Status:
        told: Status = original(self)
        return replace(told, outputs_readback=1)

    return status


def forgets_repeats(original: Any) -> Any:
    def reply(self: RigSession, payload: bytes, carry_out: Any) -> bytes:
        self._last_payload = b""
        return original(self, payload, carry_out)  # type: ignore[no-any-return]

    return reply


def answers_echoes(original: Any) -> Any:
    def reply(self: RigSession, payload: bytes, carry_out: Any) -> bytes:
        if payload[0] >= 0x80:
            payload = b"\x05" + payload[1:2]
        return original(self, payload, carry_out)  # type: ignore[no-any-return]

    return reply


def stays_closed(original: Any) -> Any:
    del original

    def open_feed(self: Firmware, request: Message) -> Message:
        self.end_schedule()
        self.set_mask(0, EdgeCause.ALL_OFF)
        return self._accept(request)

    return open_feed


def answers_last(original: Any) -> Any:
    def receive(self: RigSession, data: bytes, carry_out: Any) -> bytes:
        answers: bytes = original(self, data, carry_out)
        carry_out.__self__._flush()
        return answers

    return receive


MUTATIONS: list[tuple[str, list[Mutation], set[str]]] = [
    ("hears no silence", [(Firmware, "_silence_over", nothing)], {"silence-running"}),
    ("takes reading for life", [(Firmware, "read_status", beat_on_read)], {"silence-feed-closed"}),
    ("falls late", [(Firmware, "_silence_over", late)], {"silence-feed-closed"}),
    ("does not latch", [(Firmware, "drop", drops_without_latch)], {"latch-and-clear"}),
    ("clears any fault", [(Firmware, "clear_fault", clears_anything)], {"latch-and-clear"}),
    ("ignores a break", [(Firmware, "serial_break", nothing)], {"serial-break"}),
    ("AllOff does nothing", [(Firmware, "all_off", accepts)], {"all-off"}),
    ("OpenFeed leaves it closed", [(Firmware, "open_feed", stays_closed)], {"feed", "open-feed"}),
    (
        "checks no schedule",
        [(Firmware, "commit", unchecked_commit)],
        {"schedule-times", "schedule-contents", "shared-input"},
    ),
    ("keeps slow time", [(Firmware, "_walk", slow_walk)], {"schedule-runs", "schedule-sweeps"}),
    ("skips edge numbers", [(Firmware, "tell_edge", skips_edge_numbers)], {"schedule-runs"}),
    ("reads back from memory", [(Firmware, "status", lies_about_readback)], {"all-off"}),
    ("tells edges before it answers", [(RigSession, "receive", answers_last)], {"feed"}),
    ("does repeats again", [(RigSession, "_reply", forgets_repeats)], {"repeats"}),
    ("answers its echo", [(RigSession, "_reply", answers_echoes)], {"echo"}),
]


@pytest.mark.parametrize(
    ("mutations", "found_by"), [m[1:] for m in MUTATIONS], ids=[m[0] for m in MUTATIONS]
)
def test_a_rig_that_breaks_a_promise_is_found_out(
    mutations: list[Mutation], found_by: set[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from benchrig_sim import firmware

    for owner, name, mutate in mutations:
        original = getattr(owner, name)
        changed = mutate(original)
        monkeypatch.setattr(owner, name, changed)
        for kind, handler in firmware._HANDLERS.items():
            if handler is original:
                monkeypatch.setitem(firmware._HANDLERS, kind, changed)
    report = conformance()
    assert found_by <= set(broken(report)), broken(report)
    assert not report.conforms


def test_declarations_that_cannot_be_are_found_out() -> None:
    def no_live_zero(link: SimLink) -> None:
        rig: SimRig = link.rig
        rig.inputs = [replace(info, zero_code=0) for info in rig.inputs]

    assert {"descriptions"} <= set(broken(conformance(no_live_zero)))
