"""The run itself: check, cycle, make safe, judge. One way in, one way out.

Once it has the schedule the rig needs nobody's clock but its own; this module only watches and
decides when to stop. Whatever happens (Ctrl-C, a lost link, a full disk, a bug), the way out is
``safety.make_safe``, shielded from cancellation. A run without evidence has not finished.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from benchrig.bench import prechecks
from benchrig.bench.context import cycle_context
from benchrig.bench.observer import Observer
from benchrig.bench.outcome import Gathered, assemble
from benchrig.bench.safety import (
    Declaration,
    Offsets,
    Shortfall,
    make_safe,
)
from benchrig.bench.say import cold_text, fault_text, insulation_text
from benchrig.bench.setup import RunOutcome, RunSetup
from benchrig.bench.sinks import SinkSet
from benchrig.bench.uncancelled import finish, finish_in_thread, uncancel
from benchrig.bench.watch import Watch
from benchrig.errors import LinkError, NotProvenSafe, PrecheckFailed, RigError
from benchrig.measure.cycle_window import CycleContext
from benchrig.measure.cycles import CycleAnalyser
from benchrig.measure.features import CycleFeatures
from benchrig.measure.samples import SampleBlock
from benchrig.patterns.schedule import to_schedule
from benchrig.record.values import (
    Ending,
    EventKind,
    NotProven,
    RunEvent,
    RunPlan,
    RunRecord,
    SafeEvidence,
)
from benchrig.rig.client import Rig
from benchrig.rig.events import EdgeEvent
from benchrig.wire.messages import FaultReason, InputRole

RUN_SCHEDULE_ID = 0x5C10
COOL_DOWN_S = 2.0
CLOCK_SLACK = 0.05  # a rig's clock may be off by this much before "not finished" is said
WATCH_PERIOD_S = 1.0  # whatever wakes nobody is looked at this often
UNEXPECTED_TOLD_MAX = 5


async def run(rig: Rig, plan: RunPlan, setup: RunSetup) -> RunOutcome:
    """Run a plan to its end and return its record.

    Raises NotProvenSafe only when the link is gone and nobody can declare anything; the run
    then stays open.
    """
    return await _Run(rig, plan, setup).execute()


class _Run:
    def __init__(self, rig: Rig, plan: RunPlan, setup: RunSetup) -> None:
        self.rig, self.plan, self.setup = rig, plan, setup
        self.sinks = SinkSet(setup.sinks)
        self.offsets = Offsets()
        self.bug: BaseException | None = None
        self.gathered = Gathered(
            plan=plan,
            known=setup.known,
        )
        self.alarmed = False  # somebody was told that the part may be live
        self.began_s = asyncio.get_running_loop().time()
        self.begun_at = setup.stamp()
        self.watch = Watch(plan, self._emit)
        self.analyser: CycleAnalyser | None = None
        self.cycled: CycleAnalyser | None = None  # done, with the rises that motion is read from

    async def execute(self) -> RunOutcome:
        part = self.plan.part
        self._emit(
            EventKind.STARTED,
            "",
            {
                "record": self.setup.record_id,
                "rig": self.setup.rig_identity.unique_id,
                "part": part.title,
                "tag": self.plan.tag,
                "pattern": self.plan.pattern.name,
                "cycles": self.plan.pattern.cycles,
                "invented": part.invented,
            },
        )
        made_safe: SafeEvidence | NotProven | None = None
        try:
            async with Observer(
                self.rig,
                self.plan.output,
                on_raw=self.sinks.add_block,
                on_block=self._take_block,
                on_edge=self._take_edge,
            ) as observer:
                try:
                    await self._work(observer)
                except asyncio.CancelledError:
                    uncancel()
                    self._end(Ending.INTERRUPTED, "interrupted by the operator")
                except PrecheckFailed as error:
                    self._end(Ending.CHECK_FAILED, error.message)
                except LinkError as error:
                    self._end(Ending.LINK_LOST, error.message)
                except (RigError, TimeoutError) as error:
                    self._end(Ending.FAULT, str(error) or "the rig did not answer in time")
                except Exception as error:  # noqa: BLE001 - raised again once the part is off
                    self._end(Ending.FAULT, f"internal error: {error!r}")
                    self.bug = error
                made_safe = await self._make_safe(observer)
                await self._assess_motion()
        except asyncio.CancelledError:
            if made_safe is None:
                raise
            uncancel()  # too late to interrupt anything
        self._note_late_trouble(observer, made_safe)
        record = self._assemble(made_safe)
        self._emit(EventKind.ENDED, record.verdict.value, {"record": record.record_id})
        return RunOutcome(record=record, bug=self.bug)

    # --- the work -----------------------------------------------------------------------------

    async def _work(self, observer: Observer) -> None:
        self._say_state("checking", energised=False)
        await prechecks.clear_old_fault(observer, self._note)
        await prechecks.check_feed_is_open(observer)
        self.offsets, window = await prechecks.baseline(observer)
        self._note("all off", "measured: no current, no voltage at the part")
        supply_v = prechecks.check_supply(window, self.plan)
        if supply_v is not None:
            found = {"name": "supply", "ok": True, "supply_v": supply_v.value}
            self._emit(EventKind.CHECK, f"{supply_v.value:.2f} V without load", found)
        cold, part_fault = await prechecks.cold_check(
            observer, self.plan, self.setup.lead_null, supply_v, self.offsets
        )
        self.gathered.cold = cold
        self._note("cold resistance", cold_text(cold), not part_fault)
        for doubt in self.setup.known.doubts(cold):
            self.gathered.warnings.append(doubt)
            self._emit(EventKind.WARNING, doubt)
        if part_fault:
            self._end(Ending.STOPPED, part_fault)
            return
        prechecks.recheck_fit(observer, self.plan, cold)
        role = prechecks.choose_current_input(observer, cold, self.plan)
        await prechecks.close_feed(observer, self.offsets)
        self._note("feed closed", "every output off, no current")
        if self.plan.body_clip:
            self.gathered.cold = await prechecks.insulation_check(observer, cold)
            self._note("insulation to the body", insulation_text(self.gathered.cold))
        self._say_state("first pulse", energised=True)
        part_fault = await prechecks.first_pulse(observer, self.plan, role)
        if part_fault:
            self._note_trip(observer)
            self._end(Ending.STOPPED, part_fault)
            return
        await self._cycle(observer, role)
        if self.gathered.ending is Ending.COMPLETE:
            await prechecks.look_for_stuck_output(observer, self.offsets)
            await self._cool_down(observer)

    async def _cycle(self, observer: Observer, role: InputRole) -> None:
        rig, plan = self.rig, self.plan
        await rig.load(to_schedule(plan.pattern, rig.outputs[plan.output], RUN_SCHEDULE_ID))
        scales = [s for r in (InputRole.PART_VOLTAGE, role) if (s := observer.scale(r)) is not None]
        least_us = rig.identity.conversion_period_us_min * len(scales)
        info = await rig.stream(
            [s.input for s in scales], max(self.setup.scan_period_us or least_us, least_us)
        )
        self.analyser = CycleAnalyser(self._context())
        self.watch.begin(observer, self.offsets, self.gathered.cold, role)
        observer.finished = False
        self._say_state("cycling", energised=True, stream=info.stream)
        await rig.start(RUN_SCHEDULE_ID)
        try:
            await self._until_finished(observer)
        finally:
            still_on = not observer.is_over
            self._take_cycles(self.analyser.finish(still_on=still_on))
            self._say_state(  # who reads the log later stops reading where this run did
                "cycling", energised=True, until_tick=self.analyser.end_tick, still_on=still_on
            )
            self.cycled = self.analyser
            for found in self.analyser.unexpected[:UNEXPECTED_TOLD_MAX]:
                self.gathered.warnings.append(
                    f"{found.peak_a * 1e3:.0f} mA for {found.duration_s * 1e3:.0f} ms at "
                    f"{found.start_s:.2f} s while the output was off"
                )
            self.analyser = None

    async def _until_finished(self, observer: Observer) -> None:
        loop = asyncio.get_running_loop()
        deadline = loop.time() + self.plan.pattern.duration_s * (1 + CLOCK_SLACK) + 2.0
        while not observer.finished:
            self.sinks.check()
            if self._stop_cause(observer):
                return
            if loop.time() > deadline:
                raise RigError("the rig did not say that the pattern has ended")
            await observer.wait_turn(WATCH_PERIOD_S)
        await asyncio.sleep(0.1)  # the last blocks are still on their way
        self._stop_cause(observer)

    def _stop_cause(self, observer: Observer) -> bool:
        if observer.lost is not None:
            raise LinkError(observer.lost)
        if observer.mistake is not None:
            raise observer.mistake
        if observer.restarted:
            raise RigError("the rig has restarted on its own in the middle of the run")
        if self.sinks.essential_failure is not None:
            self._end(Ending.FAULT, self.sinks.essential_failure.message)
            return True
        if observer.fault is not None:
            self._note_trip(observer)
            words = observer.fault.fault.name.lower().replace("_", " ")
            self._emit(EventKind.FAULT, words, {"detail": observer.fault.detail})
            self._end(Ending.FAULT, fault_text(observer.fault))
            return True
        if self.watch.stop:
            self._end(self.watch.ending, self.watch.reason)
            return True
        return False

    def _note_trip(self, observer: Observer) -> None:
        """The rig dropped the part because it drew too much."""
        fault, output = observer.fault, self.plan.output
        if fault is not None and (fault.fault, fault.detail) == (FaultReason.OVER_CURRENT, output):
            self.gathered.over_current_a = self.rig.outputs[output].trip_current_ma * 1e-3

    async def _cool_down(self, observer: Observer) -> None:
        """Feed open; read the warm winding once through the low-current source."""
        self._say_state("cooling down", energised=False)
        await self.rig.open_feed()
        await asyncio.sleep(self.rig.identity.feed_settle_us * 1e-6 + 0.1)
        await prechecks.check_feed_is_open(observer)
        warm = await prechecks.low_current_resistance(observer, self.setup.lead_null)
        self.gathered.warm_resistance_ohm = warm.resistance_ohm
        if warm.resistance_ohm is not None:
            self._note("warm resistance, low current", f"{warm.resistance_ohm.value:.3f} ohm")
        await self.rig.stop_stream()  # nobody reads what it sends while the part rests
        await asyncio.sleep(COOL_DOWN_S)

    async def _assess_motion(self) -> None:
        """Only now, for it takes its time; a mistake in it must not cost the record."""
        try:
            if (cycled := self.cycled) is not None:
                self.gathered.cycles = await finish_in_thread(
                    lambda: cycled.with_motion(self.gathered.cycles)
                )
        except Exception as error:  # noqa: BLE001 - raised again once the record is kept
            self._end(Ending.FAULT, f"internal error: {error!r}")
            self.bug = self.bug or error

    def _note_late_trouble(self, observer: Observer, made_safe: SafeEvidence | NotProven) -> None:
        """What went wrong after the last pulse: the data are whole, the rig is not sound."""
        if self.bug is None and observer.mistake is not None:
            self._end(Ending.FAULT, f"internal error: {observer.mistake!r}")
            self.bug = observer.mistake
        elif isinstance(made_safe, NotProven):
            self._end(Ending.LINK_LOST, made_safe.reason)
        elif observer.lost is not None:
            self._end(Ending.LINK_LOST, observer.lost)
        elif observer.has_restarted or observer.restarted:
            self._end(Ending.FAULT, "the rig restarted on its own while the part was made safe")
        elif observer.feed_stuck:
            self._end(Ending.FAULT, "the feed contactor does not open: it is stuck closed")
        elif observer.fault is not None:
            self._end(Ending.FAULT, fault_text(observer.fault))

    async def _make_safe(self, observer: Observer) -> SafeEvidence | NotProven:
        self._say_state("making safe", energised=None)
        made_safe = await finish(
            make_safe(observer, self.offsets, tell=self._tell_unsafe, reopen=self.setup.reopen),
            self._told_to_stop,
        )
        if isinstance(made_safe, SafeEvidence):
            if made_safe.feed_opened and self.gathered.ending is Ending.COMPLETE:
                self._end(Ending.FAULT, "the output did not switch off; the feed had to be opened")
            self._emit(
                EventKind.SAFE,
                "the part is off, measured",
                {
                    "residual_current_a": made_safe.residual_current_a,
                    "feed_opened": made_safe.feed_opened,
                },
            )
        self._say_state(
            "made safe" if isinstance(made_safe, SafeEvidence) else "not proven safe",
            energised=False if isinstance(made_safe, SafeEvidence) else None,
        )
        return made_safe

    def _told_to_stop(self) -> None:
        if self.gathered.ending is Ending.COMPLETE:
            self._end(Ending.INTERRUPTED, "interrupted by the operator")
        if self.alarmed:  # waiting would be the wrong thing to ask for
            said = "an interrupt does not switch it off: take the supply off as told above"
        else:
            said = "making the part safe first; please wait"
        self._emit(EventKind.WARNING, said)

    async def _tell_unsafe(self, alarm: NotProvenSafe, shortfall: Shortfall) -> Declaration | None:
        self.alarmed = True
        self._emit(
            EventKind.NOT_SAFE,
            alarm.message,
            {"disconnect": list(alarm.disconnect), "last_current_a": shortfall.last_current_a},
        )
        return await self.setup.tell(alarm, shortfall)

    # --- what comes up from the rig -----------------------------------------------------------

    def _take_block(self, block: SampleBlock) -> None:
        if self.analyser is not None:
            self.watch.take_block(block)
            self._take_cycles(self.analyser.add_block(block))
            if self.sinks.essential_failure is not None:
                self.watch.wake()

    def _take_edge(self, edge: EdgeEvent) -> None:
        on = bool(edge.outputs_mask >> self.plan.output & 1)
        self._emit(
            EventKind.EDGE,
            "",
            {
                "edge": edge.edge,
                "tick": edge.tick,
                "outputs_mask": edge.outputs_mask,
                "on": on,
                "cause": edge.cause.name.lower(),
            },
        )
        if self.analyser is not None:
            self.watch.take_edge(edge.tick, on)
            self._take_cycles(self.analyser.add_edge(edge.tick, on))

    def _take_cycles(self, cycles: Sequence[CycleFeatures]) -> None:
        for features in cycles:
            self.gathered.cycles.append(features)
            self.watch.take_cycle(features)
            self._emit(EventKind.CYCLE, "", self.watch.cycle_data(features))

    # --- small things -------------------------------------------------------------------------

    def _context(self) -> CycleContext:
        return cycle_context(
            self.plan,
            self.setup.rig_identity,
            self.rig.scales,
            tick_ns=self.rig.identity.tick_ns,
            cold=self.gathered.cold,
            lead_null=self.setup.lead_null,
            defer_motion=True,  # it takes a while, and heartbeats must go on
            blocked=self.setup.known.blocked,
        )

    def _assemble(self, made_safe: SafeEvidence | NotProven) -> RunRecord:
        self.gathered.warnings += (*self.watch.warnings, *self.sinks.warnings)
        return assemble(
            self.gathered,
            record_id=self.setup.record_id,
            begun_at=self.begun_at,
            ended_at=self.setup.stamp(),
            rig=self.rig,
            rig_identity=self.setup.rig_identity,
            made_safe=made_safe,
        )

    def _end(self, ending: Ending, reason: str) -> None:
        if self.gathered.ending is Ending.COMPLETE:
            self.gathered.ending, self.gathered.reason = ending, reason
            self._emit(EventKind.WARNING, reason, {"ending": ending.value})

    def _note(self, name: str, found: str, ok: bool = True) -> None:
        self._emit(EventKind.CHECK, found, {"name": name, "ok": ok})

    def _say_state(self, state: str, *, energised: bool | None, **more: object) -> None:
        self._emit(EventKind.STATE, state, {"state": state, "energised": energised, **more})

    def _emit(self, kind: EventKind, message: str, data: dict[str, object] | None = None) -> None:
        at_s = asyncio.get_running_loop().time() - self.began_s
        self.sinks.accept(RunEvent(kind=kind, at_s=at_s, message=message, data=data or {}))
