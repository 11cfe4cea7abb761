"""``benchrig record add`` and ``record history``: values typed in, and what a tag has behind it.

The unit of every number stands in its option's name. What is typed in is added to the log and
never replaces anything.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.files import destination, write_file
from benchrig.cli.output import say, say_json, talk, wrapped
from benchrig.cli.records import JsonOption, LogOption, open_log
from benchrig.errors import LogError, UsageError
from benchrig.judge.plausible import doubts

if TYPE_CHECKING:
    from benchrig.judge.verdict import Judged
    from benchrig.parts.part import Characteristic
    from benchrig.quantity import Measured
    from benchrig.record.entries import Entry, FlowEntry
    from benchrig.record.latest import Taken
    from benchrig.record.log import RunLog
    from benchrig.record.read import LogReader, Numbered

PSI_PA = 6894.757293168  # NIST SP 811, appendix B.8
add_app = typer.Typer(help="Values measured elsewhere, typed in.", no_args_is_help=True)

TagArgument = Annotated[str, typer.Argument(help="The part's tag.")]
StageOption = Annotated[str, typer.Option(help="incoming, cleaned, retest or single.")]
WhoOption = Annotated[str, typer.Option(help="Who measured it.")]
NoteOption = Annotated[str, typer.Option(help="Free text.")]
KpaOption = Annotated[
    float | None, typer.Option(min=0.001, max=1_000_000, help="Pressure across the part.")
]
PsiOption = Annotated[float | None, typer.Option(min=0.001, max=100_000, help="The same, in psi.")]


def register(record_app: typer.Typer) -> None:
    """Add the commands to ``benchrig record``."""
    from benchrig.cli import flowline, flowtray, typed

    flowline.register(add_app)
    flowtray.register(add_app)
    typed.register(record_app, add_app)
    record_app.add_typer(add_app, name="add")
    record_app.command("history")(record_history)


@add_app.command("flow")
def add_flow(
    tag: TagArgument,
    stage: StageOption,
    static_cc_per_min: Annotated[
        float | None, typer.Option(min=0, max=1_000_000, help="Flow with the valve held open.")
    ] = None,
    static_lb_per_hr: Annotated[
        float | None,
        typer.Option(min=0, max=1_000_000, help="The same by mass; needs --density-g-per-ml."),
    ] = None,
    dynamic_ul: Annotated[
        float | None, typer.Option(min=0, max=1_000_000, help="Volume of one pulse.")
    ] = None,
    volume_ml: Annotated[
        float | None,
        typer.Option(min=0.001, max=1_000_000, help="Volume caught; with one of the next two."),
    ] = None,
    duration_s: Annotated[
        float | None,
        typer.Option(min=1, max=1_000_000, help="It took so long with the valve held open."),
    ] = None,
    pulses: Annotated[int | None, typer.Option(min=1, help="It took so many pulses.")] = None,
    u_volume_ml: Annotated[
        float | None,
        typer.Option(min=0.0001, max=1_000_000, help="Standard uncertainty of the volume."),
    ] = None,
    u_percent: Annotated[
        float | None,
        typer.Option(
            min=0.001, max=100, help="Standard uncertainty, % of the value; else not judged."
        ),
    ] = None,
    density_g_per_ml: Annotated[
        float | None, typer.Option(min=0.1, max=3, help="Density of the fluid, with lb/hr.")
    ] = None,
    pressure_kpa: KpaOption = None,
    pressure_psi: PsiOption = None,
    to_kpa: Annotated[
        float | None,
        typer.Option(
            min=0.001,
            max=1_000_000,
            help="State a static flow at this pressure: it goes by the root.",
        ),
    ] = None,
    fluid: Annotated[str, typer.Option(help="The test fluid.")] = "",
    instrument: Annotated[str, typer.Option(help="What it was measured with.")] = "",
    sure: Annotated[bool, typer.Option("--sure", help="The value is odd and right.")] = False,
    who: WhoOption = "",
    note: NoteOption = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add a flow: judged against the part's limit, and used by set match."""
    from benchrig.bench.known import flow_values
    from benchrig.cli.flows import Flow, by_mass, caught, stated_at
    from benchrig.cli.pace import stamp
    from benchrig.record.entries import FlowEntry

    given = (static_cc_per_min, static_lb_per_hr, dynamic_ul, volume_ml)
    if sum(value is not None for value in given) != 1:
        raise UsageError(
            "give one of --static-cc-per-min, --static-lb-per-hr, --dynamic-ul and --volume-ml"
        )
    if volume_ml is None and any(x is not None for x in (u_volume_ml, duration_s, pulses)):
        raise UsageError("--u-volume-ml, --duration-s and --pulses belong to --volume-ml")
    if volume_ml is not None and u_percent is not None:
        raise UsageError("the uncertainty of a volume caught is given by --u-volume-ml alone")
    if static_lb_per_hr is None and density_g_per_ml is not None:
        raise UsageError("--density-g-per-ml belongs to --static-lb-per-hr")
    if volume_ml is not None:
        flow = caught(volume_ml, u_volume_ml, duration_s, pulses)
    elif static_lb_per_hr is not None:
        flow = replace(by_mass(static_lb_per_hr, density_g_per_ml), u_percent=u_percent)
    else:
        flow = Flow(static_cc_per_min=static_cc_per_min, dynamic_ul=dynamic_ul, u_percent=u_percent)
    flow = replace(flow, pressure_pa=_pascal(pressure_kpa, pressure_psi))
    if to_kpa is not None:
        flow = stated_at(flow, to_kpa)
    entry = FlowEntry(
        at=stamp(),
        who=who,
        tag=tag,
        note=f"{note} ({flow.words})".strip() if flow.words else note,
        stage=stage_word(stage),
        static_flow_cc_per_min=flow.static_cc_per_min,
        dynamic_flow_ul=flow.dynamic_ul,
        std_uncertainty=flow.std_uncertainty,
        pressure_pa=flow.pressure_pa,
        fluid=fluid,
        instrument=instrument,
    )
    if not sure:
        _refuse_odd(entry, log)
    _keep(entry, flow_values(entry), flow.plain, log, as_json=as_json)


def _refuse_odd(entry: FlowEntry, log: str | None) -> None:
    """A flow beside its order's others and its limit: UsageError where it may be a slip."""
    from benchrig.cli.flowtray import sheet_of
    from benchrig.cli.flowunits import unit_of

    unit = unit_of("cc/min" if entry.dynamic_flow_ul is None else "µL", None)
    value = getattr(entry, unit.field)
    with open_log(log, read_only=False) as run_log:
        runs = run_log.history(entry.tag)
        if not runs or not runs[-1].order:
            limit = run_log.record(runs[-1].record_id).plan.part.limit if runs else None
            found = doubts(value, (), limit and limit(unit.characteristic), unit.kept)
        else:
            sheet = sheet_of(run_log, runs[-1].order, "", entry.stage, unit, frozenset())
            found = sheet.doubts(entry.tag, value)
    if found:
        raise UsageError(
            f"{value:.4g} {unit.kept} of {entry.tag} is {'; '.join(found)}",
            advice="type it again; if it is right, add --sure",
        )


@add_app.command("leak")
def add_leak(
    tag: TagArgument,
    stage: StageOption,
    drops: Annotated[int, typer.Option(min=0, help="Drops counted.")],
    duration_s: Annotated[
        float, typer.Option(min=1, max=1_000_000, help="How long they were counted.")
    ],
    pressure_kpa: KpaOption = None,
    pressure_psi: PsiOption = None,
    who: WhoOption = "",
    note: NoteOption = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add a leak: drops and the seconds they were counted over."""
    from benchrig.bench.known import leak_rate
    from benchrig.cli.pace import stamp
    from benchrig.parts.part import Characteristic
    from benchrig.record.entries import LeakEntry

    entry = LeakEntry(
        at=stamp(),
        who=who,
        tag=tag,
        note=note,
        stage=stage_word(stage),
        drops=drops,
        duration_s=duration_s,
        pressure_pa=_pascal(pressure_kpa, pressure_psi),
    )
    plain = f"{drops} drops in {duration_s:g} s"
    _keep(entry, {Characteristic.LEAK: leak_rate(entry)}, plain, log, as_json=as_json)


@add_app.command("spray")
def add_spray(
    tag: TagArgument,
    stage: StageOption,
    text: Annotated[str, typer.Option(help="What the spray looked like.")],
    who: WhoOption = "",
    note: NoteOption = "",
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add what the spray looked like, in words."""
    from benchrig.cli.pace import stamp
    from benchrig.record.entries import SprayEntry

    if not text.strip():
        raise UsageError("--text is empty")
    entry = SprayEntry(at=stamp(), who=who, tag=tag, note=note, stage=stage_word(stage), text=text)
    _keep(entry, {}, text, log, as_json=as_json)


def stage_word(text: str) -> str:
    """A stage at which values are typed in; UsageError for any other word."""
    from benchrig.record.values import Stage

    allowed = [s.value for s in Stage if s not in (Stage.GOLDEN, Stage.HELD)]
    if text not in allowed:
        raise UsageError(f"--stage {text!r} is none of: {', '.join(allowed)}")
    return text


def _pascal(kpa: float | None, psi: float | None) -> float | None:
    if kpa is not None and psi is not None:
        raise UsageError("give --pressure-kpa or --pressure-psi, not both")
    if psi is not None:
        return psi * PSI_PA
    return None if kpa is None else kpa * 1000.0


def _keep(
    entry: Entry,
    values: dict[Characteristic, Measured],
    plain: str,
    log: str | None,
    *,
    as_json: bool,
) -> None:
    """Add an entry, and say how its values stand to the limits of the tag's part."""
    from benchrig.record.forms import to_json
    from benchrig.record.values import said_alone

    if not entry.tag.strip():
        raise UsageError("the tag is empty")
    with open_log(log, read_only=False) as run_log:
        judged = _judge(run_log, entry.tag, values)
        simulated = any(run.simulated for run in run_log.history(entry.tag)[-1:])
        number = run_log.add(entry)
    if as_json:
        say_json(
            {
                "schema": "benchrig.entry/1",
                "number": number,
                "simulated": simulated,
                "entry": {"kind": entry.KIND, **to_json(entry)},
                "judged": [
                    {"name": j.characteristic.value, "verdict": j.verdict.value, "reason": j.reason}
                    for j in judged
                ],
            }
        )
        return
    say(f"entry {number}: {entry.KIND} of {entry.tag}: {plain}")
    for j in judged:
        say(f"{said_alone(j.verdict.value, simulated)}: {j.reason}")


def _judge(run_log: RunLog, tag: str, values: dict[Characteristic, Measured]) -> list[Judged]:
    from benchrig.judge.judge import judge_typed

    runs = run_log.history(tag)
    if not runs:
        talk(f"no record has the tag {tag} yet; check that it is typed as it stands on the part")
        return []
    part = run_log.record(runs[-1].record_id).plan.part
    return [judge_typed(part, name, value) for name, value in values.items()]


# --- history ----------------------------------------------------------------------------------


def record_history(
    tag: TagArgument,
    page: Annotated[Path | None, typer.Option("--page", help="Write it as a page (HTML).")] = None,
    log: LogOption = None,
    as_json: JsonOption = False,
) -> None:
    """Everything a tag has behind it, oldest first, and what changed from first to last."""
    from benchrig.record.latest import typed_flows
    from benchrig.report.history import before_after_line, history_lines

    if page is not None:
        destination(page, "")
    with open_log(log) as run_log:
        runs = run_log.history(tag)
        runs.sort(key=lambda run: run.begun_at)
        records = [run_log.record(run.record_id) for run in runs]
        typed = typed_of(run_log, tag)
        counting = typed_flows(run_log, tag, order=runs[-1].order if runs else "")
        where = run_log.shown
    if not records and not typed:
        raise LogError(
            f"no record of the tag {tag} in {where}", advice="see `benchrig record list`"
        )
    usable = [r for r in records if r.characteristics]
    line = before_after_line(usable[0], usable[-1]) if len(usable) > 1 else ""
    if page is not None:
        from benchrig.report.html import history_page

        lines = [(typed_line(each), each.withdrawal is not None) for each in typed]
        write_file(page, history_page(tag, records, typed=lines))
    if as_json:
        say_json(_history_json(tag, runs, typed, counting, line))
        return
    for text in history_lines(records):
        say(text)
    for each in typed:
        say(wrapped(f"typed in, {typed_line(each)}"))
    for name, taken in counting.items():
        say(wrapped(f"what counts of {name}: {taken.value:.5g} ({taken.words})"))
    if line:
        say(wrapped(f"first to last: {line}"))
    if page is not None:
        say(str(page))


def typed_of(run_log: LogReader, tag: str) -> list[Numbered[Any]]:
    """What was typed in about a tag, by stage and then by time; withdrawn entries too."""
    from benchrig.record.entries import (
        FLOW_LINE,
        FlowEntry,
        LeakEntry,
        OtherEntry,
        SprayEntry,
        WorkEntry,
    )
    from benchrig.record.latest import stage_rank

    kinds: tuple[type[Entry], ...] = (FlowEntry, LeakEntry, SprayEntry, WorkEntry)
    found: list[Numbered[Any]] = [n for kind in kinds for n in run_log.numbered(kind, tag=tag)]
    others = run_log.numbered(OtherEntry, tag=tag)
    found += [n for n in others if n.entry.name == FLOW_LINE]

    def order(each: Numbered[Any]) -> tuple[int, str]:
        entry = each.entry
        stage = (
            entry.data["stage"] if isinstance(entry, OtherEntry) else getattr(entry, "stage", "")
        )
        return stage_rank(stage), entry.at

    return sorted(found, key=order)


def typed_line(each: Numbered[Any]) -> str:
    """An entry on a line, with its number and what became of it."""
    from benchrig.cli.flowline import flow_line_words
    from benchrig.record.entries import OtherEntry
    from benchrig.report.words import entry_text, moment

    entry = each.entry
    if isinstance(entry, OtherEntry):
        words = flow_line_words(entry.data)
        text = f"{entry.data['stage']}: flow line {words} ({moment(entry.at)})"
    else:
        text = entry_text(entry)
    gone = each.withdrawal
    after = "" if gone is None else f"; WITHDRAWN by {gone.who}, {moment(gone.at)}: {gone.why}"
    return f"{text} [entry {each.number}]{after}"


def _history_json(
    tag: str,
    runs: list[Any],
    typed: list[Numbered[Any]],
    counting: dict[str, Taken],
    line: str,
) -> dict[str, Any]:
    from benchrig.cli.records import summary_to_json
    from benchrig.record.forms import to_json

    return {
        "schema": "benchrig.history/1",
        "tag": tag,
        "simulated": any(run.simulated for run in runs),
        "records": [summary_to_json(run) for run in runs],
        "typed_in": [
            {
                "kind": each.entry.KIND,
                **to_json(each.entry),
                "number": each.number,
                "withdrawn": None if each.withdrawal is None else each.withdrawal.why,
            }
            for each in typed
        ],
        "counts": {
            name: {"value": t.value, "stage": t.stage, "at": t.at, "entry": t.number}
            for name, t in counting.items()
        },
        "first_to_last": line,
    }
