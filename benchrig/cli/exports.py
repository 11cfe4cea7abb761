"""``benchrig record export``: samples, features or a list, as CSV or Parquet."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchrig.cli.files import cannot_write, destination
from benchrig.cli.output import reader_may_go, say, say_json
from benchrig.cli.records import JsonOption, LogOption, day, open_log, resolve
from benchrig.errors import UsageError

if TYPE_CHECKING:
    from benchrig.record.log import RunLog
    from benchrig.record.read import Filters

KINDS = ("features", "samples", "list")


def register(record_app: typer.Typer) -> None:
    """Add the command to ``benchrig record``."""
    record_app.command("export")(record_export)


def record_export(
    record_id: Annotated[
        str | None, typer.Argument(help="A record's id, or 'last'; none for --what list.")
    ] = None,
    what: Annotated[str, typer.Option(help="features (a line a cycle), samples, or list.")] = (
        "features"
    ),
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="File ending in .csv or .parquet; - is standard output."),
    ] = None,
    order: Annotated[str | None, typer.Option(help="With --what list: only this order.")] = None,
    since: Annotated[
        str | None, typer.Option(help="With --what list: begun on this day or later.")
    ] = None,
    until: Annotated[
        str | None, typer.Option(help="With --what list: begun on this day or earlier.")
    ] = None,
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write values in SI units, the unit in every column's name."""
    from benchrig.record.read import Filters

    if what not in KINDS:
        raise UsageError(f"--what {what!r} is none of: {', '.join(KINDS)}")
    if (record_id is None) != (what == "list"):
        raise UsageError("name a record, or give --what list for all of them")
    if what != "list" and not (order is None and since is None and until is None):
        raise UsageError("--order, --since and --until belong to --what list")
    filters = Filters(order=order, since=day(since), until=day(until))
    if as_json and str(out) == "-":
        raise UsageError("--json and --out - both want standard output")
    with open_log(log) as run_log:
        name = "records" if record_id is None else resolve(run_log, record_id)
        path = out or Path(f"{name}-{what}.csv")
        if str(path) == "-":
            _csv(run_log, name, what, filters, None)
            return
        path = destination(path, "")
        parquet = path.suffix == ".parquet"
        if not parquet and path.suffix != ".csv":
            raise UsageError(f"{path}: give a name ending in .csv or .parquet")
        try:
            if parquet:
                lines = _parquet(run_log, name, what, path)
            else:
                lines = _csv(run_log, name, what, filters, path)
        except OSError as error:
            raise cannot_write(path, error) from error
    if as_json:
        say_json({"schema": "benchrig.export/1", "file": str(path), "what": what, "lines": lines})
    else:
        say(f"{path}: {lines} lines of {what}")


def _csv(run_log: RunLog, name: str, what: str, filters: Filters, path: Path | None) -> int:
    from benchrig.record import export

    if path is None:
        reconfigure = getattr(sys.stdout, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(newline="")
        stream = sys.stdout
    else:
        stream = path.open("w", encoding="utf-8", newline="")
    with reader_may_go() if path is None else stream:
        if what == "samples":
            return export.samples_to_csv(run_log, name, stream)
        if what == "features":
            return export.features_to_csv(run_log, name, stream)
        runs = run_log.list_runs(filters, 1_000_000)
        return export.table_to_csv(*export.list_table(runs), stream)
    return 0  # the reader has gone


def _parquet(run_log: RunLog, name: str, what: str, path: Path) -> int:
    from benchrig.record import export

    if what == "list":
        raise UsageError("a list is written as CSV", advice="give a name ending in .csv")
    if what == "samples":
        return export.samples_to_parquet(run_log, name, path)
    return export.features_to_parquet(run_log, name, path)
