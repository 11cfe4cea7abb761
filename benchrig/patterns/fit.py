"""Can this part, on this output, from this supply, take this pattern? If not: why, and what could.

``objections`` names everything that stands against a run, each with the nearest that would be
accepted; an empty list means go. adjust.py puts all those into one pattern.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from benchrig.parts.hints import THERMAL
from benchrig.parts.part import Characteristic, Part, PartKind
from benchrig.parts.partfile import FORBIDDEN_WHY
from benchrig.patterns.pattern import Pattern, Step
from benchrig.patterns.patternfile import CHANGE_US_MAX
from benchrig.patterns.warming import peak_winding_c
from benchrig.wire.messages import Identity, OutputInfo, OutputKind
from benchrig.wire.schedule import DURATION_US_MIN

# Common practice, no source, unless a standard is named.
LOW_OHM = 5.0  # below it an injector needs a driver that limits the current
LOW_OHM_ON_US_MAX = 10_000  # ... or an output whose own ceiling is this short
LOW_OHM_DUTY_MAX = 0.10
RELAY_LEAST_US = 100_000  # operate, release and bounce take 10 to 20 ms
RELAY_INDUCTIVE_LIFE = 0.4  # share of the rated operations that a coil as load leaves
RESOLUTION_STEPS = 50  # a pulse is known to 2 % of its length or better


class Obstacle(StrEnum):
    """What stands against a run."""

    FORBIDDEN_KIND = "forbidden kind"
    OUTPUT_KIND = "output kind"
    ON_TIME = "on-time"
    OFF_TIME = "off-time"
    DUTY = "duty"
    RESOLUTION = "resolution"
    STEPS = "steps"
    RELAY_LIFE = "relay life"
    CURRENT = "current"
    LOW_OHM = "low-ohm injector"
    SUPPLY = "supply"
    DRY_RUN = "dry run"
    WINDING = "winding temperature"


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """One reason not to run, and the nearest that would be accepted ("" where nothing would)."""

    obstacle: Obstacle
    reason: str
    nearest: str = ""
    nearest_value: float | None = None  # SI, where the nearest is one number
    step: int | None = None  # from 1

    def __str__(self) -> str:
        return f"{self.reason}; {self.nearest}" if self.nearest else self.reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """Where the pattern is to run."""

    part: Part
    output: OutputInfo
    identity: Identity
    supply_v: float
    resistance_ohm: float | None = None  # measured cold; without it the part file's values
    start_c: float = 20.0
    fluid_confirmed: bool = False
    operations_done: int = 0  # by this output's relay so far

    @property
    def least_ohm(self) -> float | None:
        """The lowest resistance to reckon with: measured, else the part file's."""
        if self.resistance_ohm is not None:
            return self.resistance_ohm
        limit = self.part.limit(Characteristic.RESISTANCE_20C)
        known = (self.part.nominal_resistance_ohm, limit.low if limit else None)
        return min((x for x in known if x), default=None)

    @property
    def on_us_max(self) -> int:
        """The longest on-time that part and output both bear."""
        part_us = math.floor(self.part.ability.on_s_max * 1e6 + 0.5)
        return min(part_us, self.output.on_us_max)

    @property
    def on_us_min(self) -> int:
        """The shortest on-time that the output makes faithfully."""
        return max(self.output.on_us_min, *self.faithful_us())

    @property
    def off_us_min(self) -> int:
        """The shortest off-time between two on-times."""
        return max(self.output.off_us_min, *self.faithful_us())

    def faithful_us(self) -> tuple[int, int]:
        """The least times that a relay's contacts and the output's time grid ask for."""
        relay = RELAY_LEAST_US if self.output.kind is OutputKind.RELAY else DURATION_US_MIN
        return relay, math.ceil(RESOLUTION_STEPS * self.output.resolution_ns / 1000)


def objections(
    part: Part,
    pattern: Pattern,
    output: OutputInfo,
    identity: Identity,
    supply_v: float,
    *,
    resistance_ohm: float | None = None,
    start_c: float = 20.0,
    fluid_confirmed: bool = False,
    operations_done: int = 0,
) -> list[Objection]:
    """Everything that stands against the run; ask again once the cold resistance is known."""
    return list(
        obstacles(
            pattern,
            Setting(
                part=part,
                output=output,
                identity=identity,
                supply_v=supply_v,
                resistance_ohm=resistance_ohm,
                start_c=start_c,
                fluid_confirmed=fluid_confirmed,
                operations_done=operations_done,
            ),
        )
    )


def obstacles(pattern: Pattern, setting: Setting) -> Iterator[Objection]:
    """The objections, lazily, for a setting already put together."""
    yield from _kind(setting)
    yield from _supply(setting)
    yield from _current(setting)
    yield from _low_ohm(pattern, setting)
    yield from _steps(pattern, setting)
    yield from _times(pattern, setting)
    yield from _duty(pattern, setting)
    yield from _relay_life(pattern, setting)
    yield from dry_run(pattern, setting)
    yield from winding(pattern, setting)


# --- one rule each ------------------------------------------------------------------------------


def _kind(setting: Setting) -> Iterator[Objection]:
    kind = setting.part.kind
    if kind.is_forbidden:
        reason = f"a part of the kind {kind.value} is never driven on this rig: "
        yield Objection(obstacle=Obstacle.FORBIDDEN_KIND, reason=reason + FORBIDDEN_WHY[kind])
    if setting.output.kind is OutputKind.LOW_CURRENT_SOURCE:
        yield Objection(
            obstacle=Obstacle.OUTPUT_KIND,
            reason=f"output {setting.output.output} is the low-current source for the cold check",
            nearest="choose a solid-state or relay output",
        )


def _supply(setting: Setting) -> Iterator[Objection]:
    most = setting.part.ability.supply_v_max
    if setting.supply_v > most:
        yield Objection(
            obstacle=Obstacle.SUPPLY,
            reason=f"the supply gives {setting.supply_v:.1f} V, the part bears {most:g} V",
            nearest=f"set the supply to {most:g} V or less",
            nearest_value=most,
        )


def _current(setting: Setting) -> Iterator[Objection]:
    ohm = setting.least_ohm
    if not ohm:
        return
    current_a = setting.supply_v / ohm
    inrush = " at standstill" if setting.part.kind.is_pump else ""
    bounds = [
        (setting.output.trip_current_ma * 1e-3, f"output {setting.output.output} trips at"),
        (setting.part.ability.current_a_max, "the part bears"),
    ]
    for most, who in bounds:
        if current_a > most:
            supply_v = math.floor(most * ohm * 10) / 10
            yield Objection(
                obstacle=Obstacle.CURRENT,
                reason=f"{ohm:.3g} ohm at {setting.supply_v:.1f} V draws {current_a:.2f} A"
                f"{inrush}, {who} {most:g} A",
                nearest=f"a supply of {supply_v:g} V or less",
                nearest_value=supply_v,
            )


def _low_ohm(pattern: Pattern, setting: Setting) -> Iterator[Objection]:
    ohm = setting.least_ohm
    if setting.part.kind is not PartKind.FUEL_INJECTOR or not ohm or ohm >= LOW_OHM:
        return
    capped = setting.output.on_us_max <= LOW_OHM_ON_US_MAX
    if not capped or pattern.duty > LOW_OHM_DUTY_MAX:
        yield Objection(
            obstacle=Obstacle.LOW_OHM,
            reason=f"an injector of {ohm:.3g} ohm on full voltage burns in seconds "
            f"({setting.supply_v**2 / ohm:.0f} W); it needs a driver that limits the current",
            nearest=f"an output whose own on-time ceiling is {LOW_OHM_ON_US_MAX / 1000:g} ms or "
            f"less, and a duty of {_percent(LOW_OHM_DUTY_MAX)} or less",
        )


def _steps(pattern: Pattern, setting: Setting) -> Iterator[Objection]:
    most = setting.identity.steps_max
    if len(pattern.steps) > most:
        yield Objection(
            obstacle=Obstacle.STEPS,
            reason=f"the pattern has {len(pattern.steps)} steps, the rig holds {most}",
            nearest=f"{most - most % 2} steps or fewer; let repeats do the rest",
            nearest_value=float(most - most % 2),
        )


def _times(pattern: Pattern, setting: Setting) -> Iterator[Objection]:
    for number, step in enumerate(pattern.steps, 1):
        least = setting.on_us_min if step.on else setting.off_us_min
        most = setting.on_us_max if step.on else None
        if number == len(pattern.steps) and pattern.repeats == 1:
            least = DURATION_US_MIN  # nothing is switched on after it
        yield from resolution(number, step, setting)
        short, long = extremes(step, pattern.repeats)
        obstacle = Obstacle.ON_TIME if step.on else Obstacle.OFF_TIME
        word = "on" if step.on else "off"
        if short < least:
            yield Objection(
                obstacle=obstacle,
                reason=f"step {number}: {word} for {_time(short)}, {_why_least(step, setting)}",
                nearest=f"{word} for {_time(least)} or more",
                nearest_value=least * 1e-6,
                step=number,
            )
        if most is not None and long > most:
            who = "the part" if most < setting.output.on_us_max else "the output"
            yield Objection(
                obstacle=obstacle,
                reason=f"step {number}: on for {_time(long)}, {who} bears {_time(most)}",
                nearest=f"on for {_time(most)} or less",
                nearest_value=most * 1e-6,
                step=number,
            )


def _why_least(step: Step, setting: Setting) -> str:
    own = setting.output.on_us_min if step.on else setting.output.off_us_min
    relay_us, grid_us = setting.faithful_us()
    if max(own, relay_us, grid_us) <= DURATION_US_MIN or (
        not step.on and step.duration_us < DURATION_US_MIN
    ):
        return f"and no two edges can be nearer than {_time(DURATION_US_MIN)}"
    if grid_us >= max(own, relay_us):
        resolution_us = setting.output.resolution_ns / 1000
        return f"which output {setting.output.output} only times to {resolution_us:g} µs"
    if relay_us > own:
        return "and a relay takes up to 20 ms to operate, release and stop bouncing"
    return f"output {setting.output.output} needs {_time(own)}"


def resolution(number: int, step: Step, setting: Setting) -> Iterator[Objection]:
    """Changes a repeat that the wire or the output's time grid cannot hold."""
    grid_us = max(1, math.ceil(setting.output.resolution_ns / 1000))
    if abs(step.change_us) > CHANGE_US_MAX or 0 < abs(step.change_us) < grid_us:
        near = math.copysign(min(max(abs(step.change_us), grid_us), CHANGE_US_MAX), step.change_us)
        yield Objection(
            obstacle=Obstacle.RESOLUTION,
            reason=f"step {number}: a change of {step.change_us} µs a repeat is outside what "
            f"output {setting.output.output} can do (resolution {grid_us} µs)",
            nearest=f"a change of {near:.0f} µs",
            nearest_value=near * 1e-6,
            step=number,
        )


def _duty(pattern: Pattern, setting: Setting) -> Iterator[Objection]:
    most = setting.part.ability.duty_max
    if pattern.duty > most * (1 + 1e-9) and not is_single(pattern):
        yield Objection(
            obstacle=Obstacle.DUTY,
            reason=f"on for {_percent(pattern.duty)} of the time, the part bears {_percent(most)}",
            nearest=f"off-times {rest_factor(pattern, most):.2f} times as long",
            nearest_value=most,
        )


def _relay_life(pattern: Pattern, setting: Setting) -> Iterator[Objection]:
    left = operations_left(setting)
    if left is not None and pattern.cycles > left:
        yield Objection(
            obstacle=Obstacle.RELAY_LIFE,
            reason=f"the relay of output {setting.output.output} has {left} operations left of "
            f"its life with coils as load, the pattern takes {pattern.cycles}",
            nearest=f"{left} cycles or fewer, or a new relay" if left else "a new relay",
            nearest_value=float(left),
        )


def operations_left(setting: Setting) -> int | None:
    """What is left of a relay's life with coils as load; None where nothing is declared."""
    rated = setting.output.rated_operations
    if setting.output.kind is not OutputKind.RELAY or rated == 0:
        return None
    return max(0, math.floor(RELAY_INDUCTIVE_LIFE * rated) - setting.operations_done)


def dry_run(pattern: Pattern, setting: Setting) -> Iterator[Objection]:
    """A pump that would turn dry longer than it bears."""
    if not setting.part.kind.is_pump or setting.fluid_confirmed:
        return
    most = setting.part.ability.dry_run_s_max or 0.0
    if pattern.on_total_s > most:
        yield Objection(
            obstacle=Obstacle.DRY_RUN,
            reason=f"the pump would turn {pattern.on_total_s:g} s, dry it bears {most:g} s",
            nearest=f"{most:g} s in all, or confirm that it runs in fluid",
            nearest_value=most,
        )


def winding(pattern: Pattern, setting: Setting) -> Iterator[Objection]:
    """A winding that would plainly be cooked."""
    most = setting.part.ability.winding_c_max
    peak_c = _peak_c(pattern, setting)
    if peak_c is not None and peak_c > most:
        yield Objection(
            obstacle=Obstacle.WINDING,
            reason=f"the winding would reach about {peak_c:.0f} °C (usual thermal values), "
            f"the part bears {most:g} °C",
            nearest="longer off-times or fewer repeats",
            nearest_value=most,
        )


def _peak_c(pattern: Pattern, setting: Setting) -> float | None:
    thermal, ohm = THERMAL.get(setting.part.kind), setting.least_ohm
    if thermal is None or not ohm:
        return None
    return peak_winding_c(
        pattern,
        supply_v=setting.supply_v,
        resistance_20c_ohm=ohm,
        thermal=thermal,
        start_c=setting.start_c,
    )


def rest_factor(pattern: Pattern, duty: float) -> float:
    """How many times as long the off-times must be for a duty."""
    off_s = pattern.duration_s - pattern.on_total_s
    return pattern.on_total_s * (1 - duty) / duty / off_s


def is_single(pattern: Pattern) -> bool:
    """One on-time and then nothing more: its rest lasts as long as the person likes."""
    return pattern.cycles == 1


def extremes(step: Step, repeats: int) -> tuple[int, int]:
    """The shortest and the longest duration of a step over all repeats, µs."""
    last = step.duration_us + step.change_us * (repeats - 1)
    return min(step.duration_us, last), max(step.duration_us, last)


def _percent(share: float) -> str:
    return f"{100 * share:.3g} %"


def _time(us: float) -> str:
    if us < 1000:
        return f"{us:g} µs"
    return f"{us / 1000:g} ms" if us < 1_000_000 else f"{us / 1_000_000:g} s"
