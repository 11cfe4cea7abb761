"""Waveforms from a file: what is read, what is refused and where, and what comes out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from benchrig.errors import InputFileError
from benchrig.measure import wave as wave_module
from benchrig.measure.features import Motion, MotionAnswer
from benchrig.measure.rise import fit_rise
from benchrig.measure.wave import SCHEMA, Wave, WaveAnalysis, read_wave_csv

NIST = Path(__file__).parents[1] / "data" / "nist" / "Misra1a.csv"


def csv(rows: Any, header: str = "time_s,current_a", style: str = "%.9g", cut: str = ",") -> bytes:
    lines = [header] + [cut.join(style % cell for cell in row) for row in rows]
    return ("\n".join(lines) + "\n").encode()


def findings(data: bytes) -> list[str]:
    with pytest.raises(InputFileError) as caught:
        read_wave_csv(data, "x.csv")
    assert "time_s,current_a" in caught.value.advice
    return [str(finding) for finding in caught.value.findings]


def analyse_wave(wave: Wave, start_s: float | None = None, **more: Any) -> WaveAnalysis:
    """Without asking for motion, unless a test does."""
    return wave_module.analyse_wave(wave, start_s, **{"assess_motion": None, **more})


def rise(analysis: WaveAnalysis) -> dict[str, Any]:
    whole = json.loads(json.dumps(analysis.to_json(), allow_nan=False))
    assert whole["schema"] == SCHEMA
    assert set(whole) >= {"rise", "motion", "turn_off", "ripple"}
    found: dict[str, Any] = whole["rise"]
    return found


def test_misra1a_as_a_waveform() -> None:
    # NIST StRD Misra1a, certified values in the data file; x as time, y as current.
    rows = [line.split(",") for line in NIST.read_text().splitlines() if line[:1].isdigit()]
    data = csv([(float(x), float(y)) for y, x in rows])
    found = rise(analyse_wave(read_wave_csv(data)))
    assert found["converged"] is True
    assert found["current_a"]["value"] == pytest.approx(238.94212918, rel=1e-6)
    assert found["current_a"]["std_uncertainty"] == pytest.approx(2.7070075241, rel=1e-5)
    assert 1 / found["tau_s"]["value"] == pytest.approx(5.5015643181e-4, rel=1e-6)
    assert found["residual_sum_squares"] == pytest.approx(0.12455138894, rel=1e-5)
    assert found["inductance_h"] is None
    assert found["resistance_ohm"] is None
    assert "too short for R" in found["reason"]


def test_six_points_are_enough_and_give_what_the_fit_gives() -> None:
    t = np.arange(1, 7) * 6e-4
    y = 0.93 * -np.expm1(-t / 0.83e-3) + np.array([1, -1, 0, 1, -2, 1]) * 1e-4
    found = rise(analyse_wave(read_wave_csv(csv(zip(t, y, strict=True)))))
    direct = fit_rise(np.round(t, 9), np.array([float(f"{v:.9g}") for v in y]))
    assert direct.tau_s is not None
    assert found["tau_s"]["value"] == pytest.approx(direct.tau_s.value, rel=1e-9)
    five = rise(analyse_wave(read_wave_csv(csv(list(zip(t, y, strict=True))[:5]))))
    assert five["converged"] is False
    assert "6 or more" in five["reason"]


def test_every_way_of_writing_the_numbers_reads_the_same() -> None:
    rows = [(k * 1e-4, 0.1 * k, 13.5) for k in range(8)]
    header = "time_s,current_a,voltage_v"
    plain = read_wave_csv(csv(rows, header))
    decimal_comma = csv(rows, header.replace(",", ";"), cut=";").replace(b".", b",")
    for data in (
        decimal_comma,
        csv(rows, header.replace(",", ";"), cut=";"),
        b"\xef\xbb\xbf" + csv(rows, header),
        csv(rows, header).replace(b"\n", b"\r\n"),
        b"# rig 7 at 21 \xb0C\n\n" + csv(rows, header),
        csv(rows, ' "time_s" , CURRENT_A, voltage_v'),
        csv([(i, t, v) for t, i, v in rows], "current_a,time_s,voltage_v"),
    ):
        other = read_wave_csv(data)
        assert np.array_equal(other.time_s, plain.time_s)
        assert np.array_equal(other.current_a, plain.current_a)
        assert other.voltage_v is not None
        assert plain.voltage_v is not None
        assert np.array_equal(other.voltage_v, plain.voltage_v)
    assert plain.voltage_digit == pytest.approx(0.1)
    assert (
        read_wave_csv(csv(rows)[: len(b"time_s,current_a\n")] + b"0,1\n1e-3,2\n").voltage_v is None
    )


def test_every_bad_row_is_named_by_its_line() -> None:
    text = (
        b"# head\ntime_s,current_a\n0,0\n1e-4,abc\n2e-4\n3e-4,0.3\n2e-4,0.4\n4e-4,nan\n5e-4,1_0\n"
    )
    told = findings(text)
    assert [line.split(":")[1] for line in told] == ["4", "5", "7", "8", "9"]
    assert "'abc' is not a finite number" in told[0]
    assert "1 cells, the header has 2" in told[1]
    assert "goes back" in told[2]
    many = findings(b"time_s,current_a\n" + b"x,y\n" * 500)
    assert len(many) == 51
    assert "450 more" in many[-1]


@pytest.mark.parametrize(
    ("data", "text"),
    [
        (b"", "empty"),
        (b"0,0\n1,1\n", "no column time_s"),
        (b"time_s;strom\n0;0\n", "no column current_a"),
        (b"time_s,current_a,current_a\n0,0,0\n", "twice"),
        (b"time_s,current_a\n", "no rows"),
        (b"time_s,current_a\n0,5;3\n", "not a finite number"),
    ],
)
def test_files_that_are_none_are_refused(data: bytes, text: str) -> None:
    assert any(text in line for line in findings(data))


def test_a_missing_file_is_an_input_error(tmp_path: Path) -> None:
    with pytest.raises(InputFileError, match="cannot be read"):
        read_wave_csv(tmp_path / "none.csv")
    path = tmp_path / "some.csv"
    path.write_bytes(b"time_s,current_a\n0,1\n")
    assert read_wave_csv(path).name == str(path)


SUPPLY, INNER, OHM, HENRY = 13.5, 0.4, 14.5, 12e-3


def pulse(rate: float = 50_000.0, clamp_v: float = 0.7, seed: int = 0, begin: float = 0.0) -> Any:
    """On for 6 ms behind an inner resistance, then off into a clamp; 2 ms of quiet before."""
    rng = np.random.default_rng(seed)
    t = np.arange(-0.002, 0.012, 1 / rate) + 3e-6
    r, on_s = OHM + INNER, 6e-3
    i = np.where(t > 0, SUPPLY / r * -np.expm1(-np.clip(t, 0, None) * r / HENRY), 0.0)
    top = SUPPLY / r * -np.expm1(-on_s * r / HENRY)
    a = clamp_v / OHM
    after = (top + a) * np.exp(-np.clip(t - on_s, 0, None) * OHM / HENRY) - a
    i = np.where(t > on_s, np.maximum(after, 0.0), i)
    v = np.where((t > 0) & (t < on_s), SUPPLY - INNER * i, 0.0)
    i = i + 0.004 + rng.normal(0, 1e-3, t.size)  # an offset that the quiet shows
    v = v + rng.normal(0, 5e-3, t.size)
    return t + begin, np.round(i, 4), np.round(v, 3)


def test_a_whole_pulse_with_voltage() -> None:
    inside = {"r": 0, "l": 0, "decay": 0}
    for seed in range(40):
        t, i, v = pulse(seed=seed)
        data = csv(zip(t, i, v, strict=True), "time_s,current_a,voltage_v")
        analysis = analyse_wave(read_wave_csv(data), clamp="diode")
        assert analysis.off_s == pytest.approx(6e-3, abs=3e-5)
        found = rise(analysis)
        r, henry = found["resistance_ohm"], found["inductance_h"]
        inside["r"] += abs(r["value"] - OHM) <= 2 * r["std_uncertainty"]
        inside["l"] += abs(henry["value"] - HENRY) <= 2 * henry["std_uncertainty"]
        assert r["std_uncertainty"] < 0.05
        decay = analysis.turn_off.decay_s
        assert analysis.turn_off.clamp == "diode"
        assert decay is not None
        inside["decay"] += abs(decay.value - 1.59e-3) < 4e-5
    assert inside["r"] >= 36
    assert inside["l"] >= 36
    assert inside["decay"] == 40


def test_switch_off_is_found_without_a_voltage_too() -> None:
    for clamp in (0.7, 24.0):
        t, i, _ = pulse(clamp_v=clamp)
        analysis = analyse_wave(read_wave_csv(csv(zip(t, i, strict=True))))
        assert analysis.off_s == pytest.approx(6e-3, abs=1.2e-4)
        assert rise(analysis)["converged"]
        assert "from the current itself" in analysis.turn_off.reason
    t, i, _ = pulse()
    alone = t < 5e-3
    analysis = analyse_wave(read_wave_csv(csv(zip(t[alone], i[alone], strict=True))))
    assert analysis.off_s is None
    assert "no turn-off" in analysis.turn_off.reason


def test_another_switch_on_moves_time_zero() -> None:
    t, i, _ = pulse(begin=0.25)
    data = csv(zip(t, i, strict=True))
    found = rise(analyse_wave(read_wave_csv(data), start_s=0.25))
    assert found["tau_s"]["value"] == pytest.approx(HENRY / (OHM + INNER), rel=0.01)
    wrong = rise(analyse_wave(read_wave_csv(data)))
    assert wrong["converged"] is False
    late = rise(analyse_wave(read_wave_csv(data), start_s=9.0))
    assert "no points after switch-on" in late["reason"]


def test_a_long_record_is_fitted_over_its_first_part() -> None:
    """The coil heats: over a second the current sinks, and that is no part of its rise."""
    t = np.arange(1, 10_001) * 1e-4
    i = 0.93 * -np.expm1(-t / 0.83e-3) * (1 - 0.05 * t)
    found = rise(analyse_wave(read_wave_csv(csv(zip(t, i, strict=True)))))
    assert found["points"] < 100
    assert found["current_a"]["value"] == pytest.approx(0.93, rel=1e-3)


def test_motion_is_handed_the_on_time_from_switch_on() -> None:
    seen = []

    def motion(time: Any, current: Any, volts: Any) -> Motion:
        assert volts is None
        seen.append((float(time[0]), float(time[-1]), current.size))
        return Motion(answer=MotionAnswer.NO_SIGNATURE, reason="none")

    t, i, _ = pulse()
    analysis = analyse_wave(read_wave_csv(csv(zip(t, i, strict=True))), assess_motion=motion)
    assert analysis.motion.answer is MotionAnswer.NO_SIGNATURE
    assert seen[0][0] >= 0
    assert seen[0][1] == pytest.approx(6e-3, abs=1.2e-4)
    assert not analyse_wave(read_wave_csv(csv(zip(t, i, strict=True)))).ripple.assessed


def test_motion_is_assessed_unless_told_not_to() -> None:
    t = np.arange(1, 9) * 5e-4
    i = 0.93 * -np.expm1(-t / 0.83e-3)
    motion = wave_module.analyse_wave(read_wave_csv(csv(zip(t, i, strict=True)))).motion
    assert motion.answer is MotionAnswer.NOT_ASSESSED
    assert "too short" in motion.reason


def test_the_rise_is_checked_by_simulated_records_of_the_part_it_was_fitted_to() -> None:
    # 60 tau with a slow sag: the fit takes the first 8, and so must the simulation.
    time = np.arange(1, 3001) * 0.02
    current = -np.expm1(-time) - 0.002 * time
    current += 0.003 * np.random.default_rng(5).standard_normal(time.size)
    rows = np.stack((time, current), axis=1)
    analysis = analyse_wave(read_wave_csv(csv(rows)))
    assert analysis.rise_time_s.max() < 10.0
    assert analysis.rise.points == analysis.rise_time_s.size
    whole = json.loads(json.dumps(wave_module.simulated_to_json(analysis, 1_000)))
    assert whole["records"] == 1_000
    assert set(whole) == {"records", "refused", "reason", "seed", "current_a", "tau_s"}
