"""``benchrig rig golden``: the part that is measured every morning, before any other is judged."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.files import destination, write_file
from benchrig.cli.output import say, say_json
from benchrig.cli.runs import JsonOption, LogOption, RigOption, confirm, do_run, make_plan, show
from benchrig.errors import ExitCode

if TYPE_CHECKING:
    from benchrig.bench.goldenday import GoldenDay
    from benchrig.record.values import RunRecord


def register(rig_app: typer.Typer) -> None:
    """Add the command to ``benchrig rig``."""
    rig_app.command("golden")(rig_golden)


def rig_golden(
    tag: Annotated[str, typer.Argument(help="The golden part's tag.")],
    rig: RigOption,
    part: Annotated[str, typer.Option(help="Its part's name or part file.")],
    pattern: Annotated[
        str, typer.Option("--pattern", "-p", help="A pattern's name or file.")
    ] = "slow-click",
    output: Annotated[int, typer.Option(help="The rig's output it is clipped to.")] = 0,
    temperature_c: Annotated[float | None, typer.Option(help="By a probe on it, °C.")] = None,
    soaked: Annotated[
        float | None,
        typer.Option(metavar="ROOM_C", help="It lay at this room temperature for an hour or more."),
    ] = None,
    expect: Annotated[
        bool,
        typer.Option("--expect", help="Take today's values as what it is expected to read."),
    ] = False,
    page: Annotated[Path | None, typer.Option("--page", help="Write the control chart here.")] = (
        None
    ),
    operator: Annotated[str, typer.Option(help="Who measures it.")] = "",
    log: LogOption = None,
    yes: Annotated[bool, typer.Option("--yes", "-y", help="Do not ask before energising.")] = False,
    as_json: JsonOption = False,
) -> int:
    """Measure the golden part: inside its control limits (0), or nothing is judged today (3)."""
    from benchrig.bench.goldenday import check_day, set_expected
    from benchrig.bench.outcome import exit_code_for
    from benchrig.bench.trayfile import part_temperature
    from benchrig.cli.pace import stamp
    from benchrig.record.log import RunLog

    if page is not None:
        destination(page, "")
    plan = make_plan(
        part,
        pattern,
        output=output,
        temperature=part_temperature(probe_c=temperature_c, soaked_c=soaked),
        tag=tag,
        operator=operator,
        stage="golden part",
    )
    confirm(yes)
    record, where = do_run(plan, rig, log, quiet=as_json)
    if (code := exit_code_for(record)) in (ExitCode.NOT_PROVEN_SAFE, ExitCode.INTERRUPTED):
        show(record, where, as_json=as_json)
        return int(code)
    with RunLog.open(log) as run_log:
        if expect:
            set_expected(run_log, record, who=operator, at=stamp())
        day = check_day(run_log, record, who=operator, at=stamp())
    if page is not None:
        from benchrig.report.html import control_page

        write_file(
            page,
            control_page(
                day.check, day.days, simulated=record.simulated, invented=plan.part.invented
            ),
        )
    _show(day, record, where, page, as_json=as_json)
    return int(ExitCode.PASS if day.accepted else ExitCode.RIG)


def _show(
    day: GoldenDay, record: RunRecord, where: str, page: Path | None, *, as_json: bool
) -> None:
    if as_json:
        say_json(
            {
                **to_json(day),
                "simulated": record.simulated,
                "log": where,
                "page": str(page) if page else None,
            }
        )
        return
    from benchrig.record.values import said_alone

    said = said_alone("accepted" if day.accepted else "NOT ACCEPTED", record.simulated)
    say(f"golden part {day.tag}: {said}")
    for line in (*day.far, *(chart.reason for chart in day.check.charts)):
        say(f"  {line}")
    if not day.accepted:
        say("nothing is judged today: look at leads, lead null, supply and rig, and measure again")
    if page is not None:
        say(str(page))


def to_json(day: GoldenDay) -> dict[str, Any]:
    """The public JSON of a golden part's day."""
    return {
        "schema": "benchrig.golden/1",
        "tag": day.tag,
        "record": day.record_id,
        "accepted": day.accepted,
        "verdict": day.check.verdict.value,
        "reason": day.sentence,
        "charts": [
            {
                "name": chart.characteristic.value,
                "unit": chart.unit,
                "points": list(chart.points),
                "centre": chart.centre,
                "low": chart.low,
                "high": chart.high,
                "outside": list(chart.outside),
                "verdict": chart.verdict.value,
                "reason": chart.reason,
            }
            for chart in day.check.charts
        ],
    }
