"""``benchrig set match``: parts sorted into the tightest sets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchrig.cli.files import destination, write_file
from benchrig.cli.output import columns, say, say_json
from benchrig.cli.records import LogOption, open_log
from benchrig.cli.runs import JsonOption
from benchrig.errors import UsageError

if TYPE_CHECKING:
    from benchrig.judge.matching import Matching, TaggedValues
    from benchrig.record.log import RunLog

set_app = typer.Typer(help="Matched sets.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add ``set`` to the tree."""
    app.add_typer(set_app, name="set")


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
    part: Annotated[
        str | None, typer.Option(help="Only parts of this name, where an order has several.")
    ] = None,
    by: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME",
            help="Characteristic to match by, again for more than one; "
            "default resistance_20c_ohm. Flow typed in counts as static_flow_cc_per_min.",
        ),
    ] = None,
    page: Annotated[Path | None, typer.Option("--page", help="Write a page (HTML).")] = None,
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Sort parts into the tightest sets; leftovers are named, and so is the spread's definition."""
    from benchrig.judge.matching import match_sets

    if (values is None) == (order is None):
        raise UsageError("give --values FILE.csv, or --order for parts in the run log")
    if part is not None and order is None:
        raise UsageError("--part belongs to --order")
    if page is not None:
        destination(page, "")
    names: tuple[str, ...]
    left_out: dict[str, str]
    if values is not None:
        from benchrig.judge.valuesfile import read_values

        if by:
            raise UsageError("--by belongs to --order; a values file has one value a tag")
        parts, names = read_values(values), ("value",)
        left_out, invented = {}, False
    else:
        names = tuple(by or ["resistance_20c_ohm"])
        _check_names(names)
        with open_log(log) as run_log:
            parts, left_out, invented = parts_of_order(run_log, str(order), names, part=part)
    found = match_sets(parts, size, names=names)
    if page is not None:
        write_file(page, sets_page(found, order=order or "", invented=invented))
    if as_json:
        document = {"schema": "benchrig.sets/1", **found.to_json(), "left_out": left_out}
        say_json({**document, "page": str(page) if page else None})
        return
    _print(found)
    for tag, why in left_out.items():
        say(f"left out: {tag}: {why}")
    if page is not None:
        say(str(page))


def _check_names(names: tuple[str, ...]) -> None:
    from benchrig.parts.part import UNITS
    from benchrig.tomlfile import did_you_mean

    known = [name.value for name, unit in UNITS.items() if unit]
    for name in names:
        if name not in known:
            raise UsageError(
                f"--by {name!r} is no characteristic{did_you_mean(name, known)}",
                advice=f"one of {', '.join(known)}",
            )
    if len(set(names)) < len(names):
        raise UsageError("--by names a characteristic twice")


def sets_page(found: Matching, *, order: str = "", invented: bool = False) -> str:
    """The page of a matching."""
    from benchrig.parts.part import UNITS
    from benchrig.report.html import set_page

    known = {name.value: unit for name, unit in UNITS.items()}
    units = [known.get(name, "") for name in found.names]
    return set_page(found, units=units, order=order, invented=invented)


def parts_of_order(
    run_log: RunLog, order: str, names: tuple[str, ...], *, part: str | None = None
) -> tuple[list[TaggedValues], dict[str, str], bool]:
    """The parts of an order that may be matched, why others may not, and whether it is invented.

    Each tag counts with its newest record, but for those with the armature held; flow is the newest
    that was typed in. The golden part belongs to the rig, and parts of different names have no
    values to share.
    """
    from benchrig.judge.matching import TaggedValues
    from benchrig.record.read import newest_by_tag
    from benchrig.record.values import Stage

    runs = run_log.runs_of_order(order, part)
    kinds = sorted({run.part for run in runs if run.tag and run.stage != Stage.GOLDEN})
    if len(kinds) > 1:
        raise UsageError(
            f"order {order} has different parts: {', '.join(kinds)}", advice="say which with --part"
        )
    if not runs:
        raise UsageError(f"the log holds no record of order {order}")
    parts, left_out, missing = [], {}, []
    for tag, run in newest_by_tag(runs).items():
        if run.stage == Stage.GOLDEN:
            left_out[tag] = Stage.GOLDEN.value
            continue
        if run.verdict == "FAIL" or not run.proven_safe:
            left_out[tag] = "failed" if run.proven_safe else "not proven safe"
            continue
        values = {**{n: v.value for n, v in run.values.items()}, **_typed(run_log, tag)}
        if all(name in values for name in names):
            parts.append(TaggedValues(tag=tag, values=tuple(values[name] for name in names)))
        else:
            missing.append(tag)
    if missing:
        raise UsageError(f"no {' and '.join(names)} known of: {', '.join(missing)}")
    invented = any(run_log.record(run.record_id).plan.part.invented for run in runs[:1])
    return parts, left_out, invented


def _typed(run_log: RunLog, tag: str) -> dict[str, float]:
    from benchrig.record.entries import FlowEntry

    found: dict[str, float] = {}
    for entry in run_log.entries(FlowEntry, tag=tag):
        if entry.static_flow_cc_per_min is not None:
            found["static_flow_cc_per_min"] = entry.static_flow_cc_per_min
        if entry.dynamic_flow_ul is not None:
            found["dynamic_flow_ul"] = entry.dynamic_flow_ul
    return found


def _named(name: str) -> str:
    """A characteristic as cards call it, and as --by does."""
    from benchrig.report.words import NAMES

    label = {each.value: shown for each, shown in NAMES.items()}.get(name, name)
    return label if label == name else f"{label} ({name})"


def _print(found: Matching) -> None:
    rows = [("SET", "SPREAD", "TAGS")]
    for number, each in enumerate(found.sets, 1):
        tags = ", ".join(part.tag for part in each.parts)
        rows.append((str(number), f"{100 * each.spread:.2f} %", tags))
    say(columns(rows))
    say("matched by " + ", ".join(_named(name) for name in found.names))
    if found.leftovers:
        say("left over: " + ", ".join(part.tag for part in found.leftovers))
    how = (
        "no matching is tighter"
        if found.optimal
        else (f"best found; none can be below {100 * found.bound:.2f} %")
    )
    say(f"worst spread {100 * found.worst_spread:.2f} %, {found.definition.value}; {how}")
