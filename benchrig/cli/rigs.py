"""``benchrig rig``: ports, check of the day, lead null, calibration, conformance."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from benchrig.cli.output import columns, say, say_json, talk
from benchrig.cli.runs import JsonOption, LogOption, RigOption, YesOption, confirm
from benchrig.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from benchrig.bench.calibrate import InputCalibration
    from benchrig.bench.conform import ConformanceReport
    from benchrig.bench.observer import Observer
    from benchrig.quantity import Measured
    from benchrig.record.log import RunLog

T = TypeVar("T")
rig_app = typer.Typer(help="The rig itself.", no_args_is_help=True)

OutputOption = Annotated[int, typer.Option(help="The rig's output that is used.")]
ResistorOption = Annotated[
    float | None, typer.Option("--resistor-ohm", help="A known resistor is clipped on: its value.")
]
ResistorUOption = Annotated[
    float, typer.Option("--resistor-u-ohm", help="Its standard uncertainty.")
]


def register(app: typer.Typer) -> None:
    """Add ``rig`` to the tree."""
    from benchrig.cli import gage, golden

    gage.register(rig_app)
    golden.register(rig_app)
    app.add_typer(rig_app, name="rig")


@rig_app.command("list")
def rig_list(as_json: JsonOption = False) -> None:
    """List serial ports and the simulated scenarios."""
    import textwrap

    from benchrig.rig.ports import list_ports, list_scenarios

    ports, scenarios = list_ports(), list_scenarios()
    if as_json:
        say_json({"schema": "benchrig.rigs/1", "ports": ports, "scenarios": scenarios})
        return
    if ports:
        say(columns([("PORT", "WHAT"), *((p["port"], p["what"]) for p in ports)]))
    else:
        say("no serial port found")
    listed = " ".join(f"sim:{name}" for name in scenarios)
    say("simulated:")
    indent = "  "
    say(
        textwrap.fill(
            listed, 78, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
        )
    )


@rig_app.command("check")
def rig_check(
    rig: RigOption,
    output: OutputOption = 0,
    resistor_ohm: ResistorOption = None,
    resistor_u_ohm: ResistorUOption = 0.01,
    log: LogOption = None,
    as_json: JsonOption = False,
) -> int:
    """Check of the day: zeroes, supply, calibration date, a known resistor if one is clipped on."""
    from benchrig.bench import calibrate as care

    resistor = None if resistor_ohm is None else _ohm(resistor_ohm, resistor_u_ohm)

    async def work(observer: Observer) -> list[care.RigCheck]:
        return await care.check_rig(observer, resistor)

    lines = _with_rig(rig, output, log, work)
    ok = all(line.ok for line in lines)
    if as_json:
        say_json(
            {
                "schema": "benchrig.rig-check/1",
                "ok": ok,
                "checks": [{"name": x.name, "ok": x.ok, "found": x.found} for x in lines],
            }
        )
    else:
        say(columns([("ok" if x.ok else "NOT OK", x.name, x.found) for x in lines]))
    return int(ExitCode.PASS if ok else ExitCode.RIG)


@rig_app.command("null")
def rig_null(
    rig: RigOption,
    output: OutputOption = 0,
    awg: Annotated[
        int | None, typer.Option(min=0, max=40, help="Gauge of the leads, to doubt the null by.")
    ] = None,
    lead_m: Annotated[
        float, typer.Option(min=0.01, max=100, help="Length of one lead, with --awg.")
    ] = 1.0,
    operator: Annotated[str, typer.Option(help="Who takes it.")] = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take the lead null: clips shorted together at the part's end. Tens of milliamperes only."""
    from benchrig.bench.calibrate import take_null
    from benchrig.bench.equipment import rig_id
    from benchrig.cli.pace import stamp
    from benchrig.errors import PrecheckFailed
    from benchrig.measure.leads import null_doubt
    from benchrig.record.entries import LeadNullEntry
    from benchrig.record.log import RunLog

    async def work(observer: Observer) -> tuple[str, Measured]:
        return rig_id(observer.rig), await take_null(observer)

    unique_id, null = _with_rig(rig, output, log, work)
    doubt = "" if awg is None else null_doubt(null.value, awg, lead_m)
    if doubt:
        raise PrecheckFailed([doubt], advice="look at clips and leads; nothing was kept")
    with RunLog.open(log) as run_log:
        run_log.add(
            LeadNullEntry(
                at=stamp(),
                who=operator,
                rig_unique_id=unique_id,
                output=output,
                resistance_ohm=null,
            )
        )
    if as_json:
        say_json(
            {
                "schema": "benchrig.lead-null/1",
                "rig": unique_id,
                "output": output,
                "resistance_ohm": null.value,
                "std_uncertainty": null.std_uncertainty,
            }
        )
    else:
        say(f"lead null of output {output}: {null.value:.3f} ± {null.expanded:.3f} ohm, kept")


@rig_app.command("calibrate")
def rig_calibrate(
    rig: RigOption,
    resistor_ohm: Annotated[float, typer.Option(help="The known resistor that is clipped on.")],
    resistor_u_ohm: Annotated[float, typer.Option(help="Its standard uncertainty.")],
    output: OutputOption = 0,
    meter_v: Annotated[
        float | None,
        typer.Option(help="Volts a calibrated meter reads across it while on; else it is asked."),
    ] = None,
    meter_u_v: Annotated[
        float, typer.Option(min=1e-6, max=10, help="Its standard uncertainty.")
    ] = 0.01,
    days: Annotated[
        int, typer.Option(min=1, max=3650, help="How long the calibration holds.")
    ] = 365,
    operator: Annotated[str, typer.Option(help="Who calibrates.")] = "",
    log: LogOption = None,
    yes: YesOption = False,
    as_json: JsonOption = False,
) -> None:
    """Two-point calibration of the inputs with a known resistor and a meter."""
    from benchrig.bench import calibrate as care
    from benchrig.bench.equipment import Equipment, rig_id
    from benchrig.cli.pace import stamp
    from benchrig.record.log import RunLog

    resistor = _ohm(resistor_ohm, resistor_u_ohm)
    if meter_v is not None:
        _volts(meter_v, meter_u_v)  # what cannot be used is told before anything is switched on
    confirm(yes)

    async def work(observer: Observer) -> tuple[str, list[InputCalibration]]:
        meter = partial(_meter_reading, meter_v, meter_u_v)
        with RunLog.open(log) as run_log:
            equipment = Equipment.load(run_log, observer.rig, output, stamp())
        found = await care.calibrate(
            observer,
            resistor,
            meter,
            lead_null=equipment.lead_null,
            lead_null_age_s=equipment.lead_null_age_s,
        )
        return rig_id(observer.rig), found

    unique_id, found = _with_rig(rig, output, log, work, calibrated=False)
    reference = f"{resistor_ohm:g} ohm ± {2 * resistor_u_ohm:g} ohm, and a meter"
    expires = _keep_calibration(log, unique_id, found, days=days, who=operator, reference=reference)
    if as_json:
        say_json(_calibration_json(unique_id, found, expires))
        return
    rows = [("INPUT", "GAIN", "U (k = 2)", "OFFSET")]
    for x in found:
        uncertainty = f"{200 * x.gain_rel_uncertainty:.2f} %"
        role = x.role.name.lower().replace("_", " ")
        rows.append((role, f"{x.gain:.5f}", uncertainty, f"{x.offset:.3g}"))
    say(columns(rows))
    say(f"kept for rig {unique_id} until {expires}")


async def _meter_reading(given_v: float | None, std_uncertainty: float) -> Measured:
    """What the meter reads: as given with the command, or as typed by the person."""
    from benchrig.cli.pace import person_types

    value = given_v
    if value is None:
        talk("The resistor is on. Read the meter across it.")
        typed = await person_types("Volts: ")
        try:
            value = float(typed.replace(",", "."))
        except ValueError as error:
            raise UsageError(f"{typed!r} is no number of volts") from error
    return _volts(value, std_uncertainty)


def _volts(value: float, std_uncertainty: float) -> Measured:
    from benchrig.quantity import Measured

    if not 0 < value < math.inf:
        raise UsageError(f"{value:g} is no number of volts across a resistor that is on")
    return Measured(value=value, std_uncertainty=std_uncertainty, unit="V")


def _keep_calibration(
    log: str | None,
    unique_id: str,
    found: list[InputCalibration],
    *,
    days: int,
    who: str,
    reference: str,
) -> str:
    """Add it to the log; until when it holds."""
    from datetime import datetime, timedelta

    from benchrig.cli.pace import stamp
    from benchrig.record.entries import CalibrationEntry
    from benchrig.record.log import RunLog

    now = stamp()
    expires = (datetime.fromisoformat(now) + timedelta(days=days)).date().isoformat()
    with RunLog.open(log) as run_log:
        for entry in found:
            run_log.add(
                CalibrationEntry(
                    at=now,
                    who=who,
                    rig_unique_id=unique_id,
                    input=entry.input,
                    gain=entry.gain,
                    offset=entry.offset,
                    gain_rel_uncertainty=entry.gain_rel_uncertainty,
                    offset_uncertainty=entry.offset_uncertainty,
                    date=now[:10],
                    expires=expires,
                    reference=reference,
                )
            )
    return expires


def _calibration_json(
    unique_id: str, found: list[InputCalibration], expires: str
) -> dict[str, Any]:
    return {
        "schema": "benchrig.calibration/1",
        "rig": unique_id,
        "expires": expires,
        "inputs": [
            {
                "input": x.input,
                "role": x.role.name.lower(),
                "gain": x.gain,
                "offset": x.offset,
                "gain_rel_uncertainty": x.gain_rel_uncertainty,
                "offset_uncertainty": x.offset_uncertainty,
            }
            for x in found
        ],
    }


@rig_app.command("conform")
def rig_conform(
    rig: RigOption,
    log: LogOption = None,
    yes: YesOption = False,
    as_json: JsonOption = False,
) -> int:
    """Hold a rig to the protocol's promises, with a dummy load or nothing clipped on."""
    from benchrig.bench.conform import CAUTION, run_conformance
    from benchrig.cli.pace import run_async
    from benchrig.record.log import RunLog
    from benchrig.rig.link import open_link

    talk(CAUTION)
    confirm(yes)

    async def work() -> ConformanceReport:
        link = await open_link(rig)
        try:
            with RunLog.open(log) as run_log:
                return await run_conformance(
                    link, admit=lambda unique_id: _refuse_open_runs(run_log, unique_id)
                )
        finally:
            await link.close()

    report = run_async(rig, work())
    if as_json:
        say_json(report.to_json())
    else:
        say(columns([(c.outcome.value, c.name, c.sentence) for c in report.checks]))
        for check in report.checks:
            if check.likely_cause:
                say(f"{check.name}: likely cause: {check.likely_cause}")
        say("every promise was kept" if report.conforms else "a promise was broken")
    return int(ExitCode.PASS if report.conforms else ExitCode.RIG)


def _with_rig(
    url: str,
    output: int,
    log: str | None,
    work: Callable[[Observer], Awaitable[T]],
    *,
    calibrated: bool = True,
) -> T:
    """Open a rig, refuse while a run is open on it, work, and leave with the feed open."""
    from benchrig.bench.equipment import Equipment, rig_id
    from benchrig.bench.observer import Observer
    from benchrig.cli.pace import run_async, stamp
    from benchrig.record.log import RunLog
    from benchrig.rig.client import open_rig

    async def guarded() -> T:
        async with open_rig(url) as rig:
            if not 0 <= output < len(rig.outputs):
                raise UsageError(f"the rig has no output {output}; it has {len(rig.outputs)}")
            with RunLog.open(log) as run_log:
                _refuse_open_runs(run_log, rig_id(rig))
                if calibrated:
                    equipment = Equipment.load(run_log, rig, output, stamp())
                    rig.scales = equipment.apply(rig.scales)
            async with Observer(rig, output) as observer:
                return await work(observer)

    return run_async(url, guarded())


def _refuse_open_runs(run_log: RunLog, unique_id: str) -> None:
    stale = run_log.open_runs(unique_id)
    if stale:
        raise UsageError(
            f"run {stale[0].record_id} on this rig was never closed",
            advice="the next benchrig run on it takes evidence first and closes it",
        )


def _ohm(value: float, u: float) -> Measured:
    from benchrig.quantity import Measured

    if not (0 < value < math.inf and 0 < u < math.inf):
        raise UsageError("a known resistor has a value and a standard uncertainty above 0")
    return Measured(value=value, std_uncertainty=u, unit="ohm")
