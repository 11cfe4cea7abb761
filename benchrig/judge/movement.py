"""Did the armature move, as a verdict: alone, against a good part, beside the part held.

What moves is seen in current and voltage, and what does not is not proof: some good parts show
no signature. Iron that could feign or hide a movement is no verdict either way. Beside its own
recording with the armature held, a part that shows no difference behaves as one that cannot
move, down to the change of inductance that would have been seen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from benchrig.judge.conformity import not_assessed
from benchrig.judge.verdict import Judged, Verdict
from benchrig.judge.words import listed
from benchrig.measure.features import CycleFeatures, Motion, MotionAnswer
from benchrig.parts.part import Characteristic, Part

ORDINARY_LEAST = 0.03  # least change of inductance of an ordinary movement; common practice


def judge_motion(
    part: Part, cycles: Sequence[CycleFeatures], *, reference: Motion | None = None
) -> Judged | None:
    """Did the armature move? A missing signature fails only against a reference that has one."""
    if part.kind.is_pump:
        return None
    seen = [(c.cycle, c.motion) for c in cycles if c.motion is not None]
    answered = [(n, m) for n, m in seen if m.answer is not MotionAnswer.NOT_ASSESSED]
    if not answered:
        why = seen[0][1].reason if seen else "no cycle was analysed for movement"
        return not_assessed(Characteristic.MOTION, why or "the rise could not be analysed")
    beside = _beside([m for _, m in answered])
    moved = [n for n, m in answered if m.answer is MotionAnswer.MOVED]
    still = [n for n, m in answered if m.answer is MotionAnswer.NO_SIGNATURE]
    unsure = [m for _, m in answered if m.answer is MotionAnswer.CANNOT_TELL]
    total = len(answered)
    if unsure and not moved:
        return _motion(
            Verdict.INCONCLUSIVE,
            f"cannot tell from {total} cycles{beside}: {unsure[0].reason}",
            "that the armature moves, nor that it is stuck",
        )
    if not still and not unsure:
        return _motion(
            Verdict.PASS,
            f"a movement was seen in {_each(total, seen)}{beside}",
            "full travel, sealing, or movement under pressure: the part was dry",
        )
    if moved:
        return _motion(
            Verdict.INCONCLUSIVE,
            f"a movement was seen in {len(moved)} of {total} cycles, none in cycle "
            f"{listed(still or [n for n, m in answered if m in unsure])}",
            "sticking: a weak signature can hide in the noise",
        )
    if beside:
        return _like_held([m for _, m in answered], beside)
    if reference is not None and reference.answer is MotionAnswer.MOVED:
        return _motion(
            Verdict.FAIL,
            f"no movement signature in {total} cycles, while the reference of this part shows one",
            "why it does not move: dirt, a broken spring or a bent needle look alike",
        )
    return _motion(
        Verdict.INCONCLUSIVE,
        f"no movement signature seen in {total} cycles; some good parts show none: compare "
        "with a reference of this part",
        "that the armature is stuck",
    )


def _each(total: int, seen: Sequence[tuple[int, Motion]]) -> str:
    """The cycles a movement could be judged in; how many more there were, and why not in those."""
    others = [m.reason for _, m in seen if m.answer is MotionAnswer.NOT_ASSESSED]
    if not others:
        return f"each of {total} cycles" if total > 1 else "the 1 cycle"
    reasons = sorted({reason for reason in others if reason}, key=others.index)
    why = f" ({reasons[0]}{', and more' if len(reasons) > 1 else ''})" if reasons else ""
    of = f"each of the {total} cycles" if total > 1 else "the 1 cycle"
    return f"{of} that could be judged; {len(others)} more could not{why}"


def _motion(verdict: Verdict, reason: str, does_not_prove: str) -> Judged:
    return Judged(
        characteristic=Characteristic.MOTION,
        verdict=verdict,
        reason=reason,
        does_not_prove=does_not_prove,
    )


def _beside(motions: Sequence[Motion]) -> str:
    """Which recording with the armature held all of them were told from, in words."""
    records = {motion.blocked for motion in motions}
    if len(records) != 1 or not (record := records.pop()):
        return ""
    return f", beside this part with its armature held (record {record})"


def _like_held(motions: Sequence[Motion], beside: str) -> Judged:
    """No cycle differs from the part held: it does not move, or hardly."""
    least = max(m.least_change if m.least_change is not None else math.inf for m in motions)
    seen = f"no movement in {len(motions)} cycles{beside}"
    if least > ORDINARY_LEAST:
        return _motion(
            Verdict.INCONCLUSIVE,
            f"{seen}, but noise would hide one that changes the inductance by less than "
            f"{100 * least:.2g} %",
            "that the armature is stuck",
        )
    return _motion(
        Verdict.FAIL,
        f"{seen}: one that changes the inductance by {100 * least:.2g} % would have been seen",
        "why it does not move, nor a movement smaller than that",
    )


def motion_of_held() -> Judged:
    """Of a run in which a tool held the armature."""
    return _motion(
        Verdict.INCONCLUSIVE,
        "the armature was held by a tool: this records the part so, and judges no movement",
        "anything of how the part moves",
    )


def without_movement(cycles: Sequence[CycleFeatures]) -> list[CycleFeatures]:
    """Cycles without the times that a held armature does not have."""
    return [replace(cycle, motion=None, turn_off=None) for cycle in cycles]
