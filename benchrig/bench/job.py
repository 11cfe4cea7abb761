"""A run with everything around it: rig, stale runs, log, and the record that is kept.

``run_job`` is what the command line, the tray and the demo call. The stale check comes before
anything else is asked of the rig: a run that was never closed is closed with evidence first.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import AsyncExitStack
from dataclasses import dataclass
from functools import partial

from benchrig.bench.equipment import Equipment, rig_id
from benchrig.bench.held import keep_held
from benchrig.bench.known import keep_reference, look_up
from benchrig.bench.observer import Observer
from benchrig.bench.safety import LOOK_S, Offsets, Reopen, Tell, make_safe
from benchrig.bench.sequencer import run
from benchrig.bench.setup import RunOutcome, RunSetup
from benchrig.bench.sinks import LogSink, Sink
from benchrig.bench.uncancelled import finish, finish_in_thread, hold_in_thread, uncancel
from benchrig.errors import LogError, NotProvenSafe, UsageError
from benchrig.patterns.adjust import nearest_pattern
from benchrig.patterns.fit import Objection, Setting, obstacles
from benchrig.patterns.pattern import Pattern
from benchrig.patterns.wear import wear_warning
from benchrig.record.log import RunLog
from benchrig.record.values import DISCONNECT, NotProven, RunPlan, RunRecord, SafeEvidence, Stage
from benchrig.record.writer import RunWriter
from benchrig.rig.client import Rig, open_rig, rig_on
from benchrig.wire.messages import InputRole, OutputKind

NOMINAL_SUPPLY_V = 13.5  # for a rig that cannot measure its supply


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One run to be done on one rig."""

    rig_url: str
    plan: RunPlan
    tell: Tell
    stamp: Callable[[], str]  # wall clock, ISO 8601 with offset
    record_id: str
    sinks: Sequence[Sink] = ()
    scan_period_us: int | None = None
    as_reference: bool = False  # keep the movement seen as the reference of its part


async def run_job(job: Job, log: RunLog) -> RunRecord:
    """Open the rig, settle what an earlier run left, run, keep the record.

    Raises UsageError when the pattern does not fit, RigError for rig and link before the
    run, NotProvenSafe when nothing shows the part off and nobody can declare anything.
    """
    outcome: RunOutcome | None = None
    try:
        async with AsyncExitStack() as stack:
            outcome = await _run_on(stack, job, log)
    except asyncio.CancelledError:
        if outcome is None:
            raise
        uncancel()  # the record is kept; only taking leave of the rig was cut short
    if outcome.bug is not None:
        raise outcome.bug
    return outcome.record


async def _run_on(stack: AsyncExitStack, job: Job, log: RunLog) -> RunOutcome:
    rig = await stack.enter_async_context(open_rig(job.rig_url))
    _refuse_missing_output(rig, job.plan.output)
    equipment = Equipment.load(log, rig, job.plan.output, job.stamp())
    rig.scales = equipment.apply(rig.scales)
    await settle_stale(rig, log, job)
    await refuse_misfit(rig, job.plan)
    identity = equipment.identity(rig, job.rig_url, job.plan.output)
    known = look_up(  # a log that cannot be read leaves no run open
        log,
        job.plan,
        rig_unique_id=identity.unique_id,
        calibration_date=identity.calibration_date,
        wear=_wear(log, rig, job.plan.output),
    )
    # On the disk before anything is switched on.
    await hold_in_thread(lambda: log.begin_run(job.record_id, job.plan, identity))
    writer = log.writer(job.record_id)
    writer.set_scales(rig.scales, rig.identity.tick_ns)
    setup = RunSetup(
        record_id=job.record_id,
        sinks=(LogSink(writer), *job.sinks),
        tell=job.tell,
        reopen=_reopener(stack, job, rig),
        stamp=job.stamp,
        rig_identity=identity,
        lead_null=equipment.lead_null,
        scan_period_us=job.scan_period_us,
        known=known,
    )
    try:
        outcome = await run(rig, job.plan, setup)
    except BaseException:
        writer.close()  # the run stays open in the log
        raise
    await _keep(writer, outcome.record)
    if job.plan.stage is Stage.HELD:
        await _keep_blocked(log, job, outcome.record)
    elif job.as_reference or job.plan.stage is Stage.GOLDEN:
        await _keep_reference(log, job, outcome.record)
    return outcome


async def _keep(writer: RunWriter, record: RunRecord) -> None:
    """Keep the record: on the disk before anybody is told of it, whoever cancels.

    A log that fails must not hide that the part may be live.
    """
    try:
        await finish_in_thread(lambda: writer.finish(record))
    except LogError as error:
        if isinstance(record.made_safe, SafeEvidence):
            raise
        raise NotProvenSafe(
            f"THE PART MAY BE LIVE: {record.made_safe.reason}; and {error.message}",
            disconnect=DISCONNECT,
        ) from error


async def _keep_reference(log: RunLog, job: Job, record: RunRecord) -> None:
    """A golden part's movement becomes the reference where it has one; asked for, it must."""
    refusal = await finish_in_thread(lambda: keep_reference(log, record, job.stamp()))
    if refusal and job.as_reference:
        raise UsageError(f"record {record.record_id} is kept, but is no reference: {refusal}")


async def _keep_blocked(log: RunLog, job: Job, record: RunRecord) -> None:
    """The recording of a part held becomes its reference; what speaks against it is said."""
    refusal = await finish_in_thread(lambda: keep_held(log, record, job.stamp()))
    if refusal:
        raise UsageError(f"record {record.record_id} is kept, but is no reference: {refusal}")


def _wear(log: RunLog, rig: Rig, output: int) -> str:
    info = rig.outputs[output]
    if info.kind is not OutputKind.RELAY:
        return ""
    return wear_warning(info, log.operations(rig_id(rig), output))


async def refuse_misfit(rig: Rig, plan: RunPlan) -> None:
    """UsageError when part, pattern and output do not go together at the supply measured now."""
    found = await fit(rig, plan)
    if found:
        raise UsageError(
            "; ".join(objection.reason for objection in found),
            advice="; ".join(o.nearest for o in found if o.nearest),
        )


async def fit(rig: Rig, plan: RunPlan) -> list[Objection]:
    """What speaks against a plan on this rig; only looks, switches nothing."""
    return list(obstacles(plan.pattern, await _setting(rig, plan)))


async def _setting(rig: Rig, plan: RunPlan) -> Setting:
    """Where a plan is to run, by what the rig says and measures now."""
    _refuse_missing_output(rig, plan.output)
    async with Observer(rig, plan.output) as observer:
        window = await observer.window((InputRole.SUPPLY_VOLTAGE,), LOOK_S)
    return Setting(
        part=plan.part,
        output=rig.outputs[plan.output],
        identity=rig.identity,
        supply_v=window.mean(InputRole.SUPPLY_VOLTAGE) or NOMINAL_SUPPLY_V,
        start_c=plan.temperature.value_c if plan.temperature else 20.0,
        fluid_confirmed=plan.fluid_confirmed,
    )


def _refuse_missing_output(rig: Rig, output: int) -> None:
    if not 0 <= output < len(rig.outputs):
        raise UsageError(f"the rig has no output {output}; it has {len(rig.outputs)}")


async def describe_fit(rig_url: str, plan: RunPlan) -> tuple[list[Objection], Pattern | None]:
    """What speaks against a plan on the rig at an address, and the nearest pattern that fits.

    None when the plan's own fits, or none does.
    """
    async with open_rig(rig_url) as rig:
        setting = await _setting(rig, plan)
    found = list(obstacles(plan.pattern, setting))
    return found, nearest_pattern(plan.pattern, setting) if found else None


async def settle_stale(rig: Rig, log: RunLog, job: Job) -> None:
    """Runs of this rig that were never closed: evidence first, then they are closed.

    An interrupt is heeded once they are: until then nothing says that their parts are off.
    """
    interrupted = False

    def told_to_stop() -> None:
        nonlocal interrupted
        interrupted = True

    # The longer the log, the longer this looks; other rigs of the loop need their heartbeats.
    for run_found in await hold_in_thread(lambda: log.open_runs(rig_id(rig))):
        async with Observer(rig, run_found.output, was_on=True) as observer:
            making_safe = make_safe(observer, Offsets(), tell=job.tell, reopen=_no_second_link)
            evidence = await finish(making_safe, told_to_stop)
        if isinstance(evidence, NotProven):
            raise NotProvenSafe(
                f"THE PART MAY BE LIVE: run {run_found.record_id} was left open, and "
                f"{evidence.reason}",
                disconnect=DISCONNECT,
            )
        close = partial(log.close_found_open, run_found.record_id, evidence, job.stamp())
        await finish(asyncio.to_thread(close), told_to_stop)
    if interrupted:
        raise asyncio.CancelledError


async def _no_second_link() -> Observer | None:
    return None


def _reopener(stack: AsyncExitStack, job: Job, rig: Rig) -> Reopen:
    """Open the rig again after a lost link: only to look, never to go on."""
    held = AsyncExitStack()  # the latest second look
    stack.push_async_exit(held)

    async def reopen() -> Observer | None:
        await held.aclose()  # a port that is held here could not be opened again
        link = await rig.link_again(job.rig_url)
        again = await held.enter_async_context(rig_on(link))
        if again.identity.unique_id != rig.identity.unique_id:
            await held.aclose()
            return None
        return await held.enter_async_context(Observer(again, job.plan.output, was_on=True))

    return reopen
