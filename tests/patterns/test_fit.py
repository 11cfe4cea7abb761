"""What part, output and supply cannot take is refused with the reason and the nearest."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.parts import library as parts
from benchrig.parts.hints import Thermal
from benchrig.parts.part import Part, PartKind
from benchrig.patterns import library as patterns
from benchrig.patterns.adjust import nearest_pattern
from benchrig.patterns.fit import Objection, Obstacle, Setting, objections, obstacles
from benchrig.patterns.pattern import Pattern, Step
from benchrig.patterns.schedule import to_schedule
from benchrig.patterns.warming import peak_winding_c
from benchrig.wire.messages import OutputInfo, OutputKind
from benchrig.wire.schedule import check_schedule
from tests.patterns.rigs import IDENTITY, output, relay

NOWHERE = Path("/nowhere")


def part(name: str = "demo-injector") -> Part:
    return parts.load(name, NOWHERE)


def packaged(name: str) -> Pattern:
    return patterns.load(name, NOWHERE)


def clicks(on_us: int, off_us: int, repeats: int = 10, change_us: int = 0) -> Pattern:
    steps = (
        Step(on=True, duration_us=on_us, change_us=change_us),
        Step(on=False, duration_us=off_us),
    )
    return Pattern(name="t", title="t", steps=steps, repeats=repeats)


def ask(
    pattern: Pattern, on: OutputInfo | None = None, what: Part | None = None, supply_v: float = 13.5
) -> list[Objection]:
    return objections(what or part(), pattern, on or output(), IDENTITY, supply_v)


def only(found: list[Objection]) -> Objection:
    assert len(found) == 1, [str(o) for o in found]
    return found[0]


@pytest.mark.parametrize("name", ["six-second", "short-pulse", "swept-width", "wiggle"])
def test_the_demo_injector_takes_the_packaged_patterns(name: str) -> None:
    assert ask(packaged(name)) == []


@pytest.mark.parametrize("name", ["six-second", "slow-click", "wiggle", "warm-soak"])
@pytest.mark.parametrize(
    "which",
    [f"demo-{x}" for x in ("purge-solenoid", "egr-solenoid", "wastegate-solenoid", "idle-air")],
)
def test_the_demo_solenoids_take_the_slow_patterns(which: str, name: str) -> None:
    assert ask(packaged(name), what=part(which)) == []


def test_a_relay_cannot_make_an_injector_pulse() -> None:
    # Small power relays operate in 10 ms and release in 5 to 10 ms at most (general relay
    # data sheets), and bounce on top.
    found = ask(packaged("short-pulse"), relay())
    assert {o.obstacle for o in found} == {Obstacle.ON_TIME, Obstacle.OFF_TIME}
    assert found[0].nearest_value == pytest.approx(0.1)
    assert "relay" in found[0].reason
    assert ask(packaged("slow-click"), relay()) == []
    assert ask(packaged("six-second"), relay()) == []


def test_on_times_are_bounded_by_part_and_by_output() -> None:
    found = only(ask(clicks(12_000_000, 30_000_000, repeats=2)))
    assert (found.obstacle, found.nearest_value, found.step) == (Obstacle.ON_TIME, 10.0, 1)
    assert "the part" in found.reason
    found = only(ask(packaged("six-second"), output(on_us_max=5_000_000)))
    assert "the output bears 5 s" in found.reason
    found = only(ask(clicks(150, 50_000), output(on_us_min=500)))
    assert (found.obstacle, found.nearest_value) == (Obstacle.ON_TIME, 500e-6)


def test_a_growing_on_time_is_judged_by_its_longest() -> None:
    assert ask(clicks(1000, 40_000, repeats=100, change_us=90)) == []
    found = ask(clicks(1000, 40_000_000, repeats=400, change_us=30_000))
    assert [o.obstacle for o in found] == [Obstacle.ON_TIME]


def test_off_times_count_between_on_times_but_not_after_the_last() -> None:
    found = ask(clicks(1000, 100, repeats=2), what=replace_duty(1.0))
    assert [o.obstacle for o in found] == [Obstacle.OFF_TIME]
    assert ask(clicks(1000, 100, repeats=1), what=replace_duty(1.0)) == []


def test_a_rest_between_two_on_times_is_never_taken_for_the_last() -> None:
    """Equal steps may be one object: what counts is where a step stands."""
    on, off = Step(on=True, duration_us=1000), Step(on=False, duration_us=100)
    pattern = Pattern(name="t", title="t", steps=(on, off, on, off), repeats=1)
    found = only(ask(pattern, what=replace_duty(1.0)))
    assert (found.obstacle, found.step) == (Obstacle.OFF_TIME, 2)
    setting = Setting(part=replace_duty(1.0), output=output(), identity=IDENTITY, supply_v=13.5)
    near = nearest_pattern(pattern, setting)
    assert near is not None
    assert [step.duration_us for step in near.steps] == [1000, 200, 1000, 100]


def replace_duty(duty_max: float) -> Part:
    return replace(part(), ability=replace(part().ability, duty_max=duty_max))


def test_duty() -> None:
    found = only(ask(clicks(600, 400)))
    assert found.obstacle is Obstacle.DUTY
    assert found.reason == "on for 60 % of the time, the part bears 50 %"
    assert "1.50 times" in found.nearest
    small = only(ask(clicks(1000, 99_000), what=replace_duty(0.004)))
    assert small.reason == "on for 1 % of the time, the part bears 0.4 %"


def test_no_nearest_pattern_has_a_rest_that_no_pattern_file_can_hold() -> None:
    setting = Setting(part=replace_duty(0.001), output=output(), identity=IDENTITY, supply_v=13.5)
    short = nearest_pattern(clicks(1_000_000, 1_000_000), setting)
    assert short is not None
    assert short.steps[1].duration_us == pytest.approx(999e6, rel=1e-6)
    assert nearest_pattern(clicks(10_000_000, 10_000_000), setting) is None  # 2.8 hours of rest


def test_a_coarse_time_grid_refuses_a_short_pulse() -> None:
    # A grid of 100 µs is 4 % of a 2.5 ms pulse.
    found = ask(packaged("short-pulse"), output(resolution_ns=100_000))
    assert [(o.obstacle, o.nearest_value) for o in found] == [(Obstacle.ON_TIME, 5e-3)]
    assert "100 µs" in found[0].reason
    found = ask(packaged("swept-width"), output(resolution_ns=25_000))
    assert Obstacle.RESOLUTION in {o.obstacle for o in found}


def test_too_many_steps() -> None:
    steps = tuple(Step(on=n % 2 == 0, duration_us=5000) for n in range(18))
    found = only(ask(Pattern(name="t", title="t", steps=steps, repeats=1)))
    assert (found.obstacle, found.nearest_value) == (Obstacle.STEPS, 16.0)


def test_relay_operations_left() -> None:
    slow = packaged("slow-click")
    found = only(objections(part(), slow, relay(), IDENTITY, 13.5, operations_done=39_990))
    # 40 % of 100 000 for a coil as load, less 39 990 done.
    assert (found.obstacle, found.nearest_value) == (Obstacle.RELAY_LIFE, 10.0)
    assert objections(part(), slow, output(), IDENTITY, 13.5, operations_done=39_990) == []


def test_the_supply_and_the_current() -> None:
    assert Obstacle.SUPPLY in {o.obstacle for o in ask(packaged("six-second"), supply_v=24.0)}
    found = only(ask(packaged("short-pulse"), output(trip_current_ma=900)))
    assert found.obstacle is Obstacle.CURRENT
    assert "0.98 A" in found.reason  # 13.5 V over 13.8 ohm
    assert found.nearest_value == pytest.approx(12.4)


def test_a_measured_short_is_refused_where_the_file_saw_no_harm() -> None:
    pulse = packaged("short-pulse")
    assert ask(pulse) == []
    found = objections(part(), pulse, output(), IDENTITY, 13.5, resistance_ohm=1.0)
    assert {Obstacle.CURRENT, Obstacle.LOW_OHM} <= {o.obstacle for o in found}


def test_a_low_ohm_injector_is_refused_on_uncapped_full_voltage() -> None:
    low = part("demo-low-ohm-injector")
    pulse = clicks(2500, 47_500, repeats=10)
    found = only(ask(pulse, what=low))
    assert found.obstacle is Obstacle.LOW_OHM
    assert "10 ms" in found.nearest
    assert ask(pulse, output(on_us_max=8000), what=low) == []
    too_often = clicks(2500, 10_000, repeats=10)
    assert Obstacle.LOW_OHM in {
        o.obstacle for o in ask(too_often, output(on_us_max=8000), what=low)
    }


def test_a_pump_runs_dry_only_as_long_as_it_may() -> None:
    pump = part("demo-fuel-pump")
    assert ask(packaged("pump-spin"), what=pump) == []
    long = clicks(4_000_000, 4_000_000, repeats=1)
    found = only(ask(long, what=pump))
    assert (found.obstacle, found.nearest_value) == (Obstacle.DRY_RUN, 3.0)
    assert objections(pump, long, output(), IDENTITY, 13.5, fluid_confirmed=True) == []


@pytest.mark.parametrize("kind", [k for k in PartKind if k.is_forbidden])
def test_forbidden_kinds_are_refused_even_when_built_by_hand(kind: PartKind) -> None:
    found = ask(packaged("short-pulse"), what=replace(part(), kind=kind))
    assert found[0].obstacle is Obstacle.FORBIDDEN_KIND
    assert found[0].nearest == ""


def test_the_low_current_source_is_not_for_cycling() -> None:
    found = only(ask(packaged("short-pulse"), output(kind=OutputKind.LOW_CURRENT_SOURCE)))
    assert found.obstacle is Obstacle.OUTPUT_KIND


def test_a_pattern_that_cooks_the_winding_is_refused() -> None:
    hot = replace(part(), ability=replace(part().ability, winding_c_max=60.0))
    found = only(ask(packaged("six-second"), what=hot))
    assert found.obstacle is Obstacle.WINDING


def test_warming_agrees_with_the_closed_forms() -> None:
    thermal = Thermal(resistance_k_per_w=10.0, time_constant_s=100.0)
    # Steady state of T = Ta + Rth V² / R20 * 254.5 / (234.5 + T): a quadratic in T.
    power_k = 10.0 * 12.0**2 / 20.0
    b, c = 234.5 - 20.0, -20.0 * 234.5 - power_k * 254.5
    expected = (-b + math.sqrt(b * b - 4 * c)) / 2
    steady = clicks(60_000_000, 1, repeats=20)
    found = peak_winding_c(steady, supply_v=12.0, resistance_20c_ohm=20.0, thermal=thermal)
    assert found == pytest.approx(expected, abs=0.05)
    # Half the time on warms half the power, to first order, plus the ripple within a cycle.
    weak = replace(steady, steps=clicks(1000, 1000).steps, repeats=60_000)
    found = peak_winding_c(weak, supply_v=1.2, resistance_20c_ohm=20.0, thermal=thermal)
    assert found - 20.0 == pytest.approx(
        0.5 * 10.0 * 1.2**2 / 20.0 * (1 - math.exp(-1.2)), rel=0.01
    )


_settings = st.builds(
    Setting,
    part=st.sampled_from(["demo-injector", "demo-purge-solenoid", "demo-fuel-pump"]).map(part),
    output=st.sampled_from(
        [
            output(),
            output(on_us_max=5_000_000, on_us_min=1500, off_us_min=3000),
            output(resolution_ns=64_000),
            relay(),
            relay(rated_operations=100),
        ]
    ),
    identity=st.just(IDENTITY),
    supply_v=st.sampled_from([12.0, 13.5]),
)


@st.composite
def _patterns(draw: st.DrawFn) -> Pattern:
    repeats = draw(st.integers(1, 300))
    pairs = draw(st.lists(st.tuples(*[st.integers(1, 20_000_000)] * 2), min_size=1, max_size=3))
    change = draw(st.sampled_from([0, 0, 1, 20, -3, 3000]))
    steps = [Step(on=n % 2 == 0, duration_us=us) for pair in pairs for n, us in enumerate(pair)]
    if steps[0].duration_us + change * (repeats - 1) > 0:
        steps[0] = replace(steps[0], change_us=change)
    return Pattern(name="t", title="t", steps=tuple(steps), repeats=repeats)


@settings(max_examples=150, deadline=None)
@given(_settings, _patterns())
def test_the_nearest_pattern_is_accepted_and_a_good_one_is_left_alone(
    setting: Setting, pattern: Pattern
) -> None:
    near = nearest_pattern(pattern, setting)
    before = list(obstacles(pattern, setting))
    assert near is not None or before
    if near is not None:
        assert not list(obstacles(near, setting))
        assert (near == pattern) == (not before)
        assert check_schedule(to_schedule(near, setting.output), [setting.output], []) is None


def test_a_nearest_is_found_where_one_exists() -> None:
    for pattern, setting in [
        (
            packaged("short-pulse"),
            Setting(part=part(), output=relay(), identity=IDENTITY, supply_v=13.5),
        ),
        (
            clicks(12_000_000, 1_000, 40),
            Setting(part=part(), output=output(), identity=IDENTITY, supply_v=13.5),
        ),
    ]:
        assert nearest_pattern(pattern, setting) is not None


@settings(max_examples=200, deadline=None)
@given(_settings, _patterns())
def test_what_is_accepted_here_the_rig_accepts(setting: Setting, pattern: Pattern) -> None:
    if not list(obstacles(pattern, setting)):
        schedule = to_schedule(pattern, setting.output)
        assert check_schedule(schedule, [setting.output], [], IDENTITY.steps_max) is None
