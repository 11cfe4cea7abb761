"""Making safe: commands off, waits out the decay, and ends only with measured evidence.

Order of one attempt: outputs off, decay, looks; feed open, looks; the inputs asked whether they
are alive (``life``), looks. A look is a read-back plus a fresh window of current and part
voltage. A part that shows current or voltage with its output off has its feed opened all the
same and is looked at again. A dead converter also reads "no current", so inputs that did not
answer after the last switch-off prove nothing. If nothing proves the part off, ``make_safe`` does
not return until it is proven, or the link is gone and somebody has said that the supply is off
the part.

This module is the only maker of ``SafeEvidence``; it never reads an acknowledgement as proof.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace

from benchrig.bench.life import show_life
from benchrig.bench.look import Window
from benchrig.bench.observer import Observer
from benchrig.errors import LinkError, NotProvenSafe, PrecheckFailed, RigError, RigRefused
from benchrig.record.values import DISCONNECT, LifeSign, NotProven, SafeEvidence, SafeReading
from benchrig.wire.messages import FaultReason, InputRole, RefusalReason, StatusFlag

CURRENT_THRESHOLD_A = 0.020  # or five times the noise of a look, whichever is larger
VOLTAGE_THRESHOLD_V = 0.5
NOISE_FACTOR = 5.0
READINGS_NEEDED = 3  # consecutive
LOOKING_S = 1.2  # at most; a decaying coil or a pump running down may spoil the first looks
LOOK_S = 0.020
DECAY_WAIT_S = 0.060
RETRY_S = 1.0
SAFE_ROLES = (
    InputRole.PART_VOLTAGE,
    InputRole.CURRENT_COARSE,
    InputRole.CURRENT_FINE,
    InputRole.SUPPLY_VOLTAGE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """Why an attempt gave no evidence."""

    reason: str
    last_current_a: float | None
    feed_opened: bool
    link_gone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Looks in a row that show nothing on; evidence only together with inputs that are alive."""

    readings: tuple[SafeReading, ...]
    limit_a: float
    limit_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Offsets:
    """Off-readings from before the first pulse, by input; empty when there were none."""

    by_role: dict[InputRole, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """What a person declared to have disconnected, in their words."""

    text: str


Tell = Callable[[NotProvenSafe, Shortfall], Awaitable[Declaration | None]]
Reopen = Callable[[], Awaitable[Observer | None]]


async def prove_off(observer: Observer, offsets: Offsets) -> SafeEvidence | Shortfall:
    """One whole attempt: outputs off, look; feed open, look again; inputs alive, look again.

    Once the feed has been closed, by whatever link or program, the inputs must answer the
    low-current source now, after the last switch-off: what they showed before it says nothing.
    Until then standing at their live zero is enough. With the feed stuck closed nothing is
    evidence: only the output's switch lies between supply and part, and nothing but the supply
    could show the inputs alive.
    """
    rig = observer.rig
    began = asyncio.get_running_loop().time()
    await rig.all_off()
    await asyncio.sleep(DECAY_WAIT_S)
    status = await rig.read_status()
    feed_was_closed = bool(status.flags & StatusFlag.FEED_CLOSED)
    stays: Seen | Shortfall | None = None
    if feed_was_closed:
        stays = await _look(observer, offsets, began, feed_opened=False)
    await rig.open_feed()
    await asyncio.sleep(rig.identity.feed_settle_us * 1e-6 + DECAY_WAIT_S)
    observer.feed_stuck = bool((await rig.read_status()).flags & StatusFlag.FEED_READBACK)
    needed_feed = isinstance(stays, Shortfall)
    found = await _look(observer, offsets, began, feed_opened=needed_feed)
    if isinstance(found, Shortfall):
        return found
    if observer.feed_stuck:
        return Shortfall(
            reason="the feed contactor is stuck closed: nothing but the switch of the output is "
            "between supply and part, and nothing can show that the inputs are alive",
            last_current_a=found.readings[-1].current_a,
            feed_opened=False,
        )
    life: tuple[LifeSign, ...] = ()
    if observer.energised:
        asked = await _ask_inputs(observer)
        if isinstance(asked, Shortfall):
            return asked
        life = asked
        found = await _look(observer, offsets, began, feed_opened=needed_feed)
        if isinstance(found, Shortfall):
            return found
    return SafeEvidence(
        readings=found.readings,
        threshold_current_a=found.limit_a,
        threshold_voltage_v=found.limit_v,
        feed_opened=needed_feed,
        inputs_alive=_alive_text(life),
        waited_s=asyncio.get_running_loop().time() - began,
        energised=observer.energised,
        life=life,
    )


async def make_safe(
    observer: Observer,
    offsets: Offsets,
    *,
    tell: Tell,
    reopen: Reopen,
) -> SafeEvidence | NotProven:
    """End only with evidence, or with a declaration while the link is gone.

    Idempotent. The caller shields it from cancellation. ``tell`` is called after each failed
    attempt and says what to disconnect; what it returns is a person's declaration or None.
    """
    declared: Declaration | None = None
    current: Observer | None = observer
    while True:
        shortfall = await _attempt(current, offsets)
        if isinstance(shortfall, SafeEvidence):
            return shortfall
        gone = current is None or current.lost is not None
        shortfall = replace(shortfall, link_gone=gone)
        said = await _ask(tell, shortfall)
        declared = said or declared
        if declared is not None and gone:
            return NotProven(
                reason=shortfall.reason,
                last_current_a=shortfall.last_current_a,
                feed_opened=shortfall.feed_opened,
                declared=declared.text,
            )
        await asyncio.sleep(RETRY_S)
        if gone:
            current = await _open_again(reopen)


async def _open_again(reopen: Reopen) -> Observer | None:
    """A new look at the rig. Whatever stands in its way is one more attempt without evidence."""
    try:
        return await reopen()
    except Exception:  # noqa: BLE001 - nothing may end making safe but evidence or a declaration
        return None


async def prove_off_or_alarm(observer: Observer, offsets: Offsets) -> SafeEvidence:
    """For work that keeps no run open: one attempt, NotProvenSafe when it gives no evidence."""
    found = await _attempt(observer, offsets)
    if isinstance(found, Shortfall):
        raise _alarm(found)
    return found


async def _ask(tell: Tell, shortfall: Shortfall) -> Declaration | None:
    """Ask the person. A broken screen is no reason to stop; only a vanished rig may be left."""
    try:
        return await tell(_alarm(shortfall), shortfall)
    except NotProvenSafe:
        if shortfall.link_gone:
            raise
    except Exception:  # noqa: BLE001 - nothing may end this loop but evidence or a declaration
        await asyncio.sleep(RETRY_S)
    return None


async def _attempt(observer: Observer | None, offsets: Offsets) -> SafeEvidence | Shortfall:
    if observer is None or observer.lost is not None:
        return Shortfall(
            reason="the link to the rig is lost, so nothing can be measured",
            last_current_a=None,
            feed_opened=False,
        )
    observer.begin_anew()
    try:
        return await _prove_off_over_a_restart(observer, offsets)
    except RigError as error:
        if isinstance(error, LinkError) and observer.lost is None:
            observer.lost = error.message
        reason = f"the rig could not be read: {error.message}"
    except Exception as error:  # noqa: BLE001 - a mistake of ours proves nothing about the part
        reason = f"internal error while looking at the rig: {error!r}"
    return Shortfall(reason=reason, last_current_a=None, feed_opened=False)


async def _prove_off_over_a_restart(
    observer: Observer, offsets: Offsets
) -> SafeEvidence | Shortfall:
    """A restart seen only while proving dropped everything; look at the rig as it is now."""
    try:
        return await prove_off(observer, offsets)
    except RigError:
        if not observer.restarted or observer.lost is not None:
            raise
    observer.begin_anew()
    return await prove_off(observer, offsets)


async def _look(
    observer: Observer, offsets: Offsets, began: float, *, feed_opened: bool
) -> Seen | Shortfall:
    good: list[SafeReading] = []
    problem, last_current_a = "no look at the part was possible", None
    limit_a, limit_v = CURRENT_THRESHOLD_A, VOLTAGE_THRESHOLD_V
    loop = asyncio.get_running_loop()
    until_s = loop.time() + LOOKING_S
    while loop.time() < until_s:
        window = await observer.window(SAFE_ROLES, LOOK_S)
        readback = window.status.outputs_readback
        limit_a, limit_v = _thresholds(window, limit_a, limit_v)
        current_a = window.largest_current_a(offsets.by_role)
        voltage_v = window.largest_voltage_v(offsets.by_role)
        if current_a is None or voltage_v is None:
            return Shortfall(
                reason="the rig has no current or no part-voltage input for this output",
                last_current_a=current_a,
                feed_opened=feed_opened,
            )
        last_current_a = current_a
        problem = _problem(window, readback, current_a, voltage_v, limit_a, limit_v)
        if problem:
            good.clear()
            continue
        good.append(
            SafeReading(
                at_s=loop.time() - began,
                current_a=current_a,
                part_voltage_v=voltage_v,
                outputs_readback=readback,
            )
        )
        if len(good) == READINGS_NEEDED:
            return Seen(readings=tuple(good), limit_a=limit_a, limit_v=limit_v)
    return Shortfall(reason=problem, last_current_a=last_current_a, feed_opened=feed_opened)


def _problem(
    window: Window,
    readback: int,
    current_a: float,
    voltage_v: float,
    limit_a: float,
    limit_v: float,
) -> str:
    watched = [r for role, r in window.readings.items() if role is not InputRole.SUPPLY_VOLTAGE]
    for reading in watched:
        if reading.codes_mean <= 1.0 < reading.scale.zero_code:
            return f"the {_words(reading.role)} input is dead: it does not show its live zero"
    if readback:
        return f"the rig reads its own outputs back as on (mask {readback:#06x})"
    if abs(current_a) >= limit_a:
        return f"{current_a * 1e3:.0f} mA still flows though everything was switched off"
    if abs(voltage_v) >= limit_v:
        return f"{voltage_v:.1f} V still stands across the part though everything was switched off"
    for reading in watched:
        if not reading.at_live_zero:
            return f"the {_words(reading.role)} input does not stand at its live zero"
    return ""


def _words(role: InputRole) -> str:
    return role.name.lower().replace("_", " ")


def _thresholds(window: Window, limit_a: float, limit_v: float) -> tuple[float, float]:
    for role, reading in window.readings.items():
        noise = NOISE_FACTOR * reading.deviation / reading.count**0.5
        if role in (InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE):
            limit_a = max(limit_a, min(noise, 2 * CURRENT_THRESHOLD_A))
        elif role is InputRole.PART_VOLTAGE:
            limit_v = max(limit_v, min(noise, 2 * VOLTAGE_THRESHOLD_V))
    return limit_a, limit_v


async def _ask_inputs(observer: Observer) -> tuple[LifeSign, ...] | Shortfall:
    """Let the low-current source answer for the inputs; all off and feed open before and after."""
    status = await observer.rig.read_status()
    if status.fault is not FaultReason.NONE:
        await observer.rig.clear_fault(status.fault)
    try:
        life = await show_life(observer)
        if not life.signs:  # a frame may have been lost on the way: a second time says
            life = await show_life(observer)
    except PrecheckFailed as error:
        return Shortfall(reason=error.message, last_current_a=None, feed_opened=True)
    except RigRefused as error:
        if error.reason != RefusalReason.FEED_MUST_BE_OPEN.name:
            raise
        observer.feed_stuck = True
        reason = "the rig itself says that the feed is not open: it may be stuck closed"
        return Shortfall(reason=reason, last_current_a=None, feed_opened=False)
    await observer.rig.open_feed()
    await asyncio.sleep(DECAY_WAIT_S)
    if not life.signs:
        return Shortfall(reason=life.problem, last_current_a=None, feed_opened=True)
    return life.signs


def _alive_text(life: tuple[LifeSign, ...]) -> str:
    if not life:
        return (
            "every current and part-voltage input stands at its live zero, and the feed was never "
            "closed"
        )
    return "answered the low-current source after the last switch-off: " + ", ".join(
        f"{sign.input} {sign.off:.3f} to {sign.on:.3f} {sign.unit}" for sign in life
    )


def _alarm(shortfall: Shortfall) -> NotProvenSafe:
    return NotProvenSafe(f"THE PART MAY BE LIVE: {shortfall.reason}", disconnect=DISCONNECT)
