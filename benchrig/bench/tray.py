"""A tray, slot after slot: golden part first, finished slots skipped, one bad slot stops none.

Slots are done in turn, each as a whole run of its own. The reference rig measures every output
with one shunt, so there is no other way on it; a rig with a current input for each output is
served in turn too, which costs time and no truth.

What ends the tray early: a part that is not proven safe, an output that did not switch off, a
lost link, the person. Everything else (an open coil, a failed check, a trip) is that slot's
own result. A tray that ended early is begun again by the same command: a slot counts as done
when the log holds a proven record of it that says something about the part.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from benchrig.bench.equipment import rig_id
from benchrig.bench.goldenday import GoldenDay, accepted_today, check_day
from benchrig.bench.job import Job, fit, run_job
from benchrig.bench.outcome import exit_code_for
from benchrig.bench.safety import Tell
from benchrig.bench.sinks import Sink
from benchrig.bench.trayfile import GoldenPart, Slot, Tray
from benchrig.bench.traylog import entry_of, finished_slots
from benchrig.bench.uncancelled import finish, hold_in_thread
from benchrig.errors import ExitCode, PrecheckFailed, UsageError
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, RunPlan, RunRecord, SafeEvidence, Stage
from benchrig.rig.client import open_rig

# The tray's exit code is the worst of its slots', in this order.
WORST_FIRST = (
    ExitCode.NOT_PROVEN_SAFE,
    ExitCode.INTERRUPTED,
    ExitCode.RIG,
    ExitCode.PART_FAILED,
    ExitCode.INCONCLUSIVE,
    ExitCode.PASS,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayJob:
    """A tray to be done on a rig, and who is told."""

    tray: Tray
    stage: Stage
    rig_url: str
    tell: Tell
    stamp: Callable[[], str]
    new_id: Callable[[], str]
    say: Callable[[str], None]  # a line of progress for the person
    sinks_of: Callable[[Slot | GoldenPart], Sequence[Sink]] = lambda _: ()
    kept: Callable[[RunRecord], None] = lambda _: None  # each record, once the log has it
    scan_period_us: int | None = None
    again: frozenset[str] = frozenset()  # tags to be done again though they are finished


@dataclass(frozen=True, slots=True, kw_only=True)
class _Golden:
    """What the golden part's check came to: in words, or why the tray ends with it."""

    words: str = ""
    stopped: str = ""
    codes: tuple[ExitCode, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotResult:
    """What a slot came to."""

    slot: Slot
    record: RunRecord | None = None
    finished_before: bool = False
    error: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrayResult:
    """The whole tray, in the file's order."""

    tray: Tray
    stage: Stage
    slots: tuple[SlotResult, ...]
    golden: str = ""  # the golden part's check of the day, in words
    stopped: str = ""  # why the tray ended early
    codes: tuple[ExitCode, ...] = ()  # beside those of the slots

    @property
    def exit_code(self) -> ExitCode:
        """The worst of the slots; a slot that was not reached counts as the rig's."""
        codes = {*self.codes}
        for result in self.slots:
            missing = ExitCode.RIG if self.stopped or result.error else ExitCode.INCONCLUSIVE
            codes.add(exit_code_for(result.record) if result.record else missing)
        return next(code for code in WORST_FIRST if code in codes)


async def run_tray(job: TrayJob, log: RunLog) -> TrayResult:
    """Do every slot that is not done yet.

    Raises UsageError when a slot cannot be done at all (before anything is switched on) and
    PrecheckFailed when the golden part says that nothing may be judged today.
    """
    done = finished_slots(log, job.tray, job.stage)
    _refuse_untagged(job.tray, done)
    waiting = [slot for slot in job.tray.slots if slot.number not in done or slot.tag in job.again]
    await _refuse_misfits(job, waiting)
    golden = await _golden(job, log) if waiting else _Golden()
    if waiting and not golden.stopped:
        laid_out = entry_of(job.tray, job.stage, golden=golden.words, at=job.stamp())
        await hold_in_thread(lambda: log.add(laid_out))
    results: dict[int, SlotResult] = {
        number: SlotResult(slot=job.tray.slots[number - 1], record=record, finished_before=True)
        for number, record in done.items()
    }
    stopped, codes = golden.stopped, golden.codes
    told_to_stop = False
    for slot in waiting:
        if told_to_stop and not stopped:
            stopped, codes = f"interrupted before slot {slot.number}", (ExitCode.INTERRUPTED,)
        if stopped:
            break
        results[slot.number], told_to_stop = await _run_slot(job, log, slot)
        stopped = _stops(results[slot.number])
    if stopped:
        job.say(f"the tray ends here: {stopped}")
    return TrayResult(
        tray=job.tray,
        stage=job.stage,
        slots=tuple(results.get(s.number, SlotResult(slot=s)) for s in job.tray.slots),
        golden=golden.words,
        stopped=stopped,
        codes=codes,
    )


def _refuse_untagged(tray: Tray, done: Mapping[int, RunRecord]) -> None:
    untagged = [str(s.number) for s in tray.slots if not s.tag and s.number not in done]
    if untagged:
        raise UsageError(
            f"no tag for slot {', '.join(untagged)}; a part is never known by its place alone",
            advice="write the tags into the tray file, or scan them with --scan",
        )


async def misfits(job: TrayJob, slots: Sequence[Slot]) -> list[str]:
    """What speaks against each slot on this rig; only looks, switches nothing."""
    found = []
    async with open_rig(job.rig_url) as rig:
        for slot in slots:
            for objection in await fit(rig, job.tray.plan(slot, job.stage)):
                nearest = f"; {objection.nearest}" if objection.nearest else ""
                found.append(f"slot {slot.number}: {objection.reason}{nearest}")
    return found


async def _refuse_misfits(job: TrayJob, slots: Sequence[Slot]) -> None:
    if slots and (found := await misfits(job, slots)):
        raise UsageError("\n".join(found), advice="nothing was switched on")


async def _run_slot(job: TrayJob, log: RunLog, slot: Slot) -> tuple[SlotResult, bool]:
    """What the slot came to, and whether somebody asked to stop meanwhile."""
    job.say(f"slot {slot.number}: {slot.tag}, output {slot.output}")
    try:
        record, told_to_stop = await _run(job, log, slot, job.tray.plan(slot, job.stage))
    except PrecheckFailed as error:
        return SlotResult(slot=slot, error=error.message), False
    job.say(f"slot {slot.number}: {slot.tag}: {record.verdict_words}{_why(record)}")
    return SlotResult(slot=slot, record=record), told_to_stop


async def _run(
    job: TrayJob, log: RunLog, place: Slot | GoldenPart, plan: RunPlan
) -> tuple[RunRecord, bool]:
    """The record of one run, and whether somebody asked to stop meanwhile.

    A run that is nearly over has no use for an interrupt; the next part must not be switched
    on all the same.
    """
    one = Job(
        rig_url=job.rig_url,
        plan=plan,
        tell=job.tell,
        stamp=job.stamp,
        record_id=job.new_id(),
        sinks=job.sinks_of(place),
        scan_period_us=job.scan_period_us,
    )
    running = asyncio.ensure_future(run_job(one, log))
    interrupts: list[None] = []

    def told_to_stop() -> None:
        interrupts.append(None)
        running.cancel()

    record = await finish(running, told_to_stop)
    job.kept(record)
    return record, bool(interrupts)


def _why(record: RunRecord) -> str:
    return f" ({record.ending_reason})" if record.ending_reason else ""


def _stops(result: SlotResult) -> str:
    """Why no further slot may be done, "" when the next one may."""
    return "" if result.record is None else _ends_tray(result.record, f"slot {result.slot.number}")


def _ends_tray(record: RunRecord, where: str) -> str:
    if not isinstance(record.made_safe, SafeEvidence):
        return f"{where} is NOT PROVEN SAFE"
    if record.ending is Ending.INTERRUPTED:
        return f"interrupted at {where}"
    if record.ending is Ending.LINK_LOST:
        return f"the link was lost at {where}"
    if record.made_safe.feed_opened:
        return f"output {record.plan.output} did not switch off at {where}; the rig needs repair"
    return ""


# --- the golden part --------------------------------------------------------------------------


async def _golden(job: TrayJob, log: RunLog) -> _Golden:
    """The check of the day; PrecheckFailed when it does not allow judging."""
    golden = job.tray.golden
    if golden is None:
        return _Golden()
    async with open_rig(job.rig_url) as rig:
        unique_id = rig_id(rig)
    now = job.stamp()
    if (today := accepted_today(log, golden.tag, unique_id, now)) is not None:
        return _Golden(words=f"{golden.tag}: accepted on {today.at[:10]} at {today.at[11:16]}")
    plan = job.tray.golden_plan()
    if plan is None:
        raise PrecheckFailed(
            [f"the golden part {golden.tag} has not been measured on this rig today"],
            advice=f"clip it on and run: benchrig rig golden {golden.tag} ...; "
            "nothing is judged before",
        )
    job.say(f"golden part {golden.tag}, output {golden.output}")
    record, told_to_stop = await _run(job, log, golden, plan)
    if stopped := _ends_tray(record, "the golden part"):
        return _Golden(stopped=stopped, codes=(exit_code_for(record),))
    day = check_day(log, record, who=job.tray.operator, at=job.stamp())
    refuse_unless_accepted(day)
    words = f"{golden.tag}: {day.sentence}"
    if told_to_stop:
        after = "interrupted after the golden part"
        return _Golden(words=words, stopped=after, codes=(ExitCode.INTERRUPTED,))
    return _Golden(words=words)


def refuse_unless_accepted(day: GoldenDay) -> None:
    """PrecheckFailed, said clearly, when the golden part is outside its limits."""
    if not day.accepted:
        raise PrecheckFailed(
            [f"golden part {day.tag}: {day.sentence}"],
            advice="nothing is judged today until rig, leads and null have been looked at and "
            "the golden part reads as it should",
        )
