"""Promises about schedules: what is refused, and that what is accepted runs as written."""

from __future__ import annotations

from itertools import pairwise

from benchrig.bench.conform.probe import (
    NotApplicable,
    Probe,
    PromiseBroken,
    begin_of,
    commit_of,
    require,
)
from benchrig.wire.messages import (
    CloseFeed,
    Edge,
    EdgeCause,
    Finished,
    InputRole,
    OpenFeed,
    OutputInfo,
    RefusalReason,
    RigState,
    ScheduleBegin,
    ScheduleCommit,
    ScheduleStep,
    Start,
    StatusFlag,
)
from benchrig.wire.schedule import DURATION_US_MIN, Schedule

SCHEDULE_ID = 7
_SLACK_S = 2.0


def schedule(*steps: tuple[int, int, int], repeats: int = 1) -> Schedule:
    """A schedule of (outputs mask, duration, change) steps."""
    return Schedule(
        schedule_id=SCHEDULE_ID,
        steps=tuple(
            ScheduleStep(
                schedule_id=SCHEDULE_ID,
                step=place,
                outputs_mask=mask,
                duration_us=duration_us,
                change_us=change_us,
            )
            for place, (mask, duration_us, change_us) in enumerate(steps)
        ),
        repeat_count=repeats,
    )


def pulse(info: OutputInfo, repeats: int = 1, least_us: int = 5_000) -> Schedule:
    """A short on and off of one output, as long as it can and no shorter than ``least_us``."""
    on_us = min(max(info.on_us_min, least_us), info.on_us_max)
    off_us = max(info.off_us_min, least_us)
    return schedule((1 << info.output, on_us, 0), (0, off_us, 0), repeats=repeats)


async def loading(probe: Probe) -> str:
    """Steps in any order; missing or garbled ones are refused, and the loading stays open."""
    plan = pulse(probe.switch())
    await probe.do(begin_of(plan))
    await probe.must_refuse(commit_of(plan), RefusalReason.SCHEDULE_INCOMPLETE, 0)
    await probe.do(plan.steps[1])
    await probe.must_refuse(commit_of(plan), RefusalReason.SCHEDULE_INCOMPLETE, 0)
    await probe.do(plan.steps[0])
    wrong = ScheduleCommit(schedule_id=SCHEDULE_ID, steps_crc=plan.steps_crc ^ 1)
    await probe.must_refuse(wrong, RefusalReason.STEPS_CRC_MISMATCH, plan.steps_crc)
    await probe.do(commit_of(plan))
    status = await probe.status()
    require(status.schedule_id == SCHEDULE_ID, f"it holds schedule {status.schedule_id}")
    require(bool(status.flags & StatusFlag.SCHEDULE_COMMITTED), "its flag says not committed")
    await probe.must_refuse(plan.steps[0], RefusalReason.NO_SCHEDULE, SCHEDULE_ID)
    most = probe.identity.steps_max
    if most < 255:
        long = ScheduleBegin(schedule_id=8, step_count=most + 1, repeat_count=1)
        await probe.must_refuse(long, RefusalReason.TOO_MANY_STEPS, most)
    require(
        (await probe.status()).schedule_id == SCHEDULE_ID, "a refused Begin forgot the schedule"
    )
    await probe.do(ScheduleBegin(schedule_id=8, step_count=2, repeat_count=1))
    require((await probe.status()).schedule_id == 0, "a new Begin kept the earlier schedule")
    return "loaded out of order, garbled and missing steps refused"


async def fullest(probe: Probe) -> str:
    """As many steps as it says it holds can be loaded."""
    info = probe.switch()
    bit, count = 1 << info.output, probe.identity.steps_max
    on_us, off_us = max(info.on_us_min, 1000), max(info.off_us_min, 1000)
    pairs = ((bit, on_us, 0), (0, off_us, 0)) * (count // 2)
    plan = schedule(*pairs, *(((0, 1000, 0),) * (count % 2)))
    await probe.load(plan)
    return f"{count} steps loaded"


async def times(probe: Probe) -> str:
    """On-times and off-times outside an output's limits are refused with the limit."""
    for info in probe.outputs:
        bits = 1 << info.output
        if info == _source_or_none(probe):
            bits |= 1 << probe.switch().output
        await _times_of(probe, info, bits)
    return f"{len(probe.outputs)} outputs"


async def _times_of(probe: Probe, info: OutputInfo, bits: int) -> None:
    """``bits``: the output, with the one that has to be on with it."""
    limits = [o for o in probe.outputs if bits >> o.output & 1]
    most = min(o.on_us_max for o in limits)
    least = max(o.on_us_min for o in limits)
    off_us = max(DURATION_US_MIN, *(o.off_us_min for o in limits))
    over, under = RefusalReason.ON_TIME_OVER_CEILING, RefusalReason.ON_TIME_UNDER_LEAST
    cases: list[tuple[Schedule, RefusalReason, int]] = [
        (schedule((bits, most + 1, 0), (0, off_us, 0)), over, most),
        (schedule((bits, most, 0), (bits, DURATION_US_MIN, 0), (0, off_us, 0)), over, most),
        (schedule((bits, most - 9, 1), (0, off_us, 0), repeats=11), over, most),
    ]
    if least > DURATION_US_MIN:
        cases.append((schedule((bits, least - 1, 0), (0, off_us, 0)), under, least))
        cases.append((schedule((bits, least + 1, -1), (0, off_us, 0), repeats=3), under, least))
    short = RefusalReason.OFF_TIME_UNDER_LEAST
    if off_us > DURATION_US_MIN:
        between = schedule((bits, least, 0), (0, off_us - 1, 0), (bits, least, 0), (0, off_us, 0))
        cases.append((between, short, off_us))
        cases.append((schedule((bits, least, 0), (0, off_us - 1, 0), repeats=2), short, off_us))
    for plan, reason, detail in cases:
        await probe.load_steps(plan)
        await probe.must_refuse(commit_of(plan), reason, detail)
    at_the_limits = (
        schedule((bits, most, 0), (0, off_us, 0), repeats=2),
        schedule((bits, least, 0), (0, off_us, 0), repeats=2),
        # nothing follows: any off-time will do
        schedule((bits, least, 0), (0, DURATION_US_MIN, 0)),
    )
    for plan in at_the_limits:
        await probe.load(plan)


def _source_or_none(probe: Probe) -> OutputInfo | None:
    try:
        return probe.source()
    except NotApplicable:
        return None


async def contents(probe: Probe) -> str:
    """Steps without time, outputs that are not there and endings that are on are refused."""
    info = probe.switch()
    bit, count = 1 << info.output, probe.identity.output_count
    on_us, off_us = max(info.on_us_min, 1000), max(info.off_us_min, 1000)
    bad = RefusalReason.BAD_VALUE
    cases = [
        (schedule((0, 0, 0), (0, off_us, 0)), bad, 3),
        (schedule((0, DURATION_US_MIN - 1, 0), (0, off_us, 0)), bad, 3),
        (schedule((bit, on_us, 0), (0, off_us, -1), repeats=off_us + 1), bad, 4),
        (schedule((0, off_us, 0), (bit, on_us, 0)), RefusalReason.NOT_ENDING_OFF, bit),
    ]
    if count < 16:
        missing = schedule((1 << count, on_us, 0), (0, off_us, 0))
        cases.append((missing, RefusalReason.NO_SUCH_OUTPUT, count))
    for plan, reason, detail in cases:
        if plan.repeat_count <= 65_535:
            await probe.load_steps(plan)
            await probe.must_refuse(commit_of(plan), reason, detail)
    return "refused by what is wrong with them"


async def shared(probe: Probe) -> str:
    """Outputs that share a current input are not switched on together."""
    source = _source_or_none(probe)
    skip = 0 if source is None else 1 << source.output
    for info in probe.inputs:
        mask = info.outputs_mask & ~skip
        if info.role in (InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE) and mask & (mask - 1):
            both = mask & -mask
            both |= (mask ^ both) & -(mask ^ both)
            times_us = [(o.on_us_min, o.off_us_min) for o in probe.outputs if both >> o.output & 1]
            on_us = max(on for on, _ in times_us)
            off_us = max(off for _, off in times_us)
            plan = schedule((0, 1000, 0), (both, on_us, 0), (0, off_us, 0))
            await probe.load_steps(plan)
            await probe.must_refuse(commit_of(plan), RefusalReason.SHARED_INPUT, 1)
            return f"outputs {both:#b} refused together"
    raise NotApplicable("no two outputs share a current input")


async def start_needs(probe: Probe) -> str:
    """Start needs a committed schedule, a heartbeat and a closed feed."""
    await probe.do(ScheduleBegin(schedule_id=9, step_count=2, repeat_count=1))
    await probe.beat()
    await probe.must_refuse(Start(schedule_id=9), RefusalReason.NO_SCHEDULE, 0)
    plan = pulse(probe.switch())
    await probe.load(plan)
    await probe.must_refuse(Start(schedule_id=9), RefusalReason.NO_SCHEDULE, SCHEDULE_ID)
    await probe.beat()
    await probe.must_refuse(Start(schedule_id=SCHEDULE_ID), RefusalReason.FEED_MUST_BE_CLOSED, 0)
    await probe.silent(lambda: False, probe.identity.heartbeat_silence_us * 1e-6 + 0.05)
    await probe.must_refuse(Start(schedule_id=SCHEDULE_ID), RefusalReason.HEARTBEAT_MISSING)
    await probe.must_refuse(CloseFeed(), RefusalReason.HEARTBEAT_MISSING)
    return "refused without schedule, heartbeat or feed"


async def runs(probe: Probe) -> str:
    """A schedule runs by the rig's clock: every edge at its tick, numbered, then Finished."""
    info = probe.switch()
    plan = pulse(info, repeats=5)
    await probe.load(plan)
    await probe.close_feed()
    tick = await _run(probe, plan)
    worst_s = _check_edges(probe, plan, info, tick)
    probe.heard.clear()
    await probe.beat()
    tick = await _run(probe, plan)  # it stays committed
    worst_s = max(worst_s, _check_edges(probe, plan, info, tick))
    return f"2 runs of 10 edges, the worst {1e6 * worst_s:.1f} µs from its place"


async def sweeps(probe: Probe) -> str:
    """A step whose time changes changes evenly with each repeat."""
    info = probe.switch()
    on_us, off_us = max(info.on_us_min, 4_000), max(info.off_us_min, 6_000) + 5_000
    change_us = max(1000, info.resolution_ns // 1000)
    plan = schedule((1 << info.output, on_us, change_us), (0, off_us, -change_us), repeats=5)
    if on_us + 5 * change_us > info.on_us_max:
        raise NotApplicable("the output's ceiling is too low to sweep under it")
    await probe.load(plan)
    await probe.close_feed()
    tick = await _run(probe, plan)
    worst_s = _check_edges(probe, plan, info, tick)
    return f"5 widths, the worst edge {1e6 * worst_s:.1f} µs from its place"


async def busy(probe: Probe) -> str:
    """While it runs: no loading, no second start, no closing; the state says so."""
    plan = pulse(probe.switch(), repeats=65_535)
    await probe.load(plan)
    await probe.close_feed()
    await probe.do(Start(schedule_id=SCHEDULE_ID))
    state = (await probe.beat()).state
    require(state is RigState.RUNNING, f"its state is {state.name}")
    for request in (
        begin_of(plan),
        plan.steps[0],
        commit_of(plan),
        CloseFeed(),
        Start(schedule_id=SCHEDULE_ID),
    ):
        await probe.must_refuse(request, RefusalReason.WRONG_STATE, RigState.RUNNING)
    return "five requests refused with WRONG_STATE"


async def source(probe: Probe) -> str:
    """The low-current source: with one other output, feed open, or not at all."""
    info, other = probe.source(), probe.switch()
    bits = 1 << info.output | 1 << other.output
    on_us = max(info.on_us_min, other.on_us_min, 5_000)
    off_us = max(info.off_us_min, other.off_us_min, 5_000)
    alone = schedule((1 << info.output, on_us, 0), (0, off_us, 0))
    await probe.load_steps(alone)
    await probe.must_refuse(commit_of(alone), RefusalReason.BAD_VALUE, 2)
    plan = schedule((bits, on_us, 0), (0, off_us, 0))
    await probe.load(plan)
    await probe.close_feed()
    await probe.must_refuse(Start(schedule_id=SCHEDULE_ID), RefusalReason.FEED_MUST_BE_OPEN, 0)
    await probe.do(OpenFeed())
    await probe.beating(lambda: False, probe.identity.feed_settle_us * 1e-6)
    probe.heard.clear()
    await probe.beat()
    await _run(probe, plan)
    masks = [e.outputs_mask for e in probe.all(Edge) if e.cause is EdgeCause.SCHEDULE]
    require(masks == [bits, 0], f"its edges went through masks {masks}")
    return "refused alone and with the feed closed, run with the feed open"


async def _run(probe: Probe, plan: Schedule) -> int:
    """Start and wait for Finished with a heartbeat; the tick of Accepted."""
    tick = await probe.do(Start(schedule_id=SCHEDULE_ID))
    limit_s = 1e-6 * (plan.duration_us + probe.identity.feed_settle_us) + _SLACK_S
    if not await probe.beating(lambda: probe.count(Finished) > 0, limit_s):
        raise PromiseBroken(f"no Finished within {limit_s:.1f} s")
    (finished,) = probe.all(Finished)
    require(
        (finished.schedule_id, finished.repeats_done) == (SCHEDULE_ID, plan.repeat_count),
        f"Finished says schedule {finished.schedule_id}, {finished.repeats_done} repeats",
    )
    status = await probe.beat()
    require(status.state is RigState.IDLE, f"its state afterwards is {status.state.name}")
    require(status.outputs_commanded == 0, "it commands outputs on afterwards")
    require(status.outputs_readback == 0, "it reads outputs as on afterwards")
    require(status.repeats_done == plan.repeat_count, f"Status says {status.repeats_done} repeats")
    took_s = probe.seconds_between(tick, finished.tick)
    tolerance_s = 0.001 + 1e-6 * plan.duration_us * 1e-4
    require(
        abs(took_s - 1e-6 * plan.duration_us) <= tolerance_s,
        f"from Start to Finished it took {took_s:.6f} s, not {1e-6 * plan.duration_us:.6f} s",
    )
    return tick


def _check_edges(probe: Probe, plan: Schedule, info: OutputInfo, start_tick: int) -> float:
    """Edges in number, order, place and mask; the worst distance from its place, s."""
    edges = [e for e in probe.all(Edge) if e.cause is EdgeCause.SCHEDULE]
    wanted_us = [0]
    for repeat in range(plan.repeat_count):
        for step in range(len(plan.steps)):
            wanted_us.append(wanted_us[-1] + plan.duration_at(step, repeat))
    wanted_us.pop()
    require(len(edges) == len(wanted_us), f"{len(edges)} edges, not {len(wanted_us)}")
    masks = [step.outputs_mask for step in plan.steps] * plan.repeat_count
    require([e.outputs_mask for e in edges] == masks, "the edges' masks are not the steps'")
    for before, after in pairwise(edges):
        require((after.edge - before.edge) & 0xFFFF == 1, "the edges are not numbered in order")
    lead_s = probe.seconds_between(start_tick, edges[0].tick)
    require(lead_s <= 0.001, f"the first edge came {1e3 * lead_s:.2f} ms after Start's tick")
    tick_s = probe.identity.tick_ns * 1e-9
    allowed_s = max(info.resolution_ns * 1e-9, tick_s) + tick_s
    worst_s = 0.0
    for edge, at_us in zip(edges, wanted_us, strict=True):
        off_s = abs(probe.seconds_between(edges[0].tick, edge.tick) - 1e-6 * at_us)
        worst_s = max(worst_s, off_s)
    require(worst_s <= allowed_s, f"an edge was {1e6 * worst_s:.1f} µs from its place")
    return worst_s
