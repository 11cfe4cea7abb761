"""References of a part: a good recording that shows its movement, and one with its armature held.

Without a reference "no movement signature seen" says nothing about sticking. With a recording
of the same part (or its tray-mates' good one) it does: the reference's own signature is the
best template there is, and how much of it a later recording shows is one number with its
uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.motion import assess_motion, signature_share
from benchrig.measure.motion_blocked import BlockedReference, learn_blocked
from benchrig.measure.motion_record import estimate_noise
from benchrig.quantity import Contribution, Measured

Array = NDArray[np.float64]

ALIKE = 0.7  # least share of the reference's signature that counts as the same movement
ABSENT = 0.35  # most that counts as none
SHARE_REPEATABILITY = 0.08  # of the share between two recordings of a healthy part
SAME_PART_S = 10e-6  # repeatability of the end of travel of one healthy part


class Likeness(StrEnum):
    """What the comparison says."""

    ALIKE = "moves like the reference"
    OTHERWISE = "moves otherwise than the reference"
    NO_MOVEMENT = "the reference moves and this does not"
    NOT_COMPARED = "not compared"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MotionReference:
    """The mean current of a part known to be good, and what was found in it."""

    time_s: Array
    current_a: Array
    noise_a: float  # of the mean
    motion: Motion


@dataclass(frozen=True, slots=True, kw_only=True)
class MotionComparison:
    """A recording beside its reference."""

    likeness: Likeness
    reason: str
    share: Measured | None = None  # of the reference's signature; 1 is the same movement
    end_later_s: Measured | None = None  # end of travel minus the reference's


def record_reference(
    time_s: ArrayLike, current_a: ArrayLike, *, noise_a: float | None = None
) -> MotionReference:
    """Reference from one or several on-times of a good part; it must show its movement."""
    time = np.asarray(time_s, dtype=np.float64)
    cycles = np.atleast_2d(np.asarray(current_a, dtype=np.float64))
    motion = assess_motion(time, cycles, noise_a=noise_a)
    if motion.answer is not MotionAnswer.MOVED:
        raise ValueError(f"a reference must show its movement: {motion.answer}, {motion.reason}")
    single = estimate_noise(cycles) if noise_a is None else noise_a
    return MotionReference(
        time_s=time,
        current_a=cycles.mean(axis=0),
        noise_a=single / float(np.sqrt(len(cycles))),
        motion=motion,
    )


def record_blocked(
    on_times: Sequence[tuple[ArrayLike, ArrayLike]],
    *,
    noise_a: float | None = None,
    origin: str = "",
) -> BlockedReference:
    """Reference from on-times of a part whose armature was held; ValueError where it moved.

    A movement too small to be seen in it is taken for what the iron does.
    """
    reference = learn_blocked(on_times, noise_a=noise_a, origin=origin)
    motion = assess_motion(reference.time_s, reference.current_a, noise_a=reference.noise_a)
    if motion.answer is MotionAnswer.MOVED:
        raise ValueError("a movement is seen in it: the armature was not held")
    if motion.answer is MotionAnswer.NOT_ASSESSED:
        raise ValueError(motion.reason)
    return reference


def compare_with_reference(
    time_s: ArrayLike,
    current_a: ArrayLike,
    reference: MotionReference,
    *,
    noise_a: float | None = None,
) -> MotionComparison:
    """Compare one or several on-times of the same part with its reference."""
    time = np.asarray(time_s, dtype=np.float64)
    cycles = np.atleast_2d(np.asarray(current_a, dtype=np.float64))
    same = time.shape == reference.time_s.shape and bool(
        np.allclose(time, reference.time_s, atol=0.02 * float(np.median(np.diff(time))))
    )
    if not same:
        return _not_compared("the recordings do not share their sample times")
    single = estimate_noise(cycles) if noise_a is None else noise_a
    motion = assess_motion(time, cycles, noise_a=single)
    if motion.answer is MotionAnswer.NOT_ASSESSED:
        return _not_compared(motion.reason)
    noise = single / float(np.sqrt(len(cycles)))
    found = signature_share(time, cycles.mean(axis=0), reference.current_a, noise)
    if found is None:
        return _not_compared("the reference cannot be scaled to this recording")
    value, from_noise, from_reference = found[0], found[1], found[1] * reference.noise_a / noise
    share = Measured.from_budget(
        value,
        "1",
        (
            Contribution(source="noise", std_uncertainty=from_noise, evaluation="A"),
            Contribution(source="noise of the reference", std_uncertainty=from_reference),
            Contribution(source="repeatability of a part", std_uncertainty=SHARE_REPEATABILITY),
        ),
    )
    later = _end_difference(motion, reference.motion)
    if value + share.expanded < ABSENT or (
        motion.answer is MotionAnswer.NO_SIGNATURE and value < ABSENT
    ):
        return MotionComparison(
            likeness=Likeness.NO_MOVEMENT,
            reason=f"{100 * value:.0f} % of the reference's signature",
            share=share,
        )
    moved_in_time = later is not None and abs(later.value) > later.expanded
    if moved_in_time or abs(value - 1) > max(1 - ALIKE, share.expanded):
        when = f"; end of travel {later.value * 1e6:+.0f} µs" if later is not None else ""
        return MotionComparison(
            likeness=Likeness.OTHERWISE,
            reason=f"{100 * value:.0f} % of the reference's signature{when}",
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
