"""``benchrig set match``: parts sorted into the tightest sets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchrig.cli.output import columns, say, say_json
from benchrig.cli.records import LogOption, open_log
from benchrig.cli.runs import JsonOption
from benchrig.errors import UsageError

if TYPE_CHECKING:
    from benchrig.judge.matching import Matching, TaggedValues

set_app = typer.Typer(help="Matched sets.", no_args_is_help=True)


@set_app.callback()
def _sets() -> None:
    """Matched sets."""


@set_app.command("match")
def set_match(
    size: Annotated[int, typer.Option("--size", min=2, help="Parts in a set.")],
    values: Annotated[
        Path | None, typer.Option("--values", help="CSV with the columns tag,value.")
    ] = None,
    order: Annotated[str | None, typer.Option(help="Parts of this work order in the log.")] = None,
    by: Annotated[
        list[str] | None,
        typer.Option(
            help="Characteristic to match by, again for more than one; "
            "default resistance_20c_ohm. Flow typed in counts as static_flow_cc_per_min."
        ),
    ] = None,
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Sort parts into the tightest sets; leftovers are named, and so is the spread's definition."""
    from benchrig.judge.matching import match_sets

    if (values is None) == (order is None):
        raise UsageError("give --values FILE.csv, or --order for parts in the run log")
    names: tuple[str, ...]
    if values is not None:
        from benchrig.judge.valuesfile import read_values

        if by:
            raise UsageError("--by belongs to --order; a values file has one value a tag")
        parts, names = read_values(values), ("value",)
    else:
        names = tuple(by or ["resistance_20c_ohm"])
        parts = _from_log(log, str(order), names)
    found = match_sets(parts, size, names=names)
    if as_json:
        say_json({"schema": "benchrig.sets/1", **found.to_json()})
        return
    _print(found)


def _from_log(log: str | None, order: str, names: tuple[str, ...]) -> list[TaggedValues]:
    from benchrig.judge.matching import TaggedValues
    from benchrig.record.read import Filters

    with open_log(log) as run_log:
        runs = run_log.list_runs(Filters(order=order), limit=10_000)
    newest = {run.tag: run for run in reversed(runs) if run.tag}
    parts, missing = [], []
    for tag, run in sorted(newest.items()):
        if run.verdict == "FAIL" or not run.proven_safe:
            continue
        if all(name in run.values for name in names):
            parts.append(
                TaggedValues(tag=tag, values=tuple(run.values[name].value for name in names))
            )
        else:
            missing.append(tag)
    if missing:
        raise UsageError(f"no {' and '.join(names)} in the newest record of: {', '.join(missing)}")
    return parts


def _print(found: Matching) -> None:
    rows = [("SET", "SPREAD", "TAGS")]
    for number, each in enumerate(found.sets, 1):
        tags = ", ".join(part.tag for part in each.parts)
        rows.append((str(number), f"{100 * each.spread:.2f} %", tags))
    say(columns(rows))
    if found.leftovers:
        say("left over: " + ", ".join(part.tag for part in found.leftovers))
    how = (
        "no matching is tighter"
        if found.optimal
        else (f"best found; none can be below {100 * found.bound:.2f} %")
    )
    say(f"worst spread {100 * found.worst_spread:.2f} %, {found.definition.value}; {how}")
