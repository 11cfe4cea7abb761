"""A recording of a part whose armature a tool held: what its own iron does.

Never refused for what the iron does in it. Its pulses are fitted together with those of a later
run, with the same iron and without a movement (``iron``); temperature and supply may differ,
since current against flux linkage does not depend on them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchrig.measure.linkage import USED_TAUS, Linkage, Pulse, linkage_of, pooled

KEEP_TAUS = 2.5 * USED_TAUS  # the settled current with it
GROUPS_MAX = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldPulse:
    """Mean of on-times alike; columns of one length."""

    time_s: tuple[float, ...]
    current_a: tuple[float, ...]
    voltage_v: tuple[float, ...]
    noise_a: float  # of one sample of the mean
    cycles: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldRecording:
    """A part's on-times with its armature held."""

    groups: tuple[HeldPulse, ...]
    origin: str = ""  # record or file

    def pulses(self) -> list[Pulse]:
        """As they were recorded."""
        return [
            Pulse(
                time_s=np.array(one.time_s),
                current_a=np.array(one.current_a),
                voltage_v=np.array(one.voltage_v),
                noise_a=one.noise_a,
                cycles=one.cycles,
            )
            for one in self.groups
        ]


def record_held(pulses: Sequence[Pulse], *, origin: str = "") -> HeldRecording:
    """The recording that on-times of a held part give; ValueError where they are no rise."""
    kept = []
    reason = "no on-time in it"
    for pulse in sorted(pooled(pulses), key=lambda pulse: -pulse.cycles)[:GROUPS_MAX]:
        link = linkage_of(pulse)
        if isinstance(link, Linkage):
            kept.append(_kept(pulse, link.tau_s))
        else:
            reason = link
    if not kept:
        raise ValueError(f"the recording with the armature held cannot be used: {reason}")
    return HeldRecording(groups=tuple(kept), origin=origin)


def _kept(pulse: Pulse, tau_s: float) -> HeldPulse:
    part = pulse.time_s <= KEEP_TAUS * tau_s
    return HeldPulse(
        time_s=tuple(pulse.time_s[part].tolist()),
        current_a=tuple(pulse.current_a[part].tolist()),
        voltage_v=tuple(pulse.voltage_v[part].tolist()),
        noise_a=pulse.noise_a,
        cycles=pulse.cycles,
    )
