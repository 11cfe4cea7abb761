"""From volts and amperes to codes: noise, offset, gain error, rounding, a converter's faults.

This is the only way from the physics to the host: what leaves here are integers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.wire.messages import InputFlag, InputInfo, InputRole
from benchrig_sim.noise import Noise
from benchrig_sim.plant import Levels, Plant
from benchrig_sim.segments import Floats

# What one unit of an InputInfo's full scale is, in the plant's units.
UNIT = {
    InputRole.SUPPLY_VOLTAGE: 1e-6,
    InputRole.PART_VOLTAGE: 1e-6,
    InputRole.PART_VOLTAGE_FINE: 1e-6,
    InputRole.CURRENT_COARSE: 1e-6,
    InputRole.CURRENT_FINE: 1e-6,
    InputRole.REFERENCE_VOLTAGE: 1e-6,
    InputRole.TEMPERATURE: 1e-3,
    InputRole.INSULATION_CURRENT: 1e-12,
}
CURRENTS = (InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE)
PART_VOLTAGES = (InputRole.PART_VOLTAGE, InputRole.PART_VOLTAGE_FINE)


@dataclass(slots=True, kw_only=True)
class InputModel:
    """One input as it really is, beside what it declares."""

    info: InputInfo
    gain_error: float = 0.0
    offset_codes: float = 0.0
    noise_codes: float = 0.45
    stuck_code: int | None = None
    drift_codes_per_s: float = 0.0
    drift_from_s: float = 0.0

    @property
    def codes_per_unit(self) -> float:
        """Codes a volt, ampere or degree, with the input's true gain."""
        step = self.info.full_scale * UNIT[self.info.role] / (1 << self.info.bits)
        return (1.0 + self.gain_error) / step

    @property
    def top_code(self) -> int:
        """The greatest code."""
        return (1 << self.info.bits) - 1

    def ideal_code(self, value: float, t: float) -> float:
        """The code before noise and rounding."""
        drift = self.drift_codes_per_s * max(t - self.drift_from_s, 0.0)
        return value * self.codes_per_unit + self.info.zero_code + self.offset_codes + drift


@dataclass(frozen=True, slots=True, kw_only=True)
class Scans:
    """Evenly spaced scans of some inputs, converted one after the other through each period."""

    inputs: Sequence[int]
    begin_s: float
    period_s: float
    count: int

    @property
    def last_s(self) -> float:
        """When the last conversion begins."""
        share = 1.0 - 1.0 / len(self.inputs)
        return self.begin_s + (self.count - 1 + share) * self.period_s

    def times(self, column: int) -> Floats:
        """When the conversions of one of the inputs begin."""
        t = np.arange(self.count, dtype=np.float64)
        t += column / len(self.inputs)
        t *= self.period_s
        t += self.begin_s
        return t


class FrontEnd:
    """All inputs of the rig on one plant."""

    def __init__(self, plant: Plant, inputs: list[InputModel], seed: int) -> None:
        self.plant = plant
        self.inputs = inputs
        self._noise = Noise(seed)

    def codes(self, scans: Scans) -> NDArray[np.uint16]:
        """The codes of scans that are over, a row a scan; the plant is solved past them."""
        return self._codes(scans, self.plant.straight_levels(scans.begin_s, scans.last_s) or {})

    def codes_to_come(self, scans: Scans) -> NDArray[np.uint16] | None:
        """The same where scans are still to come, if all stays straight and nothing happens.

        None where it does not. What is overtaken after all is undone with ``give_back``.
        """
        levels = self.plant.levels_to_come(scans.begin_s, scans.last_s)
        if levels is None or any(self.inputs[n].info.role not in levels for n in scans.inputs):
            return None
        return self._codes(scans, levels)

    def give_back(self, codes: int) -> None:
        """So many codes, the last that were made, have not been: their noise is still to come."""
        self._noise.give_back(codes)

    def _codes(self, scans: Scans, levels: Levels) -> NDArray[np.uint16]:
        # A row a scan: the same, however scans are put together.
        noise = self._noise.take(scans.count * len(scans.inputs)).reshape(scans.count, -1)
        out = np.empty(noise.shape, dtype=np.uint16)
        for column, number in enumerate(scans.inputs):
            model = self.inputs[number]
            if model.stuck_code is not None:
                out[:, column] = model.stuck_code
                continue
            wide = noise[:, column] * np.float32(model.noise_codes)
            if model.info.role in levels:
                self._add_line(wide, model, levels[model.info.role], scans)
            else:
                times = scans.times(column)
                base = model.ideal_code(0.0, scans.begin_s) + 0.5
                wide += (self._values(model, times) * model.codes_per_unit + base).astype(
                    wide.dtype
                )
                np.clip(wide, 0.0, model.top_code, out=wide)
            out[:, column] = wide
        return out

    @staticmethod
    def _add_line(
        wide: NDArray[np.float32], model: InputModel, line: tuple[float, float], scans: Scans
    ) -> None:
        """Add to its noise the code of an input whose value is a straight line."""
        first, last = map(model.ideal_code, line, (scans.begin_s, scans.last_s))
        if abs(last - first) < 0.002:
            wide += np.float32(0.5 * (first + last) + 0.5)
        else:
            ramp = np.arange(scans.count, dtype=np.float32)
            ramp *= np.float32((last - first) / scans.count)
            ramp += np.float32(first + 0.5)
            wide += ramp
        margin = 6.0 * model.noise_codes + 1.0
        if not margin < min(first, last) <= max(first, last) < model.top_code - margin:
            np.clip(wide, 0.0, model.top_code, out=wide)

    def trips(self, model: InputModel, ceiling_a: float) -> float:
        """The true current at which this input reads a ceiling; below 0 when it always does."""
        if model.stuck_code is not None:
            reading = (model.stuck_code - model.info.zero_code) * model.info.full_scale * 1e-6
            return -1.0 if reading / (1 << model.info.bits) > ceiling_a else np.inf
        nominal = ceiling_a * (1 << model.info.bits) / (model.info.full_scale * 1e-6)
        top = model.top_code - model.info.zero_code
        return (min(nominal, top - 1.0) - model.offset_codes) / model.codes_per_unit

    def _values(self, model: InputModel, t: Floats) -> Floats:
        role, plant = model.info.role, self.plant
        if role in CURRENTS:
            return plant.shunt_current(t)
        if role in PART_VOLTAGES:
            return plant.sense_voltage(t)
        if role is InputRole.SUPPLY_VOLTAGE:
            return plant.supply_voltage(t)
        if role is InputRole.REFERENCE_VOLTAGE:
            return plant.reference_voltage(t)
        if role is InputRole.TEMPERATURE:
            return np.full(len(t), plant.circuit.ambient_c)
        return plant.insulation_current(t)


def reference_inputs(bits: int, outputs_mask: int, four_wire: bool) -> list[InputInfo]:
    """The inputs of the reference rig, with codes of this many bits."""
    scale = 1 << (bits - 10)
    at_part = InputFlag.AT_PART_TERMINALS if four_wire else InputFlag(0)
    decay = InputFlag.SEES_TURN_OFF
    rows: list[tuple[InputRole, InputFlag, int, int]] = [
        (InputRole.SUPPLY_VOLTAGE, InputFlag(0), 20_000_000, 0),
        (InputRole.PART_VOLTAGE, at_part, 20_000_000, 16 * scale),
        (InputRole.PART_VOLTAGE_FINE, at_part, 2_500_000, 8 * scale),
        (InputRole.CURRENT_COARSE, decay, 10_000_000, 16 * scale),
        (InputRole.CURRENT_FINE, decay, 1_600_000, 16 * scale),
        (InputRole.REFERENCE_VOLTAGE, InputFlag(0), 2_500_000, 8 * scale),
        (InputRole.TEMPERATURE, InputFlag(0), 200_000, 205 * scale),
        (InputRole.INSULATION_CURRENT, InputFlag(0), 20_000_000, 16 * scale),
    ]
    return [
        InputInfo(
            input=number,
            role=role,
            bits=bits,
            flags=flags,
            full_scale=full_scale,
            zero_code=zero,
            outputs_mask=outputs_mask,
        )
        for number, (role, flags, full_scale, zero) in enumerate(rows)
    ]
