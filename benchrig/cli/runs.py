"""``benchrig run``: one part, from the clip to the record."""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, Annotated

import typer

from benchrig.cli.output import ask, say, say_json, talk
from benchrig.cli.shop import (
    BenchNameOption,
    BrokerOption,
    CaOption,
    CertOption,
    KeyOption,
    OutboxOption,
    PasswordFileOption,
    RemoteStop,
    RemoteStopOption,
    ShopOptions,
    UserOption,
    tell_verdict,
    telling,
)
from benchrig.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from benchrig.parts.part import Characteristic, Part
    from benchrig.record.values import PartTemperature, RunPlan, RunRecord

RigOption = Annotated[
    str,
    typer.Option(
        "--rig",
        envvar="BENCHRIG_RIG",
        help="Port (COM3, /dev/ttyUSB0), rfc2217://host:port or socket://host:port; "
        "sim:SCENARIO is a simulated rig.",
    ),
]
LogOption = Annotated[
    str | None,
    typer.Option(
        "--log",
        envvar="BENCHRIG_LOG",
        help="Run log: a file or postgresql://... ; default: the user's data folder.",
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="One JSON document on standard output.")]

PartArgument = Annotated[
    str, typer.Argument(help="A part's name (benchrig part list) or a part file.")
]
PatternOption = Annotated[
    str | None, typer.Option("--pattern", "-p", help="A pattern's name or file.")
]
OutputOption = Annotated[int, typer.Option(help="The rig's output the part is clipped to.")]
TemperatureOption = Annotated[
    float | None, typer.Option(help="Temperature of the part by a probe on it, °C.")
]
SoakedOption = Annotated[
    float | None,
    typer.Option(
        metavar="ROOM_C", help="The part lay at this room temperature, °C, an hour or more."
    ),
]
TagOption = Annotated[str, typer.Option(help="Serial that stays on the part.")]
PartNumberOption = Annotated[str, typer.Option(help="Part number as stamped.")]
OrderOption = Annotated[str, typer.Option(help="Work order.")]
PositionOption = Annotated[
    str, typer.Option(help="Label as written on harness or cylinder; never renumbered.")
]
PositionSchemeOption = Annotated[
    str, typer.Option(help="What the label counts, e.g. 'cylinder number'.")
]
OperatorOption = Annotated[str, typer.Option(help="Who runs it.")]
StageOption = Annotated[
    str, typer.Option(help="single, incoming, cleaned, retest, 'golden part', 'armature held'.")
]
FluidOption = Annotated[
    bool, typer.Option("--fluid", help="The pump stands in fluid: it may run longer.")
]
BodyClipOption = Annotated[
    bool, typer.Option("--body-clip", help="The insulation clip is on the part's body.")
]
WithoutOption = Annotated[
    list[str] | None,
    typer.Option(
        help="Leave a limit out, aloud: resistance, current, ...; the verdict names it. Repeatable."
    ),
]
NoteOption = Annotated[str, typer.Option(help="Free text for the record.")]
AsReferenceOption = Annotated[
    bool,
    typer.Option(
        "--as-reference", help="This part is known to be good: keep its movement as the reference."
    ),
]
BlockedOption = Annotated[
    bool,
    typer.Option(
        "--blocked",
        help="A tool holds this part's armature: record it so; later runs of its tag on this rig "
        "are told from it.",
    ),
]
ScanPeriodOption = Annotated[
    int | None, typer.Option(min=25, help="Sample more slowly than the rig can, µs a scan.")
]
DryRunOption = Annotated[
    bool, typer.Option("--dry-run", help="Show what would be done; switch nothing on.")
]
YesOption = Annotated[bool, typer.Option("--yes", "-y", help="Do not ask before energising.")]
BudgetOption = Annotated[bool, typer.Option("--budget", help="Print the uncertainty budgets too.")]

CAUTION = """\
Before anything is switched on:
  - The part is OFF the vehicle, drained, dry and capped; no vapour near.
    Fuel vapour catches fire at room temperature; clips and brushes spark.
  - Eye protection. Coils get hot enough to burn. Never open a clip while
    current flows.
  - The supply is fused or current-limited; keep an extinguisher for liquid
    fires at hand.
  - Local codes and the part maker's procedure come first; work you are not
    licensed for belongs to somebody who is."""

CAUTION_HELD = """\
  - Armature held: by a wedge or a clamp that cannot slip, fitted while the
    supply is off; NEVER by hand or with a tool in the hand. It pulls hard,
    and what slips pinches or flies. Take the wedge out only when it is off.
  - The coil gets as hot as in any run; let it cool before the next."""


def register(app: typer.Typer) -> None:
    """Add the run commands to the tree."""
    app.command("run")(run_command)


def run_command(
    part: PartArgument,
    rig: RigOption,
    pattern: PatternOption = None,
    output: OutputOption = 0,
    temperature_c: TemperatureOption = None,
    soaked: SoakedOption = None,
    tag: TagOption = "",
    part_number: PartNumberOption = "",
    order: OrderOption = "",
    position: PositionOption = "",
    position_scheme: PositionSchemeOption = "",
    operator: OperatorOption = "",
    stage: StageOption = "single",
    fluid: FluidOption = False,
    body_clip: BodyClipOption = False,
    without: WithoutOption = None,
    note: NoteOption = "",
    as_reference: AsReferenceOption = False,
    blocked: BlockedOption = False,
    log: LogOption = None,
    scan_period_us: ScanPeriodOption = None,
    dry_run: DryRunOption = False,
    yes: YesOption = False,
    as_json: JsonOption = False,
    budget: BudgetOption = False,
    broker: BrokerOption = None,
    bench_name: BenchNameOption = None,
    broker_user: UserOption = "",
    broker_password_file: PasswordFileOption = None,
    broker_ca: CaOption = None,
    broker_cert: CertOption = None,
    broker_key: KeyOption = None,
    allow_remote_stop: RemoteStopOption = False,
    outbox: OutboxOption = None,
) -> int:
    """Test one removed part: cold check, cycling, made safe with evidence, verdict, record."""
    from benchrig.bench.trayfile import part_temperature
    from benchrig.record.values import Stage

    plan = make_plan(
        part,
        pattern,
        output=output,
        temperature=part_temperature(probe_c=temperature_c, soaked_c=soaked),
        tag=tag,
        part_number=part_number,
        order=order,
        position=position,
        position_scheme=position_scheme,
        operator=operator,
        stage=_held_stage(stage, as_reference) if blocked else stage,
        fluid=fluid,
        body_clip=body_clip,
        without=left_out(without or []),
        note=note,
    )
    if dry_run:
        return _dry_run(plan, rig, as_json=as_json)
    confirm(yes, held=plan.stage is Stage.HELD)
    shop = ShopOptions(
        broker=broker,
        bench=bench_name,
        user=broker_user,
        password_file=broker_password_file,
        ca=broker_ca,
        cert=broker_cert,
        key=broker_key,
        remote_stop=allow_remote_stop,
        outbox=outbox,
    )
    record, where = do_run(
        plan,
        rig,
        log,
        scan_period_us=scan_period_us,
        quiet=as_json,
        shop=shop,
        as_reference=as_reference,
    )
    show(record, where, as_json=as_json, budget=budget)
    if plan.stage is Stage.HELD:
        talk(f"kept: later runs of {plan.tag} on this rig are told from {record.record_id}")
    from benchrig.bench.outcome import exit_code_for

    return int(exit_code_for(record))


def _held_stage(stage: str, as_reference: bool) -> str:
    from benchrig.record.values import Stage

    if stage != Stage.SINGLE or as_reference:
        raise UsageError("--blocked is a recording of its own: without --stage and --as-reference")
    return Stage.HELD.value


def make_plan(
    part: str,
    pattern: str | None,
    *,
    output: int,
    temperature: PartTemperature | None,
    stage: str = "single",
    fluid: bool = False,
    body_clip: bool = False,
    without: tuple[Characteristic, ...] = (),
    **words: str,
) -> RunPlan:
    """A plan from what was typed; every wrong input is named."""
    from benchrig.parts import library as part_library
    from benchrig.patterns import library as pattern_library
    from benchrig.record.values import RunPlan, Stage

    loaded = part_library.load(part)
    if loaded.kind.is_forbidden:
        raise UsageError(
            f"{loaded.title}: a {loaded.kind} must not be driven by this rig",
            advice="it needs equipment made for it and somebody licensed to use it",
        )
    default = "pump-spin" if loaded.kind.is_pump else "six-second"
    try:
        chosen_stage = Stage(stage)
    except ValueError as error:
        raise UsageError(
            f"--stage {stage!r} is none of: {', '.join(s.value for s in Stage)}"
        ) from error
    if chosen_stage is Stage.HELD:
        _refuse_unless_holdable(loaded, words.get("tag", ""))
    return RunPlan(
        part=loaded,
        pattern=pattern_library.load(pattern or default),
        output=output,
        temperature=temperature,
        stage=chosen_stage,
        fluid_confirmed=fluid,
        body_clip=body_clip,
        without=without,
        **words,
    )


def left_out(words: list[str]) -> tuple[Characteristic, ...]:
    """What was typed to be left out."""
    from benchrig.judge.words import SPOKEN

    known = {spoken: characteristic for characteristic, spoken in SPOKEN.items()}
    for word in words:
        if word not in known:
            raise UsageError(f"--without {word!r} is none of: {', '.join(known)}")
    return tuple(known[word] for word in words)


def _refuse_unless_holdable(part: Part, tag: str) -> None:
    if part.kind.is_pump:
        raise UsageError("a pump has no armature to hold; a rotor held stalls and burns")
    if not tag:
        raise UsageError(
            "a recording with the armature held counts for that very part: give its --tag"
        )


def confirm(yes: bool, *, held: bool = False) -> None:
    """Show the cautions and ask; without a terminal, ``--yes`` is needed."""
    talk(CAUTION)
    if held:
        talk(CAUTION_HELD)
    if yes:
        return
    if not sys.stdin.isatty():
        raise UsageError(
            "energising a part asks for a yes, and there is nobody to ask",
            advice="add --yes when a script has made sure of the cautions",
        )
    talk("")
    if ask("Type yes to energise the part: ").lower() not in ("yes", "y"):
        raise UsageError("not confirmed; nothing was switched on")


def do_run(
    plan: RunPlan,
    rig: str,
    log: str | None,
    *,
    scan_period_us: int | None = None,
    quiet: bool = False,
    record_id: str | None = None,
    shop: ShopOptions | None = None,
    as_reference: bool = False,
) -> tuple[RunRecord, str]:
    """Run a plan with a live card; returns the record and where it is kept."""
    from rich.console import Console

    from benchrig.bench.job import Job, run_job
    from benchrig.cli.pace import Person, new_record_id, run_async, stamp
    from benchrig.cli.screen import CardSink
    from benchrig.record.log import RunLog
    from benchrig.report.terminal import LiveCard

    stop = RemoteStop()
    with RunLog.open(log) as run_log, telling(shop, stop) as publisher:
        with LiveCard(console=Console(stderr=True, quiet=quiet), clock=time.monotonic) as card:
            job = Job(
                rig_url=rig,
                plan=plan,
                tell=Person(rig).tell,
                stamp=stamp,
                record_id=record_id or new_record_id(stamp()),
                sinks=(CardSink(card), *([publisher] if publisher else [])),
                scan_period_us=scan_period_us,
                as_reference=as_reference,
            )
            record = run_async(rig, run_job(job, run_log), on_task=stop.bind)
        tell_verdict(publisher, record)
        return record, run_log.shown


def show(record: RunRecord, where: str, *, as_json: bool, budget: bool = False) -> None:
    """The verdict: a card for a person, or the public JSON."""
    if as_json:
        from benchrig.record.forms import record_to_json

        say_json({**record_to_json(record, budget=budget), "log": where})
        return
    from rich.console import Console

    from benchrig.record.forms import digest
    from benchrig.report.verdict_card import VerdictCard

    VerdictCard(record, digest=digest(record), where=where).print(Console())


def _dry_run(plan: RunPlan, rig: str, *, as_json: bool) -> int:
    from benchrig.bench.job import describe_fit
    from benchrig.cli.pace import run_async
    from benchrig.judge.statistics import cycles_needed
    from benchrig.patterns.patternwrite import pattern_to_toml

    fit, nearest = run_async(rig, describe_fit(rig, plan))
    pattern = plan.pattern
    fitting = pattern_to_toml(nearest).rstrip() if nearest is not None else None
    described = {
        "schema": "benchrig.dry-run/1",
        "part": plan.part.name,
        "pattern": pattern.name,
        "cycles": pattern.cycles,
        "duration_s": pattern.duration_s,
        "duty": pattern.duty,
        "output": plan.output,
        "objections": [{"reason": o.reason, "nearest": o.nearest} for o in fit],
        "nearest_pattern": fitting,
    }
    if as_json:
        say_json(described)
    else:
        say(f"{plan.part.title}: {pattern.title} on output {plan.output}")
        say(f"{pattern.cycles} cycles in {pattern.duration_s:g} s, on {100 * pattern.duty:.0f} %")
        say(f"a fault in one cycle of 100 takes {cycles_needed(0.01)} cycles to be seen with 95 %")
        for objection in fit:
            say(
                f"refused: {objection.reason}"
                + (f"; {objection.nearest}" if objection.nearest else "")
            )
        if fitting is not None:
            say(f"the nearest pattern that fits:\n{fitting}")
        say("nothing was switched on")
    return int(ExitCode.USAGE if fit else ExitCode.PASS)
