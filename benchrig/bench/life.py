"""Proof of life: do the inputs follow a small known stimulus, now, with the feed open?

An input that has died, stands still or repeats old samples also reads "no current". What it
showed before the last switch-off says nothing about it after. So the low-current source is
switched on and off once more, at a moment and for a time that no earlier recording has, and an
input counts as alive only if it rises and falls with it.
"""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.bench.look import CURRENT_ROLES, VOLTAGE_ROLES, Look
from benchrig.bench.observer import Observer
from benchrig.bench.source import SOURCE_FACTOR_MAX, source_output, source_schedule
from benchrig.measure.samples import InputScale
from benchrig.record.values import LifeSign
from benchrig.wire.messages import FaultReason, OutputKind, StatusFlag

ANSWERING_ROLES = (*CURRENT_ROLES, *VOLTAGE_ROLES)
SETTLE_S = 0.020  # the source limits the current: a coil of 0.2 H and 5 V is there in 2 ms
RELAY_SETTLE_S = 0.050  # operate, bounce, release
SEEN_S = 0.020  # samples on each side of an edge; one period of 50 Hz hum
DRAWN_S = 0.025  # at most as much longer, both before and on, from one attempt to the next
LEAST_CODES = 1.0  # of an answer; and five times what noise makes of it
LEAST_SHARE = 1 / 3  # of the source's current
GONE_SHARE = 0.3  # of the answer may be left when the source is off again


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """Which inputs followed the source, or why none counts."""

    signs: tuple[LifeSign, ...] = ()
    problem: str = ""


async def show_life(observer: Observer) -> Life:
    """Run the source through the observed output, feed open, and see which inputs follow.

    Takes some 0.2 s of the rig's time. Ends all off. Raises RigError as the rig does, and
    PrecheckFailed where it has no low-current source.
    """
    rig = observer.rig
    outputs = (rig.outputs[source_output(observer)], rig.outputs[observer.output])
    relay = any(info.kind is OutputKind.RELAY for info in outputs)
    settle_s = RELAY_SETTLE_S if relay else SETTLE_S
    mask = sum(1 << info.output for info in outputs)
    status = await rig.read_status()
    draw = random.Random(status.tick)  # no recording has it, and a simulated job repeats it
    before_s, on_s = (SEEN_S + DRAWN_S * draw.random() for _ in range(2))
    on_us = max(round((settle_s + on_s) * 1e6), *(info.on_us_min for info in outputs))
    schedule = source_schedule(mask, on_us)
    await rig.load(schedule)
    loop = asyncio.get_running_loop()
    began_s = loop.time()
    look = await observer.begin_look(ANSWERING_ROLES)
    await asyncio.sleep(before_s)
    on_tick = await rig.start(schedule.schedule_id)
    seen_s = loop.time() - began_s + on_us * 1e-6 + settle_s + SEEN_S
    window = await observer.end_look(look, seen_s)
    await rig.all_off()
    if problem := _problem(window.status.flags, window.status.fault):
        return Life(problem=problem)
    off_tick = on_tick + round(on_us * 1e-6 / rig.tick_s)
    moments = _Moments(on_tick, off_tick, round(settle_s / rig.tick_s))
    return _followed(look, moments, rig.identity.source_current_ua * 1e-6)


@dataclass(frozen=True, slots=True)
class _Moments:
    """Device ticks of the source's edges, and what is left out behind each."""

    on_tick: int
    off_tick: int
    settle_ticks: int

    def parts(self, ticks: NDArray[np.int64]) -> tuple[NDArray[np.bool_], ...]:
        """Which samples lie before the source was on, while it was, and after."""
        return (
            ticks < self.on_tick,
            (ticks >= self.on_tick + self.settle_ticks) & (ticks < self.off_tick),
            ticks >= self.off_tick + self.settle_ticks,
        )


def _problem(flags: int, fault: FaultReason) -> str:
    if fault is not FaultReason.NONE:
        words = fault.name.lower().replace("_", " ")
        return f"the rig dropped everything while the inputs were asked: {words}"
    if flags & (StatusFlag.FEED_READBACK | StatusFlag.FEED_CLOSED):
        return "the feed closed while the inputs were asked: it is stuck closed"
    return ""


def _followed(look: Look, moments: _Moments, source_a: float) -> Life:
    signs = []
    for scale, ticks, codes in _samples(look):
        parts = [codes[part].astype(np.float64) for part in moments.parts(ticks)]
        if min(len(part) for part in parts) < 2:
            return Life(problem="the rig's samples of the low-current source did not come whole")
        before, on, after = (float(part.mean()) for part in parts)
        answer = on - before
        noise = math.hypot(*(float(part.std()) / len(part) ** 0.5 for part in parts[:2]))
        is_current = scale.role in CURRENT_ROLES
        answer_a = abs(scale.value(on) - scale.value(before)) if is_current else 0.0
        if answer_a > SOURCE_FACTOR_MAX * source_a:
            return Life(
                problem=f"{answer_a * 1e3:.0f} mA flows where the low-current source gives "
                f"{source_a * 1e3:.0f} mA: the feed is closed"
            )
        if (
            answer >= max(LEAST_CODES, 5.0 * noise)
            and abs(after - before) <= max(LEAST_CODES, GONE_SHARE * answer)
            and (not is_current or answer_a >= LEAST_SHARE * source_a)
        ):
            signs.append(
                LifeSign(
                    input=scale.role.name.lower().replace("_", " "),
                    off=scale.value(before),
                    on=scale.value(on),
                    unit="A" if is_current else "V",
                )
            )
    if signs:
        return Life(signs=tuple(signs))
    return Life(
        problem="no input answered the low-current source: a clip may have come off the part, or "
        "the inputs are dead. With the supply switched off, put the clip back"
    )


def _samples(
    look: Look,
) -> Iterator[tuple[InputScale, NDArray[np.int64], NDArray[np.int16]]]:
    """Each input of a look: its scale, the device tick of each sample, its codes."""
    ticks = np.concatenate(
        [
            block.tick + block.scan_period_ticks * np.arange(len(block.codes), dtype=np.int64)
            for block in look.blocks
        ]
    )
    codes = np.concatenate([block.codes for block in look.blocks])
    for column, number in enumerate(look.blocks[0].inputs):
        yield look.scales[number], ticks, codes[:, column]
