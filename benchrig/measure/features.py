"""What measuring finds: frozen values that travel from measure to judge, record and report.

SI units throughout, the unit last in each name. A number that could not be had is None and
the reason stands beside it; an uncertainty is never 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from benchrig.quantity import Measured


class MotionAnswer(StrEnum):
    """Did the armature move? One answer from all cycles of a run, never a guess."""

    MOVED = "moved"
    NO_SIGNATURE = "no movement signature seen"
    CANNOT_TELL = "cannot tell"
    NOT_ASSESSED = "not assessed"


@dataclass(frozen=True, slots=True, kw_only=True)
class RiseFit:
    """One RL rise i(t) = I (1 - exp(-t / tau)); inductance and resistance need a voltage."""

    converged: bool
    reason: str  # "" when converged, else why there is no number
    current_a: Measured | None = None
    tau_s: Measured | None = None
    inductance_h: Measured | None = None
    resistance_ohm: Measured | None = None
    residual_sum_squares: float | None = None
    points: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """Armature travel seen in the current, at a stated false-alarm rate."""

    answer: MotionAnswer
    reason: str
    false_alarm_rate: float | None = None
    start_s: Measured | None = None  # after switch-on
    end_s: Measured | None = None
    strength: float | None = None  # detection statistic over its threshold
    blocked: str = ""  # the recording of this part held that it was told from, "" without one
    least_change: float | None = None  # of the inductance, that would have been seen


@dataclass(frozen=True, slots=True, kw_only=True)
class TurnOff:
    """The decay after switch-off; only comparable between rigs with the same clamp."""

    assessed: bool
    reason: str
    clamp: str = ""  # the rig's clamp, as declared
    decay_s: Measured | None = None  # to 10 % of the current at switch-off
    clamp_voltage_v: Measured | None = None
    closing_s: Measured | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ripple:
    """Commutator ripple of a brushed pump motor."""

    assessed: bool
    reason: str
    inrush_current_a: Measured | None = None
    running_current_a: Measured | None = None
    frequency_hz: Measured | None = None
    speed_rpm: Measured | None = None  # only when the ripples per turn are known
    candidates_rpm: tuple[float, ...] = ()
    hump_unevenness: Measured | None = None  # once-per-turn modulation over the ripple, ratio


class Cause(StrEnum):
    """Whose a drop-out is."""

    PART = "part"
    LEAD = "lead or clip"
    SUPPLY = "supply or feed"
    RIG = "the rig's switch"
    UNKNOWN = "cannot tell"


DRIVEN_SHARE = 0.5  # of the supply, at the part; less than that is no drive


@dataclass(frozen=True, slots=True, kw_only=True)
class DropOut:
    """The current fell away while the output was on (or a cycle never came on)."""

    cycle: int  # from 1
    start_s: float  # since the run's first edge
    duration_s: float
    depth: float  # lost share of the expected current, 0..1
    winding_temperature_c: float | None
    cause: Cause = Cause.PART
    why: str = ""  # the sentence that decides, with its numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class CycleFeatures:
    """What one on-time of the part gave."""

    cycle: int  # from 1
    start_s: float  # since the run's first edge, by the rig's clock
    on_s: float
    complete: bool  # no sample of the on-time is missing
    missing_samples: int = 0
    current_a: Measured | None = None  # steady, end of the on-time
    voltage_v: Measured | None = None  # at the part
    resistance_ohm: Measured | None = None  # at operating current, hot
    winding_temperature_c: Measured | None = None
    rise: RiseFit | None = None
    motion: Motion | None = None
    turn_off: TurnOff | None = None
    ripple: Ripple | None = None
    drop_outs: tuple[DropOut, ...] = ()  # the part's own
    undriven: tuple[DropOut, ...] = ()  # of another cause, or of one that nobody can tell
    drive: str = ""  # why the supply drove it otherwise than the numbers of a rise assume
    most_a: float | None = None  # greatest current that two samples show; at most the input's top

    @property
    def all_drop_outs(self) -> tuple[DropOut, ...]:
        """Each drop-out seen, whosever it was."""
        return tuple(sorted((*self.drop_outs, *self.undriven), key=lambda drop: drop.start_s))
