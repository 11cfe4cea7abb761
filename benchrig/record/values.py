"""The values that leave a run: plan, events, evidence, record. All frozen, all JSON-able.

``SafeEvidence`` checks itself: one whose readings do not show an off part cannot be built.
Only ``bench.safety.make_safe`` makes one, and only from measurement. A record ends either
with evidence or with ``NotProven``; there is no third way to end.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from benchrig.judge.verdict import Judged, Verdict
from benchrig.measure.features import CycleFeatures, DropOut
from benchrig.parts.part import Characteristic, Part
from benchrig.patterns.pattern import Pattern
from benchrig.quantity import Measured
from benchrig.wire.simulated import MARK, is_simulated

SCHEMA = "benchrig.run/1"
SAFE_READINGS_MIN = 3


class TemperatureBasis(StrEnum):
    """How the part's temperature is known; an unknown one is not a temperature."""

    PROBE = "probe on the part"
    SOAKED = "soaked at room temperature"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTemperature:
    """The part's temperature before the run."""

    value_c: float
    std_uncertainty_c: float
    basis: TemperatureBasis


class Stage(StrEnum):
    """Where in a part's day this run stands."""

    SINGLE = "single"
    INCOMING = "incoming"
    CLEANED = "cleaned"
    RETEST = "retest"
    GOLDEN = "golden part"
    HELD = "armature held"  # recorded as what this part does when it cannot move


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlan:
    """Everything decided before the first pulse."""

    part: Part
    pattern: Pattern
    output: int
    temperature: PartTemperature | None
    tag: str = ""  # serial fixed to the part
    part_number: str = ""  # as stamped
    order: str = ""
    tray: str = ""  # name of the tray file, "" outside a tray
    position: str = ""  # the label as written, never renumbered
    position_scheme: str = ""  # what the label counts, e.g. "cylinder number"
    operator: str = ""
    stage: Stage = Stage.SINGLE
    fluid_confirmed: bool = False
    body_clip: bool = False  # the insulation input's clip is on the part's body
    note: str = ""
    without: tuple[Characteristic, ...] = ()  # left out by the person, aloud


@dataclass(frozen=True, slots=True, kw_only=True)
class RigIdentity:
    """The rig as it named itself, and the state of its calibration."""

    url: str
    unique_id: str  # 16 hex digits
    firmware: str
    protocol: str
    reset_cause: str
    boot_count: int
    clock_ratio_ppm: float | None = None  # rig against host, measured; None: too short to say
    calibration_date: str | None = None  # ISO 8601
    calibration_expired: bool = True
    lead_null_ohm: Measured | None = None
    lead_null_date: str | None = None
    clamp: str = ""
    relay: bool = False  # the part hung on a relay, whose contact closes late and bounces
    clock_tolerance_ppm: int = 100

    @property
    def simulated(self) -> bool:
        """No hardware: by the id the rig said itself, or by a link that leads to none."""
        return is_simulated(self.unique_id) or self.url.lower().startswith(("sim:", "avr:"))


class EventKind(StrEnum):
    """What a run tells its sinks."""

    STARTED = "started"
    CHECK = "check"  # a pre-check and its result
    STATE = "state"  # checking, cycling, cooling, making safe; and ENERGISED or OFF
    EDGE = "edge"
    LIVE = "live"  # a few decimated samples for the screen; not logged
    CYCLE = "cycle"
    WARNING = "warning"
    FAULT = "fault"
    SAFE = "safe"
    NOT_SAFE = "not safe"
    ENDED = "ended"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEvent:
    """One thing that happened; ``data`` is JSON-able and small."""

    kind: EventKind
    at_s: float  # since the run began, by the event loop's clock
    message: str = ""
    data: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeReading:
    """One look at the part after switch-off."""

    at_s: float
    current_a: float
    part_voltage_v: float
    outputs_readback: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeSign:
    """An input that rose and fell with the low-current source, after the last switch-off."""

    input: str
    off: float
    on: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SafeEvidence:
    """Measured proof that the part is off. Refuses to exist when the readings do not show it."""

    readings: tuple[SafeReading, ...]
    threshold_current_a: float
    threshold_voltage_v: float
    feed_opened: bool
    inputs_alive: str  # how it is known that the inputs would have shown a current
    waited_s: float
    energised: bool = False  # the feed had been closed, by whatever link or program
    life: tuple[LifeSign, ...] = ()  # inputs that answered after the last switch-off

    def __post_init__(self) -> None:
        if self.energised and not self.life:
            raise ValueError("evidence after the feed was closed needs inputs that answered since")
        if len(self.readings) < SAFE_READINGS_MIN:
            raise ValueError(f"evidence needs {SAFE_READINGS_MIN} readings or more")
        if not (self.threshold_current_a > 0 and self.threshold_voltage_v > 0):
            raise ValueError("evidence needs thresholds above zero")
        if not self.inputs_alive.strip():
            raise ValueError("evidence from inputs that may be dead is none")
        for reading in self.readings:
            if not (
                reading.outputs_readback == 0
                and abs(reading.current_a) < self.threshold_current_a
                and abs(reading.part_voltage_v) < self.threshold_voltage_v
            ):
                raise ValueError("a reading does not show an off part")

    @property
    def residual_current_a(self) -> float:
        """The greatest current of the readings, by magnitude."""
        return max((abs(r.current_a) for r in self.readings), default=0.0)


# What to take off, in this order, when nothing shows that a part is off.
DISCONNECT: tuple[str, ...] = (
    "Switch off the supply, then take its leads off at the supply's own terminals.",
    "Leave the clips on the part until no current can flow; opening one under current arcs.",
    "Unplug the rig from USB, then take the clips off the part.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NotProven:
    """Why there is no evidence, and what the person declared to have disconnected."""

    reason: str
    last_current_a: float | None
    feed_opened: bool
    declared: str  # what the person declared, "" when nobody did


class Ending(StrEnum):
    """How the run ended."""

    COMPLETE = "complete"
    STOPPED = "stopped by a limit"
    INTERRUPTED = "interrupted"
    FAULT = "fault"
    LINK_LOST = "link lost"
    CHECK_FAILED = "check failed"
    FOUND_OPEN = "found open at the next start"


@dataclass(frozen=True, slots=True, kw_only=True)
class ColdCheck:
    """What was measured before the first pulse."""

    supply_v: Measured | None = None
    offset_current_a: float | None = None
    resistance_ohm: Measured | None = None  # at low current, at the part's temperature
    resistance_20c_ohm: Measured | None = None
    over_range: bool = False
    insulation_ohm: Measured | None = None
    insulation_at_least_ohm: float | None = None  # when it leaks less than the rig resolves
    insulation_at_most_ohm: float | None = None  # when it leaks more than the input holds
    findings: tuple[str, ...] = ()


def said_alone(verdict: str, simulated: bool) -> str:
    """A verdict without a page round it: what was simulated says so."""
    return f"{verdict} {MARK}" if simulated else verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """A finished run. ``record_id`` is ``YYYYMMDD-HHMMSS-xxxx``; stamps are ISO 8601."""

    record_id: str
    begun_at: str
    ended_at: str
    plan: RunPlan
    rig: RigIdentity
    ending: Ending
    ending_reason: str
    made_safe: SafeEvidence | NotProven
    verdict: Verdict
    characteristics: tuple[Judged, ...]
    cold: ColdCheck
    cycles_planned: int
    cycles_done: int
    cycles: tuple[CycleFeatures, ...]
    drop_outs: tuple[DropOut, ...]
    fault_rate_upper_95: float | None  # exact bound from the cycles seen, None: none seen
    edges_lost: int
    blocks_lost: int
    warnings: tuple[str, ...] = ()
    verdict_reason: str = ""  # why the verdict is that word
    headline: str = ""  # the verdict with what it leaves out
    over_current_a: float | None = None  # trip level, where the rig dropped the part for it
    analysis_version: int = 1
    schema: str = SCHEMA

    def __post_init__(self) -> None:
        if self.verdict is Verdict.PASS:
            if not isinstance(self.made_safe, SafeEvidence):
                raise ValueError("a part is never passed without evidence that it is off")
            if self.ending is not Ending.COMPLETE or self.cycles_done < self.cycles_planned:
                raise ValueError("a part is never passed on an incomplete run")

    @property
    def simulated(self) -> bool:
        """True when no real part was measured."""
        return self.rig.simulated

    @property
    def verdict_words(self) -> str:
        """The verdict as a line that stands alone must say it."""
        return said_alone(self.headline or self.verdict.value, self.simulated)

    @property
    def proven_safe(self) -> bool:
        """True when measurement showed the part off."""
        return isinstance(self.made_safe, SafeEvidence)
