"""A run's verdict: what fails, what passes, and above all what is left open."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.judge.cycling import judge_others
from benchrig.judge.judge import is_complete, judge_run, left_open, overall, overall_reason
from benchrig.judge.resistance import joint_doubt
from benchrig.judge.verdict import Judged, Verdict
from benchrig.judge.words import limit_words, plain
from benchrig.measure.features import (
    CycleFeatures,
    DropOut,
    Motion,
    MotionAnswer,
    Ripple,
    RiseFit,
)
from benchrig.measure.rise import STRUCTURED
from benchrig.parts import library
from benchrig.parts.part import Characteristic, Limit, Part, PartKind
from benchrig.quantity import Measured

R20, CURRENT = Characteristic.RESISTANCE_20C, Characteristic.CURRENT
DROP_OUTS, MOTION = Characteristic.DROP_OUTS, Characteristic.MOTION
MOVED = Motion(answer=MotionAnswer.MOVED, reason="", false_alarm_rate=0.01)
STILL = Motion(answer=MotionAnswer.NO_SIGNATURE, reason="", false_alarm_rate=0.01)
UNSEEN = Motion(answer=MotionAnswer.NOT_ASSESSED, reason="2 kS/s is too slow to see a movement")


def m(value: float, unit: str, relative: float = 0.003) -> Measured:
    return Measured(value=value, std_uncertainty=abs(value) * relative, unit=unit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cold:
    supply_v: Measured | None = None
    resistance_ohm: Measured | None = None
    resistance_20c_ohm: Measured | None = None
    over_range: bool = False
    insulation_ohm: Measured | None = None
    insulation_at_least_ohm: float | None = None
    insulation_at_most_ohm: float | None = None


def part(name: str = "demo-injector") -> Part:
    return library.load(name, Path("/nowhere"))


def cold(ohm: float = 14.5, ohm_20c: float | None = 14.5) -> Cold:
    return Cold(
        resistance_ohm=m(ohm, "ohm"),
        resistance_20c_ohm=None if ohm_20c is None else m(ohm_20c, "ohm"),
        insulation_ohm=m(5e7, "ohm", 0.1),
    )


def cycle(number: int, current_a: float = 0.85, voltage_v: float = 13.4) -> CycleFeatures:
    return CycleFeatures(
        cycle=number,
        start_s=12.0 * (number - 1),
        on_s=6.0,
        complete=True,
        current_a=m(current_a, "A"),
        voltage_v=m(voltage_v, "V"),
        motion=MOVED,
    )


def cycles(count: int = 25, **changes: object) -> list[CycleFeatures]:
    return [replace(cycle(n), **changes) for n in range(1, count + 1)]  # type: ignore[arg-type]


def run(
    what: Part | None = None,
    *,
    reading: Cold | None = None,
    seen: list[CycleFeatures] | None = None,
    temperature_c: float | None = 21.0,
    four_wire: bool = True,
    lead_null_valid: bool = True,
    reference: Motion | None = None,
) -> dict[Characteristic, Judged]:
    judged = judge_run(
        what or part(),
        cold=reading or cold(),
        cycles=cycles() if seen is None else seen,
        cycles_planned=25,
        temperature_c=temperature_c,
        four_wire=four_wire,
        lead_null_valid=lead_null_valid,
        motion_reference=reference,
    )
    found = {j.characteristic: j for j in judged}
    assert len(found) == len(judged), "a characteristic was judged twice"
    return found


def word(found: dict[Characteristic, Judged], *, complete: bool = True) -> Verdict:
    return overall(list(found.values()), complete=complete)


def test_a_healthy_part_passes_and_says_what_25_cycles_prove() -> None:
    found = run()
    assert {c: j.verdict for c, j in found.items()} == {
        R20: Verdict.PASS,
        CURRENT: Verdict.PASS,
        DROP_OUTS: Verdict.PASS,
        MOTION: Verdict.PASS,
        Characteristic.INSULATION: Verdict.PASS,
    }
    assert word(found) is Verdict.PASS
    # One-sided 95 % bound for no failure in 25: 1 - 0.05^(1/25).
    assert "11.3 %" in found[DROP_OUTS].does_not_prove
    assert "resistance and current" in overall_reason(list(found.values()), complete=True)
    assert all(j.does_not_prove for j in found.values())


# --- resistance ---------------------------------------------------------------------------------


def test_no_temperature_means_not_assessed_never_a_guess() -> None:
    found = run(temperature_c=None)[R20]
    assert found.verdict is Verdict.NOT_ASSESSED
    assert found.measured is None
    assert "14.500" in found.reason
    assert "temperature" in found.reason


def test_a_hot_coil_is_judged_at_20_c() -> None:
    # 18.9 ohm read at 85 °C is 15.055 ohm at 20 °C (234.5 rule): within 13.8 to 15.2 ohm only so.
    ohm_20c = 18.9 * (234.5 + 20) / (234.5 + 85)
    hot = Cold(resistance_ohm=m(18.9, "ohm", 1e-3), resistance_20c_ohm=m(ohm_20c, "ohm", 1e-3))
    assert run(reading=hot, temperature_c=85.0)[R20].verdict is Verdict.PASS


@pytest.mark.parametrize(
    ("ohm", "four_wire", "null", "verdict"),
    [
        (2.4, False, False, Verdict.NOT_ASSESSED),
        (2.4, False, True, Verdict.PASS),
        (2.4, True, False, Verdict.PASS),
        (4.99, False, False, Verdict.NOT_ASSESSED),
        (5.01, False, False, Verdict.FAIL),
    ],
)
def test_two_wires_below_5_ohm_need_a_fresh_null(
    ohm: float, four_wire: bool, null: bool, verdict: Verdict
) -> None:
    found = run(
        part("demo-low-ohm-injector"),
        reading=cold(ohm, ohm),
        four_wire=four_wire,
        lead_null_valid=null,
    )[R20]
    assert found.verdict is verdict
    assert verdict is not Verdict.NOT_ASSESSED or "null" in found.reason


def test_over_range_fails_and_sends_to_the_clips_first() -> None:
    found = run(reading=Cold(over_range=True), seen=[], temperature_c=None)
    assert found[R20].verdict is Verdict.FAIL
    assert "check clips" in found[R20].reason
    assert word(found, complete=False) is Verdict.FAIL


def test_no_limit_shows_the_value_and_judges_nothing() -> None:
    bare = replace(part(), limits=())
    found = run(bare)
    assert found[R20].verdict is Verdict.NOT_ASSESSED
    assert found[R20].reason == "no published limit given"
    assert found[R20].measured is not None
    assert found[CURRENT].measured is not None
    assert word(found) is Verdict.INCONCLUSIVE
    assert "published limit" in overall_reason(list(found.values()), complete=True)


def test_a_winding_that_is_not_copper_is_judged_near_20_c_only() -> None:
    ballast = replace(part(), copper_winding=False)
    assert run(ballast, temperature_c=21.5)[R20].verdict is Verdict.PASS
    found = run(ballast, temperature_c=30.0)[R20]
    assert found.verdict is Verdict.NOT_ASSESSED
    assert "no correction" in found.reason


def test_a_joint_that_only_shows_under_load_is_told() -> None:
    hot = [replace(cycle(1), resistance_ohm=m(18.5, "ohm"))]
    assert "joint" in joint_doubt(cold(), hot)
    assert joint_doubt(cold(), [replace(cycle(1), resistance_ohm=m(15.0, "ohm"))]) == ""
    assert joint_doubt(Cold(), hot) == ""


# --- current ------------------------------------------------------------------------------------


def test_current_is_judged_at_the_voltage_measured_with_it() -> None:
    # 0.60 to 1.05 A printed for 13.5 V; at 11.0 V: 0.489 to 0.856 A.
    low = [cycle(n, current_a=0.55, voltage_v=11.0) for n in range(1, 26)]
    found = run(seen=low)[CURRENT]
    assert found.verdict is Verdict.PASS
    assert found.limit is not None
    assert found.limit.low == pytest.approx(0.60 * 11.0 / 13.5)
    assert "scaled" in found.limit.source
    same_at_13_5 = [cycle(n, current_a=0.55, voltage_v=13.5) for n in range(1, 26)]
    assert run(seen=same_at_13_5)[CURRENT].verdict is Verdict.FAIL


def test_the_voltage_uncertainty_widens_the_comparison() -> None:
    sure = replace(cycle(1, current_a=0.61, voltage_v=13.5), voltage_v=m(13.5, "V", 1e-5))
    unsure = replace(sure, voltage_v=m(13.5, "V", 0.05))
    assert run(seen=[sure])[CURRENT].verdict is Verdict.PASS
    assert run(seen=[unsure])[CURRENT].verdict is Verdict.INCONCLUSIVE


def test_the_cycle_nearest_to_a_limit_decides() -> None:
    seen = cycles()
    seen[6] = cycle(7, current_a=1.5)
    found = run(seen=seen)[CURRENT]
    assert found.verdict is Verdict.FAIL
    assert found.reason.startswith("cycle 7")


def test_far_off_voltages_and_missing_ones_are_not_judged() -> None:
    for seen in (
        [cycle(1, current_a=0.5, voltage_v=8.0)],
        [replace(cycle(1), voltage_v=None)],
        [replace(cycle(1), complete=False)],
        [],
    ):
        assert run(seen=seen)[CURRENT].verdict is Verdict.NOT_ASSESSED


# --- drop-outs ----------------------------------------------------------------------------------


def test_one_drop_out_fails_with_time_duration_and_winding_temperature() -> None:
    seen = cycles()
    drop = DropOut(cycle=7, start_s=78.25, duration_s=0.012, depth=1.0, winding_temperature_c=83.0)
    seen[6] = replace(seen[6], drop_outs=(drop,))
    found = run(seen=seen)
    assert found[DROP_OUTS].verdict is Verdict.FAIL
    for words in ("1 of 25 cycles", "cycle 7 at 78.250 s for 12 ms", "83 °C"):
        assert words in found[DROP_OUTS].reason
    assert word(found) is Verdict.FAIL


def test_incomplete_data_never_pass() -> None:
    seen = cycles()
    seen[3] = replace(seen[3], complete=False, missing_samples=40)
    found = run(seen=seen)
    assert found[DROP_OUTS].verdict is Verdict.INCONCLUSIVE
    assert "cycle 4" in found[DROP_OUTS].reason
    assert not is_complete(seen, 25)
    assert run(seen=cycles(24))[DROP_OUTS].verdict is Verdict.INCONCLUSIVE
    assert not is_complete(cycles(24), 25)
    assert is_complete(cycles(), 25)
    assert word(run(), complete=False) is Verdict.INCONCLUSIVE
    assert run(seen=[])[DROP_OUTS].verdict is Verdict.NOT_ASSESSED


# --- motion -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("motions", "reference", "verdict"),
    [
        ([MOVED] * 25, None, Verdict.PASS),
        ([STILL] * 25, None, Verdict.INCONCLUSIVE),
        ([STILL] * 25, STILL, Verdict.INCONCLUSIVE),
        ([STILL] * 25, UNSEEN, Verdict.INCONCLUSIVE),
        ([STILL] * 25, MOVED, Verdict.FAIL),
        ([MOVED] * 20 + [STILL] * 5, MOVED, Verdict.INCONCLUSIVE),
        ([UNSEEN] * 25, MOVED, Verdict.NOT_ASSESSED),
        ([UNSEEN] * 24 + [MOVED], None, Verdict.PASS),
    ],
)
def test_no_signature_fails_only_against_a_reference(
    motions: list[Motion], reference: Motion | None, verdict: Verdict
) -> None:
    seen = [replace(cycle(n), motion=each) for n, each in enumerate(motions, 1)]
    found = run(seen=seen, reference=reference)[MOTION]
    assert found.verdict is verdict
    assert "stuck" not in found.reason
    assert verdict is not Verdict.NOT_ASSESSED or found.reason == UNSEEN.reason


def test_a_part_without_signature_is_not_passed() -> None:
    assert word(run(seen=cycles(motion=STILL))) is Verdict.INCONCLUSIVE
    assert word(run(seen=cycles(motion=UNSEEN))) is Verdict.PASS


# --- what else ----------------------------------------------------------------------------------


def test_measured_values_without_limits_are_shown_and_limits_without_values_told() -> None:
    rise = RiseFit(converged=True, reason="", inductance_h=m(0.012, "H"))
    found = run(seen=cycles(rise=rise))
    assert found[Characteristic.INDUCTANCE].reason == "no published limit given"
    limit = Limit(characteristic=Characteristic.INDUCTANCE, low=0.01, high=0.014, source="s")
    limited = replace(part(), limits=(*part().limits, limit))
    assert run(limited, seen=cycles(rise=rise))[Characteristic.INDUCTANCE].verdict is Verdict.PASS
    short = RiseFit(converged=False, reason="record too short")
    found = run(limited, seen=cycles(rise=short))
    assert found[Characteristic.INDUCTANCE].reason == "record too short"


def test_times_hold_at_their_voltage_only() -> None:
    moved = replace(MOVED, end_s=m(0.0015, "s"))
    limit = Limit(
        characteristic=Characteristic.OPENING_TIME,
        low=None,
        high=0.002,
        source="s",
        at_voltage_v=13.5,
    )
    limited = replace(part(), limits=(*part().limits, limit))
    opening = Characteristic.OPENING_TIME
    assert run(limited, seen=cycles(motion=moved))[opening].verdict is Verdict.PASS
    off = cycles(motion=moved, voltage_v=m(12.0, "V"))
    assert run(limited, seen=off)[opening].verdict is Verdict.NOT_ASSESSED


def test_a_pump_is_judged_by_its_running_current_and_speed() -> None:
    ripple = Ripple(
        assessed=True, reason="", running_current_a=m(3.0, "A"), speed_rpm=m(7000.0, "1/min")
    )
    pump = part("demo-fuel-pump")
    seen = cycles(ripple=ripple, current_a=m(12.0, "A"), voltage_v=m(13.0, "V"))
    found = run(pump, seen=seen)
    assert found[CURRENT].verdict is Verdict.PASS
    assert found[Characteristic.SPEED].verdict is Verdict.PASS
    assert MOTION not in found
    assert word(found) is Verdict.PASS
    weak = run(pump, seen=cycles(ripple=ripple, voltage_v=m(12.0, "V")))
    assert weak[CURRENT].verdict is Verdict.NOT_ASSESSED
    # Too much at too little voltage is too much: a seized pump pulls the supply down itself.
    seized = Ripple(assessed=False, reason="no ripple", running_current_a=m(6.4, "A"))
    stalled = run(pump, seen=cycles(ripple=seized, voltage_v=m(12.0, "V")))
    assert stalled[CURRENT].verdict is Verdict.FAIL


def test_values_typed_in_are_judged_too() -> None:
    limit = Limit(characteristic=Characteristic.STATIC_FLOW, low=235.0, high=245.0, source="s")
    limited = replace(part(), limits=(limit,))
    (*_, found) = judge_run(
        limited,
        cold=cold(),
        cycles=cycles(),
        cycles_planned=25,
        temperature_c=20.0,
        four_wire=True,
        lead_null_valid=True,
        typed_in={Characteristic.STATIC_FLOW: m(240.0, "cc/min")},
    )
    assert (found.characteristic, found.verdict) == (Characteristic.STATIC_FLOW, Verdict.PASS)
    assert found.reason.startswith("typed in")


def test_what_is_left_open_is_always_said() -> None:
    said = "; ".join(left_open(part(), wiggled=False))
    for words in ("flow", "dry", "not moved", "wiring"):
        assert words in said
    assert "not moved" not in "; ".join(left_open(part(), wiggled=True))
    pump = "; ".join(left_open(replace(part(), kind=PartKind.FUEL_PUMP), wiggled=True))
    assert "pressure and delivery" in pump
    assert "spray" not in pump


def test_a_resistance_alone_passes_nothing() -> None:
    judged = [Judged(characteristic=R20, verdict=Verdict.PASS, reason="r")]
    assert overall(judged, complete=True) is Verdict.INCONCLUSIVE
    judged.append(Judged(characteristic=DROP_OUTS, verdict=Verdict.NOT_ASSESSED, reason="r"))
    assert overall(judged, complete=True) is Verdict.INCONCLUSIVE
    judged[1] = replace(judged[1], verdict=Verdict.PASS)
    assert overall(judged, complete=True) is Verdict.PASS


_verdicts = st.sampled_from(list(Verdict))


@given(st.dictionaries(st.sampled_from(list(Characteristic)), _verdicts), st.booleans())
def test_overall_rules(given_verdicts: dict[Characteristic, Verdict], complete: bool) -> None:
    judged = [Judged(characteristic=c, verdict=v, reason="r") for c, v in given_verdicts.items()]
    word = overall(judged, complete=complete)
    verdicts = set(given_verdicts.values())
    assert (word is Verdict.FAIL) == (Verdict.FAIL in verdicts)
    assert word is not Verdict.NOT_ASSESSED
    decided = {c for c, v in given_verdicts.items() if v is Verdict.PASS}
    may_pass = (
        complete
        and not verdicts & {Verdict.FAIL, Verdict.INCONCLUSIVE}
        and DROP_OUTS in decided
        and bool(decided & {R20, CURRENT})
    )
    assert (word is Verdict.PASS) == may_pass
    assert overall_reason(judged, complete=complete)


def test_drop_outs_that_the_limit_allows_are_never_called_none() -> None:
    allowed = replace(
        part(),
        limits=(
            *part().limits,
            Limit(characteristic=DROP_OUTS, low=None, high=1.0, source="service manual"),
        ),
    )
    drop = DropOut(cycle=3, start_s=26.0, duration_s=0.01, depth=1.0, winding_temperature_c=None)
    seen = [replace(c, drop_outs=(drop,) if c.cycle == 3 else ()) for c in cycles()]
    whole = run(allowed, seen=seen)[DROP_OUTS]
    assert whole.verdict is Verdict.PASS
    assert whole.reason == "drop-outs in 1 of 25 cycles, which the limit allows"
    gap = [replace(c, complete=False) if c.cycle == 9 else c for c in seen]
    cut = run(allowed, seen=gap)[DROP_OUTS]
    assert cut.verdict is Verdict.INCONCLUSIVE
    assert "no drop-out" not in cut.reason
    assert "drop-outs in 1 of 24 complete cycles" in cut.reason


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (12_000.0, "1/min", "12000 1/min"),
        (123_456.0, "cc/min", "123500 cc/min"),
        (1_500_000.0, "ohm", "1.5 Mohm"),
        (2.5e10, "ohm", "25000 Mohm"),
        (0.0, "A", "0 mA"),
        (-0.0, "A", "0 mA"),
        (-0.25, "V", "-0.25 V"),
        (14.523, "ohm", "14.52 ohm"),
        (3e-8, "A", "0.00003 mA"),
    ],
)
def test_a_number_is_written_out_as_people_write_it(value: float, unit: str, words: str) -> None:
    assert plain(value, unit) == words


def test_a_value_and_its_limit_are_told_in_one_unit() -> None:
    none = run(seen=cycles(current_a=Measured(value=2e-4, std_uncertainty=7e-4, unit="A")))[CURRENT]
    assert none.verdict is Verdict.FAIL
    assert "0.2 ± 1.4 mA is below 595.6 mA (allowed: 595.6 to 1042 mA)" in none.reason


def test_a_speed_limit_reads_as_it_is_printed() -> None:
    limit = Limit(characteristic=Characteristic.SPEED, low=9_000, high=12_000, source="manual")
    assert limit_words(limit, "1/min") == "9000 to 12000 1/min"


INSULATION = Characteristic.INSULATION  # the demo injector's limit: at least 1 Mohm


@pytest.mark.parametrize(
    ("least", "most", "verdict", "words"),
    [
        (5e6, None, Verdict.PASS, "below what the rig resolves: at least 5 Mohm"),
        (1e6, None, Verdict.PASS, "at least 1 Mohm"),
        (9e5, None, Verdict.NOT_ASSESSED, "at least 900 kohm"),
        (None, 9e5, Verdict.FAIL, "beyond the input's range: at most 900 kohm"),
        (None, 1e6, Verdict.NOT_ASSESSED, "at most 1 Mohm"),
        (None, 5e6, Verdict.NOT_ASSESSED, "at most 5 Mohm"),
    ],
)
def test_insulation_known_by_a_bound_only_is_judged_where_the_bound_decides(
    least: float | None, most: float | None, verdict: Verdict, words: str
) -> None:
    reading = replace(
        cold(), insulation_ohm=None, insulation_at_least_ohm=least, insulation_at_most_ohm=most
    )
    judged = run(reading=reading)[INSULATION]
    assert judged.verdict is verdict
    assert words in judged.reason
    assert judged.limit == part().limit(INSULATION)
    unlimited = replace(part(), limits=())
    assert run(unlimited, reading=reading)[INSULATION].verdict is Verdict.NOT_ASSESSED


def test_insulation_is_told_where_it_was_limited_or_measured_and_nowhere_else() -> None:
    unlimited, unread = replace(part(), limits=()), replace(cold(), insulation_ohm=None)
    assert INSULATION not in run(unlimited, reading=unread)
    assert run(unlimited)[INSULATION].verdict is Verdict.NOT_ASSESSED
    missing = run(reading=unread)[INSULATION]
    assert missing.verdict is Verdict.NOT_ASSESSED
    assert "no insulation input" in missing.reason


@pytest.mark.parametrize(("at_c", "judged"), [(18.0, True), (22.0, True), (22.1, False)])
def test_no_copper_is_judged_up_to_two_kelvin_from_20_c(at_c: float, judged: bool) -> None:
    ballast = replace(part(), copper_winding=False)
    found = run(ballast, temperature_c=at_c)[R20]
    assert (found.verdict is not Verdict.NOT_ASSESSED) is judged
    if not judged:
        assert "measure within 2 K of it" in found.reason


def test_a_joint_is_doubted_beyond_a_pulses_heating_and_three_sigma() -> None:
    def told(hot_ohm: float, u_ohm: float) -> bool:
        hot = Measured(value=hot_ohm, std_uncertainty=u_ohm, unit="ohm")
        reading = Cold(resistance_ohm=Measured(value=10.0, std_uncertainty=u_ohm, unit="ohm"))
        return bool(joint_doubt(reading, cycles(1, resistance_ohm=hot)))

    # 15 % above the cold reading are allowed, and three sigma of the difference.
    assert not told(11.5 + 2.9 * 0.1 * 2**0.5, 0.1)
    assert told(11.5 + 3.1 * 0.1 * 2**0.5, 0.1)
    assert not joint_doubt(cold(ohm=-0.01), cycles(1))


def test_a_rise_that_is_no_exponential_gives_no_verdict_on_what_is_read_off_it() -> None:
    """Neither a good part fails nor a bad one passes by an inductance whose u does not hold."""
    limit = Limit(
        characteristic=Characteristic.INDUCTANCE, low=0.010, high=0.011, source="invented"
    )
    limited = replace(part(), limits=(limit,))
    value = Measured(value=0.0130, std_uncertainty=0.0001, unit="H")
    found = {}
    for reason in ("", STRUCTURED):
        rise = RiseFit(converged=True, reason=reason, inductance_h=value)
        cycle = CycleFeatures(cycle=1, start_s=0.0, on_s=0.5, complete=True, rise=rise)
        judged = {j.characteristic: j for j in judge_others(limited, [cycle])}
        found[reason] = judged[Characteristic.INDUCTANCE]
    assert found[""].verdict is Verdict.FAIL
    assert found[STRUCTURED].verdict is Verdict.INCONCLUSIVE
    assert "not one exponential" in found[STRUCTURED].reason
