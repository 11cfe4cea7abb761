"""Streams as a rig sends them, made from closed forms: coil, leads, heating, faults, codes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchrig.measure.cycle_window import CycleContext
from benchrig.measure.samples import InputScale, SampleBlock
from benchrig.parts.part import PartKind
from benchrig.wire.messages import InputFlag, InputRole

TICK_NS = 500
TICK_S = TICK_NS * 1e-9


def input_scale(number: int, role: InputRole, full_scale: float, bits: int = 10) -> InputScale:
    step = full_scale / (1 << bits)
    return InputScale(
        input=number,
        role=role,
        bits=bits,
        zero_code=16.0,
        step=step,
        flags=InputFlag.AT_PART_TERMINALS | InputFlag.SEES_TURN_OFF,
        outputs_mask=1,
        gain_rel_uncertainty=0.002,
        offset_uncertainty=2 * step,
        calibrated=True,
    )


SCALES = (
    input_scale(1, InputRole.PART_VOLTAGE, 20.0),
    input_scale(3, InputRole.CURRENT_COARSE, 10.0),
    input_scale(4, InputRole.CURRENT_FINE, 1.6),
)


@dataclass
class CoilStream:
    """On/off cycles of an ideal coil that heats, sampled and cut into blocks.

    ``spoil`` changes the current at given times (on edges of the run and sample times, s).
    """

    on_s: float = 0.4
    off_s: float = 0.4
    cycles: int = 3
    ohm_at_20: float = 14.5
    henry: float = 12e-3
    start_c: float = 22.0
    kelvin_per_on_s: float = 0.0
    supply_v: float = 13.5
    clamp_v: float = 22.5
    rate: float = 10_000.0
    noise_a: float = 1e-3
    seed: int = 1
    gains: tuple[float, float] = (1.0, 1.0)  # true over indicated: voltage, current
    offset_codes: float = 1.3
    lead_in_s: float = 0.2
    inputs: tuple[int, ...] = (1, 4)
    block_scans: int = 60
    spoil: Callable[[Any, Any], Any] | None = None
    spoil_volts: Callable[[Any, Any], Any] | None = None
    edges: list[tuple[int, bool]] = field(default_factory=list)

    def resistance(self, temperature_c: Any) -> Any:
        return self.ohm_at_20 * (234.5 + temperature_c) / 254.5

    def temperature(self, cycle: int, t: Any) -> Any:
        return self.start_c + self.kelvin_per_on_s * (cycle * self.on_s + t)

    def signals(self, time: Any) -> tuple[Any, Any]:
        """Voltage at the part and current, time from the first on edge."""
        volts, amps = np.zeros_like(time), np.zeros_like(time)
        for cycle in range(self.cycles):
            begin = cycle * (self.on_s + self.off_s)
            on = (time >= begin) & (time < begin + self.on_s)
            t = time[on] - begin
            r = self.resistance(self.temperature(cycle, t))
            volts[on] = self.supply_v
            amps[on] = self.supply_v / r * -np.expm1(-t * r / self.henry)
            r_end = float(self.resistance(self.temperature(cycle, self.on_s)))
            top = self.supply_v / r_end
            off = (time >= begin + self.on_s) & (time < begin + self.on_s + self.off_s)
            after = time[off] - begin - self.on_s
            a = self.clamp_v / r_end
            amps[off] = np.maximum(0.0, (top + a) * np.exp(-after * r_end / self.henry) - a)
        if self.spoil is not None:
            amps = self.spoil(time, amps)
        if self.spoil_volts is not None:
            volts = self.spoil_volts(time, volts)
        return volts, amps

    def blocks(self) -> list[SampleBlock]:
        rng = np.random.default_rng(self.seed)
        period = round(1.0 / self.rate / TICK_S)
        duration = self.lead_in_s + self.cycles * (self.on_s + self.off_s)
        scans = int(duration / (period * TICK_S))
        ticks = 1000 + period * np.arange(scans)
        first = 1000 + round(self.lead_in_s / TICK_S)
        columns = []
        for j, number in enumerate(self.inputs):
            scale = next(s for s in SCALES if s.input == number)
            time = (ticks + j / len(self.inputs) * period - first) * TICK_S
            volts, amps = self.signals(time)
            is_volts = scale.role is InputRole.PART_VOLTAGE
            exact = volts / self.gains[0] if is_volts else amps / self.gains[1]
            noise = self.noise_a if not is_volts else 5e-3
            analogue = (exact + rng.normal(0, noise, scans)) / scale.step
            codes = np.floor(analogue + scale.zero_code + self.offset_codes + 0.5)
            columns.append(np.clip(codes, 0, (1 << scale.bits) - 1))
        table = np.stack(columns, axis=1).astype(np.int16)
        self.edges = []
        for cycle in range(self.cycles):
            begin = cycle * (self.on_s + self.off_s)
            self.edges.append((first + round(begin / TICK_S), True))
            self.edges.append((first + round((begin + self.on_s) / TICK_S), False))
        return [
            SampleBlock(
                stream=1,
                block=number,
                tick=int(ticks[at]),
                inputs=self.inputs,
                scan_period_ticks=period,
                codes=table[at : at + self.block_scans],
            )
            for number, at in enumerate(range(0, scans, self.block_scans))
        ]

    def context(self, **changes: Any) -> CycleContext:
        given: dict[str, Any] = {
            "scales": SCALES,
            "tick_ns": TICK_NS,
            "output": 0,
            "part_kind": PartKind.FUEL_INJECTOR,
            "clamp": "low-side clamp 36 V",
            "part_temperature_c": self.start_c,
            "u_part_temperature_c": 0.5,
        }
        return CycleContext(**{**given, **changes})
