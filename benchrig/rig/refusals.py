"""A rig's refusal in words: what it says no to, why, and the nearest it would accept."""

from __future__ import annotations

from typing import assert_never

from benchrig.errors import RigRefused
from benchrig.wire.messages import (
    FaultReason,
    Message,
    RefusalReason,
    Refused,
    RigState,
    ScheduleCommit,
    ScheduleStep,
)

_REQUEST_WORDS = {
    "Hello": "to talk",
    "DescribeOutput": "to describe the output",
    "DescribeInput": "to describe the input",
    "Heartbeat": "the heartbeat",
    "ReadStatus": "to tell its state",
    "ScheduleBegin": "the schedule",
    "ScheduleStep": "a step of the schedule",
    "ScheduleCommit": "the schedule",
    "CloseFeed": "to close the feed",
    "OpenFeed": "to open the feed",
    "Start": "to start",
    "AllOff": "to switch all off",
    "Stream": "to sample",
    "StopStream": "to stop sampling",
    "ClearFault": "to clear the fault",
}

FAULT_WORDS: dict[FaultReason, str] = {
    FaultReason.NONE: "no fault",
    FaultReason.HEARTBEAT_SILENCE: "it heard no heartbeat from the host",
    FaultReason.ON_TIME_CEILING: "an output was on for longer than its ceiling",
    FaultReason.OVER_CURRENT: "a current was above the trip level",
    FaultReason.WATCHDOG: "its watchdog reset it",
    FaultReason.SERIAL_BREAK: "it was sent a serial break",
    FaultReason.BROWN_OUT: "its own supply broke down",
    FaultReason.INTERNAL: "it found an internal error",
}


def milliseconds(microseconds: int) -> str:
    """A time as a person reads it."""
    return f"{microseconds / 1000:g} ms"


def refused(request: Message, answer: Refused) -> RigRefused:
    """The error for a refusal."""
    why, advice = words(request, answer.reason, answer.detail)
    what = _REQUEST_WORDS.get(type(request).__name__, type(request).__name__)
    return RigRefused(
        f"the rig refused {what}: {why}",
        reason=answer.reason.name,
        detail=answer.detail,
        advice=advice,
    )


def words(request: Message, reason: RefusalReason, detail: int) -> tuple[str, str]:
    """Why, and what would be accepted instead (empty where nothing is nearest)."""
    match reason:
        case RefusalReason.UNKNOWN_MESSAGE:
            return f"it does not know message 0x{detail:02X}", "use a rig of this protocol version"
        case RefusalReason.BAD_LENGTH:
            return f"it expects {detail} bytes there", ""
        case RefusalReason.BAD_VALUE:
            return f"the value of {_field_name(request, detail)} cannot be", ""
        case RefusalReason.WRONG_STATE:
            return f"it is {_state_name(detail)}", "wait until it is idle, or switch all off"
        case RefusalReason.NO_SUCH_OUTPUT:
            return f"it has only {detail} outputs", f"outputs are 0 to {detail - 1}"
        case RefusalReason.NO_SUCH_INPUT:
            return f"it has only {detail} inputs", f"inputs are 0 to {detail - 1}"
        case RefusalReason.ON_TIME_OVER_CEILING:
            most = milliseconds(detail)
            return f"an on-time is over the output's ceiling of {most}", f"at most {most} on"
        case RefusalReason.ON_TIME_UNDER_LEAST:
            least = milliseconds(detail)
            return f"an on-time is under the output's least of {least}", f"at least {least} on"
        case RefusalReason.OFF_TIME_UNDER_LEAST:
            least = milliseconds(detail)
            return f"an off-time is under the output's least of {least}", f"at least {least} off"
        case RefusalReason.NOT_ENDING_OFF:
            return "the last step leaves outputs on", "end with all outputs off"
        case RefusalReason.TOO_MANY_STEPS:
            return f"it holds at most {detail} steps", f"at most {detail} steps"
        case RefusalReason.SCHEDULE_INCOMPLETE:
            return f"step {detail} is missing", ""
        case RefusalReason.STEPS_CRC_MISMATCH:
            return "the steps did not arrive as they were sent", "load the schedule again"
        case RefusalReason.FEED_MUST_BE_CLOSED:
            return "the feed is open", "close the feed first"
        case RefusalReason.FEED_MUST_BE_OPEN:
            return "the low-current source needs the feed open", "open the feed first"
        case RefusalReason.HEARTBEAT_MISSING:
            return f"it has heard no heartbeat for {milliseconds(detail)}", ""
        case RefusalReason.FAULT_LATCHED:
            return f"a fault is latched: {_fault_name(detail)}", "read it, then clear it by name"
        case RefusalReason.RATE_TOO_HIGH:
            least = f"{detail} µs"
            return f"the scan period is under {least}", f"a scan period of at least {least}"
        case RefusalReason.SHARED_INPUT:
            return (
                f"step {detail} switches outputs on together that share a current input",
                "switch them one after another",
            )
        case RefusalReason.VERSION_NOT_SPOKEN:
            return f"it speaks protocol version {detail}", "use a host program of that version"
        case RefusalReason.NO_SCHEDULE:
            held = f"schedule {detail}" if detail else "no schedule"
            return f"it holds {held}", "load the schedule first"
        case _:
            assert_never(reason)


def _field_name(request: Message, place: int) -> str:
    # A commit is refused for what one of its steps says.
    layout = ScheduleStep.LAYOUT if isinstance(request, ScheduleCommit) else type(request).LAYOUT
    return layout[place][0] if place < len(layout) else f"field {place}"


def _state_name(detail: int) -> str:
    try:
        return RigState(detail).name.lower()
    except ValueError:
        return f"in state {detail}"


def _fault_name(detail: int) -> str:
    try:
        return FAULT_WORDS[FaultReason(detail)]
    except ValueError:
        return f"fault {detail}"
