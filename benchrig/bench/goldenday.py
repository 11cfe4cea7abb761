"""The golden part's check of the day: measured first, and nothing is judged when it is out.

Every check is kept in the log with what was found and whether it was accepted. Setting the
expected values, or a calibration, begins a new baseline; the control chart then learns again.
While it learns, the expected values alone hold the day.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from benchrig.errors import PrecheckFailed
from benchrig.judge.golden import GoldenCheck, check_golden
from benchrig.measure.features import CycleFeatures
from benchrig.parts.part import Characteristic
from benchrig.quantity import Measured
from benchrig.record.entries import CalibrationEntry, GoldenEntry
from benchrig.record.log import RunLog
from benchrig.record.read import LogReader
from benchrig.record.values import Ending, RunRecord

# Of the difference from what is expected: all characteristics together stop a sound bench by this
# once in 5,000 mornings, were every uncertainty random; the control charts are the sharper judge.
EXPECTED_SIGMA = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GoldenDay:
    """The golden part measured once: against its mornings and against its expected values."""

    tag: str
    record_id: str
    check: GoldenCheck
    far: tuple[str, ...]  # values too far from what is expected
    accepted: bool
    days: tuple[str, ...]  # stamps of the chart's readings, oldest first

    @property
    def sentence(self) -> str:
        """For people."""
        return "; ".join(self.far) or self.check.reason


def golden_values(record: RunRecord) -> dict[Characteristic, Measured]:
    """What is charted: resistance, current and end of travel of the first whole cycle."""
    found: dict[Characteristic, Measured] = {}
    if record.cold.resistance_20c_ohm is not None:
        found[Characteristic.RESISTANCE_20C] = record.cold.resistance_20c_ohm
    first: CycleFeatures | None = next((c for c in record.cycles if c.complete), None)
    if first is not None and first.current_a is not None:
        found[Characteristic.CURRENT] = first.current_a
    if first is not None and first.motion is not None and first.motion.end_s is not None:
        found[Characteristic.OPENING_TIME] = first.motion.end_s
    return found


def set_expected(log: RunLog, record: RunRecord, *, who: str, at: str) -> GoldenEntry:
    """Take a record's values as what the golden part is expected to read from now on."""
    values = _values_or_refuse(record)
    entry = GoldenEntry(
        at=at,
        who=who,
        record_id=record.record_id,
        tag=record.plan.tag,
        rig_unique_id=record.rig.unique_id,
        expected={name.value: measured.value for name, measured in values.items()},
        expected_u={name.value: measured.std_uncertainty for name, measured in values.items()},
    )
    log.add(entry)
    return entry


def check_day(log: RunLog, record: RunRecord, *, who: str, at: str) -> GoldenDay:
    """Check a record of the golden part and keep the outcome.

    Raises PrecheckFailed when the record gives nothing to check. The caller looks at
    ``accepted``.
    """
    values = _values_or_refuse(record)
    tag, rig = record.plan.tag, record.rig.unique_id
    expected, before = baseline(log, tag, rig)
    history = {
        name: [entry.found[name.value] for entry in before if name.value in entry.found]
        for name in values
    }
    check = check_golden(values, history)
    far = _far(values, expected)
    accepted = check.may_judge and not far
    log.add(
        GoldenEntry(
            at=at,
            who=who,
            record_id=record.record_id,
            tag=tag,
            rig_unique_id=rig,
            found={name.value: measured.value for name, measured in values.items()},
            accepted=accepted,
        )
    )
    days = (*(entry.at for entry in before), at)
    return GoldenDay(
        tag=tag,
        record_id=record.record_id,
        check=check,
        far=far,
        accepted=accepted,
        days=days,
    )


def baseline(log: LogReader, tag: str, rig: str) -> tuple[GoldenEntry | None, list[GoldenEntry]]:
    """What is expected, and the accepted checks since that was set and since calibration."""
    calibrations = log.entries(CalibrationEntry, rig_unique_id=rig)
    since = max((_when(entry.at) for entry in calibrations), default=None)
    expected: GoldenEntry | None = None
    checks: list[GoldenEntry] = []
    for entry in log.entries(GoldenEntry, tag=tag, rig_unique_id=rig):
        if since is not None and _when(entry.at) < since:
            continue
        if entry.accepted is None:
            expected, checks = entry, []
        elif entry.accepted:
            checks.append(entry)
    return expected, checks


def accepted_today(log: LogReader, tag: str, rig: str, now: str) -> GoldenEntry | None:
    """Today's last check, where it was accepted and no calibration came after it."""
    calibrations = log.entries(CalibrationEntry, rig_unique_id=rig)
    today = [
        entry
        for entry in log.entries(GoldenEntry, tag=tag, rig_unique_id=rig)
        if entry.accepted is not None and entry.at[:10] == now[:10]
    ]
    if not today or not today[-1].accepted:
        return None
    if any(_when(entry.at) > _when(today[-1].at) for entry in calibrations):
        return None
    return today[-1]


def _when(stamp: str) -> datetime:
    found = datetime.fromisoformat(stamp)
    return found if found.tzinfo is not None else found.astimezone()


def _values_or_refuse(record: RunRecord) -> dict[Characteristic, Measured]:
    values = golden_values(record)
    if record.ending is not Ending.COMPLETE or not record.proven_safe:
        raise PrecheckFailed(
            [f"the golden part's run did not complete: {record.ending_reason or record.ending}"],
            advice="nothing is judged until the golden part has been measured",
        )
    if not values:
        raise PrecheckFailed(
            ["the golden part's run gave no value to check"],
            advice="give the part's temperature, and look at clips and supply",
        )
    return values


def _far(
    values: Mapping[Characteristic, Measured], expected: GoldenEntry | None
) -> tuple[str, ...]:
    """Values farther from the expected ones than the uncertainty of both explains."""
    if expected is None:
        return ()
    told = []
    for name, found in values.items():
        if (wanted := expected.expected.get(name.value)) is None:
            continue
        u = math.hypot(
            found.std_uncertainty, expected.expected_u.get(name.value, found.std_uncertainty)
        )
        if abs(found.value - wanted) > EXPECTED_SIGMA * u:
            told.append(
                f"{name.value} of the golden part is {found.value:.4g} {found.unit}, expected "
                f"{wanted:.4g} ± {EXPECTED_SIGMA * u:.2g}"
            )
    return tuple(told)
