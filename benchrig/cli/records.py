"""``benchrig record``: look up, report, correct, export, re-analyse, verify and push."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.output import columns, say, say_json, talk
from benchrig.errors import ExitCode, LogError, UsageError

if TYPE_CHECKING:
    from benchrig.record.log import RunLog
    from benchrig.record.rows import RunSummary

record_app = typer.Typer(help="Records of finished runs.", no_args_is_help=True)

LogOption = Annotated[
    str | None,
    typer.Option("--log", envvar="BENCHRIG_LOG", help="Run log: a file or postgresql://..."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output.")]
RecordArgument = Annotated[str, typer.Argument(help="A record's id, or 'last'.")]


def register(app: typer.Typer) -> None:
    """Add ``record`` to the tree, with what other modules add to it."""
    from benchrig.cli import entries, exports, pages, traypages

    for module in (pages, traypages, entries, exports):
        module.register(record_app)
    app.add_typer(record_app, name="record")


def open_log(log: str | None, *, read_only: bool = True) -> RunLog:
    """The run log, for reading unless told otherwise."""
    from benchrig.record.log import RunLog

    return RunLog.open(log, read_only=read_only)


def resolve(run_log: RunLog, record_id: str) -> str:
    """A record's id; ``last`` is the newest one."""
    if record_id != "last":
        return record_id
    newest = run_log.list_runs(limit=1)
    if not newest:
        raise LogError(f"{run_log.shown} holds no finished run")
    return newest[0].record_id


@record_app.command("list")
def record_list(
    tag: Annotated[str | None, typer.Option(help="Only this tag: the part's history.")] = None,
    order: Annotated[str | None, typer.Option(help="Only this work order.")] = None,
    verdict: Annotated[str | None, typer.Option(help="Only this verdict.")] = None,
    since: Annotated[
        str | None, typer.Option(help="Begun on this day or later: 2026-01-31.")
    ] = None,
    until: Annotated[str | None, typer.Option(help="Begun on this day or earlier.")] = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many, newest first.")] = 30,
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """List records, newest first; with --tag the history of one part."""
    from benchrig.record.read import Filters

    wanted = Filters(
        tag=tag,
        order=order,
        verdict=None if verdict is None else _verdict(verdict),
        since=day(since),
        until=day(until),
    )
    with open_log(log) as run_log:
        found = run_log.list_runs(wanted, limit)
    if as_json:
        say_json({"schema": "benchrig.records/1", "records": [summary_to_json(r) for r in found]})
        return
    head = ("RECORD", "TAG", "PART", "STAGE", "POSITION", "VERDICT", "R20")
    say(columns([head, *(_row(run) for run in found)]))


def day(text: str | None) -> str | None:
    """A day as it was typed, if it is one."""
    from datetime import date

    if text is None:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise UsageError(f"{text!r} is no day", advice="write it as 2026-01-31") from error


def _verdict(word: str) -> str:
    from benchrig.judge.verdict import Verdict

    if word.upper() not in list(Verdict):
        raise UsageError(f"--verdict {word!r} is none of: {', '.join(Verdict)}")
    return word.upper()


def summary_to_json(run: RunSummary) -> dict[str, Any]:
    """A line of a list as JSON, with what the rig was."""
    from benchrig.record.forms import plain

    return {**plain(run), "simulated": run.simulated}


def verdict_of(run: RunSummary) -> str:
    """The verdict of a line of a list."""
    from benchrig.record.values import said_alone

    words = said_alone(run.verdict, run.simulated)
    return words if run.proven_safe else f"{words} / NOT PROVEN SAFE"


def _row(run: RunSummary) -> tuple[str, ...]:
    from benchrig.judge.words import with_uncertainty

    r20 = run.values.get("resistance_20c_ohm")
    return (
        run.record_id,
        run.tag or "-",
        run.part,
        run.stage,
        run.position or "-",
        verdict_of(run),
        "-" if r20 is None else with_uncertainty(r20.value, 2 * r20.std_uncertainty, r20.unit),
    )


@record_app.command("show")
def record_show(
    record_id: RecordArgument,
    log: LogOption = None,
    as_json: JsonOption = False,
    budget: Annotated[bool, typer.Option("--budget", help="With uncertainty budgets.")] = False,
) -> None:
    """Show a record as its verdict card."""
    from benchrig.cli.runs import show

    with open_log(log) as run_log:
        record = run_log.record(resolve(run_log, record_id))
        show(record, run_log.shown, as_json=as_json, budget=budget)


@record_app.command("correct")
def record_correct(
    record_id: RecordArgument,
    field: Annotated[str, typer.Argument(help="Which word of the plan is wrong.")],
    new: Annotated[str, typer.Argument(help="What it should say.")],
    who: Annotated[str, typer.Option(help="Who corrects.")],
    why: Annotated[str, typer.Option(help="Why.")],
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Correct a word of a record: the old one stays, the new one is added."""
    from benchrig.cli.pace import stamp
    from benchrig.record.forms import to_json

    with open_log(log) as run_log:  # what is to be corrected is there, or no log is made
        record_id = resolve(run_log, record_id)
    with open_log(log, read_only=False) as run_log:
        made = run_log.correct(record_id, field, new, who=who, why=why, at=stamp())
    if as_json:
        say_json({"schema": "benchrig.correction/1", "correction": to_json(made)})
        return
    say(f"{made.record_id}: {made.field} was {made.old!r}, now {made.new!r}")


@record_app.command("verify")
def record_verify(log: LogOption = None, as_json: JsonOption = False) -> int:
    """Check every digest of the log; any changed byte is found."""
    from benchrig.record.verify import verify

    with open_log(log) as run_log:
        findings = verify(run_log)
        where = run_log.shown
    if as_json:
        say_json(
            {
                "schema": "benchrig.verify/1",
                "log": where,
                "intact": not findings,
                "findings": [str(finding) for finding in findings],
            }
        )
    else:
        for finding in findings:
            talk(str(finding))
        if findings:
            raise LogError(f"{where}: {len(findings)} places are not as they were written")
        say(f"{where}: intact")
    return int(ExitCode.LOG if findings else ExitCode.PASS)
