"""Cycles out of streams: what was put in comes out, and what was spoiled is found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchrig.measure.cycle_window import Rise, Window, at_the_same_instants, trace_of
from benchrig.measure.cycles import CycleAnalyser
from benchrig.measure.dropouts import noise_threshold, sample_noise
from benchrig.measure.features import CycleFeatures, Motion, MotionAnswer
from benchrig.measure.ripple import assess_ripple
from benchrig.measure.samples import SampleBlock
from benchrig.parts.part import PartKind
from benchrig.quantity import Measured
from benchrig.wire.messages import InputFlag

from .streams import SCALES, TICK_S, CoilStream


def feed(
    stream: CoilStream, blocks: list[SampleBlock] | None = None, **context: Any
) -> tuple[list[CycleFeatures], CycleAnalyser]:
    """Blocks and edges in the order a link brings them."""
    blocks = stream.blocks() if blocks is None else blocks
    edges = list(stream.edges)
    analyser = CycleAnalyser(stream.context(**context))
    out: list[CycleFeatures] = []
    for block in blocks:
        end = block.tick + block.codes.shape[0] * block.scan_period_ticks
        while edges and edges[0][0] < end:
            out += analyser.add_edge(*edges.pop(0))
        out += analyser.add_block(block)
    return out + analyser.finish(), analyser


def known(measured: Measured | None) -> Measured:
    assert measured is not None
    return measured


def test_each_cycle_comes_as_soon_as_it_is_over() -> None:
    stream = CoilStream()
    blocks = stream.blocks()
    analyser = CycleAnalyser(stream.context())
    for tick, on in stream.edges[:2]:
        analyser.add_edge(tick, on)
    off = stream.edges[1][0]
    for block in blocks:
        if done := analyser.add_block(block):
            assert len(done) == 1
            assert 0.03 <= (block.tick + 60 * 200 - off) * TICK_S < 0.04
            return
    pytest.fail("the first cycle never came")


def test_resistance_voltage_current_and_temperature_of_a_heating_coil() -> None:
    stream = CoilStream(kelvin_per_on_s=12.0, cycles=4)
    out, analyser = feed(stream)
    assert [f.cycle for f in out] == [1, 2, 3, 4]
    assert analyser.cycles_done == 4
    assert analyser.unexpected == []
    for number, f in enumerate(out):
        assert f.start_s == pytest.approx(0.8 * number)
        assert f.on_s == pytest.approx(0.4)
        assert f.complete
        assert f.all_drop_outs == ()
        middle = stream.temperature(number, 0.36)
        r, t = known(f.resistance_ohm), known(f.winding_temperature_c)
        assert abs(r.value - stream.resistance(middle)) < 2 * r.std_uncertainty
        assert abs(t.value - middle) < 2 * t.std_uncertainty
        assert t.std_uncertainty < 1.0  # gains cancel; apart they would cost 1 K more
        assert abs(known(f.voltage_v).value - 13.5) < 2 * known(f.voltage_v).std_uncertainty
        assert {line.source for line in r.budget} >= {
            "noise, V and I together",
            "voltage gain",
            "current gain",
            "current offset",
            "current quantisation",
        }


def test_the_winding_needs_copper_and_a_temperature_given() -> None:
    stream = CoilStream(cycles=2)
    blocks = stream.blocks()
    for change in ({"copper_winding": False}, {"part_temperature_c": None}):
        out, _ = feed(stream, blocks, **change)
        assert all(f.winding_temperature_c is None for f in out)
        assert all(f.resistance_ohm is not None for f in out)


def test_two_hundred_random_coils_are_covered() -> None:
    rng = np.random.default_rng(21)
    inside = {"r": 0, "l": 0, "decay": 0}
    count = 200
    for seed in range(count):
        stream = CoilStream(
            on_s=0.06,
            off_s=0.06,
            cycles=1,
            ohm_at_20=float(rng.uniform(10.0, 45.0)),
            henry=float(rng.uniform(4e-3, 30e-3)),
            clamp_v=float(rng.uniform(0.7, 25.0)),
            noise_a=float(rng.uniform(0.3e-3, 3e-3)),
            seed=seed,
            gains=(1 + 0.002 * rng.standard_normal(), 1 + 0.002 * rng.standard_normal()),
            offset_codes=float(rng.uniform(-3, 3)),
            lead_in_s=0.1,
        )
        f = feed(stream)[0][0]
        r = known(f.resistance_ohm)
        true_r = float(stream.resistance(22.0))
        inside["r"] += abs(r.value - true_r) <= 2 * r.std_uncertainty
        assert f.rise is not None
        henry = known(f.rise.inductance_h)
        inside["l"] += abs(henry.value - stream.henry) <= 2 * henry.std_uncertainty
        top, tau = 13.5 / true_r, stream.henry / true_r
        decay = tau * np.log(
            (top * true_r + stream.clamp_v) / (0.1 * top * true_r + stream.clamp_v)
        )
        if f.turn_off is not None and f.turn_off.assessed:
            found = known(f.turn_off.decay_s)
            inside["decay"] += abs(found.value - decay) <= 2 * found.std_uncertainty
        else:
            inside["decay"] += decay < 5e-4  # only a decay of a few samples goes unassessed
    assert min(inside.values()) >= 0.95 * count, inside


def test_one_lost_sample_of_current_is_found_and_placed() -> None:
    # Sample times of the current input lie half a scan after the scan's start.
    at = 0.8 + 0.2

    def spoil(time: Any, amps: Any) -> Any:
        return np.where(np.abs(time - at) < 0.5e-4, 0.0, amps)

    stream = CoilStream(spoil=spoil, kelvin_per_on_s=10)
    out, _ = feed(stream)
    assert [len(f.all_drop_outs) for f in out] == [0, 1, 0]
    drop = out[1].all_drop_outs[0]
    assert drop.cycle == 2
    assert drop.start_s == pytest.approx(at, abs=1e-4)
    assert drop.duration_s == pytest.approx(1e-4)
    assert drop.depth == pytest.approx(1.0, abs=0.02)
    assert drop.winding_temperature_c == pytest.approx(22 + 10 * 0.6, abs=1.5)
    # The rest of the cycle is still measured, without the lost sample.
    assert known(out[1].resistance_ohm).value == pytest.approx(
        stream.resistance(22 + 10 * 0.76), rel=0.004
    )


@pytest.mark.parametrize("two_wire", [False, True])
def test_the_temperature_at_a_drop_out_is_of_the_winding_alone(two_wire: bool) -> None:
    """Neither leads in the voltage nor the gaps just before it make the winding look hotter."""

    def chatter(time: Any, amps: Any) -> Any:
        phase = np.floor((time - 1.0) * 10_000 + 0.5)
        return np.where((phase >= 0) & (phase < 300) & (phase % 60 < 20), 0.0, amps)

    at_part = CoilStream(ohm_at_20=9.0, kelvin_per_on_s=10, spoil=chatter)
    out, _ = feed(at_part)
    if two_wire:
        stream = replace(
            at_part,
            spoil_volts=lambda time, volts: volts + 0.15 * at_part.signals(time)[1],
            edges=[],
        )
        scales = tuple(replace(s, flags=s.flags & ~InputFlag.AT_PART_TERMINALS) for s in SCALES)
        null = Measured(value=0.15, std_uncertainty=0.005, unit="ohm")
        out, _ = feed(stream, scales=scales, lead_null=null)
    assert [len(f.all_drop_outs) for f in out] == [0, 5, 0]
    for drop in out[1].all_drop_outs:
        assert drop.winding_temperature_c == pytest.approx(22 + 10 * 0.6, abs=1.5)


@pytest.mark.parametrize(
    ("begin", "length", "depth"),
    [(0.05, 0.003, 1.0), (0.1, 0.2, 1.0), (0.2, 0.2, 1.0), (0.3, 0.01, 0.1), (0.001, 0.001, 1.0)],
)
def test_drop_outs_anywhere_in_the_on_time(begin: float, length: float, depth: float) -> None:
    def spoil(time: Any, amps: Any) -> Any:
        inside = (time >= 0.8 + begin) & (time < 0.8 + min(begin + length, 0.4))
        return np.where(inside, amps * (1 - depth), amps)

    out, _ = feed(CoilStream(spoil=spoil))
    assert [len(f.all_drop_outs) for f in out] == [0, 1, 0]
    drop = out[1].all_drop_outs[0]
    assert drop.start_s - 0.8 == pytest.approx(begin, abs=2.1e-4)
    assert drop.duration_s == pytest.approx(min(length, 0.4 - begin), abs=3e-4)
    assert drop.depth == pytest.approx(depth, abs=0.03)


@pytest.mark.parametrize("rate", [10_000.0, 20_000.0])
@pytest.mark.parametrize(("begin", "samples"), [(1.5e-3, 1), (1.5e-3, 2), (2e-3, 1), (1.6e-3, 5)])
def test_a_drop_out_fills_much_of_a_short_pulse(rate: float, begin: float, samples: int) -> None:
    """2.5 ms in 10 ms: a lost sample is no small part of what tells the noise."""

    def spoil(time: Any, amps: Any) -> Any:
        inside = (time >= 0.1 + begin) & (time < 0.1 + begin + (samples - 0.01) / rate)
        return np.where(inside, 0.0, amps)

    stream = CoilStream(on_s=2.5e-3, off_s=7.5e-3, cycles=20, spoil=spoil, rate=rate)
    out, _ = feed(stream)
    assert [f.cycle for f in out if f.all_drop_outs] == [11]
    assert out[10].all_drop_outs[0].duration_s == pytest.approx(samples / rate)


@pytest.mark.parametrize("begin", [0.0, 0.1])
@pytest.mark.parametrize(("every", "open_samples"), [(5, 1), (10, 3), (20, 10), (10, 7), (40, 33)])
def test_a_contact_that_chatters_does_not_hide_itself(
    begin: float, every: int, open_samples: int
) -> None:
    """Open for many short spells: neither the noise nor the level is what the gaps make of them."""

    def spoil(time: Any, amps: Any) -> Any:
        phase = np.floor((time - 0.8 - begin) * 10_000 + 0.5)
        gap = (phase >= 0) & (time < 1.2) & (phase % every < open_samples)
        return np.where(gap, 0.0, amps)

    out, _ = feed(CoilStream(spoil=spoil))
    assert [bool(f.all_drop_outs) for f in out] == [False, True, False]
    open_s = sum(drop.duration_s for drop in out[1].all_drop_outs)
    # A contact that closes late breaks nothing yet: a first gap of all is not counted.
    assert open_s >= (0.4 - begin) * open_samples / every - 5e-3
    assert all(drop.depth == pytest.approx(1.0, abs=0.02) for drop in out[1].all_drop_outs)


def test_a_leak_that_chatters_while_off_is_reported() -> None:
    def spoil(time: Any, amps: Any) -> Any:
        phase = np.floor((time - 0.5) * 10_000 + 0.5)
        return np.where((phase >= 0) & (phase < 2500) & (phase % 5 == 0), 0.3, amps)

    _, analyser = feed(CoilStream(spoil=spoil))
    assert len(analyser.unexpected) == 500


def test_a_cycle_that_never_came_on() -> None:
    def spoil(time: Any, amps: Any) -> Any:
        return np.where((time > 0.79) & (time < 1.5), 0.0, amps)

    out, _ = feed(CoilStream(spoil=spoil))
    assert [len(f.all_drop_outs) for f in out] == [0, 1, 0]
    drop = out[1].all_drop_outs[0]
    assert drop.depth == 1.0
    assert drop.duration_s == pytest.approx(0.4)
    assert out[1].resistance_ohm is None
    never, _ = feed(CoilStream(spoil=lambda _, amps: amps * 0))
    assert [len(f.all_drop_outs) for f in never] == [1, 1, 1]


def test_clean_coils_give_no_drop_outs() -> None:
    """False alarms: 60 on-times of 4000 samples at a stated rate of 1 in 1000 each."""
    for seed in range(20):
        out, analyser = feed(CoilStream(seed=seed, noise_a=6e-3, kelvin_per_on_s=8))
        assert all(f.all_drop_outs == () for f in out)
        assert analyser.unexpected == []


@pytest.mark.parametrize(("late_s", "found"), [(15e-6, 0), (25e-6, 1)])
def test_a_conversion_held_up_by_the_off_edge_is_no_drop_out(late_s: float, found: int) -> None:
    """A rig may convert 20 µs late when it has an edge to make: the last sample shows the decay."""

    def held_up(time: Any, amps: Any) -> Any:
        return np.where(np.abs(time - (0.4 - late_s)) < 1e-9, 0.8 * amps, amps)

    # The current is converted half a scan after the voltage; the off edge follows by late_s.
    out, _ = feed(CoilStream(spoil=held_up, cycles=1, lead_in_s=0.2 + 50e-6 + late_s))
    assert len(out[0].all_drop_outs) == found


def test_the_noise_threshold_keeps_its_promise() -> None:
    rng = np.random.default_rng(0)
    k = noise_threshold(100, 0.05)
    hits = (rng.standard_normal((4000, 100)) > k).any(axis=1).mean()
    assert 0.01 < hits <= 0.06
    assert sample_noise(rng.normal(0, 2.0, 5000), 1e-6) == pytest.approx(2.0, rel=0.05)
    with pytest.raises(ValueError, match="between 0 and 1"):
        noise_threshold(10, 0.0)


def test_a_supply_that_sags_is_no_drop_out() -> None:
    def sag(time: Any) -> Any:
        return np.where((time > 0.95) & (time < 1.05), 0.9, 1.0)

    out, _ = feed(
        CoilStream(
            spoil=lambda time, amps: amps * sag(time), spoil_volts=lambda time, v: v * sag(time)
        )
    )
    assert all(f.all_drop_outs == () for f in out)
    without, _ = feed(CoilStream(spoil=lambda time, amps: amps * sag(time)))
    assert [len(f.all_drop_outs) for f in without] == [0, 1, 0]


def test_an_open_lead_before_the_sense_point_is_a_drop_out() -> None:
    def gone(time: Any, signal: Any) -> Any:
        return np.where((time > 0.95) & (time < 1.05), 0.0, signal)

    out, _ = feed(CoilStream(spoil=gone, spoil_volts=gone))
    assert [len(f.all_drop_outs) for f in out] == [0, 1, 0]


@pytest.mark.parametrize("samples", [2, 3, 5, 10])
@pytest.mark.parametrize("later", [0.1, 0.3, 0.7, 0.9])
def test_no_edge_of_an_open_lead_is_taken_for_a_sag(later: float, samples: int) -> None:
    """Voltage between samples of which one is gone is half; the current freewheels, and is lost."""
    begin = 1.0 + later * 1e-4
    end, tau = begin + samples * 1e-4, 12e-3 / 14.6

    def gone(time: Any, volts: Any) -> Any:
        return np.where((time >= begin) & (time < end), 0.0, volts)

    def freewheels(time: Any, amps: Any) -> Any:
        t = np.clip(time, begin, end)
        fallen = amps * np.exp(-(t - begin) / tau)
        return np.where(
            time < end, fallen, amps - (amps - fallen) * np.exp(-np.maximum(time - end, 0.0) / tau)
        )

    out, _ = feed(CoilStream(spoil=freewheels, spoil_volts=gone))
    assert [len(f.all_drop_outs) for f in out] == [0, 1, 0]
    lost = 1.0 - np.exp(-samples * 1e-4 / tau)
    assert out[1].all_drop_outs[0].depth == pytest.approx(lost, abs=0.13)


def test_lost_blocks_make_a_cycle_incomplete_and_are_counted() -> None:
    stream = CoilStream()
    blocks = stream.blocks()
    begin = next(n for n, b in enumerate(blocks) if b.tick > stream.edges[2][0] + 200_000)
    out, _ = feed(stream, blocks[:begin] + blocks[begin + 2 :])
    assert [f.complete for f in out] == [True, False, True]
    assert [f.missing_samples for f in out] == [0, 120, 0]
    assert all(f.all_drop_outs == () for f in out)


def test_a_dead_input_is_missing_samples_and_no_drop_out() -> None:
    def spoil(time: Any, amps: Any) -> Any:
        return np.where((time > 0.9) & (time < 0.91), -5.0, amps)  # code 0

    out, _ = feed(CoilStream(spoil=spoil))
    assert out[1].missing_samples == pytest.approx(100, abs=2)
    assert not out[1].complete
    assert out[1].all_drop_outs == ()


def test_current_while_off_is_reported() -> None:
    def spoil(time: Any, amps: Any) -> Any:
        return amps + np.where((time > 0.5) & (time < 0.6), 0.3, 0.0)

    _, analyser = feed(CoilStream(spoil=spoil))
    assert len(analyser.unexpected) == 1
    found = analyser.unexpected[0]
    assert found.start_s == pytest.approx(0.5, abs=2e-4)
    assert found.duration_s == pytest.approx(0.1, abs=3e-4)
    assert found.peak_a == pytest.approx(0.3, abs=0.01)


def test_a_leak_is_not_taken_for_an_offset() -> None:
    leak, _ = feed(CoilStream(spoil=lambda time, amps: amps + 0.15))
    clean, _ = feed(CoilStream())
    assert known(leak[1].current_a).value - known(clean[1].current_a).value == pytest.approx(
        0.15, abs=0.005
    )


def test_short_pulses_are_read_from_their_rise() -> None:
    stream = CoilStream(on_s=5e-3, off_s=10e-3, cycles=30, rate=20_000.0)
    out, analyser = feed(stream)
    assert len(out) == 30
    assert analyser.unexpected == []
    for f in out:
        r = known(f.resistance_ohm)
        assert abs(r.value - stream.resistance(22.0)) < 3 * r.std_uncertainty
        assert r.std_uncertainty < 0.01 * r.value
        t = known(f.winding_temperature_c)
        assert abs(t.value - 22.0) < 3 * t.std_uncertainty


@pytest.mark.parametrize(("off_s", "carries"), [(3e-3, True), (8e-3, False)])
def test_a_current_that_never_ended_has_no_clean_rise(off_s: float, carries: bool) -> None:
    """A plain diode, pulses close together: the next rise begins where the decay had come to."""
    on_s, henry, ohm = 10e-3, 20e-3, 14.61
    tau, top, diode = henry / ohm, 13.5 / ohm, 0.7 / ohm

    def carried(time: Any, _: Any) -> Any:
        amps, begin = np.zeros_like(time), 0.0
        for cycle in range(20):
            t = time - cycle * (on_s + off_s)
            rise = top + (begin - top) * np.exp(-np.maximum(t, 0.0) / tau)
            end = top + (begin - top) * np.exp(-on_s / tau)
            fall = (end + diode) * np.exp(-np.maximum(t - on_s, 0.0) / tau) - diode
            amps = np.where((t >= 0) & (t < on_s), rise, amps)
            amps = np.where((t >= on_s) & (t < on_s + off_s), np.maximum(fall, 0.0), amps)
            begin = max(0.0, (end + diode) * float(np.exp(-off_s / tau)) - diode)
        return amps

    motion = Motion(answer=MotionAnswer.MOVED, reason="")
    stream = CoilStream(on_s=on_s, off_s=off_s, cycles=20, henry=henry, spoil=carried)
    out, _ = feed(stream, assess_motion=lambda rises: [motion] * len(rises))
    for cycle in out[1:]:
        assert cycle.rise is not None
        assert cycle.motion is not None
        if carries:
            assert "flows already" in cycle.rise.reason
            assert cycle.motion.answer is MotionAnswer.NOT_ASSESSED
        else:
            assert known(cycle.rise.tau_s).value == pytest.approx(tau, rel=0.01)
            assert cycle.motion is motion


def test_pulses_shorter_than_three_tau_give_no_resistance() -> None:
    out, _ = feed(CoilStream(on_s=2e-3, off_s=8e-3, cycles=5))
    for f in out:
        assert f.resistance_ohm is None
        assert f.current_a is None
        assert f.rise is not None
        assert "too short" in f.rise.reason


def test_two_wire_leads_are_nulled_or_owned_up_to() -> None:
    scales = tuple(replace(s, flags=s.flags & ~InputFlag.AT_PART_TERMINALS) for s in SCALES)
    for leads in (0.03, 0.2, 0.45):
        stream = CoilStream(ohm_at_20=14.5 + leads, start_c=20.0)
        blocks = stream.blocks()
        null = Measured(value=leads, std_uncertainty=0.01, unit="ohm")
        nulled = known(feed(stream, blocks, scales=scales, lead_null=null)[0][0].resistance_ohm)
        assert abs(nulled.value - 14.5) < 2 * nulled.std_uncertainty
        free = known(feed(stream, blocks, scales=scales)[0][0].resistance_ohm)
        assert abs(free.value - 14.5) < 2 * free.std_uncertainty
        assert free.std_uncertainty > 0.14


def test_the_coarse_range_serves_when_the_fine_one_is_full() -> None:
    stream = CoilStream(ohm_at_20=4.0, henry=4e-3, inputs=(1, 3, 4))
    out, _ = feed(stream)
    r = known(out[1].resistance_ohm)
    assert abs(r.value - stream.resistance(22.0)) < 2 * r.std_uncertainty
    only_fine, _ = feed(CoilStream(ohm_at_20=4.0, henry=4e-3))
    assert only_fine[1].resistance_ohm is None
    assert only_fine[1].rise is not None
    assert "over range" in only_fine[1].rise.reason


def test_motion_is_asked_of_coils_and_ripple_of_pumps() -> None:
    seen = []

    def motion(rises: Sequence[Rise]) -> list[Motion]:
        ((time, current, noise_a, volts),) = rises
        assert volts is not None
        assert volts[5:] == pytest.approx(13.5, rel=0.05)
        assert 0.5e-3 < noise_a < 2e-3
        seen.append((time[0], time.size, current[-1]))
        return [Motion(answer=MotionAnswer.NO_SIGNATURE, reason="")]

    out, _ = feed(CoilStream(), assess_motion=motion)
    assert len(seen) == 3
    assert all(f.motion is not None for f in out)
    assert 0 <= seen[0][0] < 1e-4
    assert seen[0][2] == pytest.approx(13.5 / 14.61, rel=0.02)
    pump, _ = feed(CoilStream(), assess_motion=motion, part_kind=PartKind.FUEL_PUMP)
    assert len(seen) == 3
    assert all(f.motion is None and f.resistance_ohm is None for f in pump)


def test_a_pumps_currents_have_the_gain_and_offset_of_their_input() -> None:
    """Thirty pumps behind inputs that are off by what their scale allows: 95 % are covered."""
    rng = np.random.default_rng(7)
    inside = {"running": 0, "inrush": 0}
    for seed in range(30):
        gain = 1.0 + 0.004 * rng.standard_normal()
        offset = 2.0 * rng.standard_normal() * 10.0 / 1024

        def pump(time: Any, amps: Any, gain: float = gain, offset: float = offset) -> Any:
            t = np.maximum(time, 0.0)
            humps = 1.0 + 0.04 * np.cos(2 * np.pi * 900 * t)
            true = (3.0 + 4.0 * np.exp(-t / 0.02)) * humps
            return np.where((time >= 0) & (time < 0.3), true, 0.0) / gain - offset

        stream = CoilStream(
            on_s=0.3, cycles=1, inputs=(1, 3), seed=seed, offset_codes=0.0, spoil=pump
        )
        coarse = replace(SCALES[1], gain_rel_uncertainty=0.004)
        # No quiet time before: the offset is known by its declaration alone.
        stream = replace(stream, lead_in_s=0.0)
        out, _ = feed(
            stream,
            scales=(SCALES[0], coarse),
            part_kind=PartKind.FUEL_PUMP,
            assess_ripple=assess_ripple,
        )
        assert out[0].ripple is not None
        running = known(out[0].ripple.running_current_a)
        inrush = known(out[0].ripple.inrush_current_a)
        assert {line.source for line in running.budget} > {"current gain", "offset"}
        inside["running"] += abs(running.value - 3.0) < running.expanded
        inside["inrush"] += abs(inrush.value - 7.28) < inrush.expanded + 0.05  # between samples
    assert min(inside.values()) >= 0.9 * 30, inside


def test_an_inrush_beyond_the_range_is_no_inrush() -> None:
    def pump(time: Any, amps: Any) -> Any:
        t = np.maximum(time, 0.0)
        true = (1.0 + 3.0 * np.exp(-t / 1e-3)) * (1.0 + 0.04 * np.cos(2 * np.pi * 900 * t))
        return np.where((time >= 0) & (time < 2.5), true, 0.0)

    stream = CoilStream(on_s=2.5, cycles=1, spoil=pump)
    out, _ = feed(stream, part_kind=PartKind.FUEL_PUMP, assess_ripple=assess_ripple)
    assert out[0].ripple is not None
    assert out[0].ripple.inrush_current_a is None
    assert known(out[0].ripple.running_current_a).value == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("later", [0.5, -0.5, 0.25, 0.0])
def test_inputs_read_in_turn_are_brought_to_the_same_instants(later: float) -> None:
    scans = np.arange(20.0)
    moved = at_the_same_instants(3.0 * scans + 1.0, later)
    assert moved == pytest.approx(3.0 * (scans + later) + 1.0)


def test_deferred_motion_gives_the_same_and_asks_nothing_during_the_run() -> None:
    asked = []

    def motion(rises: Sequence[Rise]) -> list[Motion]:
        asked.append(len(rises))
        answer = MotionAnswer.NO_SIGNATURE
        return [
            Motion(answer=answer, reason=f"{i.sum():.9f} {noise:.9f}") for _, i, noise, _ in rises
        ]

    stream = CoilStream()
    blocks = stream.blocks()
    at_once, _ = feed(stream, blocks, assess_motion=motion)
    asked.clear()
    later, analyser = feed(stream, blocks, assess_motion=motion, defer_motion=True)
    assert asked == []
    assert all(f.motion is None for f in later)
    assert analyser.with_motion(later) == at_once
    assert asked == [3], "all at once"


def test_a_spoiled_first_cycle_is_no_cold_reference() -> None:
    """The second cycle's winding is warm already: taking it for cold would read 10 K low."""

    def spoil(time: Any, amps: Any) -> Any:
        return np.where((time >= 0) & (time < 0.4), 0.0, amps)

    stream = CoilStream(spoil=spoil, kelvin_per_on_s=25.0, cycles=4)
    blocks = stream.blocks()
    blind, _ = feed(stream, blocks)
    assert all(f.winding_temperature_c is None for f in blind)
    cold = Measured(value=stream.resistance(22.0), std_uncertainty=0.03, unit="ohm")
    out, _ = feed(stream, blocks, cold_resistance=cold)
    for number, f in enumerate(out[1:], 1):
        t = known(f.winding_temperature_c)
        assert abs(t.value - stream.temperature(number, 0.36)) < 2 * t.std_uncertainty
    late, _ = feed(
        CoilStream(
            spoil=lambda time, amps: np.where(np.abs(time - 0.3) < 1e-3, 0.0, amps),
            kelvin_per_on_s=25.0,
        )
    )
    t = known(late[2].winding_temperature_c)  # cold was read before the drop-out
    assert abs(t.value - stream.temperature(2, 0.36)) < 2 * t.std_uncertainty


def test_a_trace_has_voltage_and_current_of_one_instant() -> None:
    scans: Any = np.arange(400)
    period = 1e-4
    volts = 12.0 + 2.0 * np.sin(2 * np.pi * 400.0 * scans * period)  # at the scan's start
    codes = np.stack((np.round(volts / SCALES[0].step) + 16, np.full(400, 300)), axis=1)
    window = Window(
        inputs=(1, 4),
        codes=codes.astype(np.int16),
        time_s=scans * period,
        period_s=period,
        on_s=0.04,
        zero=None,
        missing=0,
    )
    trace = trace_of(CoilStream().context(), window)
    assert trace is not None
    assert trace.voltage_v is not None
    exact = 12.0 + 2.0 * np.sin(2 * np.pi * 400.0 * trace.time_s)  # half a scan later
    assert np.abs(trace.voltage_v - exact)[:-1].max() < 0.05  # without it: 0.25


def test_memory_stays_bounded_over_a_long_run() -> None:
    stream = CoilStream(on_s=0.05, off_s=3.0, cycles=6)
    blocks = stream.blocks()
    edges = list(stream.edges)
    analyser = CycleAnalyser(stream.context())
    most = 0
    for block in blocks:
        while edges and edges[0][0] < block.tick:
            analyser.add_edge(*edges.pop(0))
        analyser.add_block(block)
        most = max(most, len(analyser._blocks))
    assert analyser.cycles_done == 6
    assert most * stream.block_scans / stream.rate < 1.2  # seconds kept, of 18


def test_a_cycle_cut_short_by_the_end_is_given_as_far_as_it_goes() -> None:
    stream = CoilStream(cycles=2)
    blocks = stream.blocks()
    cut = [b for b in blocks if b.tick < stream.edges[2][0] + 400_000]
    stream.edges = stream.edges[:3]
    out, _ = feed(stream, cut)
    assert len(out) == 2
    assert 0.19 < out[1].on_s < 0.21


def test_no_samples_at_all_is_an_incomplete_cycle() -> None:
    stream = CoilStream()
    analyser = CycleAnalyser(stream.context())
    analyser.add_edge(1000, True)
    analyser.add_edge(801_000, False)
    (only,) = analyser.finish()
    assert not only.complete
    assert only.missing_samples > 0
    assert only.current_a is None


def test_a_relay_closes_late_bounces_and_is_still_measured() -> None:
    closed = 0.0084

    def bounce(time: Any, amps: Any) -> Any:
        for cycle in range(3):
            t = time - 0.8 * cycle
            late = (t >= 0) & ((t < 0.007) | ((t > 0.0078) & (t < closed)) & (t < 0.4))
            amps = np.where(late & (t < closed), 0.0, amps)
        return amps

    stream = CoilStream(spoil=bounce)
    blocks = stream.blocks()
    out, _ = feed(stream, blocks, relay=True)
    for f in out:
        r = known(f.resistance_ohm)
        assert f.all_drop_outs == ()
        assert abs(r.value - stream.resistance(22.0)) < 2 * r.std_uncertainty
        assert known(f.winding_temperature_c).value == pytest.approx(22, abs=1)
        assert f.rise is not None
        assert "bounces" in f.rise.reason
        assert f.turn_off is not None
        assert not f.turn_off.assessed
    as_solid_state, _ = feed(stream, blocks)
    assert any(f.all_drop_outs for f in as_solid_state)


def test_a_drop_out_under_a_relay_keeps_its_time() -> None:
    def spoil(time: Any, amps: Any) -> Any:
        amps = np.where((time % 0.8) < 0.008, 0.0, amps)
        return np.where(np.abs(time - 1.0) < 1e-3, 0.0, amps)

    out, _ = feed(CoilStream(spoil=spoil), relay=True)
    assert [len(f.all_drop_outs) for f in out] == [0, 1, 0]
    assert out[1].all_drop_outs[0].start_s == pytest.approx(0.999, abs=2e-4)
