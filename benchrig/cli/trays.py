"""``benchrig tray``: many parts in turn, resumable, and the sheet to hand over."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.files import destination, write_file
from benchrig.cli.output import ask, columns, say, say_json, talk, wrapped
from benchrig.cli.runs import JsonOption, LogOption, RigOption, ScanPeriodOption, YesOption, confirm
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
    from benchrig.bench.sinks import Sink
    from benchrig.bench.tray import TrayJob, TrayResult
    from benchrig.bench.trayfile import GoldenPart, Slot, Tray
    from benchrig.record.log import RunLog
    from benchrig.record.values import RunRecord, Stage
    from benchrig.report.terminal import LiveCard

STAGES = ("incoming", "cleaned", "retest")


def register(app: typer.Typer) -> None:
    """Add the tray command to the tree."""
    app.command("tray")(tray_command)


def tray_command(
    file: Annotated[Path, typer.Argument(metavar="TRAY.toml", help="The tray file.")],
    rig: RigOption,
    stage: Annotated[str, typer.Option(help="incoming, cleaned or retest.")],
    scan: Annotated[
        bool,
        typer.Option("--scan", help="Ask for each slot's tag; a scanner types it with Enter."),
    ] = False,
    again: Annotated[
        list[str] | None, typer.Option(metavar="TAG", help="Do this finished tag again.")
    ] = None,
    page: Annotated[
        Path | None, typer.Option("--page", help="Write the tray's sheet (HTML) here.")
    ] = None,
    log: LogOption = None,
    scan_period_us: ScanPeriodOption = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check file and rig, show what is left to do.")
    ] = False,
    yes: YesOption = False,
    as_json: JsonOption = False,
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
    """Test a tray, slot after slot; begun again after any interruption it goes on where it was.

    Ends with the worst of its slots: not proven safe (7), interrupted (130), rig (3), failed (1),
    inconclusive (6), passed (0).
    """
    from benchrig.bench.trayfile import read_tray
    from benchrig.bench.traylog import finished_slots
    from benchrig.cli.pace import Person, new_record_id, stamp
    from benchrig.record.log import RunLog

    if page is not None:
        destination(page, "")
    tray, chosen = read_tray(file), _stage(stage)
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
    with RunLog.open(log) as run_log:
        done = finished_slots(run_log, tray, chosen)
        if scan:
            tray = scan_tags(tray, set(done))
        job = _job(
            tray=tray,
            stage=chosen,
            rig_url=rig,
            tell=Person(rig).tell,
            stamp=stamp,
            new_id=lambda: new_record_id(stamp()),
            say=talk,
            scan_period_us=scan_period_us,
            again=frozenset(again or ()),
        )
        _refuse_strangers(job)
        if dry_run:
            return _dry_run(job, done, as_json=as_json)
        if any(s.number not in done or s.tag in job.again for s in tray.slots):
            confirm(yes)
        result = do_tray(job, run_log, quiet=as_json, shop=shop)
        if page is not None:
            page = _written(page, sheet_of(result, run_log), tray.order)
        show(result, run_log.shown, page, as_json=as_json)
    return int(result.exit_code)


def _written(page: Path, text: str, order: str) -> Path | None:
    """The page once it is written. A tray that is done keeps its exit code without one."""
    try:
        write_file(page, text)
    except UsageError as error:
        talk(f"benchrig: {error.message}")
        talk(f"  `benchrig record tray {order} --out FILE` makes the page again from the log")
        return None
    return page


def _job(**values: Any) -> TrayJob:
    from benchrig.bench.tray import TrayJob

    return TrayJob(**values)


def _stage(text: str) -> Stage:
    from benchrig.record.values import Stage

    if text not in STAGES:
        raise UsageError(f"--stage {text!r} is none of: {', '.join(STAGES)}")
    return Stage(text)


def _refuse_strangers(job: TrayJob) -> None:
    strangers = job.again - {slot.tag for slot in job.tray.slots}
    if strangers:
        raise UsageError(f"--again: no slot has the tag {', '.join(sorted(strangers))}")


def do_tray(
    job: TrayJob, run_log: RunLog, *, quiet: bool, shop: ShopOptions | None = None
) -> TrayResult:
    """Run a tray with a live card for each slot; the shop is told of each as it ends."""
    from rich.console import Console

    from benchrig.bench.tray import run_tray
    from benchrig.cli.pace import run_async

    stop = RemoteStop()
    with (
        telling(shop, stop) as publisher,
        _Cards(Console(stderr=True, quiet=quiet)) as cards,
    ):
        told = replace(
            job,
            sinks_of=lambda slot: (*cards.sinks_of(slot), *([publisher] if publisher else [])),
            kept=lambda record: tell_verdict(publisher, record),
            say=cards.say,
        )
        return run_async(job.rig_url, run_tray(told, run_log), on_task=stop.bind)


class _Cards:
    """One live card at a time, a new one for each slot."""

    def __init__(self, console: Any) -> None:
        self._console = console
        self._card: LiveCard | None = None

    def __enter__(self) -> _Cards:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()

    def _close(self) -> None:
        if self._card is not None:
            self._card.__exit__(None, None, None)
            self._card = None

    def say(self, line: str) -> None:
        self._close()
        self._console.print(line, markup=False, highlight=False, soft_wrap=True)

    def sinks_of(self, _: Slot | GoldenPart) -> tuple[Sink, ...]:
        from benchrig.cli.screen import CardSink
        from benchrig.report.terminal import LiveCard

        self._close()
        if not self._console.is_terminal:
            return ()  # a line a slot is enough for a file
        self._card = LiveCard(console=self._console, clock=time.monotonic)
        self._card.__enter__()
        return (CardSink(self._card),)


# --- tags -------------------------------------------------------------------------------------


def scan_tags(tray: Tray, done: set[int]) -> Tray:
    """Ask for the tag of each slot that is left; all of them before anything is energised."""
    tags: dict[int, str] = {}
    for slot in tray.slots:
        if slot.number in done:
            continue
        where = f", position {slot.position}" if slot.position else ""
        line = ask(f"slot {slot.number}, output {slot.output}{where}: scan or type the tag: ")
        tag = "".join(c for c in line if c.isprintable()).strip()
        if not tag:
            raise UsageError(f"slot {slot.number}: no tag was given; nothing was switched on")
        tags[slot.number] = tag
        tray.with_tags(tags)  # a clash is told at once
    talk()
    return tray.with_tags(tags)


# --- what is shown ----------------------------------------------------------------------------


def _dry_run(job: TrayJob, done: dict[int, RunRecord], *, as_json: bool) -> int:
    from benchrig.bench.tray import misfits
    from benchrig.cli.pace import run_async

    left = [s for s in job.tray.slots if s.number not in done or s.tag in job.again]
    found = run_async(job.rig_url, misfits(job, left))
    pattern = job.tray.pattern
    if as_json:
        say_json(
            {
                "schema": "benchrig.tray-dry-run/1",
                "order": job.tray.order,
                "stage": job.stage.value,
                "pattern": pattern.name,
                "cycles": pattern.cycles,
                "duration_s": pattern.duration_s * len(left),
                "finished": {str(n): record.record_id for n, record in sorted(done.items())},
                "left": [s.number for s in left],
                "objections": found,
            }
        )
    else:
        rows = [("SLOT", "OUTPUT", "TAG", "POSITION", "PART", "STATE")]
        for slot in job.tray.slots:
            state = f"done, {done[slot.number].verdict_words}" if slot not in left else "to do"
            place = slot.position or "-"
            tag = slot.tag or "(scanned)"
            rows.append((str(slot.number), str(slot.output), tag, place, slot.part.title, state))
        say(columns(rows))
        say(
            f"{len(left)} to do, {pattern.title}, "
            f"about {pattern.duration_s * len(left) / 60:.0f} min of cycling"
        )
        for line in found:
            say(f"refused: {line}")
        say("nothing was switched on")
    return int(ExitCode.USAGE if found else ExitCode.PASS)


def show(result: TrayResult, where: str, page: Path | None, *, as_json: bool) -> None:
    """The tray for a person, a line a slot, or as JSON."""
    if as_json:
        say_json({**to_json(result), "log": where, "page": str(page) if page else None})
        return
    from benchrig.parts.part import Characteristic
    from benchrig.report.history import number_of
    from benchrig.report.html.sheets import why_not_passed

    rows, reasons = [("SLOT", "POSITION", "TAG", "VERDICT", "R20")], []
    for slot in result.slots:
        record = slot.record
        words = "not done" if record is None else record.verdict_words
        if record is not None and not record.proven_safe:
            words += " / NOT PROVEN SAFE"
        r20 = "-" if record is None else number_of(record, Characteristic.RESISTANCE_20C)
        number, place = str(slot.slot.number), slot.slot.position or "-"
        rows.append((number, place, slot.slot.tag or "-", words, r20))
        if why := slot.error or (why_not_passed(record) if record is not None else ""):
            reasons.append(f"slot {number}: {why}")
        reasons += [f"slot {number}: {text}" for text in (record.warnings if record else ())]
    say(columns(rows))
    for reason in reasons:
        say(wrapped(reason))
    if result.golden:
        say(f"golden part {result.golden}")
    if result.stopped:
        say(f"ended early: {result.stopped}; the same command goes on from there")
    if page is not None:
        say(str(page))


def to_json(result: TrayResult) -> dict[str, Any]:
    """The public JSON of a tray."""
    from benchrig.record.forms import record_to_json

    tray = result.tray
    return {
        "schema": "benchrig.tray/1",
        "tray": tray.name,
        "order": tray.order,
        "stage": result.stage.value,
        "customer_words": tray.customer_words,
        "position_scheme": tray.position_scheme,
        "golden": result.golden,
        "stopped": result.stopped,
        "exit_code": int(result.exit_code),
        "simulated": any(s.record is not None and s.record.simulated for s in result.slots),
        "slots": [
            {
                "slot": slot.slot.number,
                "output": slot.slot.output,
                "tag": slot.slot.tag,
                "part_number": slot.slot.part_number,
                "position": slot.slot.position,
                "finished_before": slot.finished_before,
                "error": slot.error,
                "record": None
                if slot.record is None
                else {k: v for k, v in record_to_json(slot.record).items() if k != "cycles"},
            }
            for slot in result.slots
        ],
    }


def sheet_of(result: TrayResult, run_log: RunLog, paper: str = "") -> str:
    """The tray's page: one line a slot, beside what each tag was before."""
    from benchrig.bench.traylog import entry_of
    from benchrig.cli.traypages import sheet

    return sheet(
        entry_of(result.tray, result.stage, golden=result.golden, at=""),
        {s.slot.number: s.record for s in result.slots if s.record is not None},
        run_log,
        states={s.slot.number: s.error for s in result.slots if s.error},
        paper=paper,
    )
