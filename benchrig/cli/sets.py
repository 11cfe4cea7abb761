"""``benchrig set match``: parts sorted into the tightest sets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.files import destination, write_file
from benchrig.cli.output import columns, say, say_json, wrapped
from benchrig.cli.records import LogOption, open_log
from benchrig.cli.runs import JsonOption
from benchrig.errors import UsageError
from benchrig.wire.simulated import MARK

if TYPE_CHECKING:
    from benchrig.judge.matching import Matching, TaggedValues
    from benchrig.record.latest import Taken
    from benchrig.record.log import RunLog
    from benchrig.record.rows import RunSummary

set_app = typer.Typer(help="Matched sets.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add ``set`` to the tree."""
    app.add_typer(set_app, name="set")


@set_app.callback()
def _sets() -> None:
    """Matched sets."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderParts:
    """The parts of an order that may be matched, why others may not, and what was taken."""

    parts: list[TaggedValues]
    names: tuple[str, ...]
    left_out: dict[str, str]
    taken: dict[str, dict[str, Taken]]  # tag -> characteristic -> value and where it is from
    invented: bool
    simulated: bool

    def words(self) -> list[str]:
        """Which stage each value was taken from; the tags of a stage are named if it is not all."""
        lines = []
        for name in self.names:
            stages: dict[str, list[str]] = {}
            for part in self.parts:
                stages.setdefault(self.taken[part.tag][name].stage, []).append(part.tag)
            if len(stages) == 1:
                lines.append(f"{_named(name)}: all values are of the stage {next(iter(stages))}")
            else:
                told = [f"{stage}: {', '.join(tags)}" for stage, tags in stages.items()]
                lines.append(f"{_named(name)}: NOT ALL OF ONE STAGE: {'; '.join(told)}")
        return lines


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
            help="flow, dynamic, resistance, current, opening or a characteristic's whole name; "
            "again for more than one. Default: flow if any was typed in, else resistance.",
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
    found_parts: OrderParts | None = None
    if values is not None:
        from benchrig.judge.valuesfile import read_values

        if by:
            raise UsageError("--by belongs to --order; a values file has one value a tag")
        found = match_sets(read_values(values), size, names=("value",))
    else:
        with open_log(log) as run_log:
            found_parts = parts_of_order(run_log, str(order), whole_names(by or []), part=part)
        found = match_sets(found_parts.parts, size, names=found_parts.names)
    if page is not None:
        write_file(page, sets_page(found, found_parts, order=order or ""))
    if as_json:
        say_json(_to_json(found, found_parts, page))
        return
    _print(found, found_parts)
    if page is not None:
        say(str(page))


def _to_json(found: Matching, of: OrderParts | None, page: Path | None) -> dict[str, Any]:
    taken = {} if of is None else of.taken
    return {
        "schema": "benchrig.sets/1",
        **found.to_json(),
        "simulated": of is not None and of.simulated,
        "left_out": {} if of is None else of.left_out,
        "taken": {
            tag: {
                name: {"value": t.value, "stage": t.stage, "at": t.at}
                | ({"entry": t.number} if t.number is not None else {"record": t.record_id})
                for name, t in values.items()
            }
            for tag, values in taken.items()
        },
        "page": str(page) if page else None,
    }


SHORT = {
    "flow": "static_flow_cc_per_min",
    "static": "static_flow_cc_per_min",
    "dynamic": "dynamic_flow_ul",
    "resistance": "resistance_20c_ohm",
    "r20": "resistance_20c_ohm",
    "current": "current_a",
    "opening": "opening_time_s",
    "closing": "closing_time_s",
    "inductance": "inductance_h",
    "speed": "speed_rpm",
}


def whole_names(names: Sequence[str]) -> tuple[str, ...]:
    """Characteristics by their whole names; UsageError for what is none."""
    from benchrig.parts.part import UNITS
    from benchrig.tomlfile import did_you_mean

    known = [name.value for name, unit in UNITS.items() if unit]
    whole = tuple(SHORT.get(name.lower(), name) for name in names)
    for name in whole:
        if name not in known:
            raise UsageError(
                f"--by {name!r} is no characteristic{did_you_mean(name, [*SHORT, *known])}",
                advice=f"one of {', '.join([*SHORT, *known])}",
            )
    if len(set(whole)) < len(whole):
        raise UsageError("--by names a characteristic twice")
    return whole


def sets_page(found: Matching, of: OrderParts | None = None, *, order: str = "") -> str:
    """The page of a matching."""
    from benchrig.parts.part import UNITS
    from benchrig.report.html import set_page

    known = {name.value: unit for name, unit in UNITS.items()}
    return set_page(
        found,
        units=[known.get(name, "") for name in found.names],
        order=order,
        simulated=of is not None and of.simulated,
        invented=of is not None and of.invented,
        taken=of.words() if of is not None else [],
        left_out=of.left_out if of is not None else {},
    )


def parts_of_order(
    run_log: RunLog, order: str, names: tuple[str, ...] = (), *, part: str | None = None
) -> OrderParts:
    """The parts of an order that may be matched, by the values of their latest stage.

    Without ``names``: by the flow that was typed in, if there is any, else by R20. A part that
    failed, or whose flow lies outside its limit, is in no set; nor is the golden part, which
    belongs to the rig. Parts of different names have no values to share.
    """
    from benchrig.judge.matching import TaggedValues
    from benchrig.record.latest import latest_runs, typed_flows
    from benchrig.record.values import Stage

    runs = run_log.runs_of_order(order, part)
    kinds = sorted({run.part for run in runs if run.tag and run.stage != Stage.GOLDEN})
    if len(kinds) > 1:
        raise UsageError(
            f"order {order} has different parts: {', '.join(kinds)}", advice="say which with --part"
        )
    if not runs:
        raise UsageError(f"the log holds no record of order {order}")
    counted = latest_runs(runs)
    taken = {
        tag: _values(run, typed_flows(run_log, tag, order=order)) for tag, run in counted.items()
    }
    left_out = {
        tag: why for tag, run in counted.items() if (why := _unfit(run_log, run, taken[tag]))
    }
    tags = [tag for tag in counted if tag not in left_out]
    names = names or _default_names(tags, taken)
    _refuse_missing(tags, names, taken)
    records = [run_log.record(run.record_id) for run in counted.values()]
    return OrderParts(
        parts=[TaggedValues(tag=t, values=tuple(taken[t][n].value for n in names)) for t in tags],
        names=names,
        left_out=left_out,
        taken={tag: {name: taken[tag][name] for name in names} for tag in tags},
        invented=any(record.plan.part.invented for record in records),
        simulated=any(record.simulated for record in records),
    )


def _values(run: RunSummary, flows: dict[str, Taken]) -> dict[str, Taken]:
    from benchrig.record.latest import FLOWS, Taken

    measured = {
        name: Taken(
            value=v.value,
            stage=run.stage,
            at=run.begun_at,
            record_id=run.record_id,
            std_uncertainty=v.std_uncertainty,
        )
        for name, v in run.values.items()
        if name not in FLOWS  # a run repeats what was typed in by then
    }
    return {**measured, **flows}


def _unfit(run_log: RunLog, run: RunSummary, taken: dict[str, Taken]) -> str:
    """Why a part is in no set; "" for one that may be."""
    from benchrig.judge.judge import judge_typed
    from benchrig.parts.part import UNITS, Characteristic
    from benchrig.quantity import Measured
    from benchrig.record.latest import FLOWS
    from benchrig.record.values import Stage

    if run.stage == Stage.GOLDEN:
        return Stage.GOLDEN.value
    if not run.proven_safe:
        return "not proven safe"
    if run.verdict == "FAIL":
        return f"failed at {run.stage}"
    part = run_log.record(run.record_id).plan.part
    for name in FLOWS:
        found = taken.get(name)
        if found is None or not found.std_uncertainty:
            continue
        characteristic = Characteristic(name)
        value = Measured(
            value=found.value, std_uncertainty=found.std_uncertainty, unit=UNITS[characteristic]
        )
        judged = judge_typed(part, characteristic, value)
        if judged.verdict.value == "FAIL":
            return f"failed by its flow: {judged.reason}"
    return ""


def _default_names(tags: Sequence[str], taken: dict[str, dict[str, Taken]]) -> tuple[str, ...]:
    from benchrig.record.latest import FLOWS

    for name in FLOWS:
        if any(name in taken[tag] for tag in tags):
            return (name,)
    return ("resistance_20c_ohm",)


def _refuse_missing(
    tags: Sequence[str], names: tuple[str, ...], taken: dict[str, dict[str, Taken]]
) -> None:
    for name in names:
        lacking = [tag for tag in tags if name not in taken[tag]]
        if lacking:
            having = len(tags) - len(lacking)
            raise UsageError(
                f"no {_named(name)} known of: {', '.join(lacking)} ({having} parts have one)",
                advice="`benchrig record add flows ORDER --stage retest` asks for it; "
                "or match by another: --by resistance"
                if "flow" in name
                else "or match by another with --by",
            )


def _named(name: str) -> str:
    """A characteristic as cards call it, and as --by does."""
    from benchrig.report.words import NAMES

    label = {each.value: shown for each, shown in NAMES.items()}.get(name, name)
    return label if label == name else f"{label} ({name})"


def _print(found: Matching, of: OrderParts | None) -> None:
    rows = [("SET", "SPREAD", "TAGS")]
    for number, each in enumerate(found.sets, 1):
        tags = ", ".join(part.tag for part in each.parts)
        rows.append((str(number), f"{100 * each.spread:.2f} %", tags))
    say(columns(rows))
    mark = f"{MARK}: " if of is not None and of.simulated else ""
    say(f"{mark}matched by " + ", ".join(_named(name) for name in found.names))
    for line in [] if of is None else of.words():
        say(wrapped(line))
    if found.leftovers:
        say("left over: " + ", ".join(part.tag for part in found.leftovers))
    how = (
        "no matching is tighter"
        if found.optimal
        else (f"best found; none can be below {100 * found.bound:.2f} %")
    )
    say(f"worst spread {100 * found.worst_spread:.2f} %, {found.definition.value}; {how}")
    for tag, why in ({} if of is None else of.left_out).items():
        say(wrapped(f"left out: {tag}: {why}"))
