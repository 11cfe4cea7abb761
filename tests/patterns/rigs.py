"""An identity and outputs for the tests of what fits; the values are a plausible rig's."""

from __future__ import annotations

from benchrig.wire.messages import (
    ClampKind,
    FaultReason,
    Identity,
    OutputInfo,
    OutputKind,
    ResetCause,
)

IDENTITY = Identity(
    protocol_major=1,
    protocol_minor=0,
    firmware_major=0,
    firmware_minor=1,
    firmware_patch=0,
    unique_id=1,
    boot_count=1,
    reset_cause=ResetCause.POWER_ON,
    fault=FaultReason.NONE,
    output_count=3,
    input_count=0,
    steps_max=16,
    tick_ns=500,
    clock_tolerance_ppm=100,
    heartbeat_silence_us=250_000,
    feed_settle_us=20_000,
    conversion_period_us_min=50,
    reference_resistor_mohm=33_000,
    source_current_ua=30_000,
)


def output(
    *,
    number: int = 0,
    kind: OutputKind = OutputKind.SOLID_STATE,
    on_us_min: int = 200,
    off_us_min: int = 200,
    on_us_max: int = 30_000_000,
    resolution_ns: int = 1000,
    trip_current_ma: int = 9000,
    rated_operations: int = 0,
) -> OutputInfo:
    """A solid-state output unless told otherwise."""
    return OutputInfo(
        output=number,
        kind=kind,
        on_us_min=on_us_min,
        off_us_min=off_us_min,
        on_us_max=on_us_max,
        resolution_ns=resolution_ns,
        trip_current_ma=trip_current_ma,
        clamp=ClampKind.LOW_SIDE_CLAMP,
        clamp_mv=36_000,
        rated_operations=rated_operations,
    )


def relay(**changes: int) -> OutputInfo:
    """A relay output: slow, coarse, wearing out."""
    wanted = {
        "on_us_min": 20_000,
        "off_us_min": 20_000,
        "resolution_ns": 1_000_000,
        "rated_operations": 100_000,
    }
    return output(kind=OutputKind.RELAY, **(wanted | changes))
