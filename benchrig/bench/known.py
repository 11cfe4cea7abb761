"""What the log knows beside a run: a reference of the part, values typed in, its tag's past.

One place for a live run and for one judged again. Everything is looked up before anything is
switched on; during a run the log is only written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from benchrig.judge.compare import fingerprint
from benchrig.measure.features import CycleFeatures, Motion, MotionAnswer
from benchrig.measure.flow import leak
from benchrig.measure.motion_held import HeldRecording
from benchrig.parts.part import Characteristic
from benchrig.quantity import Measured
from benchrig.record import forms
from benchrig.record.entries import FlowEntry, LeakEntry, OtherEntry
from benchrig.record.log import RunLog
from benchrig.record.read import LogReader
from benchrig.record.values import ColdCheck, RunPlan, RunRecord, Stage

MOTION_REFERENCE = "motion reference"
BLOCKED_REFERENCE = "armature held"  # with its voltage: what had none bore another name
# The same error in two cold readings of one rig that was not calibrated in between.
SHARED_SOURCES = (
    *("part voltage gain", "reference voltage gain", "reference resistor", "copper of the wire"),
)
EARLIER_LOOKS = 3  # records of a tag read for its last cold reading, newest first
DURATION_U_S = 0.5  # of a time taken by hand; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """The newest earlier cold reading of a tag."""

    record_id: str
    resistance_20c_ohm: Measured
    same_calibration: bool  # the same rig, not calibrated since


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is known before a run begins."""

    motion_reference: Motion | None = None  # movement seen on a reference of this part
    blocked: HeldRecording | None = None  # the very part's current with its armature held
    typed_in: Mapping[Characteristic, Measured] = field(default_factory=dict)
    earlier: Earlier | None = None
    wear: str = ""  # of the output's relay

    def doubts(self, cold: ColdCheck) -> list[str]:
        """What to warn of before cycling, now that the winding has been measured cold."""
        found = [self.wear] if self.wear else []
        earlier, now = self.earlier, cold.resistance_20c_ohm
        if earlier is not None and now is not None:
            same = fingerprint(
                {Characteristic.RESISTANCE_20C: earlier.resistance_20c_ohm},
                {Characteristic.RESISTANCE_20C: now},
                shared=SHARED_SOURCES if earlier.same_calibration else (),
            )
            if same.matches is False:
                found.append(f"{same.reason} (record {earlier.record_id})")
        return found


def look_up(
    log: LogReader,
    plan: RunPlan,
    *,
    rig_unique_id: str,
    calibration_date: str | None = None,
    wear: str = "",
) -> Known:
    """Everything known of a plan's part and tag now."""
    return Known(
        motion_reference=motion_reference(log, plan, rig_unique_id),
        blocked=blocked_reference(log, plan, rig_unique_id),
        typed_in=typed_in(log, plan),
        earlier=_earlier(log, plan, rig_unique_id, calibration_date),
        wear=wear,
    )


def known_of(log: LogReader, record: RunRecord) -> Known:
    """For a record judged again: the reference it had, and what has been typed in by now."""
    plan, rig, begun = record.plan, record.rig.unique_id, record.begun_at
    return Known(
        motion_reference=motion_reference(log, plan, rig, until=begun),
        blocked=blocked_reference(log, plan, rig, until=begun),
        typed_in=typed_in(log, plan),
    )


def motion_reference(
    log: LogReader, plan: RunPlan, rig_unique_id: str, *, until: str = ""
) -> Motion | None:
    """The newest movement kept from a reference of this part on this rig."""
    found = _kept(log, MOTION_REFERENCE, plan, rig_unique_id, until)
    return forms.from_json(Motion, found[-1].data.get("motion")) if found else None


def blocked_reference(
    log: LogReader, plan: RunPlan, rig_unique_id: str, *, until: str = ""
) -> HeldRecording | None:
    """The newest recording of this very part, by its tag, held on this rig."""
    if not plan.tag or plan.stage is Stage.HELD:
        return None
    kept = _kept(log, BLOCKED_REFERENCE, plan, rig_unique_id, until)
    found = [entry for entry in kept if entry.tag == plan.tag]
    return forms.from_json(HeldRecording, found[-1].data.get("held")) if found else None


def _kept(
    log: LogReader, name: str, plan: RunPlan, rig_unique_id: str, until: str
) -> list[OtherEntry]:
    return [
        entry
        for entry in log.entries(OtherEntry, rig_unique_id=rig_unique_id)
        if entry.name == name
        and entry.data.get("part") == plan.part.name
        and (not until or datetime.fromisoformat(entry.at) <= datetime.fromisoformat(until))
    ]


def keep_reference(log: RunLog, record: RunRecord, at: str) -> str:
    """Keep a record's movement as the reference of its part; why not, or ""."""
    plan = record.plan
    if plan.part.kind.is_pump:
        return "a pump has no armature whose movement could be a reference"
    motion = movement(record.cycles)
    if motion is None:
        return "a reference must show its movement in every cycle"
    _add(log, record, at, MOTION_REFERENCE, motion=forms.to_json(motion))
    return ""


def keep_blocked(log: RunLog, record: RunRecord, blocked: HeldRecording, at: str) -> None:
    """Keep what a part does with its armature held, for later runs of its tag."""
    _add(log, record, at, BLOCKED_REFERENCE, held=forms.to_json(blocked))


def _add(log: RunLog, record: RunRecord, at: str, name: str, **data: object) -> None:
    plan = record.plan
    log.add(
        OtherEntry(
            at=at,
            who=plan.operator,
            record_id=record.record_id,
            tag=plan.tag,
            rig_unique_id=record.rig.unique_id,
            name=name,
            data={"part": plan.part.name, **data},
        )
    )


def movement(cycles: tuple[CycleFeatures, ...]) -> Motion | None:
    """The movement of a recording, where each cycle that could be assessed shows one."""
    seen = [c.motion for c in cycles if c.motion is not None]
    seen = [m for m in seen if m.answer is not MotionAnswer.NOT_ASSESSED]
    if not seen or any(m.answer is not MotionAnswer.MOVED for m in seen):
        return None
    return seen[0]


def typed_in(log: LogReader, plan: RunPlan) -> dict[Characteristic, Measured]:
    """Flow and leak typed in for this tag at this stage; the newest of each counts."""
    found: dict[Characteristic, Measured] = {}
    if not plan.tag:
        return found
    for flow in log.entries(FlowEntry, tag=plan.tag):
        if flow.stage == plan.stage.value:
            found.update(flow_values(flow))
    for counted in log.entries(LeakEntry, tag=plan.tag):
        if counted.stage == plan.stage.value:
            found[Characteristic.LEAK] = leak_rate(counted)
    return found


def flow_values(entry: FlowEntry) -> dict[Characteristic, Measured]:
    """The values of a flow entry that have an uncertainty, so that they can be judged."""
    u = entry.std_uncertainty
    named = (
        (Characteristic.STATIC_FLOW, entry.static_flow_cc_per_min, "cc/min"),
        (Characteristic.DYNAMIC_FLOW, entry.dynamic_flow_ul, "µL"),
    )
    return {
        name: Measured(value=value, std_uncertainty=u, unit=unit)
        for name, value, unit in named
        if value is not None and u is not None
    }


def leak_rate(entry: LeakEntry) -> Measured:
    """Drops a minute, from drops counted over a time."""
    duration = Measured(value=entry.duration_s, std_uncertainty=DURATION_U_S, unit="s")
    return leak(entry.drops, duration)


def _earlier(
    log: LogReader, plan: RunPlan, rig_unique_id: str, calibration_date: str | None
) -> Earlier | None:
    """The tag's newest record with a cold reading; a golden part's mornings do not count."""
    if not plan.tag or plan.stage is Stage.GOLDEN:
        return None
    read = [r for r in log.history(plan.tag) if Characteristic.RESISTANCE_20C.value in r.values]
    for run in read[: -EARLIER_LOOKS - 1 : -1]:
        record = log.record(run.record_id)
        r20 = record.cold.resistance_20c_ohm
        if r20 is not None:
            same = (
                record.rig.unique_id == rig_unique_id
                and record.rig.calibration_date == calibration_date
            )
            return Earlier(
                record_id=record.record_id, resistance_20c_ohm=r20, same_calibration=same
            )
    return None
