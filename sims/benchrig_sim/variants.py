"""The reference rig as the simulator builds it, and its variants."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchrig.wire.messages import (
    HEARTBEAT_SILENCE_US,
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    ClampKind,
    FaultReason,
    Identity,
    InputRole,
    OutputInfo,
    OutputKind,
    ResetCause,
)
from benchrig.wire.simulated import simulated_id
from benchrig_sim.branch import PartSpec
from benchrig_sim.circuit import CircuitSpec
from benchrig_sim.faults import Fault
from benchrig_sim.frontend import InputModel, reference_inputs
from benchrig_sim.rig import RigSpec

SWITCHES = 8
SOURCE = SWITCHES  # the low-current source's output
TICK_NS = 500
DRIFT_MAX = 0.1
# Maker's tolerances, one standard deviation: gain, offset in codes of a 10-bit converter.
_TOLERANCE = {
    InputRole.SUPPLY_VOLTAGE: (0.004, 0.3),
    InputRole.PART_VOLTAGE: (0.003, 0.3),
    InputRole.PART_VOLTAGE_FINE: (0.003, 0.3),
    InputRole.CURRENT_COARSE: (0.005, 0.5),
    InputRole.CURRENT_FINE: (0.003, 0.5),
    InputRole.REFERENCE_VOLTAGE: (0.003, 0.3),
    InputRole.TEMPERATURE: (0.002, 0.5),
    InputRole.INSULATION_CURRENT: (0.02, 0.5),
}


def switch_info(output: int, circuit: CircuitSpec, *, relay: bool) -> OutputInfo:
    """One switching output of the reference rig."""
    freewheel = circuit.freewheel_v is not None
    clamp_v = circuit.freewheel_v if circuit.freewheel_v is not None else circuit.clamp_v
    return OutputInfo(
        output=output,
        kind=OutputKind.RELAY if relay else OutputKind.SOLID_STATE,
        on_us_min=100_000 if relay else 100,
        off_us_min=100_000 if relay else 100,
        on_us_max=60_000_000,
        resolution_ns=100_000 if relay else 500,
        trip_current_ma=8_000,
        clamp=ClampKind.FREEWHEEL_DIODE if freewheel else ClampKind.LOW_SIDE_CLAMP,
        clamp_mv=round(clamp_v * 1e3),
        rated_operations=100_000 if relay else 0,
    )


def build_rig(
    *,
    circuit: CircuitSpec,
    parts: dict[int, PartSpec],
    faults: tuple[Fault, ...] = (),
    seed: int = 1,
    bits: int = 10,
    drift: float = 0.0,
    relay_outputs: tuple[int, ...] = (),
    conversion_us: int = 25,
    noise_codes: float = 0.45,
    errors: bool = True,
) -> RigSpec:
    """A reference rig; ``errors=False`` leaves out the maker's gain and offset tolerances."""
    if not 10 <= bits <= 14:
        raise ValueError(f"bits must be 10 to 14, not {bits}")
    if not abs(drift) <= DRIFT_MAX:
        raise ValueError(f"drift must be -{DRIFT_MAX:g} to {DRIFT_MAX:g}, not {drift}")
    if not 1 <= conversion_us <= 10_000 or not 0.0 <= noise_codes <= 100.0:
        raise ValueError("conversion_us is 1 to 10000, noise_codes 0 to 100")
    if any(not 0 <= k < SWITCHES for k in (*parts, *relay_outputs)):
        raise ValueError(f"outputs are 0 to {SWITCHES - 1}")
    outputs = [switch_info(k, circuit, relay=k in relay_outputs) for k in range(SWITCHES)]
    source = replace(
        switch_info(SOURCE, circuit, relay=False),
        kind=OutputKind.LOW_CURRENT_SOURCE,
        trip_current_ma=100,
    )
    rng = np.random.default_rng([seed, 77])
    models = []
    for info in reference_inputs(bits, (1 << (SWITCHES + 1)) - 1, circuit.four_wire):
        gain, offset = _TOLERANCE[info.role]
        draw = rng.standard_normal(2) if errors else np.zeros(2)
        models.append(
            InputModel(
                info=info,
                gain_error=gain * float(draw[0]),
                offset_codes=offset * float(draw[1]) * (1 << (bits - 10)),
                noise_codes=noise_codes,
            )
        )
    identity = Identity(
        protocol_major=PROTOCOL_MAJOR,
        protocol_minor=PROTOCOL_MINOR,
        firmware_major=1,
        firmware_minor=0,
        firmware_patch=0,
        unique_id=simulated_id(seed),
        boot_count=1,
        reset_cause=ResetCause.POWER_ON,
        fault=FaultReason.NONE,
        output_count=len(outputs) + 1,
        input_count=len(models),
        steps_max=32,
        tick_ns=TICK_NS,
        clock_tolerance_ppm=100,
        heartbeat_silence_us=HEARTBEAT_SILENCE_US,
        feed_settle_us=30_000,
        conversion_period_us_min=conversion_us,
        reference_resistor_mohm=33_000,
        source_current_ua=30_000,
    )
    return RigSpec(
        identity=identity,
        outputs=(*outputs, source),
        inputs=tuple(models),
        circuit=circuit,
        parts=parts,
        clock_drift=drift,
        seed=seed,
        faults=faults,
    )
