"""What can go wrong on purpose: kinds, when they strike, and the plain text form of a fault.

Text form, as in a scenario or behind ``?fault=``: ``kind@when,key=value,...`` with ``when`` one
of ``2.5s`` (true time), ``cycle3`` (third switch-on), ``in7`` or ``out7`` (frame number towards
or from the rig, from 1). Without ``@when`` it is there from the start.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum


class FaultKind(StrEnum):
    """All faults; the text is the name in files."""

    # contacts
    WELDED_OUTPUT = "welded-output"
    WELDED_FEED = "welded-feed"
    # converter
    INPUT_STUCK = "input-stuck"  # value: the code; default: as it stands at zero input
    INPUT_SATURATED = "input-saturated"
    INPUT_DRIFTING = "input-drifting"  # value: codes a second
    ADC_STUCK = "adc-stuck"  # all inputs; value: the code
    # part
    OPENS_WHEN_HOT = "opens-when-hot"  # value: °C
    PART_OPEN = "part-open"
    PART_SHORTED = "part-shorted"
    SHORTED_TURNS = "shorted-turns"  # value: fraction
    STUCK_ARMATURE = "stuck-armature"
    HIGH_JOINT = "high-joint"  # value: ohm
    INTERMITTENT = "intermittent"  # value: gaps a second; duration_s: mean length; place
    # anywhere in the path
    BREAK = "break"  # place; duration_s: 0 is for good
    # line
    BYTE_LOST = "byte-lost"
    BYTE_DOUBLED = "byte-doubled"
    BIT_FLIPPED = "bit-flipped"
    FRAME_LOST = "frame-lost"
    FRAME_DOUBLED = "frame-doubled"
    FRAME_DELAYED = "frame-delayed"  # duration_s
    HALF_FRAME_STALL = "half-frame-stall"  # duration_s
    FLOOD = "flood"  # duration_s of rubbish
    UNPLUG = "unplug"  # duration_s: plugged in again after it; 0: never
    # rig
    RESET = "reset"
    BROWN_OUT = "brown-out"
    HANG_INTERRUPTS_ON = "hang-interrupts-on"
    HANG_INTERRUPTS_OFF = "hang-interrupts-off"
    SCHEDULE_STALLS = "schedule-stalls"  # a fault of its program: the next edge never comes
    READBACK_LIES = "readback-lies"
    CAPABILITY_LACKING = "capability-lacking"  # identity promises an output that it refuses
    CLOCK_DRIFT = "clock-drift"  # value: share, 0.02 is 2 % fast
    # supply
    SUPPLY_SAG = "supply-sag"  # value: volts; duration_s: 0 is for good
    SUPPLY_LIMIT = "supply-limit"  # value: amperes
    SUPPLY_OFF = "supply-off"  # duration_s: 0 is for good


class Place(StrEnum):
    """Where the path of the current opens."""

    PART = "part"  # between the sense points
    LEAD = "lead"  # leads and clips, on either side of the part
    SUPPLY = "supply"  # with its fuse
    FEED = "feed"
    SWITCH = "switch"  # the rig's own, of the output


LINE_KINDS = frozenset(
    {
        FaultKind.BYTE_LOST,
        FaultKind.BYTE_DOUBLED,
        FaultKind.BIT_FLIPPED,
        FaultKind.FRAME_LOST,
        FaultKind.FRAME_DOUBLED,
        FaultKind.FRAME_DELAYED,
        FaultKind.HALF_FRAME_STALL,
    }
)


class BadFault(ValueError):
    """A fault's text cannot be understood."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault and when it strikes; the first of the given times that comes."""

    kind: FaultKind
    at_s: float | None = None
    at_cycle: int | None = None
    at_frame_in: int | None = None  # towards the rig, from 1
    at_frame_out: int | None = None  # from the rig, from 1
    output: int = 0
    input: int | None = None
    value: float | None = None
    duration_s: float = 0.0
    place: Place = Place.PART

    @property
    def from_start(self) -> bool:
        """There before anything happens."""
        times = (self.at_s, self.at_cycle, self.at_frame_in, self.at_frame_out)
        return all(t is None for t in times)

    def number(self, default: float) -> float:
        """Its value, or what it is by default."""
        return default if self.value is None else self.value


_WHEN = re.compile(r"^(?:(?P<s>[0-9.]+)s|cycle(?P<c>\d+)|in(?P<i>\d+)|out(?P<o>\d+))$")


def parse_fault(text: str) -> Fault:
    """A fault from its text form."""
    head, *pairs = (piece.strip() for piece in text.split(","))
    name, _, when = head.partition("@")
    try:
        kind = FaultKind(name)
    except ValueError:
        known = ", ".join(sorted(FaultKind))
        raise BadFault(f"no fault is called {name!r}; there are: {known}") from None
    at_s = at_cycle = at_in = at_out = None
    if when:
        found = _WHEN.match(when)
        if found is None:
            raise BadFault(f"{when!r} is no time: write 2.5s, cycle3, in7 or out7")
        at_s = float(found["s"]) if found["s"] else None
        at_cycle = int(found["c"]) if found["c"] else None
        at_in = int(found["i"]) if found["i"] else None
        at_out = int(found["o"]) if found["o"] else None
    keys: dict[str, float] = {}
    place = Place.PART
    for pair in pairs:
        key, _, value = pair.partition("=")
        if key == "place":
            if value not in list(Place):
                raise BadFault(f"place={value!r} is none of: {', '.join(Place)}")
            place = Place(value)
            continue
        if key not in ("output", "input", "value", "duration_s"):
            raise BadFault(f"{key!r}: a fault has output, input, value, duration_s and place")
        try:
            keys[key] = float(value)
        except ValueError:
            raise BadFault(f"{key}={value!r} is no number") from None
    return Fault(
        kind=kind,
        at_s=at_s,
        at_cycle=at_cycle,
        at_frame_in=at_in,
        at_frame_out=at_out,
        output=int(keys.get("output", 0)),
        input=int(keys["input"]) if "input" in keys else None,
        value=keys.get("value"),
        duration_s=keys.get("duration_s", 0.0),
        place=place,
    )
