"""Whose fault it was: causes by severity, seed and pattern; the truth against the word.

Every run is a whole job on the simulated rig. What was broken, and whether it showed in an
on-time, is read off the simulated bench and never given to the program. A row counts as

- right: a part that is broken FAILs; a sound one PASSes, or what else broke is named;
- abstained: INCONCLUSIVE, or the run did not end by itself, with no cause named;
- wrong: a broken part PASSes, a sound part FAILs, another cause is named than the true one.

``DIAGNOSIS_SEEDS`` sets how many seeds (20 unless told otherwise).
"""

from __future__ import annotations

import itertools
import json as json_module
import os
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from benchrig.bench.outcome import exit_code_for
from benchrig.errors import BenchrigError, ExitCode
from benchrig.judge.verdict import Verdict
from benchrig.measure.features import Cause
from benchrig.patterns.pattern import Pattern, Step
from benchrig.record.values import RunRecord
from benchrig_sim import link as sim_link
from benchrig_sim.link import SimLink
from benchrig_sim.plant import Plant
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario
from tests.bench_room.jobs import Told, plan_for, run_sim

SCAN_US = 100
SAMPLES_SEEN = 3  # a gap of so many samples may hide
SEEDS = int(os.environ.get("DIAGNOSIS_SEEDS", "20"))
WRONG_MAX, WRONG_ROW_MAX, SOUND_LEAST = 0.005, 0.02, 0.99
VIRTUAL_S = 120.0
PATTERNS = (
    Pattern(
        name="six-second",
        title="six seconds on, six off, twice",
        steps=(Step(on=True, duration_us=6_000_000), Step(on=False, duration_us=6_000_000)),
        repeats=2,
    ),
    Pattern(
        name="short-pulse",
        title="forty pulses of 60 ms",
        steps=(Step(on=True, duration_us=60_000), Step(on=False, duration_us=140_000)),
        repeats=40,
    ),
)


@dataclass(frozen=True, slots=True)
class Row:
    """One cause at three severities; ``{}`` in the fault is where the severity goes."""

    name: str
    truth: Cause | None  # None: the part is sound and its path whole
    fault: str
    severities: tuple[str, str, str]
    scenario: str = "healthy"


GAPS = ("0.001", "0.005", "0.05")
OFTEN = ("0.002", "0.01", "0.05")
BREAK, MANY = "break@{at},place=%s,duration_s={}", "intermittent,place=%s,value=2,duration_s={}"
P, L, S, R = Cause.PART, Cause.LEAD, Cause.SUPPLY, Cause.RIG
ROWS = (
    Row("sound", None, "", ("", "", "")),
    Row("part opens once", P, BREAK % "part", GAPS),
    Row("part opens at times", P, MANY % "part", OFTEN),
    Row("part opens for good", P, "part-open@{}", ("cycle2", "cycle3", "2.5s")),
    Row("part open from the start", P, "part-open", ("", "", "")),
    Row("opens when hot, °C", P, "opens-when-hot,value={}", ("23", "24", "25")),
    Row("part shorts, share left", P, "part-shorted@cycle3,value={}", ("0.02", "0.05", "0.08")),
    Row("shorted turns, share", P, "shorted-turns,value={}", ("0.1", "0.2", "0.4")),
    Row("high joint, ohm", P, "high-joint,value={}", ("1.5", "3", "10")),
    Row("lead opens once", L, BREAK % "lead", GAPS),
    Row("lead opens at times", L, MANY % "lead", OFTEN),
    Row("supply fails once", S, BREAK % "supply", GAPS),
    Row("supply fails at times", S, MANY % "supply", OFTEN),
    Row("fuse blows", S, "supply-off@{}", ("cycle2", "cycle3", "2.5s")),
    Row("feed opens once", S, BREAK % "feed", GAPS),
    Row("feed opens at times", S, MANY % "feed", OFTEN),
    Row("feed fails for good", S, "break@{},place=feed", ("cycle2", "cycle3", "2.5s")),
    Row("rig's switch opens once", R, BREAK % "switch", GAPS),
    Row("rig's switch opens at times", R, MANY % "switch", OFTEN),
    Row("supply sags, V", None, "supply-sag@{at},value={},duration_s=0.1", ("11.5", "9", "5")),
    Row("supply in its limit, A", None, "supply-limit,value={}", ("0.75", "0.6", "0.5")),
    Row("voltage input sticks", None, "input-stuck@{},input=1", ("cycle2", "cycle3", "2.5s")),
    Row("input drifts", None, "input-drifting@{at},input=1,value={}", ("0.5", "5", "50")),
    Row("rig resets", None, "reset@{}", ("cycle2", "cycle3", "2.5s")),
    Row("rig browns out", None, "brown-out@{}", ("cycle2", "cycle3", "2.5s")),
    Row("schedule stalls", None, "schedule-stalls@{}", ("cycle2", "cycle3", "2.5s")),
    Row("read-back lies", None, "readback-lies@{}", ("cycle2", "cycle3", "2.5s")),
    Row("link takes a bit", None, "bit-flipped@out{}", ("60", "120", "180")),
    Row("clock off, share", None, "clock-drift,value={}", ("0.0001", "0.001", "0.01")),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ran:
    """One run: its word, and what is true of it."""

    row: Row
    severity: int
    pattern: str
    word: str  # right, abstained, wrong
    said: str


def play(row: Row, severity: int, pattern: Pattern, seed: int) -> tuple[RunRecord | None, Plant]:
    """The record, None where the run did not end by itself, and the bench it ran on."""
    begin_s, end_s = on_spans(pattern.name)[1 + seed % (pattern.cycles - 1)]
    share = 0.35 + 0.55 * ((seed * 0.618) % 1.0)  # after the rise, before the end
    at_s = begin_s + share * (end_s - begin_s - 0.005)
    fault = row.fault.replace("{at}", f"{at_s:.4f}s").replace("{}", row.severities[severity])
    spec = f"{row.scenario}?seed={seed + 1}" + (f"&fault={fault}" if fault else "")
    return _run(spec, pattern)


@cache
def on_spans(pattern: str) -> tuple[tuple[float, float], ...]:
    """True times of the on-times of a sound part, the first short pulse not among them."""
    chosen = next(p for p in PATTERNS if p.name == pattern)
    record, plant = _run("healthy", chosen)
    assert record is not None
    spans = [
        (edge.t, after.t)
        for edge, after in itertools.pairwise(plant.edge_log)
        if edge.outputs_mask & 1 and edge.feed_closed
    ]
    return tuple(spans[-chosen.cycles :])


def _run(spec: str, pattern: Pattern) -> tuple[RunRecord | None, Plant]:
    rig = SimRig(open_scenario(spec).rig)

    def the_rig(spec: str) -> SimLink:
        del spec
        return SimLink(rig)

    opened, sim_link.open_sim_link = sim_link.open_sim_link, the_rig
    try:
        with tempfile.TemporaryDirectory(prefix="benchrig-diagnosis-") as folder:
            record = run_sim(
                "healthy",
                Path(folder) / "runs.db",
                plan=plan_for(pattern=pattern),
                told=Told(give_up_after=2),
                scan_period_us=SCAN_US,
                within_s=VIRTUAL_S,
            )
    except (BenchrigError, TimeoutError):
        return None, rig.plant
    finally:
        sim_link.open_sim_link = opened
    return record, rig.plant


def showed(row: Row, record: RunRecord) -> bool:
    """Whether a gap longer than a few samples can be seen at all in what the run recorded."""
    return any(
        drop.duration_s > (SAMPLES_SEEN + 0.5) * SCAN_US * 1e-6
        for cycle in record.cycles
        for drop in cycle.all_drop_outs
    )


def words_of(row: Row, record: RunRecord | None, struck: bool) -> tuple[str, str]:
    """Right, abstained or wrong, and what the record said."""
    if record is None:
        return "abstained", "did not end by itself"
    said = record.verdict.value
    causes = {d.cause for c in record.cycles for d in c.undriven} - {Cause.UNKNOWN}
    truth = row.truth if struck else None
    if record.verdict is Verdict.FAIL:
        return ("right" if truth is Cause.PART else "wrong"), said
    if truth is Cause.PART:
        wrong = record.verdict is Verdict.PASS or causes
        return ("wrong" if wrong else "abstained"), said
    if truth is None:
        if causes - {Cause.SUPPLY}:
            return "wrong", f"{said}: {', '.join(sorted(causes))}"
        named = exit_code_for(record) is ExitCode.RIG or "supply" in record.verdict_reason
        right = record.verdict is Verdict.PASS or named
        return ("right" if right else "abstained"), said
    if causes - {truth}:
        return "wrong", f"{said}: {', '.join(sorted(causes))}"
    if record.verdict is Verdict.PASS:
        return "wrong", said
    return ("right" if causes else "abstained"), said


def struck_in_time(row: Row, record: RunRecord | None, plant: Plant) -> bool:
    """Whether what was to break did so while the part was on, by the bench's own account."""
    if row.truth is None or record is None:
        return row.truth is not None
    if row.fault.startswith("opens-when-hot"):
        return plant.branches[0].connection.openings > 0
    if "intermittent" not in row.fault or row.truth not in (Cause.PART, Cause.LEAD):
        return "intermittent" not in row.fault or showed(row, record)
    edges = plant.edge_log
    for edge, after in itertools.pairwise(edges):
        if edge.outputs_mask & 1 and edge.feed_closed:
            for begin, end in plant.branches[0].gaps:
                inside = min(end, after.t) - max(begin, edge.t)
                if inside > SAMPLES_SEEN * SCAN_US * 1e-6:
                    return True
    return False


def matrix(seeds: int, rows: tuple[Row, ...] = ROWS) -> Iterator[Ran]:
    """All runs, one after the other."""
    for row in rows:
        for severity in range(len(row.severities)):
            for pattern in PATTERNS:
                for seed in range(seeds):
                    record, plant = play(row, severity, pattern, seed)
                    word, said = words_of(row, record, struck_in_time(row, record, plant))
                    yield Ran(row, severity, pattern.name, word, said)


def found_from(runs: list[Ran]) -> str:
    """The least severity from which on 95 % of the runs were right; "-" where none was."""
    least = "-"
    for severity in reversed(range(3)):
        told = [r.word == "right" for r in runs if r.severity == severity]
        if not told or sum(told) < 0.95 * len(told):
            break
        least = runs[0].row.severities[severity] or "any"
    return least


def run(json: bool) -> int:
    """Print the table; 1 when a goal was missed."""
    runs: list[Ran] = []
    table = []
    for row in ROWS:
        mine = list(matrix(SEEDS, (row,)))
        runs += mine
        count = Counter(r.word for r in mine)
        wrong = Counter(r.said for r in mine if r.word == "wrong")
        table.append(
            {
                "cause": row.name,
                "truth": row.truth.value if row.truth else "the part is sound",
                **{word: count[word] for word in ("right", "abstained", "wrong")},
                "found_at_95": found_from(mine),
                "wrong_said": dict(wrong),
            }
        )
        if not json:
            shown = f"  said {dict(wrong)}" if wrong else ""
            print(
                f"{row.name:36} {table[-1]['truth']!s:18} right {count['right']:4} "
                f"abstained {count['abstained']:4} wrong {count['wrong']:4}  "
                f"found at 95 %: {table[-1]['found_at_95']}{shown}",
                flush=True,
            )
    total = Counter(r.word for r in runs)
    sound = [r.said == "PASS" for r in runs if not r.row.fault]
    goals = {
        "wrong of all": (total["wrong"] / len(runs), WRONG_MAX),
        "wrong of the worst row": (
            max(
                sum(r.word == "wrong" for r in runs if r.row is row) / (len(runs) / len(ROWS))
                for row in ROWS
            ),
            WRONG_ROW_MAX,
        ),
        "sound parts not passed": (1.0 - sum(sound) / len(sound), 1.0 - SOUND_LEAST),
    }
    if json:
        print(json_module.dumps({"runs": len(runs), "total": total, "rows": table}, indent=2))
    else:
        print(f"{len(runs)} runs: {dict(total)}")
        for name, (value, most) in goals.items():
            print(
                f"{name}: {value:.2%}, at most {most:.2%}: {'met' if value <= most else 'MISSED'}"
            )
    return int(any(value > most for value, most in goals.values()))
