"""Raw codes, and the one place where they become SI numbers.

A ``SampleBlock`` is what the rig sent and what the log stores; an ``InputScale`` is what an
input declared, corrected by calibration. Everything derived can be computed again from both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.wire.messages import InputFlag, InputInfo, InputRole

# What one unit of an InputInfo's full_scale is in SI (temperature: °C).
SI_PER_UNIT: dict[InputRole, float] = {
    InputRole.SUPPLY_VOLTAGE: 1e-6,
    InputRole.PART_VOLTAGE: 1e-6,
    InputRole.PART_VOLTAGE_FINE: 1e-6,
    InputRole.CURRENT_COARSE: 1e-6,
    InputRole.CURRENT_FINE: 1e-6,
    InputRole.REFERENCE_VOLTAGE: 1e-6,
    InputRole.TEMPERATURE: 1e-3,
    InputRole.INSULATION_CURRENT: 1e-12,
}


# The protocol asks for inputs built to 1 % of full scale; taken as rectangular.
UNCALIBRATED_GAIN_REL_U = 0.01 / 3**0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class InputScale:
    """How codes of one input become SI: ``(code - zero_code) * step * gain - offset``."""

    input: int
    role: InputRole
    bits: int
    zero_code: float
    step: float  # SI units a code
    flags: InputFlag
    outputs_mask: int
    gain: float = 1.0  # calibration: multiply
    offset: float = 0.0  # calibration: subtract, SI
    gain_rel_uncertainty: float = UNCALIBRATED_GAIN_REL_U  # standard, relative
    offset_uncertainty: float = 0.0  # standard, SI; 0 only before one is known, never in a budget
    calibrated: bool = False

    @classmethod
    def from_info(cls, info: InputInfo) -> InputScale:
        """The scale an input declares, before any calibration."""
        step = info.full_scale * SI_PER_UNIT[info.role] / (1 << info.bits)
        return cls(
            input=info.input,
            role=info.role,
            bits=info.bits,
            zero_code=float(info.zero_code),
            step=step,
            flags=info.flags,
            outputs_mask=info.outputs_mask,
            offset_uncertainty=2.0 * step,
        )

    def to_si(self, codes: NDArray[np.int16] | NDArray[np.float64]) -> NDArray[np.float64]:
        """SI values of codes, any shape."""
        values = codes.astype(np.float64)  # changed where it stands: on-times are long
        values -= self.zero_code
        values *= self.step * self.gain
        values -= self.offset
        return values

    def value(self, code: float) -> float:
        """The SI value of one code."""
        return (code - self.zero_code) * (self.step * self.gain) - self.offset

    def saturated(self, codes: NDArray[np.int16]) -> NDArray[np.bool_]:
        """Which codes stand at either end of the converter."""
        return (codes <= 0) | (codes >= (1 << self.bits) - 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SampleBlock:
    """Codes of some whole scans; ``tick`` is unwrapped and belongs to the first conversion.

    Input j of scan s was converted at ``tick + (s + j / inputs) * scan_period_ticks``.
    Blocks of the wire that follow each other without a gap may come as one: it bears the number
    of the first and says how many it holds.
    """

    stream: int
    block: int  # numbered at capture, unwrapped; a gap is loss
    tick: int
    inputs: tuple[int, ...]
    scan_period_ticks: int
    codes: NDArray[np.int16]  # shape (scans, len(inputs))
    blocks: int = 1  # of the wire, in here
