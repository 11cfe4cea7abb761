"""From volts and amperes to codes: noise, offset, gain error, rounding, a converter's faults.

This is the only way from the physics to the host: what leaves here are integers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.wire.messages import InputFlag, InputInfo, InputRole
from benchrig_sim.plant import Plant
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
Levels = dict[InputRole, tuple[float, float]]  # at both ends of a span


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

    def ideal_code(self, value: float, t: float) -> float:
        """The code before noise and rounding."""
        drift = self.drift_codes_per_s * max(t - self.drift_from_s, 0.0)
        return value * self.codes_per_unit + self.info.zero_code + self.offset_codes + drift


class FrontEnd:
    """All inputs of the rig on one plant."""

    def __init__(self, plant: Plant, inputs: list[InputModel], seed: int) -> None:
        self.plant = plant
        self.inputs = inputs
        self._rng = np.random.Generator(np.random.SFC64(seed))
        self._noise = np.zeros(0, dtype=np.float32)
        self._noise_at = 0

    def scans(
        self, inputs: list[int], begin_s: float, period_s: float, count: int
    ) -> NDArray[np.uint16]:
        """Codes of evenly spaced scans, a row a scan, its inputs converted one after the other."""
        step_s = period_s / len(inputs)
        last_s = begin_s + (count - 1) * period_s
        levels = self.plant.straight_levels(begin_s, last_s + (len(inputs) - 1) * step_s)
        if levels is not None:
            quick = self._flat_codes(inputs, begin_s, last_s, count, levels)
            if quick is not None:
                return quick
        starts = np.arange(count, dtype=np.float64) * period_s
        starts += begin_s
        offsets = np.arange(len(inputs), dtype=np.float64)
        offsets *= step_s
        return self._columns(inputs, starts, offsets, levels)

    def codes(self, inputs: list[int], starts: Floats, offsets: Floats) -> NDArray[np.uint16]:
        """Codes of whole scans, a row a scan: input j converted at ``starts + offsets[j]``."""
        levels = self.plant.straight_levels(float(starts[0]), float(starts[-1] + offsets[-1]))
        return self._columns(inputs, starts, offsets, levels)

    def _columns(
        self, inputs: list[int], starts: Floats, offsets: Floats, levels: Levels | None
    ) -> NDArray[np.uint16]:
        out = np.empty((len(starts), len(inputs)), dtype=np.uint16)
        for column, number in enumerate(inputs):
            out[:, column] = self._column(
                self.inputs[number], starts, float(offsets[column]), levels
            )
        return out

    def trips(self, model: InputModel, ceiling_a: float) -> float:
        """The true current at which this input reads a ceiling; below 0 when it always does."""
        if model.stuck_code is not None:
            reading = (model.stuck_code - model.info.zero_code) * model.info.full_scale * 1e-6
            return -1.0 if reading / (1 << model.info.bits) > ceiling_a else np.inf
        nominal = ceiling_a * (1 << model.info.bits) / (model.info.full_scale * 1e-6)
        top = (1 << model.info.bits) - 1 - model.info.zero_code
        return (min(nominal, top - 1.0) - model.offset_codes) / model.codes_per_unit

    def _draw(self, count: int) -> NDArray[np.float32]:
        if self._noise_at + count > len(self._noise):
            self._noise = self._rng.standard_normal(max(count, 65_536), dtype=np.float32)
            self._noise_at = 0
        self._noise_at += count
        return self._noise[self._noise_at - count : self._noise_at]

    def _flat_codes(
        self, inputs: list[int], begin_s: float, last_s: float, count: int, levels: Levels
    ) -> NDArray[np.uint16] | None:
        """All inputs at once where each is a straight line well inside its range, else None."""
        bases, slopes, noises = [], [], []
        steep = False
        for number in inputs:
            model = self.inputs[number]
            line = levels.get(model.info.role)
            if line is None or model.stuck_code is not None:
                return None
            first = model.ideal_code(line[0], begin_s)
            last = model.ideal_code(line[1], last_s)
            margin = 6.0 * model.noise_codes + 1.0
            top = (1 << model.info.bits) - 1 - margin
            if not (margin < first < top and margin < last < top):
                return None
            bases.append(first + 0.5)
            slopes.append((last - first) / count)
            noises.append(model.noise_codes)
            steep = steep or abs(last - first) > 0.002
        wide = self._draw(count * len(inputs)).reshape(len(inputs), count)
        wide = wide * np.array(noises, dtype=np.float32)[:, None]
        wide += np.array(bases, dtype=np.float32)[:, None]
        if steep:
            ramp = np.arange(count, dtype=np.float32)
            wide += ramp * np.array(slopes, dtype=np.float32)[:, None]
        return wide.astype(np.uint16).T

    def _column(
        self,
        model: InputModel,
        starts: Floats,
        offset: float,
        levels: Levels | None,
    ) -> NDArray[np.uint16]:
        count, top = len(starts), (1 << model.info.bits) - 1
        if model.stuck_code is not None:
            return np.full(count, model.stuck_code, dtype=np.uint16)
        wide = self._draw(count) * np.float32(model.noise_codes)
        if levels is not None and model.info.role in levels:
            v0, v1 = levels[model.info.role]
            c0, c1 = model.ideal_code(v0, starts[0]), model.ideal_code(v1, starts[-1])
            if abs(c1 - c0) < 0.002:
                wide += np.float32(0.5 * (c0 + c1) + 0.5)
            else:
                wide += np.linspace(c0 + 0.5, c1 + 0.5, count, dtype=np.float32)
            margin = 6.0 * model.noise_codes + 1.0
            if min(c0, c1) > margin and max(c0, c1) < top - margin:
                return wide.astype(np.uint16)
        else:
            values = self._values(model, starts + offset if offset else starts)
            base = model.ideal_code(0.0, starts[0]) + 0.5
            wide += (values * model.codes_per_unit + base).astype(np.float32)
        np.clip(wide, 0.0, top, out=wide)
        return wide.astype(np.uint16)

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
