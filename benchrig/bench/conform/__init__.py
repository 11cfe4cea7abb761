"""The promises of firmware_protocol.md as checks against any rig, on any link.

Outputs are switched and the feed is closed; nothing, or a dummy load, may be clipped on, and
never a part one cares for. Each check begins with everything off and leaves it off.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import asdict, dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Any

from benchrig.bench.conform import safety, samples, schedules, talk, witnesses
from benchrig.bench.conform.probe import NotApplicable, Probe, PromiseBroken
from benchrig.errors import LinkError, RigError
from benchrig.rig.link import Link, NoBreak
from benchrig.wire.messages import OpenFeed

CAUTION = (
    "This switches every kind of output and closes the feed. Clip on a dummy load or nothing; "
    "never a part that can spray, move or heat unseen."
)


class Outcome(StrEnum):
    """How a check ended."""

    PASS = "pass"
    FAIL = "fail"
    NOT_APPLICABLE = "not applicable"


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """One promise and whether it was kept."""

    name: str
    promise: str
    outcome: Outcome
    sentence: str
    likely_cause: str = ""  # where it failed


@dataclass(frozen=True, slots=True, kw_only=True)
class ConformanceReport:
    """All promises, in order."""

    rig: str
    protocol: str
    firmware: str
    checks: tuple[CheckResult, ...]

    @property
    def conforms(self) -> bool:
        """No promise was broken."""
        return all(check.outcome is not Outcome.FAIL for check in self.checks)

    def to_json(self) -> dict[str, Any]:
        """The report as plain values."""
        return {"schema": "benchrig/conformance/1", "conforms": self.conforms, **asdict(self)}


Check = Callable[[Probe], Awaitable[str]]


CHECKS: tuple[tuple[str, Check], ...] = (
    ("identity", talk.identity),
    ("descriptions", talk.descriptions),
    ("numbers-beyond", talk.beyond),
    ("version", talk.version),
    ("unknown-ids", talk.unknown),
    ("lengths", talk.lengths),
    ("values", talk.values),
    ("bad-frames", talk.bad_frames),
    ("echo", talk.echo),
    ("repeats", talk.repeats),
    ("answers", talk.answers_name_their_request),
    ("feed", safety.feed),
    ("schedule-loading", schedules.loading),
    ("schedule-fullest", schedules.fullest),
    ("schedule-times", schedules.times),
    ("schedule-contents", schedules.contents),
    ("shared-input", schedules.shared),
    ("start-needs", schedules.start_needs),
    ("schedule-runs", schedules.runs),
    ("schedule-sweeps", schedules.sweeps),
    ("busy", schedules.busy),
    ("low-current-source", schedules.source),
    ("all-off", safety.all_off),
    ("open-feed", safety.open_feed),
    ("kept-alive", safety.kept_alive),
    ("silence-idle", safety.silence_idle),
    ("silence-feed-closed", safety.silence_closed),
    ("silence-running", safety.silence_running),
    ("latch-and-clear", safety.latch),
    ("serial-break", safety.serial_break),
    ("sample-rates", samples.rates),
    ("sample-blocks", samples.blocks),
    ("live-zeros", samples.live_zeros),
    ("stream-replaced", samples.replacing),
    ("clock", witnesses.clock),
    ("gate-read-back", witnesses.readback),
)
# What most often lies behind a broken promise, where that is not plain from the sentence.
LIKELY_CAUSES: dict[str, str] = {
    "clock": "tick_ns is not the timer's, or the chip runs from its RC oscillator, not a crystal",
    "gate-read-back": "the read-back pin is not wired to the gate, or its port is read as output",
    "live-zeros": "the amplifiers have no supply, or the input's zero_code is not what was built",
    "feed": "the contactor's auxiliary contact is not wired or sticks, or feed_settle_us is short",
    "schedule-runs": "edges are made by a loop and not by the timer, or steps are cut short",
    "unasked-numbering": "a buffer overflows, or numbers are given when captured, not when sent",
    "serial-break": "framing errors are not taken for a break",
    "silence-running": "something other than Heartbeat feeds the silence timer",
    "silence-feed-closed": "something other than Heartbeat feeds the silence timer",
    "repeats": "the last request's sequence number is not kept",
}
# Promises that only a fault inside the rig or its load could put to the test.
UNPROVOKED: tuple[tuple[str, str], ...] = (
    ("on-time-timer", "An output's own timer ends an on-time that the schedule does not."),
    ("over-current-trip", "A current above the trip drops everything within 1 ms."),
    ("watchdog", "A firmware that hangs is reset with everything off."),
)


async def run_conformance(
    link: Link,
    told: Callable[[CheckResult], None] | None = None,
    *,
    admit: Callable[[str], None] | None = None,
) -> ConformanceReport:
    """Run every check over an open link and leave everything off; ``told`` hears each result.

    ``admit`` is given the rig's unique id before anything is switched, and may raise.
    RigError when the rig cannot be talked to at all; the link stays the caller's to close.
    """
    probe = Probe(link)
    listening = asyncio.create_task(probe.listen(), name=f"conform[{link.name}].reader")
    results: list[CheckResult] = []
    try:
        await probe.open()
        if admit is not None:
            admit(f"{probe.identity.unique_id:016x}")
        for name, check in CHECKS:
            results.append(await _result_of(name, check, probe))
            if told is not None:
                told(results[-1])
    finally:
        with suppress(RigError, PromiseBroken):
            await probe.do(OpenFeed())
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
    results.append(_numbering(probe))
    for name, promise in UNPROVOKED:
        sentence = "it cannot be provoked from outside without harm; not looked at"
        results.append(
            CheckResult(
                name=name, promise=promise, outcome=Outcome.NOT_APPLICABLE, sentence=sentence
            )
        )
    if told is not None:
        for result in results[len(CHECKS) :]:
            told(result)
    who = probe.identity
    return ConformanceReport(
        rig=f"{who.unique_id:016x}",
        protocol=f"{who.protocol_major}.{who.protocol_minor}",
        firmware=f"{who.firmware_major}.{who.firmware_minor}.{who.firmware_patch}",
        checks=tuple(results),
    )


async def _result_of(name: str, check: Check, probe: Probe) -> CheckResult:
    outcome = Outcome.PASS
    try:
        await probe.fresh()
        sentence = await check(probe)
    except PromiseBroken as broken:
        outcome, sentence = Outcome.FAIL, str(broken)
    except (NotApplicable, NoBreak) as reason:
        outcome, sentence = Outcome.NOT_APPLICABLE, str(reason)
    except LinkError as error:
        if probe.lost:
            raise
        outcome, sentence = Outcome.FAIL, error.message
    promise = (check.__doc__ or name).strip()
    return CheckResult(
        name=name,
        promise=promise,
        outcome=outcome,
        sentence=sentence,
        likely_cause=_cause(name, sentence) if outcome is Outcome.FAIL else "",
    )


def _cause(name: str, sentence: str) -> str:
    if "no answer to" in sentence:
        return "the firmware has no handler for that request, or hangs in it"
    return LIKELY_CAUSES.get(name, "the firmware does not do what the promise says")


def _numbering(probe: Probe) -> CheckResult:
    """Looked at over the whole session: the numbers of unasked messages have no gap."""
    numbers = probe.unasked_numbers
    gaps = sum((after - before) & 0xFF != 1 for before, after in pairwise(numbers))
    well = gaps == 0 and not probe.nonsense
    sentence = f"{len(numbers)} unasked messages, {gaps} gaps"
    if probe.nonsense:
        sentence += f", {len(probe.nonsense)} that are no message, such as: {probe.nonsense[0]}"
    return CheckResult(
        name="unasked-numbering",
        promise="Unasked messages are numbered without a gap, and all can be read.",
        outcome=Outcome.PASS if well else Outcome.FAIL,
        sentence=sentence,
        likely_cause="" if well else LIKELY_CAUSES["unasked-numbering"],
    )
