"""Forty flows typed in for an order, with six mistakes; matching by what counts."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from benchrig.cli import flowtray
from benchrig.cli.entries import typed_line, typed_of
from benchrig.cli.flowtray import read_into, sheet_of
from benchrig.cli.flowunits import unit_of
from benchrig.cli.orderpage import order_page_of
from benchrig.cli.pages import page_of, resolve_part
from benchrig.cli.sets import parts_of_order, whole_names
from benchrig.errors import InputFileError, UsageError
from benchrig.record.entries import CustomerEntry, FlowEntry, LeakEntry, WorkEntry
from benchrig.record.latest import typed_flows
from benchrig.record.log import RunLog
from benchrig.record.values import Stage
from tests.record import made

AT = "2026-01-05T10:{:02d}:00+00:00"
TAGS = [f"T-{n:02d}" for n in range(1, 41)]


@pytest.fixture
def log(tmp_path: Path) -> Iterator[RunLog]:
    with RunLog.open(tmp_path / "runs.db") as opened:
        yield opened


def keep(log: RunLog, number: int, tag: str, stage: Stage = Stage.RETEST) -> None:
    plan = made.plan(tag, stage=stage)
    record_id = f"20260101-{number:06d}-{number:04x}"
    log.begin_run(record_id, plan, made.rig())
    log.writer(record_id).finish(
        replace(
            made.record(record_id, run_plan=plan), begun_at=f"2026-01-01T10:00:{number:02d}+00:00"
        )
    )


def forty(log: RunLog) -> None:
    for number, tag in enumerate(TAGS):
        keep(log, number, tag)


def flow(log: RunLog, tag: str, value: float, stage: str, minute: int = 0) -> int:
    return log.add(
        FlowEntry(at=AT.format(minute), who="w", tag=tag, stage=stage, static_flow_cc_per_min=value)
    )


def good_values() -> dict[str, float]:
    draw = random.Random(20)
    return {tag: round(draw.gauss(240.0, 4.0), 1) for tag in TAGS}


def test_forty_flows_with_six_planted_mistakes_six_are_found(log: RunLog, tmp_path: Path) -> None:
    forty(log)
    lines = [f"{tag},{value}" for tag, value in good_values().items()]
    planted = {
        5: "T-05,2400",  # a nought too many
        11: "T-11,24.1",  # the point one place to the left
        17: "T-17,420",  # digits that changed places
        23: "T-22,241",  # a tag typed twice
        31: "X-31,240",  # a tag of another order
        38: "T-38,22.8",  # in lb/hr
    }
    for number, line in planted.items():
        lines[number - 1] = line
    path = tmp_path / "flows.csv"
    path.write_text("tag,value\n" + "\n".join(lines) + "\n")
    sheet = sheet_of(log, "N-7", "", "retest", unit_of("cc/min", None), frozenset())
    with pytest.raises(InputFileError) as caught:
        read_into(sheet, path)
    assert [f.line for f in caught.value.findings] == [number + 1 for number in planted]
    path.write_text("tag,value\n" + "\n".join(f"{t},{v}" for t, v in good_values().items()))
    sheet = sheet_of(log, "N-7", "", "retest", unit_of("cc/min", None), frozenset())
    read_into(sheet, path)
    assert len(sheet.values) == 40
    assert log.entries(FlowEntry) == []  # a file that is not sound leaves nothing behind


def test_a_value_that_is_odd_and_right_is_kept_when_somebody_is_sure(
    log: RunLog, tmp_path: Path
) -> None:
    forty(log)
    values = good_values() | {"T-09": 60.0}
    path = tmp_path / "flows.csv"
    path.write_text("tag,value\n" + "\n".join(f"{t},{v}" for t, v in values.items()))
    sheet = sheet_of(log, "N-7", "", "retest", unit_of("cc/min", None), frozenset({"T-09"}))
    read_into(sheet, path)
    assert sheet.values["T-09"] == (60.0,)


def test_a_typed_odd_value_counts_when_typed_again(
    log: RunLog, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number, tag in enumerate(TAGS[:3]):
        keep(log, number, tag)
    typed = iter(["240", "24O", "2400", "241", "70", "60", "60"])
    monkeypatch.setattr(flowtray, "ask", lambda question: next(typed))
    sheet = sheet_of(log, "N-7", "", "retest", unit_of("cc/min", None), frozenset())
    flowtray._ask_in_order(sheet, twice=False)
    assert sheet.values == {"T-01": (240.0,), "T-02": (241.0,), "T-03": (60.0,)}
    assert next(typed, None) is None


def test_units_of_the_flow_bench() -> None:
    # 1 lb is 453.59237 g: 22.8 lb/hr at 0.72 g/mL are 239.39 cc/min, by hand.
    assert unit_of("lb/hr", 0.72).to_kept(22.8) == pytest.approx(239.39, abs=0.01)
    assert unit_of("cc/30s", None).to_kept(120.0) == 240.0
    assert unit_of("CC/1000", None).to_kept(16.6) == 16.6
    with pytest.raises(UsageError, match="by mass"):
        unit_of("g/min", None)
    with pytest.raises(UsageError, match="no unit"):
        unit_of("gallons", None)


def test_an_incoming_value_typed_later_never_replaces_the_retests(log: RunLog) -> None:
    for number, tag in enumerate(TAGS[:2]):
        keep(log, number, tag)
        flow(log, tag, 240.0 + number, "retest", 1)
    flow(log, "T-01", 180.0, "incoming", 5)
    found = parts_of_order(log, "N-7")
    assert found.names == ("static_flow_cc_per_min",)
    assert [part.values for part in found.parts] == [(240.0,), (241.0,)]
    assert found.taken["T-01"]["static_flow_cc_per_min"].stage == "retest"
    assert found.words() == [
        "Static flow (static_flow_cc_per_min): all values are of the stage retest"
    ]


def test_the_tags_without_a_flow_are_named(log: RunLog) -> None:
    for number, tag in enumerate(TAGS[:3]):
        keep(log, number, tag)
    assert parts_of_order(log, "N-7").names == ("resistance_20c_ohm",)
    flow(log, "T-02", 240.0, "retest")
    with pytest.raises(UsageError, match="known of: T-01, T-03 "):
        parts_of_order(log, "N-7")
    assert len(parts_of_order(log, "N-7", whole_names(["resistance"])).parts) == 3


def test_what_is_withdrawn_stays_and_counts_nowhere(log: RunLog) -> None:
    keep(log, 0, "T-01")
    number = flow(log, "T-01", 2400.0, "retest", 1)
    flow(log, "T-01", 240.0, "incoming", 2)
    assert typed_flows(log, "T-01")["static_flow_cc_per_min"].value == 2400.0
    log.withdraw(number, who="w", why="a nought too many", at=AT.format(9))
    assert typed_flows(log, "T-01")["static_flow_cc_per_min"].value == 240.0
    assert [e.static_flow_cc_per_min for e in log.entries(FlowEntry, tag="T-01")] == [240.0]
    assert [e.static_flow_cc_per_min for e in log.entries(FlowEntry)] == [240.0]
    lines = [typed_line(each) for each in typed_of(log, "T-01")]
    assert len(lines) == 2
    assert "incoming" in lines[0]  # by stage, not by the time of typing
    assert lines[1].endswith("WITHDRAWN by w, 2026-01-05 10:09: a nought too many")
    with pytest.raises(UsageError, match="already"):
        log.withdraw(number, who="w", why="again", at=AT.format(9))


def test_only_what_a_person_typed_is_withdrawn(log: RunLog) -> None:
    keep(log, 0, "T-01")
    log.correct("20260101-000000-0000", "note", "x", who="w", why="y", at=AT.format(1))
    leak = log.add(
        LeakEntry(at=AT.format(2), who="w", tag="T-01", stage="retest", drops=1, duration_s=60)
    )
    with pytest.raises(UsageError, match="correction"):
        log.withdraw(leak - 1, who="w", why="z", at=AT.format(3))
    log.withdraw(leak, who="w", why="z", at=AT.format(3))
    assert log.entries(LeakEntry) == []


def test_a_tag_names_its_latest_stage_and_the_order_has_a_page(
    log: RunLog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text('[shop]\nname = "Invented Works"\naddress = ["1 Example Road"]\n')
    monkeypatch.setenv("BENCHRIG_BENCH", str(bench))
    keep(log, 1, "T-01", Stage.RETEST)
    keep(log, 2, "T-01", Stage.INCOMING)  # run later, and of an earlier stage all the same
    keep(log, 3, "T-02", Stage.INCOMING)
    flow(log, "T-01", 240.0, "retest")
    log.add(CustomerEntry(at=AT.format(1), who="w", order="N-7", name="Mill Street", asked="why"))
    log.add(WorkEntry(at=AT.format(2), who="w", order="N-7", text="cleaned 20 min"))
    assert resolve_part(log, "T-01") == "20260101-000001-0001"
    page, simulated = order_page_of(log, "N-7")
    for needed in ("Invented Works", "Mill Street", "why", "cleaned 20 min", "T-02", "240 cc/min"):
        assert needed in page, needed
    assert simulated is ("SIMULATED" in page) is log.record("20260101-000001-0001").simulated
    part = page_of(log, log.record(resolve_part(log, "T-01")))
    assert "Mill Street" in part
    assert "retest: static flow 240 cc/min" in part


def test_what_was_done_to_an_order_stands_on_the_pages_of_later_runs_only(log: RunLog) -> None:
    log.add(WorkEntry(at="2026-01-01T09:00:00+00:00", who="w", order="N-7", text="cleaned"))
    log.add(WorkEntry(at="2026-01-02T09:00:00+00:00", who="w", order="N-7", text="painted"))
    keep(log, 1, "T-01")
    page = page_of(log, log.record("20260101-000001-0001"))
    assert "done: cleaned" in page
    assert "painted" not in page
