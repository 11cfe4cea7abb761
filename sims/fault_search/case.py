"""A case: one job on one bench with a list of faults, all drawn from a seed."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

from benchrig_sim.faults import Fault, FaultKind

JOB_S = 6.7  # a job without faults takes about this long, pattern included
FRAMES_IN, FRAMES_OUT = 150, 300  # and about so many frames each way
CEILING_US = 2_000_000


class HostFaultKind(StrEnum):
    """What can go wrong on the host's side."""

    CANCELLED = "cancelled"  # value: how often, 0.1 s apart
    FROZEN = "frozen"  # value: seconds in which the program does nothing at all
    SCREEN_RAISES = "screen-raises"  # a sink that is not essential throws
    BROKER_GONE = "broker-gone"  # a sink that is not essential reports failure by itself
    LOG_RAISES = "log-raises"  # the essential sink throws
    DISK_FULL = "disk-full"  # the database has no page left
    DISK_SLOW = "disk-slow"  # value: seconds a commit


class Person(StrEnum):
    """Who stands at the bench when an alarm is shown."""

    DISCONNECTS = "disconnects"  # takes the supply off after the third alarm, then declares it
    DECLARES = "declares"  # declares at once without doing it
    ABSENT = "absent"  # nobody; the program may give up on a rig that has vanished
    SCREEN_BROKEN = "screen-broken"  # asking fails twice, then as DISCONNECTS


@dataclass(frozen=True, slots=True, kw_only=True)
class HostFault:
    """One fault of the host."""

    kind: HostFaultKind
    at_s: float
    value: float = 0.0


AnyFault = Fault | HostFault


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Everything a job needs to be played again exactly."""

    seed: int
    on_us: int
    off_us: int
    repeats: int
    conversion_us: int
    drift: float
    resistance_20c_ohm: float
    second_part: bool  # another part is clipped to output 3
    relay: bool
    freewheel: bool
    stale: bool  # the log holds an open run of this rig
    person: Person
    faults: tuple[AnyFault, ...]

    @property
    def rig_faults(self) -> tuple[Fault, ...]:
        """Those of rig, bench and line."""
        return tuple(f for f in self.faults if isinstance(f, Fault))

    @property
    def host_faults(self) -> tuple[HostFault, ...]:
        """Those of the host."""
        return tuple(f for f in self.faults if isinstance(f, HostFault))

    def keep(self, places: tuple[int, ...]) -> Case:
        """The same job with only some of its faults."""
        return replace(self, faults=tuple(self.faults[place] for place in places))

    def describe(self) -> str:
        """One line a fault."""
        head = (
            f"seed {self.seed}: {self.on_us / 1e3:g} ms on, {self.off_us / 1e3:g} ms off, "
            f"{self.repeats} times; {self.conversion_us} us a conversion, "
            f"drift {self.drift:+.3f}, {self.resistance_20c_ohm:.2f} ohm, "
            f"person {self.person}"
            + "".join(
                f", {word}"
                for word, is_so in (
                    ("second part on output 3", self.second_part),
                    ("relay", self.relay),
                    ("freewheel diode", self.freewheel),
                    ("stale run in the log", self.stale),
                )
                if is_so
            )
        )
        lines = [f"  [{place}] {text_of(fault)}" for place, fault in enumerate(self.faults)]
        return "\n".join((head, *lines))


def text_of(fault: AnyFault) -> str:
    """A fault in words close to its text form."""
    if isinstance(fault, HostFault):
        return f"host {fault.kind}@{fault.at_s:.4f}s,value={fault.value:g}"
    when = [
        text
        for text in (
            f"{fault.at_s:.4f}s" if fault.at_s is not None else "",
            f"cycle{fault.at_cycle}" if fault.at_cycle is not None else "",
            f"in{fault.at_frame_in}" if fault.at_frame_in is not None else "",
            f"out{fault.at_frame_out}" if fault.at_frame_out is not None else "",
        )
        if text
    ]
    more = f",output={fault.output}" if fault.output else ""
    more += f",input={fault.input}" if fault.input is not None else ""
    more += f",value={fault.value:g}" if fault.value is not None else ""
    more += f",duration_s={fault.duration_s:g}" if fault.duration_s else ""
    return f"{fault.kind}@{'|'.join(when) or 'start'}{more}"


PATTERNS = (
    (300_000, 300_000, 3),
    (40_000, 90_000, 10),
    (1_200_000, 1_300_000, 1),
    (6_000, 30_000, 30),
)


def plain_case(seed: int = 0) -> Case:
    """A job with nothing wrong."""
    return Case(
        seed=seed,
        on_us=300_000,
        off_us=300_000,
        repeats=3,
        conversion_us=250,
        drift=0.0,
        resistance_20c_ohm=14.5,
        second_part=False,
        relay=False,
        freewheel=False,
        stale=False,
        person=Person.DISCONNECTS,
        faults=(),
    )


def draw(seed: int) -> Case:
    """The case of a seed; the same on every machine."""
    rng = random.Random(seed * 2 + 1)
    relay = rng.random() < 0.08
    on_us, off_us, repeats = PATTERNS[0] if relay else rng.choice(PATTERNS)
    count = rng.choices((0, 1, 2, 3, 4, 6), (4, 40, 28, 16, 8, 4))[0]
    case = Case(
        seed=seed,
        on_us=on_us,
        off_us=off_us,
        repeats=repeats,
        conversion_us=rng.choice((125, 250, 250, 400)),
        drift=rng.choice((0.0, 0.0, 0.0, rng.uniform(-0.02, 0.02), -0.02, 0.02)),
        resistance_20c_ohm=rng.choice((14.5, 14.5, 14.5, rng.uniform(14.2, 14.8), 11.5, 18.0)),
        second_part=rng.random() < 0.2,
        relay=relay,
        freewheel=rng.random() < 0.15,
        stale=rng.random() < 0.1,
        person=rng.choices(tuple(Person), (5, 2, 2, 1))[0],
        faults=(),
    )
    faults = tuple(_draw_fault(rng, case) for _ in range(count))
    return replace(case, faults=faults)


def _draw_fault(rng: random.Random, case: Case) -> AnyFault:
    group = rng.choices(tuple(_GROUPS), tuple(weight for weight, _ in _GROUPS.values()))[0]
    return _GROUPS[group][1](rng, case)


def _when(rng: random.Random, case: Case, *, start: float = 0.1) -> dict[str, float | int]:
    """A moment: any time of the job, or a switch-on of the run, or a frame."""
    if rng.random() < start:
        return {}
    way = rng.random()
    if way < 0.5:
        return {"at_s": round(rng.uniform(0.0, JOB_S), 4)}
    if way < 0.8:  # 1 is the first short pulse
        return {"at_cycle": rng.randint(1, 1 + case.repeats)}
    if way < 0.9:
        return {"at_frame_in": rng.randint(1, FRAMES_IN)}
    return {"at_frame_out": rng.randint(1, FRAMES_OUT)}


def _fault(kind: FaultKind, when: dict[str, float | int], **more: float | int) -> Fault:
    return Fault(kind=kind, **when, **more)  # type: ignore[arg-type]


def line_fault(
    kind: FaultKind, frame: int, *, inward: bool, place: int, duration_s: float
) -> Fault:
    """A fault at one frame; ``place`` is the byte it strikes."""
    return Fault(
        kind=kind,
        at_frame_in=frame if inward else None,
        at_frame_out=None if inward else frame,
        value=float(place),
        duration_s=duration_s,
    )


_BYTE_FAULTS = (
    FaultKind.BYTE_LOST,
    FaultKind.BYTE_DOUBLED,
    FaultKind.BIT_FLIPPED,
    FaultKind.FRAME_LOST,
    FaultKind.FRAME_DOUBLED,
    FaultKind.FRAME_DELAYED,
    FaultKind.HALF_FRAME_STALL,
)


def _draw_line(rng: random.Random, case: Case) -> AnyFault:
    del case
    inward = rng.random() < 0.5
    return line_fault(
        rng.choice(_BYTE_FAULTS),
        rng.randint(1, FRAMES_IN if inward else FRAMES_OUT),
        inward=inward,
        place=rng.randint(0, 40),
        duration_s=round(rng.uniform(0.01, 0.4), 3),
    )


def _draw_flood(rng: random.Random, case: Case) -> AnyFault:
    return _fault(FaultKind.FLOOD, _when(rng, case), duration_s=round(rng.uniform(0.01, 0.5), 3))


def _draw_plug(rng: random.Random, case: Case) -> AnyFault:
    duration = 0.0 if rng.random() < 0.4 else round(rng.uniform(0.02, 3.0), 3)
    return _fault(FaultKind.UNPLUG, _when(rng, case, start=0.0), duration_s=duration)


def _draw_chip(rng: random.Random, case: Case) -> AnyFault:
    kind = rng.choice(
        (
            FaultKind.RESET,
            FaultKind.BROWN_OUT,
            FaultKind.HANG_INTERRUPTS_ON,
            FaultKind.HANG_INTERRUPTS_OFF,
            FaultKind.SCHEDULE_STALLS,
        )
    )
    return _fault(kind, _when(rng, case, start=0.0))


def _draw_contact(rng: random.Random, case: Case) -> AnyFault:
    if rng.random() < 0.4:
        return _fault(FaultKind.WELDED_FEED, _when(rng, case))
    output = 3 if case.second_part and rng.random() < 0.4 else 0
    return _fault(FaultKind.WELDED_OUTPUT, _when(rng, case), output=output)


def _draw_adc(rng: random.Random, case: Case) -> AnyFault:
    kind = rng.choice(
        (
            FaultKind.INPUT_STUCK,
            FaultKind.INPUT_STUCK,
            FaultKind.INPUT_SATURATED,
            FaultKind.INPUT_DRIFTING,
            FaultKind.ADC_STUCK,
        )
    )
    when = _when(rng, case)
    if kind is FaultKind.ADC_STUCK:
        return _fault(kind, when, value=rng.choice((0, 16, 511, 1023)))
    more: dict[str, float | int] = {"input": rng.randint(0, 5)}
    if kind is FaultKind.INPUT_DRIFTING:
        more["value"] = round(rng.uniform(-8.0, 8.0), 2)
    elif kind is FaultKind.INPUT_STUCK and rng.random() < 0.5:
        more["value"] = rng.randint(0, 1023)
    return _fault(kind, when, **more)


def _draw_supply(rng: random.Random, case: Case) -> AnyFault:
    kind = rng.choice((FaultKind.SUPPLY_SAG, FaultKind.SUPPLY_LIMIT, FaultKind.SUPPLY_OFF))
    duration = 0.0 if rng.random() < 0.4 else round(rng.uniform(0.05, 1.5), 3)
    when = _when(rng, case)
    if kind is FaultKind.SUPPLY_SAG:
        return _fault(kind, when, value=round(rng.uniform(2.0, 12.0), 2), duration_s=duration)
    if kind is FaultKind.SUPPLY_LIMIT:
        return _fault(kind, when, value=round(rng.uniform(0.1, 1.0), 2), duration_s=duration)
    return _fault(kind, when, duration_s=duration)


def _draw_part(rng: random.Random, case: Case) -> AnyFault:
    kind = rng.choice(
        (
            FaultKind.PART_OPEN,
            FaultKind.PART_SHORTED,
            FaultKind.SHORTED_TURNS,
            FaultKind.STUCK_ARMATURE,
            FaultKind.HIGH_JOINT,
            FaultKind.INTERMITTENT,
        )
    )
    output = 3 if case.second_part and rng.random() < 0.2 else 0
    return _fault(kind, _when(rng, case, start=0.2), output=output)


def _draw_lie(rng: random.Random, case: Case) -> AnyFault:
    kind = rng.choice(
        (FaultKind.READBACK_LIES, FaultKind.CAPABILITY_LACKING, FaultKind.CLOCK_DRIFT)
    )
    if kind is FaultKind.CLOCK_DRIFT:
        return _fault(kind, _when(rng, case), value=round(rng.uniform(-0.02, 0.02), 4))
    return _fault(kind, _when(rng, case, start=0.4))


def _draw_host(rng: random.Random, case: Case) -> AnyFault:
    del case
    kind = rng.choices(tuple(HostFaultKind), (8, 4, 2, 2, 2, 3, 1))[0]
    value = 0.0
    if kind is HostFaultKind.CANCELLED:
        value = rng.randint(1, 3)
    elif kind is HostFaultKind.FROZEN:
        value = round(rng.uniform(0.05, 3.0), 3)
    elif kind is HostFaultKind.DISK_SLOW:
        value = 0.01
    return HostFault(kind=kind, at_s=round(rng.uniform(0.0, JOB_S), 4), value=value)


_GROUPS: dict[str, tuple[float, Callable[[random.Random, Case], AnyFault]]] = {
    "line": (24, _draw_line),
    "flood": (2, _draw_flood),
    "plug": (6, _draw_plug),
    "chip": (12, _draw_chip),
    "contact": (14, _draw_contact),
    "adc": (8, _draw_adc),
    "supply": (7, _draw_supply),
    "part": (6, _draw_part),
    "lie": (4, _draw_lie),
    "host": (17, _draw_host),
}
