"""A look at a rig's inputs: what a few milliseconds of samples say of each."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.wire.messages import InputRole, Status

LIVE_ZERO_TOLERANCE_CODES = 12  # offset and noise of uncalibrated electronics
CURRENT_ROLES = (InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE)
VOLTAGE_ROLES = (InputRole.PART_VOLTAGE, InputRole.PART_VOLTAGE_FINE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One input over one window, in SI."""

    role: InputRole
    scale: InputScale
    mean: float
    deviation: float  # standard deviation of single samples
    count: int
    codes_mean: float
    saturated_share: float
    codes: NDArray[np.int16]

    @property
    def at_live_zero(self) -> bool:
        """The input stands near the code that means nothing, and not at a dead 0."""
        near = abs(self.codes_mean - self.scale.zero_code) <= LIVE_ZERO_TOLERANCE_CODES
        return near and (self.scale.zero_code == 0 or self.codes_mean > 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Readings of some inputs, all taken after the request."""

    readings: dict[InputRole, Reading]
    status: Status  # after them

    def mean(self, role: InputRole) -> float | None:
        """Mean of an input, None where the rig has no such input."""
        reading = self.readings.get(role)
        return None if reading is None else reading.mean

    def largest_current_a(self, offsets: dict[InputRole, float]) -> float | None:
        """The current furthest from its off-reading over all current inputs of this window."""
        return self._furthest(CURRENT_ROLES, offsets)

    def largest_voltage_v(self, offsets: dict[InputRole, float]) -> float | None:
        """The voltage across the part furthest from its off-reading."""
        return self._furthest(VOLTAGE_ROLES, offsets)

    def _furthest(
        self, roles: tuple[InputRole, ...], offsets: dict[InputRole, float]
    ) -> float | None:
        values = [
            self.readings[role].mean - offsets.get(role, 0.0)
            for role in roles
            if role in self.readings
        ]
        return max(values, key=abs) if values else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A look at some inputs while it lasts."""

    scales: dict[int, InputScale]  # by input
    period_s: float
    filling_s: float  # of a block of samples, until it can be sent
    blocks: list[SampleBlock] = field(default_factory=list)

    @property
    def scans(self) -> int:
        """How many have come."""
        return sum(len(block.codes) for block in self.blocks)

    def window(self, scans: int, status: Status) -> Window:
        """The first of them, as readings, and what the rig said after them."""
        order = self.blocks[0].inputs
        codes = np.concatenate([block.codes for block in self.blocks])[:scans]
        return Window(
            readings={
                self.scales[number].role: _reading(self.scales[number], codes[:, column])
                for column, number in enumerate(order)
            },
            status=status,
        )


def _reading(scale: InputScale, codes: NDArray[np.int16]) -> Reading:
    """Mean and deviation of the codes first: SI is a straight line of them."""
    wide, count = codes.astype(np.float64), len(codes)
    mean = float(np.add.reduce(wide)) / count
    apart = wide - mean
    spread = float(np.dot(apart, apart) / (count - 1)) ** 0.5 if count > 1 else 1.0
    return Reading(
        role=scale.role,
        scale=scale,
        mean=scale.value(mean),
        deviation=spread * abs(scale.step * scale.gain),
        count=count,
        codes_mean=mean,
        saturated_share=np.count_nonzero(scale.saturated(codes)) / count,
        codes=codes,
    )
