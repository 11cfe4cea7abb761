"""Did the armature move, and when did its travel begin and end?

From the current and the voltage at the part, both sampled: what the iron alone can do to the
current at a given flux linkage is taken out (``iron``, ``linkage``), and what is left is
compared with what a travel leaves. One answer, from all on-times of a part together.

Moved; no movement seen, where an ordinary one would have been; or cannot tell, because the
iron, the noise or a current that jumps could hide or feign one. "No movement seen" is not
"stuck": more is said only by a comparison with a recording of that part that moves
(``motion_reference``) or whose armature was held (``motion_held``). Times count from switch-on.
They are those of the part as tested: a dry armature opens sooner than in service.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.iron import Examined
from benchrig.measure.linkage import Linkage, Pulse, linkage_of, pooled
from benchrig.measure.motion_held import HeldRecording
from benchrig.measure.motion_record import POINTS_MIN, estimate_noise
from benchrig.quantity import Contribution, Measured

Array = NDArray[np.float64]

FALSE_ALARM = 0.01  # aimed at; not reached on strong eddies, joint noise, hum: ``tests.bench iron``
EVIDENCE_MOVED = 45.0  # drop of the sum of squares, over noise and misfit
EVIDENCE_NONE = 12.0  # below it noise alone does as much
CHANGE_MIN = 0.006  # least share of the reluctance that counts as a travel
CHANGE_NONE = 0.003  # less is none
MISFIT_MAX = 6.0  # of the best explanation: past it neither iron nor a travel is what is seen
EXPLAINED = 0.9  # unless the travel explains so much of what the iron leaves
JITTER_MAX = 1.5  # of the settled current, over its noise
ORDINARY = 0.05  # change that must not have been missed where none was seen
ASKED = (0.01, 0.015, 0.02, 0.03, ORDINARY)
GROUPS_MAX = 12  # of on-times sampled at different instants
WHAT_TELLS = (
    "what would tell: the same part with its armature held (--blocked), a good part's record, "
    "or pulses at another supply voltage"
)

HELD_LOOKS_MOVED = (
    "it does as in the recording with its armature held, but that shows a bend as of a movement "
    "itself: was the armature held there?"
)

Rise = tuple[Array, Array, float, Array | None]  # time, current, noise of a sample, voltage


def assess_motion(
    time_s: ArrayLike,
    current_a: ArrayLike,
    *,
    noise_a: float | None = None,
    voltage_v: ArrayLike | None = None,
    held: HeldRecording | None = None,
) -> Motion:
    """Movement of one part's armature, from one on-time or a stack of them.

    ``time_s`` counts from switch-on, evenly; ``current_a`` and ``voltage_v`` are (points,) or
    (cycles, points) of the same part. ``noise_a`` is the standard deviation of one sample of
    the current, quantisation included; None takes it from the record. Without a voltage a
    steady supply is taken for granted, and the answer says so.
    """
    time = np.asarray(time_s, dtype=np.float64)
    cycles = np.atleast_2d(np.asarray(current_a, dtype=np.float64))
    if time.ndim != 1 or cycles.shape[1] != len(time):
        raise ValueError("time and current must have the same number of points")
    noise = estimate_noise(cycles[:, time >= 0]) if noise_a is None else noise_a
    volts = [None] * len(cycles) if voltage_v is None else list(np.atleast_2d(voltage_v))
    if len(volts) == 1:
        volts = volts * len(cycles)
    rises: list[Rise] = [(time, row, noise, v) for row, v in zip(cycles, volts, strict=True)]
    return assess_motions(rises, held=held)[0]


def assess_motions(rises: Sequence[Rise], *, held: HeldRecording | None = None) -> list[Motion]:
    """One answer from all on-times of a part, given for each that took part in it."""
    pulses: list[Pulse] = []
    found: list[Motion | None] = []
    for time, current, noise, voltage in rises:
        keep = time >= 0
        if reason := unusable(time[keep], current[keep]):
            found.append(_not_assessed(reason))
            continue
        found.append(None)
        volts = np.ones(int(keep.sum())) if voltage is None else voltage[keep]
        pulses.append(
            Pulse(time_s=time[keep], current_a=current[keep], voltage_v=volts, noise_a=noise)
        )
    if not pulses:
        return [motion for motion in found if motion is not None]
    together = assess_pulses(pulses, held=held)
    if any(voltage is None for *_, voltage in rises):
        told = "without the voltage at the part: a steady supply is taken for granted"
        reason = "; ".join(x for x in (together.reason, told) if x)
        together = replace(together, reason=reason)
    return [together if motion is None else motion for motion in found]


def unusable(time: Array, current: Array) -> str:
    """Why a record cannot be assessed; "" when it can."""
    if len(time) < POINTS_MIN:
        return f"record too short: {len(time)} samples"
    steps = np.diff(time)
    if np.any(steps <= 0) or float(np.ptp(steps)) > 0.05 * float(np.median(steps)):
        return "samples are missing or not evenly spaced"
    if not np.isfinite(current).all():
        return "the record holds values that are no numbers"
    return ""


def assess_pulses(pulses: Sequence[Pulse], *, held: HeldRecording | None = None) -> Motion:
    """One answer from pulses of one part; beside the part held where that was recorded."""
    links, reason = linkages(pulses)
    if not links:
        return _not_assessed(reason)
    beside: list[Linkage] = []
    unused = ""
    if held is not None:
        beside, unused = linkages(held.pulses())
    jitter = max(link.jitter for link in links)
    motion = _told(Examined(links, beside), jitter)
    if beside and held is not None:
        if motion.answer is not MotionAnswer.MOVED and looks_moved(beside):
            motion = _cannot_tell(HELD_LOOKS_MOVED, motion.strength or 0.0)
        motion = replace(motion, blocked=held.origin)
    elif unused:
        reason = f"the recording with its armature held is not used: {unused}"
        motion = replace(motion, reason="; ".join(x for x in (motion.reason, reason) if x))
    return motion


def looks_moved(links: Sequence[Linkage]) -> bool:
    """Whether what was recorded as held bends as a movement would."""
    return bool(Examined(links).evidence >= EVIDENCE_MOVED)


def linkages(pulses: Sequence[Pulse]) -> tuple[list[Linkage], str]:
    """Those of the pulses that have one, alike ones together; why the last other has none."""
    links: list[Linkage] = []
    reason = ""
    groups = sorted(pooled(pulses), key=lambda pulse: -pulse.cycles)
    for pulse in groups[:GROUPS_MAX]:
        link = linkage_of(pulse)
        if isinstance(link, str):
            reason = link
        else:
            links.append(link)
    return links, reason


def _told(examined: Examined, jitter: float) -> Motion:
    evidence, change = examined.evidence, examined.change
    strength = evidence / EVIDENCE_MOVED
    if jitter > JITTER_MAX:
        return _cannot_tell(
            "the settled current jumps by more than noise while the voltage stands: a poor joint, "
            "hum or ripple could feign a movement",
            strength,
        )
    clear = examined.misfit <= MISFIT_MAX or examined.explained >= EXPLAINED
    if evidence >= EVIDENCE_MOVED and change >= CHANGE_MIN and clear:
        return _moved(examined, strength)
    none = evidence < EVIDENCE_NONE or change < CHANGE_NONE
    if none and examined.misfit <= MISFIT_MAX:
        least = next((c for c in ASKED if examined.cost_of(c) > EVIDENCE_NONE), None)
        if least is not None:
            return Motion(
                answer=MotionAnswer.NO_SIGNATURE,
                reason=f"a movement that changes the inductance by {100 * least:g} % would have "
                "been seen; this is not proof of a stuck armature: some good ones leave less",
                false_alarm_rate=FALSE_ALARM,
                strength=strength,
                least_change=least,
            )
    return _cannot_tell(f"iron this strong, or noise, looks alike; {WHAT_TELLS}", strength)


def _cannot_tell(reason: str, strength: float) -> Motion:
    return Motion(
        answer=MotionAnswer.CANNOT_TELL,
        reason=reason,
        false_alarm_rate=FALSE_ALARM,
        strength=strength,
    )


def _moved(examined: Examined, strength: float) -> Motion:
    start, u_start, end, u_end = examined.instants()
    tau = examined.tau_s
    return Motion(
        answer=MotionAnswer.MOVED,
        reason="",
        false_alarm_rate=FALSE_ALARM,
        strength=strength,
        start_s=_instant(start, u_start, START_MODEL * tau),
        end_s=_instant(end, u_end, END_MODEL * tau),
    )


# Standard uncertainty that a course of travel unlike those fitted adds, in time constants.
END_MODEL, START_MODEL = 0.012, 0.08


def _not_assessed(reason: str) -> Motion:
    return Motion(answer=MotionAnswer.NOT_ASSESSED, reason=reason, false_alarm_rate=FALSE_ALARM)


def _instant(value: float, posterior: float, unlike: float) -> Measured:
    return Measured.from_budget(
        float(value),
        "s",
        (
            Contribution(
                source="noise, and the iron and the course of the travel left free",
                std_uncertainty=float(posterior),
                note="posterior over courses of travel, widened by the misfit",
            ),
            Contribution(
                source="a course unlike those fitted",
                std_uncertainty=float(unlike),
                note="bias found with coils of an independent physics",
            ),
        ),
    )
