"""``benchrig demo``: a day in an invented shop, with the simulated rig for a bench.

First the technician: one suspect solenoid, five minutes of cycling with the live card. Then the
rebuilder: the golden part, a tray of eight with one of each fault, a retest after cleaning,
flow typed in, and a matched set of four. Everything lands in a folder of its own with a log of
its own; the user's log is never touched. Ends with 0 when every step came out as it must.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.files import cannot_write
from benchrig.cli.output import Interrupted, columns, say, say_json, talk, wrapped
from benchrig.cli.runs import JsonOption
from benchrig.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from benchrig.bench.tray import TrayResult
    from benchrig.record.log import RunLog
    from benchrig.record.values import RunRecord

ORDER = "DEMO-8"
SCAN_PERIOD_US = 100  # fast enough for the armature, and a third of the work of full speed
PATTERN = """\
# Invented for the demonstration: short, and long enough on to warm a winding a little.
title = "one second on, one off, six times"
source = "invented for demonstration"
repeats = 6

[[steps]]
state = "on"
duration_s = 1

[[steps]]
state = "off"
duration_s = 1
"""
TRAY = """\
# Invented from end to end: order, customer, tags and labels belong to nobody.
order = "{order}"
customer_words = "runs rough when warm, hard to start (invented)"
part = "demo-injector"
pattern = "demo-pattern.toml"
position_scheme = "cylinder number, as written on the harness"
operator = "demo"

[temperature]
soaked_c = 22

[golden]
tag = "DEMO-GOLD"
"""
SLOT = """
[[slot]]
output = {output}
tag = "DEMO-{number:02d}"
part_number = "XX-1450"
position = "{position}"
"""
# Labels as somebody wrote them: in the order of the harness, not of the cylinders.
POSITIONS = ("1", "3", "4", "2", "1 (2nd engine)", "3 (2nd engine)", "4 (2nd engine)", "2 (2nd)")
# The golden part on invented mornings before, in standard uncertainties from today.
MORNINGS = (0.3, -0.2, 0.1, -0.4, 0.2, 0.0, -0.1, 0.4, -0.3, 0.1, 0.2, -0.2)
CLEANED = (0, 1, 4, 5, 7)  # outputs whose parts went on to cleaning
FLOWS_CC_PER_MIN = {1: 239.0, 2: 243.5, 5: 231.0, 6: 240.5, 8: 242.0}


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("demo")(demo_command)


def demo_command(
    folder: Annotated[
        Path | None,
        typer.Option("--folder", help="Where to; default a new ./benchrig-demo folder."),
    ] = None,
    as_json: JsonOption = False,
) -> int:
    """Show the whole job on a simulated rig: nothing real is switched on; all data are invented."""
    demo = Demo(folder=_folder(folder), quiet=as_json)
    demo.run()
    demo.show(as_json=as_json)
    return int(ExitCode.PASS if demo.ok else ExitCode.INCONCLUSIVE)


def _folder(wanted: Path | None) -> Path:
    if wanted is not None:
        try:
            if wanted.exists() and any(wanted.iterdir()):
                raise UsageError(f"{wanted} is not empty", advice="give a new folder")
            wanted.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise cannot_write(wanted, error) from error
        return wanted
    for number in range(1, 100):
        path = Path("benchrig-demo" if number == 1 else f"benchrig-demo-{number}")
        try:
            path.mkdir()
        except FileExistsError:
            continue
        except OSError:
            break
        return path
    return Path(tempfile.mkdtemp(prefix="benchrig-demo-"))


@dataclass
class Demo:
    """The demonstration, step after step, with what each one came to."""

    folder: Path
    quiet: bool
    steps: list[tuple[str, str, bool]] = field(default_factory=list)  # step, found, as it must
    pages: list[tuple[str, Path]] = field(default_factory=list)

    @property
    def log(self) -> str:
        """The demonstration's own log."""
        return str(self.folder / "demo.db")

    @property
    def ok(self) -> bool:
        """Whether every step came out as it must."""
        return bool(self.steps) and all(ok for _, _, ok in self.steps)

    def run(self) -> None:
        """All of it."""
        from benchrig.record.log import RunLog

        talk("Demonstration on a simulated rig: nothing real is switched on, all data invented.")
        solenoid = self._solenoid()
        golden = self._golden()
        with RunLog.open(self.log) as run_log:
            self._page("the suspect solenoid", "solenoid.html", _part_page(run_log, solenoid))
            self._page("the golden part's chart", "golden.html", golden)
            incoming = self._incoming(run_log)
            retest = self._retest(run_log)
            self._sticky(run_log, incoming, retest)
            self._flow(run_log, retest)
            self._sets(run_log)

    def _page(self, what: str, name: str, text: str) -> None:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        self.pages.append((what, path))

    def _step(self, step: str, found: str, ok: bool) -> None:
        self.steps.append((step, found, ok))

    # --- the technician -----------------------------------------------------------------------

    def _solenoid(self) -> RunRecord:
        from benchrig.bench.trayfile import part_temperature
        from benchrig.cli.runs import do_run, make_plan
        from benchrig.judge.verdict import Verdict

        talk("One suspect solenoid: six seconds on, six off, 25 times (300 s of the rig's time).")
        plan = make_plan(
            "demo-purge-solenoid",
            "six-second",
            output=0,
            temperature=part_temperature(soaked_c=22.0),
            tag="DEMO-S1",
            order="DEMO-1",
            operator="demo",
            note="works cold, quits when warm (invented)",
        )
        record, _ = do_run(
            plan,
            "sim:demo-solenoid",
            self.log,
            scan_period_us=SCAN_PERIOD_US,
            quiet=self.quiet,
        )
        _go_on(record)
        faulty = len({drop.cycle for drop in record.drop_outs})
        self._step(
            "one suspect solenoid, 300 s",
            f"{record.verdict.value}: drops out in {faulty} of {record.cycles_done} cycles, hot",
            record.verdict is Verdict.FAIL and faulty > 0 and record.proven_safe,
        )
        return record

    # --- the rebuilder ------------------------------------------------------------------------

    def _golden(self) -> str:
        from benchrig.bench.goldenday import check_day, set_expected
        from benchrig.bench.trayfile import part_temperature
        from benchrig.cli.pace import stamp
        from benchrig.cli.runs import do_run, make_plan
        from benchrig.record.log import RunLog
        from benchrig.report.html import control_page

        (self.folder / "demo-pattern.toml").write_text(PATTERN, encoding="utf-8")
        talk("The golden part of the day, then the tray.")
        plan = make_plan(
            "demo-injector",
            str(self.folder / "demo-pattern.toml"),
            output=0,
            temperature=part_temperature(soaked_c=22.0),
            tag="DEMO-GOLD",
            operator="demo",
            stage="golden part",
        )
        record, _ = do_run(
            plan,
            "sim:healthy",
            self.log,
            scan_period_us=SCAN_PERIOD_US,
            quiet=True,
        )
        _go_on(record)
        with RunLog.open(self.log) as run_log:
            set_expected(run_log, record, who="demo", at=stamp())
            _mornings(run_log, record)
            day = check_day(run_log, record, who="demo", at=stamp())
        self._step(
            "golden part of the day", "accepted" if day.accepted else day.sentence, day.accepted
        )
        return control_page(day.check, day.days, simulated=True, invented=True)

    def _tray(self, run_log: RunLog, name: str, outputs: tuple[int, ...], stage: str) -> TrayResult:
        from benchrig.bench.tray import TrayJob
        from benchrig.bench.trayfile import read_tray
        from benchrig.cli.pace import Person, new_record_id, stamp
        from benchrig.cli.trays import do_tray
        from benchrig.record.values import Stage

        slots = "".join(SLOT.format(output=n, number=n + 1, position=POSITIONS[n]) for n in outputs)
        path = self.folder / f"{name}.toml"
        path.write_text(TRAY.format(order=ORDER) + slots, encoding="utf-8")
        rig = f"sim:demo-{name}"
        job = TrayJob(
            tray=read_tray(path),
            stage=Stage(stage),
            rig_url=rig,
            tell=Person(rig).tell,
            stamp=stamp,
            new_id=lambda: new_record_id(stamp()),
            say=talk,
            scan_period_us=SCAN_PERIOD_US,
        )
        result = do_tray(job, run_log, quiet=self.quiet)
        if result.exit_code is ExitCode.INTERRUPTED:
            raise Interrupted
        return result

    def _incoming(self, run_log: RunLog) -> TrayResult:
        from benchrig.cli.trays import sheet_of

        result = self._tray(run_log, "tray", tuple(range(8)), "incoming")
        self._page("the tray as it came in", "tray-incoming.html", sheet_of(result, run_log))
        failed = _slots(result, "FAIL")
        self._step(
            "tray of eight, incoming",
            f"slots {failed} fail: open, shorted turns, stuck, opens when warm",
            failed == [3, 4, 5, 7] and len(_slots(result, "PASS")) == 4,
        )
        return result

    def _retest(self, run_log: RunLog) -> TrayResult:
        result = self._tray(run_log, "tray-cleaned", CLEANED, "retest")
        passed = len(_slots(result, "PASS"))
        found = f"{passed} of {len(CLEANED)} pass"
        self._step("retest after cleaning", found, passed == len(CLEANED))
        return result

    def _sticky(self, run_log: RunLog, incoming: TrayResult, retest: TrayResult) -> None:
        from benchrig.report.history import before_after_line
        from benchrig.report.html import history_page, label_page

        before, after = incoming.slots[4].record, retest.slots[2].record
        if before is None or after is None:
            self._step("the stuck one, before and after", "not measured twice", False)
            return
        line = before_after_line(before, after)
        self._step("the stuck one, before and after", line, line.startswith("FAIL → PASS"))
        page = _part_page(run_log, after, before)
        self._page("the stuck one after cleaning", "part-DEMO-05.html", page)
        self._page("its history", "history-DEMO-05.html", history_page("DEMO-05", [before, after]))
        labels = [slot.record for slot in retest.slots if slot.record is not None]
        self._page("labels for the tray", "labels.html", label_page(labels))

    def _flow(self, run_log: RunLog, retest: TrayResult) -> None:
        from benchrig.cli.pace import stamp
        from benchrig.cli.trays import sheet_of
        from benchrig.record.entries import FlowEntry

        for number, value in FLOWS_CC_PER_MIN.items():
            run_log.add(
                FlowEntry(
                    at=stamp(),
                    who="demo",
                    tag=f"DEMO-{number:02d}",
                    stage="retest",
                    static_flow_cc_per_min=value,
                    std_uncertainty=0.005 * value,
                    pressure_pa=300_000.0,
                    fluid="calibration fluid (invented reading)",
                )
            )
        page = sheet_of(retest, run_log)  # now with the flow
        self._page("after cleaning", "tray-retest.html", page)

    def _sets(self, run_log: RunLog) -> None:
        from benchrig.cli.sets import parts_of_order, sets_page
        from benchrig.judge.matching import match_sets

        names = ("static_flow_cc_per_min", "resistance_20c_ohm")
        of = parts_of_order(run_log, ORDER, names)
        found = match_sets(of.parts, 4, names=names)
        self._page("the matched set", "sets.html", sets_page(found, of, order=ORDER))
        tags = [part.tag for part in found.sets[0].parts]
        left = ", ".join(part.tag for part in found.leftovers)
        self._step(
            "matched set of four by flow and R20",
            f"{', '.join(tags)}: spread {100 * found.worst_spread:.2f} %, left over {left}",
            found.optimal and left == "DEMO-05",
        )

    # --- the end ------------------------------------------------------------------------------

    def show(self, *, as_json: bool) -> None:
        """What came out, and the pages to open."""
        if as_json:
            say_json(self.to_json())
            return
        say()
        for step, found, ok in self.steps:
            say(wrapped(f"{'ok' if ok else 'NOT AS IT MUST'}  {step}: {found}"))
        say()
        say("Pages to open (invented data, and they say so):")
        say(columns([(str(path), what) for what, path in self.pages], indent="  "))
        say(f"The log: benchrig record list --log {self.log}")

    def to_json(self) -> dict[str, Any]:
        """The public JSON of the demonstration."""
        return {
            "schema": "benchrig.demo/1",
            "invented": True,
            "simulated": True,
            "ok": self.ok,
            "folder": str(self.folder),
            "log": self.log,
            "steps": [{"step": s, "found": f, "ok": ok} for s, f, ok in self.steps],
            "pages": [{"what": what, "file": str(path)} for what, path in self.pages],
        }


def _go_on(record: RunRecord) -> None:
    """A demonstration that was interrupted ends."""
    from benchrig.record.values import Ending

    if record.ending is Ending.INTERRUPTED:
        raise Interrupted


def _mornings(run_log: RunLog, record: RunRecord) -> None:
    """Invented mornings before this one, so that the control chart has something to show."""
    from datetime import datetime, timedelta

    from benchrig.bench.goldenday import golden_values
    from benchrig.record.entries import GoldenEntry

    today = datetime.fromisoformat(record.begun_at)
    values = golden_values(record)
    for number, step in enumerate(MORNINGS):
        run_log.add(
            GoldenEntry(
                at=(today - timedelta(days=len(MORNINGS) - number)).isoformat(),
                who="demo",
                tag=record.plan.tag,
                rig_unique_id=record.rig.unique_id,
                note="invented for demonstration",
                found={n.value: v.value + step * v.std_uncertainty for n, v in values.items()},
                accepted=True,
            )
        )


def _slots(result: TrayResult, verdict: str) -> list[int]:
    return [s.slot.number for s in result.slots if s.record and s.record.verdict.value == verdict]


def _part_page(run_log: RunLog, record: RunRecord, before: RunRecord | None = None) -> str:
    from benchrig.cli.pages import page_of

    return page_of(run_log, record, before=before.record_id if before else None)
