"""The low-current source: a few hundred milliseconds of tens of milliamperes, feed open.

Used for the cold resistance and to show that the inputs are alive. Too little to move an
armature or to warm a winding.
"""

from __future__ import annotations

import asyncio

from benchrig.bench.look import Window
from benchrig.bench.observer import Observer
from benchrig.errors import PrecheckFailed, RigError
from benchrig.wire.messages import InputRole, OutputKind, ScheduleStep, StatusFlag
from benchrig.wire.schedule import Schedule

SOURCE_SCHEDULE_ID = 0x5C01
SETTLE_S = 0.050  # 5 time constants of any coil this rig takes, and the amplifier
SOURCE_FACTOR_MAX = 3.0  # above this the current comes from the supply
SOURCE_ROLES = (
    InputRole.PART_VOLTAGE_FINE,
    InputRole.REFERENCE_VOLTAGE,
    InputRole.CURRENT_FINE,
)


def source_output(observer: Observer) -> int:
    """The number of the rig's low-current source; PrecheckFailed when it has none."""
    for info in observer.rig.outputs:
        if info.kind is OutputKind.LOW_CURRENT_SOURCE:
            return info.output
    raise PrecheckFailed(["the rig has no low-current source, so there is no cold check"])


def source_schedule(mask: int, on_us: int) -> Schedule:
    """These outputs on once, then off."""
    steps = tuple(
        ScheduleStep(
            schedule_id=SOURCE_SCHEDULE_ID,
            step=number,
            outputs_mask=outputs,
            duration_us=duration_us,
            change_us=0,
        )
        for number, (outputs, duration_us) in enumerate(((mask, on_us), (0, 50_000)))
    )
    return Schedule(schedule_id=SOURCE_SCHEDULE_ID, steps=steps, repeat_count=1)


async def run_source(observer: Observer, duration_s: float) -> Window:
    """Run the source through the observed output and look at what it gives.

    The feed must be open. The window lies inside the on-time, after the settling time; the
    schedule ends off by the rig's own clock.
    """
    mask = 1 << source_output(observer) | 1 << observer.output
    schedule = source_schedule(mask, round((2.0 * SETTLE_S + 2.0 * duration_s + 0.2) * 1e6))
    observer.finished = False
    await observer.rig.load(schedule)
    await observer.rig.start(SOURCE_SCHEDULE_ID)
    window = await observer.window(SOURCE_ROLES, duration_s, settle_s=SETTLE_S)
    if window.status.outputs_commanded != mask:
        raise RigError("the low-current source was switched off before its reading ended")
    if window.status.flags & StatusFlag.FEED_READBACK:
        raise RigError("the feed closed while the low-current source was on: it is stuck closed")
    fine_a = window.mean(InputRole.CURRENT_FINE)
    most_a = SOURCE_FACTOR_MAX * observer.rig.identity.source_current_ua * 1e-6
    if fine_a is not None and fine_a > most_a:
        raise RigError(
            f"{fine_a * 1e3:.0f} mA flows where the low-current source gives "
            f"{observer.rig.identity.source_current_ua * 1e-3:.0f} mA: the feed is closed"
        )
    await observer.rig.all_off()
    await asyncio.sleep(SETTLE_S)
    return window
