"""Lead null, check of the day, calibration: kept by rig, applied, and widened when expired."""

from __future__ import annotations

import asyncio
import math
import re
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TypeVar

import pytest

from benchrig.bench import calibrate as care
from benchrig.bench import prechecks
from benchrig.bench.equipment import EXPIRED_FACTOR, Equipment, rig_id
from benchrig.bench.observer import Observer
from benchrig.errors import ExitCode, NotProvenSafe, PrecheckFailed
from benchrig.measure.samples import UNCALIBRATED_GAIN_REL_U
from benchrig.quantity import Measured
from benchrig.record.entries import CalibrationEntry
from benchrig.record.log import RunLog
from benchrig.rig.client import Rig, open_rig
from benchrig.wire.messages import InputRole
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench_room.jobs import run_sim

T = TypeVar("T")
RESISTOR = Measured(value=22.0, std_uncertainty=0.005, unit="ohm")
# 13.5 V through 0.05 + 0.01 + 0.02 + 0.05 + 0.06 ohm of supply, feed, switch, shunt and leads.
METER_V = 13.5 * 22.0 / (22.0 + 0.19)


def with_rig(scenario: str, work: Callable[[Rig, Observer], Awaitable[T]]) -> T:
    async def main() -> T:
        async with open_rig(f"sim:{scenario}") as rig, Observer(rig, 0) as observer:
            return await work(rig, observer)

    with asyncio.Runner(loop_factory=VirtualTimeLoop) as runner:
        return runner.run(main())


NULL = Measured(value=0.14, std_uncertainty=0.002, unit="ohm")  # of the simulated bench


async def calibrated(
    observer: Observer,
    resistor: Measured,
    meter_v: Callable[[], Awaitable[Measured]],
    null: Measured | None = NULL,
    age_s: float | None = 60.0,
) -> list[care.InputCalibration]:
    return await care.calibrate(observer, resistor, meter_v, lead_null=null, lead_null_age_s=age_s)


def calibration_of(scenario: str) -> tuple[str, list[care.InputCalibration]]:
    async def meter() -> Measured:
        return Measured(value=METER_V, std_uncertainty=0.005, unit="V")

    async def work(rig: Rig, observer: Observer) -> tuple[str, list[care.InputCalibration]]:
        return rig_id(rig), await calibrated(observer, RESISTOR, meter)

    return with_rig(scenario, work)


def test_calibration_finds_the_true_gains() -> None:
    from benchrig_sim.scenario import open_scenario

    truth = {m.info.role: m for m in open_scenario("known-resistor").rig.inputs}
    _, found = calibration_of("known-resistor")
    by_role = {c.role: c for c in found}
    for role in (InputRole.PART_VOLTAGE, InputRole.CURRENT_FINE):
        true_gain = 1.0 / (1.0 + truth[role].gain_error)
        off = abs(by_role[role].gain - true_gain)
        assert off <= 3 * by_role[role].gain_rel_uncertainty, role
        assert by_role[role].gain_rel_uncertainty < UNCALIBRATED_GAIN_REL_U / 3


@pytest.mark.parametrize(
    ("fault", "ohm", "why"),
    [
        ("", 27.0, "wrong resistor"),
        ("?fault=part-open", 22.0, "no resistor is read"),
        ("?fault=part-shorted", 22.0, "wrong resistor"),
        ("?fault=input-stuck,input=5", 22.0, "no resistor is read"),
    ],
)
def test_what_is_not_the_resistor_never_bears_the_supply(fault: str, ohm: float, why: str) -> None:
    async def meter() -> Measured:
        raise AssertionError("the supply is on it")

    async def work(rig: Rig, observer: Observer) -> None:
        wrong = Measured(value=ohm, std_uncertainty=0.01, unit="ohm")
        with pytest.raises(PrecheckFailed, match=why):
            await calibrated(observer, wrong, meter)
        assert observer.edges[-1][1] is False
        assert sum(on for _, on in observer.edges) == 1, "the low-current source, and nothing else"

    with_rig(f"known-resistor{fault}", work)


def test_a_wrong_meter_reading_is_not_taken_for_a_gain() -> None:
    async def meter() -> Measured:
        return Measured(value=METER_V / 2, std_uncertainty=0.005, unit="V")

    async def work(rig: Rig, observer: Observer) -> None:
        await calibrated(observer, RESISTOR, meter)

    with pytest.raises(PrecheckFailed, match="wrong meter reading"):
        with_rig("known-resistor", work)


def test_a_calibrated_rig_is_surer_and_an_expired_one_says_so(tmp_path: Path) -> None:
    path = tmp_path / "log.db"
    plain = run_sim("healthy", path)
    gain_u: dict[bool, float] = {}
    unique_id, found = calibration_of("known-resistor")
    for expires, expired in (("2031-12-31", False), ("2031-01-01", True)):
        with RunLog.open(path) as log:
            for c in found:
                log.add(
                    CalibrationEntry(
                        at="2030-12-01T08:00:00+00:00",
                        who="A. Bencher",
                        rig_unique_id=unique_id,
                        input=c.input,
                        gain=c.gain,
                        offset=c.offset,
                        gain_rel_uncertainty=c.gain_rel_uncertainty,
                        offset_uncertainty=c.offset_uncertainty,
                        date="2030-12-01",
                        expires=expires,
                        reference="22 ohm",
                    )
                )
        record = run_sim("healthy", path)
        assert record.rig.calibration_expired is expired
        assert record.rig.calibration_date == "2030-12-01"
        r20, before = record.cold.resistance_20c_ohm, plain.cold.resistance_20c_ohm
        assert r20 is not None
        assert before is not None
        assert r20.std_uncertainty < before.std_uncertainty
        assert abs(r20.value - 14.5) <= 2.5 * r20.std_uncertainty
        gains = {s.source: s.std_uncertainty for s in r20.budget}
        gain_u[expired] = gains["part voltage gain"]
    assert gain_u[True] > 1.5 * gain_u[False]
    assert plain.rig.calibration_expired
    assert plain.rig.calibration_date is None


def test_expiry_never_makes_a_gain_worse_than_uncalibrated() -> None:
    entry = CalibrationEntry(
        at="2030-01-01T00:00:00+00:00",
        who="",
        input=1,
        gain=1.0,
        offset=0.0,
        gain_rel_uncertainty=UNCALIBRATED_GAIN_REL_U / 1.5,
        offset_uncertainty=1e-3,
        date="2030-01-01",
        expires="2030-06-01",
        reference="",
    )

    async def work(rig: Rig, observer: Observer) -> None:
        equipment = Equipment(now="2031-01-01T00:00:00+00:00", calibrations={1: entry}, null=None)
        (scale,) = [s for s in equipment.apply(rig.scales) if s.input == 1]
        assert scale.gain_rel_uncertainty == UNCALIBRATED_GAIN_REL_U
        assert scale.offset_uncertainty == pytest.approx(EXPIRED_FACTOR * 1e-3)
        assert not scale.calibrated

    with_rig("healthy", work)


def test_a_lead_null_is_read_with_the_clips_shorted_only() -> None:
    async def work(rig: Rig, observer: Observer) -> Measured:
        return await care.take_null(observer)

    null = with_rig("clips-shorted", work)
    assert abs(null.value - 0.14) <= 2.5 * null.std_uncertainty
    with pytest.raises(PrecheckFailed):
        with_rig("healthy", work)


def test_the_check_of_the_day_finds_a_wrong_resistor() -> None:
    async def work(rig: Rig, observer: Observer) -> list[care.RigCheck]:
        return await care.check_rig(
            observer, Measured(value=24.0, std_uncertainty=0.01, unit="ohm")
        )

    lines = with_rig("known-resistor", work)
    assert [line.name for line in lines if not line.ok] == ["known resistor"]


def test_a_calibration_on_an_output_that_sticks_is_no_calibration() -> None:
    with pytest.raises(PrecheckFailed, match="did not switch off"):
        calibration_of("known-resistor?fault=welded-output@cycle1")


def test_a_calibration_whose_resistor_stays_on_says_so_loudly() -> None:
    with pytest.raises(NotProvenSafe, match="MAY BE LIVE") as told:
        calibration_of("known-resistor?fault=welded-output@cycle1&fault=welded-feed@cycle1")
    assert told.value.exit_code is ExitCode.NOT_PROVEN_SAFE


def test_a_calibration_that_is_interrupted_ends_with_a_look_at_the_resistor() -> None:
    async def leave(rig: Rig, observer: Observer) -> None:
        async def meter() -> Measured:
            raise asyncio.CancelledError

        await calibrated(observer, RESISTOR, meter)

    with pytest.raises(asyncio.CancelledError):
        with_rig("known-resistor", leave)
    with pytest.raises(NotProvenSafe):
        with_rig("known-resistor?fault=welded-output@cycle1&fault=welded-feed@cycle1", leave)


def two_wire(folder: Path, name: str, lead_ohm: float) -> str:
    """A packaged scenario with other leads, sensed at the rig's own terminals."""
    import benchrig_sim

    packaged = Path(benchrig_sim.__file__).parent / "scenarios" / f"{name}.toml"
    text = re.sub(r"(?m)^lead_ohm = .*\n", "", packaged.read_text(encoding="utf-8"))
    text = re.sub(r"(?m)^\[bench\]\nfour_wire = false\n", "", text)
    text = text.replace(
        "[[part]]\n", f"[bench]\nfour_wire = false\n\n[[part]]\nlead_ohm = {lead_ohm}\n"
    )
    path = folder / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("lead_ohm", [0.0, 0.05, 0.14, 0.3])
def test_the_leads_are_no_gain(lead_ohm: float, tmp_path: Path) -> None:
    """Truth from the scenario: each input's own gain error, whatever the leads are."""
    from benchrig_sim.scenario import open_scenario

    async def short(rig: Rig, observer: Observer) -> Measured:
        return await care.take_null(observer)

    null = with_rig(two_wire(tmp_path, "clips-shorted", lead_ohm), short)
    # Supply, feed, switch and shunt, as in METER_V, and these leads in place of its 0.06 ohm.
    volts = 13.5 * 22.0 / (22.0 + 0.13 + lead_ohm)

    async def meter() -> Measured:
        return Measured(value=volts, std_uncertainty=0.005, unit="V")

    async def work(rig: Rig, observer: Observer) -> list[care.InputCalibration]:
        return await calibrated(observer, RESISTOR, meter, null)

    scenario = two_wire(tmp_path, "known-resistor", lead_ohm)
    truth = {m.info.role: m for m in open_scenario(scenario).rig.inputs}
    found = {c.role: c for c in with_rig(scenario, work)}
    for role in (InputRole.PART_VOLTAGE, InputRole.CURRENT_FINE):
        true_gain = 1.0 / (1.0 + truth[role].gain_error)
        assert abs(found[role].gain - true_gain) <= 2 * found[role].gain_rel_uncertainty, role
    # Only the ratio of the fine input to the reference counts.
    fine, reference = truth[InputRole.PART_VOLTAGE_FINE], truth[InputRole.REFERENCE_VOLTAGE]
    true_ratio = (1.0 + reference.gain_error) / (1.0 + fine.gain_error)
    entry = found[InputRole.PART_VOLTAGE_FINE]
    doubt = 2 * math.hypot(entry.gain_rel_uncertainty, prechecks.REFERENCE_RESISTOR_REL_U)
    assert abs(entry.gain - true_ratio) <= doubt


@pytest.mark.parametrize(
    ("null", "age_s", "why"),
    [(None, None, "no lead null"), (NULL, 1e6, "older than a shift"), (NULL, None, "older")],
)
def test_leads_that_nobody_nulled_are_not_calibrated_away(
    null: Measured | None, age_s: float | None, why: str, tmp_path: Path
) -> None:
    async def meter() -> Measured:
        raise AssertionError("the supply is on it")

    async def work(rig: Rig, observer: Observer) -> None:
        with pytest.raises(PrecheckFailed, match=why):
            await calibrated(observer, RESISTOR, meter, null, age_s)
        assert observer.edges == []

    with_rig(two_wire(tmp_path, "known-resistor", 0.1), work)


def test_an_input_at_the_part_needs_no_null() -> None:
    async def meter() -> Measured:
        return Measured(value=METER_V, std_uncertainty=0.005, unit="V")

    async def work(rig: Rig, observer: Observer) -> int:
        return len(await calibrated(observer, RESISTOR, meter, None, None))

    assert with_rig("known-resistor", work) >= 4
