"""What is known of a rig beside what it says: calibration and lead null, from the run log.

Both are kept under the rig's unique id. An expired calibration still corrects but widens the
uncertainty; a missing one leaves the build tolerance. Either is said in the record.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from benchrig.measure.samples import UNCALIBRATED_GAIN_REL_U, InputScale
from benchrig.quantity import Measured
from benchrig.record.entries import CalibrationEntry, LeadNullEntry
from benchrig.record.log import RunLog
from benchrig.record.values import RigIdentity
from benchrig.rig.client import Rig
from benchrig.wire.messages import OutputKind

EXPIRED_FACTOR = 3.0  # how much an expired calibration widens; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Equipment:
    """Calibration and lead null that hold for one output of one rig at a time."""

    now: str  # ISO 8601
    calibrations: dict[int, CalibrationEntry]
    null: LeadNullEntry | None

    @classmethod
    def load(cls, log: RunLog, rig: Rig, output: int, now: str) -> Equipment:
        """The newest entries for this rig; a lead null also has to be of this output or of all."""
        unique_id = rig_id(rig)
        calibrations = {
            entry.input: entry for entry in log.entries(CalibrationEntry, rig_unique_id=unique_id)
        }
        nulls = [
            entry
            for entry in log.entries(LeadNullEntry, rig_unique_id=unique_id)
            if entry.output in (None, output)
        ]
        return cls(now=now, calibrations=calibrations, null=nulls[-1] if nulls else None)

    def is_expired(self, entry: CalibrationEntry) -> bool:
        """Whether the calibration's day is over."""
        return self.now[:10] > entry.expires[:10]

    def apply(self, scales: tuple[InputScale, ...]) -> tuple[InputScale, ...]:
        """Scales with their corrections; what has none stays as the rig declared it."""
        return tuple(self._corrected(scale) for scale in scales)

    def _corrected(self, scale: InputScale) -> InputScale:
        entry = self.calibrations.get(scale.input)
        if entry is None:
            return scale
        widen = EXPIRED_FACTOR if self.is_expired(entry) else 1.0
        return replace(
            scale,
            gain=entry.gain,
            offset=entry.offset,
            gain_rel_uncertainty=min(entry.gain_rel_uncertainty * widen, UNCALIBRATED_GAIN_REL_U),
            offset_uncertainty=entry.offset_uncertainty * widen,
            calibrated=widen == 1.0,
        )

    @property
    def lead_null(self) -> Measured | None:
        """Resistance of the leads, as last taken."""
        return None if self.null is None else self.null.resistance_ohm

    @property
    def lead_null_age_s(self) -> float | None:
        """How long ago it was taken, by the wall clock."""
        if self.null is None:
            return None
        taken, now = (datetime.fromisoformat(s).astimezone() for s in (self.null.at, self.now))
        return (now - taken).total_seconds()

    def identity(self, rig: Rig, url: str, output: int) -> RigIdentity:
        """The rig as the record names it."""
        said, info = rig.identity, rig.outputs[output]
        dates = sorted(entry.date for entry in self.calibrations.values())
        return RigIdentity(
            url=url,
            unique_id=rig_id(rig),
            firmware=f"{said.firmware_major}.{said.firmware_minor}.{said.firmware_patch}",
            protocol=f"{said.protocol_major}.{said.protocol_minor}",
            reset_cause=said.reset_cause.name.lower().replace("_", " "),
            boot_count=said.boot_count,
            clock_ratio_ppm=None,
            calibration_date=dates[0] if dates else None,
            calibration_expired=not dates
            or any(self.is_expired(entry) for entry in self.calibrations.values()),
            lead_null_ohm=self.lead_null,
            lead_null_date=None if self.null is None else self.null.at,
            clamp=f"{info.clamp.name.lower().replace('_', ' ')} {info.clamp_mv * 1e-3:g} V",
            relay=info.kind is OutputKind.RELAY,
            clock_tolerance_ppm=max(said.clock_tolerance_ppm, 1),
        )


def rig_id(rig: Rig) -> str:
    """The rig's unique id as it is kept everywhere: 16 hex digits."""
    return f"{rig.identity.unique_id:016x}"
