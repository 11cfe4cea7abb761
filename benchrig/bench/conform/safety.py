"""Promises about off: silence, break, off commands, latch and clear."""

from __future__ import annotations

from benchrig.bench.conform.probe import Probe, feed_is_closed, require
from benchrig.bench.conform.schedules import SCHEDULE_ID, pulse
from benchrig.wire.messages import (
    Accepted,
    AllOff,
    ClearFault,
    CloseFeed,
    DescribeOutput,
    Edge,
    EdgeCause,
    Fault,
    FaultReason,
    Finished,
    Message,
    OpenFeed,
    OutputInfo,
    RefusalReason,
    RigState,
    Start,
    Status,
    StatusFlag,
    StopStream,
)

# The rig counts from the end of the heartbeat's frame; the tick seen here is the answer's.
_EARLY_S = 0.025
_LATE_S = 0.010
BREAK_WAIT_S = 0.2
EDGES_WAIT_S = 0.05  # what was told unasked has come by then


async def feed(probe: Probe) -> str:
    """The feed closes and opens when asked, is read back, and each change is one Edge."""
    require(not feed_is_closed(await probe.status()), "the feed is closed to begin with")
    await probe.close_feed()
    status = await probe.beat()
    require(feed_is_closed(status), "CloseFeed was accepted and the feed is open")
    require(bool(status.flags & StatusFlag.FEED_READBACK), "the feed is not read back as closed")
    await probe.do(CloseFeed())
    await probe.do(OpenFeed())
    await probe.do(OpenFeed())
    await probe.beating(lambda: False, probe.identity.feed_settle_us * 1e-6 + 0.05)
    status = await probe.beat()
    require(not feed_is_closed(status), "OpenFeed was accepted and the feed is closed")
    require(not status.flags & StatusFlag.FEED_READBACK, "the feed is read back as closed")
    edges = probe.all(Edge)
    causes = [edge.cause for edge in edges]
    require(causes == [EdgeCause.FEED] * 2, f"two changes made the edges {causes}")
    require(all(e.outputs_mask == 0 for e in edges), "a feed edge says an output is on")
    kinds = [type(m) for m in probe.all_heard if isinstance(m, (Accepted, Edge))]
    require(kinds.index(Accepted) < kinds.index(Edge), "an Edge came before its answer")
    return "closed, opened, read back; done twice it changes nothing"


async def all_off(probe: Probe) -> str:
    """AllOff ends a running schedule at once and leaves the feed; again it changes nothing."""
    await _run_for_ever(probe)
    await probe.do(AllOff())
    status = await probe.beat()
    _require_off(status)
    require(status.state is RigState.IDLE, f"its state is {status.state.name}")
    require(feed_is_closed(status), "AllOff opened the feed")
    counted = status.edges_counted
    await probe.do(AllOff())
    require((await probe.beat()).edges_counted == counted, "a second AllOff made an edge")
    require(probe.count(Finished) == 0, "an ended schedule was reported as Finished")
    masks = [edge.outputs_mask for edge in probe.all(Edge)]
    require(not masks or masks[-1] == 0, "the last edge says an output is on")
    return "off, idle, feed still closed, no Finished"


async def open_feed(probe: Probe) -> str:
    """OpenFeed ends a running schedule at once and opens the feed."""
    await _run_for_ever(probe)
    await probe.do(OpenFeed())
    status = await probe.beat()
    _require_off(status)
    require(status.state is RigState.IDLE, f"its state is {status.state.name}")
    require(not feed_is_closed(status), "OpenFeed left the feed closed")

    def last_cause() -> list[EdgeCause]:
        return [edge.cause for edge in probe.all(Edge)][-1:]

    # An answer may overtake what was told unasked: the outputs' edge, then the feed's.
    told = await probe.silent(lambda: last_cause() == [EdgeCause.FEED], EDGES_WAIT_S)
    require(told, f"the last edge's cause is {last_cause()}")
    require(probe.count(Finished) == 0, "an ended schedule was reported as Finished")
    return "off, idle, feed open, no Finished"


async def silence_idle(probe: Probe) -> str:
    """With the feed open and nothing running, silence is no fault."""
    await probe.beat()
    await probe.silent(lambda: False, 3e-6 * probe.identity.heartbeat_silence_us)
    status = await probe.status()
    require(status.fault is FaultReason.NONE, f"it latched {status.fault.name}")
    require(not status.flags & StatusFlag.HEARTBEAT_ALIVE, "it says the heartbeat lives")
    return "no fault after three times the silence"


async def silence_closed(probe: Probe) -> str:
    """With the feed closed, silence drops everything in time; only Heartbeat counts as life."""
    await probe.close_feed()
    return await _fall_silent(probe)


async def silence_running(probe: Probe) -> str:
    """With a schedule running, silence drops everything in time."""
    await _run_for_ever(probe)
    return await _fall_silent(probe)


async def kept_alive(probe: Probe) -> str:
    """With a heartbeat every 100 ms nothing is dropped."""
    await _run_for_ever(probe)
    await probe.beating(lambda: probe.count(Fault) > 0, 1.5)
    status = await probe.beat()
    require(status.fault is FaultReason.NONE, f"it latched {status.fault.name}")
    require(status.state is RigState.RUNNING, f"its state is {status.state.name}")
    return "running on after 1.5 s"


async def latch(probe: Probe) -> str:
    """A fault stays until it is named; until then nothing can be energised."""
    await probe.close_feed()
    await probe.silent(lambda: probe.count(Fault) > 0, 1.0)
    fault = FaultReason.HEARTBEAT_SILENCE
    plan = pulse(probe.switch())
    refused: tuple[Message, ...] = (
        plan.steps[0],
        CloseFeed(),
        Start(schedule_id=SCHEDULE_ID),
    )
    await probe.beat()
    for request in refused:
        await probe.must_refuse(request, RefusalReason.FAULT_LATCHED, fault)
    for allowed in (AllOff(), OpenFeed(), StopStream()):
        await probe.do(allowed)
    await probe.get(DescribeOutput(output=0), OutputInfo)
    for wrong in (FaultReason.WATCHDOG, FaultReason.NONE):
        await probe.must_refuse(ClearFault(fault=wrong), RefusalReason.BAD_VALUE, 0)
    status = await probe.beat()
    require(status.fault is fault, f"the fault became {status.fault.name}")
    require(status.state is RigState.FAULT, f"its state is {status.state.name}")
    await probe.do(ClearFault(fault=fault))
    status = await probe.beat()
    require(status.state is RigState.IDLE, f"cleared, its state is {status.state.name}")
    require(not feed_is_closed(status), "cleared, its feed is closed")
    return "refused what energises, allowed what makes safe, cleared by name only"


async def serial_break(probe: Probe) -> str:
    """A serial break drops everything; it is latched only where something was at work."""
    await probe.link.send_break()  # raises NoBreak where the link has none
    await probe.silent(lambda: False, BREAK_WAIT_S)
    status = await probe.status()
    require(status.fault is FaultReason.NONE, f"idle, a break latched {status.fault.name}")
    await _run_for_ever(probe)
    await probe.link.send_break()
    await probe.silent(lambda: probe.count(Fault) > 0, BREAK_WAIT_S)
    status = await probe.status()
    require(status.fault is FaultReason.SERIAL_BREAK, f"running, it latched {status.fault.name}")
    _require_off(status)
    require(not feed_is_closed(status), "the feed is closed after a break")
    return "all off and feed open; latched when it ran, not when it was idle"


async def _run_for_ever(probe: Probe) -> None:
    """Start something that would go on for minutes."""
    plan = pulse(probe.switch(), repeats=65_535)
    await probe.load(plan)
    await probe.close_feed()
    probe.heard.clear()
    await probe.do(Start(schedule_id=SCHEDULE_ID))
    await probe.beating(lambda: probe.count(Edge) > 0, 2.0)
    require(probe.count(Edge) > 0, "it was started and made no edge")


async def _fall_silent(probe: Probe) -> str:
    silence_s = probe.identity.heartbeat_silence_us * 1e-6
    last = (await probe.beat()).tick
    await probe.silent(lambda: False, 0.5 * silence_s)
    await probe.status()  # reading is no heartbeat
    await probe.silent(lambda: probe.count(Fault) > 0, silence_s + 0.5)
    status = await probe.status()
    require(
        status.fault is FaultReason.HEARTBEAT_SILENCE, f"silent, it latched {status.fault.name}"
    )
    _require_off(status)
    require(not feed_is_closed(status), "the feed is closed after silence")
    require(not status.flags & StatusFlag.FEED_CLOSED, "the feed is closed after silence")
    faults = probe.all(Fault)
    require(len(faults) == 1, f"{len(faults)} Fault messages")
    require(faults[0].tick == status.fault_tick, "Fault and Status tell different ticks")
    after_s = probe.seconds_between(last, status.fault_tick)
    require(
        silence_s - _EARLY_S <= after_s <= silence_s + _LATE_S,
        f"it dropped everything {1e3 * after_s:.1f} ms after the last heartbeat",
    )
    return f"everything dropped {1e3 * after_s:.1f} ms after the last heartbeat"


def _require_off(status: Status) -> None:
    require(status.outputs_commanded == 0, "it commands outputs on")
    require(status.outputs_readback == 0, "it reads outputs as on")
