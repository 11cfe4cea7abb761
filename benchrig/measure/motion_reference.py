"""A good recording of a part, that shows its movement, and later ones beside it.

Without a reference "no movement seen" says nothing about sticking. With a recording of the same
part (or its tray-mates' good one) it does: how much of the reference's movement a later
recording shows is one number with its uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.iron import Examined, Travel
from benchrig.measure.linkage import Pulse
from benchrig.measure.motion import assess_pulses, linkages
from benchrig.quantity import Contribution, Measured

ALIKE = 0.7  # least share of the reference's movement that counts as the same
ABSENT = 0.35  # most that counts as none
SHARE_REPEATABILITY = 0.08  # of the share between two recordings of a healthy part
SAME_PART_S = 10e-6  # repeatability of the end of travel of one healthy part


class Likeness(StrEnum):
    """What the comparison says."""

    ALIKE = "moves like the reference"
    OTHERWISE = "moves otherwise than the reference"
    NO_MOVEMENT = "the reference moves and this does not"
    NOT_COMPARED = "not compared"


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionReference:
    """What was found in the recording of a part known to be good."""

    motion: Motion
    change: float  # of the reluctance
    change_u: float
    start_s: float
    last_s: float
    power: float  # of its course


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionComparison:
    """A recording beside its reference."""

    likeness: Likeness
    reason: str
    share: Measured | None = None  # of the reference's signature; 1 is the same movement
    end_later_s: Measured | None = None  # end of travel minus the reference's


def record_reference(pulses: Sequence[Pulse]) -> MotionReference:
    """Reference from one or several on-times of a good part; it must show its movement."""
    motion = assess_pulses(pulses)
    if motion.answer is not MotionAnswer.MOVED:
        raise ValueError(f"a reference must show its movement: {motion.answer}, {motion.reason}")
    examined = Examined(linkages(pulses)[0])
    best, tau = examined.best, examined.tau_s
    change, change_u = examined.size_of(best)
    return MotionReference(
        motion=motion,
        change=change,
        change_u=change_u,
        start_s=best.start * tau,
        last_s=best.last * tau,
        power=best.power,
    )


def compare_with_reference(pulses: Sequence[Pulse], reference: MotionReference) -> MotionComparison:
    """Compare one or several on-times of the same part with its reference."""
    motion = assess_pulses(pulses)
    if motion.answer is MotionAnswer.NOT_ASSESSED:
        return _not_compared(motion.reason)
    examined = Examined(linkages(pulses)[0])
    tau = examined.tau_s
    size, size_u = examined.size_of(
        Travel(reference.start_s / tau, reference.last_s / tau, reference.power)
    )
    value = size / reference.change
    share = Measured.from_budget(
        value,
        "1",
        (
            Contribution(source="noise", std_uncertainty=size_u / reference.change, evaluation="A"),
            Contribution(
                source="noise of the reference",
                std_uncertainty=value * reference.change_u / reference.change,
            ),
            Contribution(source="repeatability of a part", std_uncertainty=SHARE_REPEATABILITY),
        ),
    )
    later = _end_difference(motion, reference.motion)
    still = motion.answer is not MotionAnswer.MOVED
    if value + share.expanded < ABSENT or (still and value < ABSENT):
        return MotionComparison(
            likeness=Likeness.NO_MOVEMENT,
            reason=f"{100 * value:.0f} % of the reference's movement",
            share=share,
        )
    moved_in_time = later is not None and abs(later.value) > later.expanded
    if moved_in_time or abs(value - 1) > max(1 - ALIKE, share.expanded):
        when = f"; end of travel {later.value * 1e6:+.0f} µs" if later is not None else ""
        return MotionComparison(
            likeness=Likeness.OTHERWISE,
            reason=f"{100 * value:.0f} % of the reference's movement{when}",
            share=share,
            end_later_s=later,
        )
    return MotionComparison(likeness=Likeness.ALIKE, reason="", share=share, end_later_s=later)


def _not_compared(reason: str) -> MotionComparison:
    return MotionComparison(likeness=Likeness.NOT_COMPARED, reason=reason)


def _end_difference(motion: Motion, reference: Motion) -> Measured | None:
    """Of one part, so what its iron does to both cancels; noise and repeatability stay."""
    if motion.end_s is None or reference.end_s is None:
        return None
    noise = [m.budget[0].std_uncertainty for m in (motion.end_s, reference.end_s)]
    return Measured.from_budget(
        motion.end_s.value - reference.end_s.value,
        "s",
        (
            Contribution(source="this recording", std_uncertainty=noise[0]),
            Contribution(source="the reference", std_uncertainty=noise[1]),
            Contribution(source="repeatability of a part", std_uncertainty=SAME_PART_S),
        ),
    )
