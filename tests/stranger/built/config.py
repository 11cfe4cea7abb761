"""What a rig of this kind is made of: outputs, inputs, limits, the bench, the sins."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from .codec import ClampKind, InputRole, OutputKind
from .physics import BenchConfig, Part


@dataclass(frozen=True)
class OutputSpec:
    """One output as OutputInfo tells it."""

    kind: OutputKind = OutputKind.SOLID_STATE
    on_us_min: int = 100
    off_us_min: int = 100
    on_us_max: int = 10_000_000
    resolution_ns: int = 500
    trip_current_ma: int = 9000
    clamp: ClampKind = ClampKind.LOW_SIDE_CLAMP
    clamp_mv: int = 36_000
    rated_operations: int = 0


@dataclass(frozen=True)
class InputSpec:
    """One input as InputInfo tells it, and its noise."""

    role: InputRole
    bits: int
    flags: int
    full_scale: int
    zero_code: int
    outputs_mask: int
    noise_lsb: float = 0.55


SOURCE = OutputSpec(kind=OutputKind.LOW_CURRENT_SOURCE, trip_current_ma=250)


def _document_outputs() -> tuple[OutputSpec, ...]:
    return (OutputSpec(),) * 8 + (SOURCE,)


def _document_inputs() -> tuple[InputSpec, ...]:
    role = InputRole
    return (
        InputSpec(role.SUPPLY_VOLTAGE, 10, 0, 24_000_000, 0, 0),
        InputSpec(role.PART_VOLTAGE, 10, 1, 32_000_000, 20, 0xFF),
        InputSpec(role.PART_VOLTAGE_FINE, 12, 1, 1_250_000, 80, 0xFF, 0.9),
        InputSpec(role.CURRENT_COARSE, 10, 2, 10_000_000, 16, 0x1FF),
        InputSpec(role.CURRENT_FINE, 12, 2, 640_000, 80, 0x1FF, 0.9),
        InputSpec(role.REFERENCE_VOLTAGE, 12, 0, 1_600_000, 0, 0x100, 0.9),
        InputSpec(role.TEMPERATURE, 12, 0, 204_800, 800, 0, 0.7),
    )


@dataclass(frozen=True)
class RigConfig:
    """Everything that makes one rig; the default is the rig the document's vectors assume."""

    outputs: tuple[OutputSpec, ...] = field(default_factory=_document_outputs)
    inputs: tuple[InputSpec, ...] = field(default_factory=_document_inputs)
    steps_max: int = 32
    tick_ns: int = 500
    clock_tolerance_ppm: int = 100
    heartbeat_silence_us: int = 250_000
    feed_settle_us: int = 20_000
    conversion_period_us_min: int = 25
    reference_resistor_mohm: int = 33_000
    source_current_ua: int = 30_000
    firmware: tuple[int, int, int] = (3, 14, 1)
    unique_id: int = 0x5A7E_11A7_0B5E_55ED
    boot_count: int = 41
    start_lead_us: int = 260
    accepted_early_us: int = 120
    block_scans_max: int = 255
    block_span_us: int = 40_000
    line_bytes_per_s: int | None = None
    line_room_bytes: int = 1024
    tick_offset: int = 0
    seed: int = 20_011
    bench: BenchConfig = field(default_factory=BenchConfig)
    sins: tuple[str, ...] = ()

    def sinning(self, *sins: str) -> RigConfig:
        """Return the same rig with these sins added, each as `name[=value][@moment]`."""
        return replace(self, sins=self.sins + sins)


def document() -> RigConfig:
    """Return the rig the document's vectors assume: 9 outputs, 7 inputs."""
    return RigConfig()


def smallest() -> RigConfig:
    """Return as little as section 3 allows: one output and no input at all."""
    bench = replace(BenchConfig(), parts=(Part(),))
    return RigConfig(
        outputs=(OutputSpec(),),
        inputs=(),
        steps_max=1,
        tick_ns=1000,
        reference_resistor_mohm=0,
        source_current_ua=0,
        bench=bench,
    )


def modest() -> RigConfig:
    """Return two outputs with a shunt of their own each, five inputs, zero at mid-scale."""
    role = InputRole
    inputs = (
        InputSpec(role.CURRENT_COARSE, 12, 2, 12_000_000, 100, 1),
        InputSpec(role.CURRENT_COARSE, 12, 0, 12_000_000, 100, 2),
        InputSpec(role.PART_VOLTAGE, 11, 0, 100_000_000, 1024, 1),
        InputSpec(role.PART_VOLTAGE, 11, 0, 100_000_000, 1024, 2),
        InputSpec(role.SUPPLY_VOLTAGE, 8, 0, 20_000_000, 0, 0),
    )
    relay = OutputSpec(
        kind=OutputKind.RELAY,
        on_us_min=50_000,
        off_us_min=50_000,
        resolution_ns=1_000_000,
        clamp=ClampKind.FREEWHEEL_DIODE,
        clamp_mv=700,
        rated_operations=100_000,
    )
    return RigConfig(
        outputs=(OutputSpec(resolution_ns=1000), relay),
        inputs=inputs,
        steps_max=12,
        tick_ns=1000,
        conversion_period_us_min=20,
        reference_resistor_mohm=0,
        source_current_ua=0,
        heartbeat_silence_us=220_000,
        bench=replace(BenchConfig(), parts=(Part(), Part(ohm_20=28.0, henry=0.060))),
    )


def largest() -> RigConfig:
    """Return sixteen outputs, sixteen inputs, 15-bit codes, 255 steps."""
    role = InputRole
    shunts = tuple(
        InputSpec(role.CURRENT_COARSE, 15, 2, 12_000_000, 500, 1 << n, 3.0) for n in range(13)
    )
    rest = (
        InputSpec(role.SUPPLY_VOLTAGE, 15, 0, 40_000_000, 0, 0, 3.0),
        InputSpec(role.PART_VOLTAGE, 15, 1, 120_000_000, 16_384, 0x7FFF, 3.0),
        InputSpec(role.INSULATION_CURRENT, 14, 0, 100_000_000, 100, 0x7FFF, 3.0),
    )
    return RigConfig(
        outputs=(OutputSpec(),) * 16,
        inputs=shunts + rest,
        steps_max=255,
        tick_ns=250,
        conversion_period_us_min=5,
        reference_resistor_mohm=0,
        source_current_ua=0,
    )


KINDS = {"document": document, "smallest": smallest, "modest": modest, "largest": largest}
