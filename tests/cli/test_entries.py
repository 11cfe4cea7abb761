"""Values typed in, history, export, golden part and matched sets at the command line."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from benchrig.errors import ExitCode
from tests.bench_room.trays import slots_of, write_tray
from tests.cli.shell import QUICK, Shell

PART = (Path(__file__).parents[2] / "benchrig/parts/data/demo-injector.toml").read_text()
FLOW_LIMIT = """
[limits.static_flow_cc_per_min]
low = 235.0
high = 245.0
source = "Invented for demonstration; not a published value"
[limits.leak_drops_per_min]
high = 2.0
source = "Invented for demonstration; not a published value"
"""


def run_tag(shell: Shell, tag: str, *more: str) -> str:
    """A quick run of a tag on a part with limits for flow; the record's id."""
    part = shell.file("flowing.toml", PART + FLOW_LIMIT)
    pattern = shell.file("quick.toml", QUICK)
    done = shell(
        *("run", part, "--rig", "sim:healthy", "--soaked", "22", "-p", pattern),
        *("--scan-period-us", "500", "--yes", "--json", "--tag", tag, *more),
    )
    assert done.code in (0, 1), done.stderr
    found: str = done.json["record"]
    return found


def test_flow_typed_in_is_judged_against_the_parts_limit(shell: Shell) -> None:
    run_tag(shell, "K-1", "--stage", "incoming")
    low = shell(
        *("record", "add", "flow", "K-1", "--stage", "retest", "--static-cc-per-min", "210"),
        *("--u-percent", "0.5", "--pressure-kpa", "300", "--json"),
    )
    assert low.code == 0, low.stderr
    (judged,) = low.json["judged"]
    assert (judged["name"], judged["verdict"]) == ("static_flow_cc_per_min", "FAIL")
    assert low.json["entry"]["pressure_pa"] == 300_000.0
    # The value belongs to the retest, so it fails the retest and not the incoming run again.
    shown = shell("record", "show", run_tag(shell, "K-1", "--stage", "retest"), "--json").json
    assert shown["verdict"] == "FAIL"
    again = shell("record", "show", run_tag(shell, "K-1", "--stage", "incoming"), "--json").json
    assert again["verdict"] == "PASS"


def test_a_volume_in_a_glass_becomes_a_flow_with_its_uncertainty(shell: Shell) -> None:
    run_tag(shell, "K-1")
    static = shell(
        *("record", "add", "flow", "K-1", "--stage", "single", "--volume-ml", "60"),
        *("--u-volume-ml", "0.5", "--duration-s", "15", "--pressure-kpa", "300"),
        *("--to-kpa", "350", "--json"),
    )
    assert static.code == 0, static.stderr
    entry = static.json["entry"]
    # 60 mL in 15 s are 240 cc/min; an orifice goes by the root of the pressure: 259.23.
    assert entry["static_flow_cc_per_min"] == pytest.approx(259.2296, abs=1e-3)
    assert entry["pressure_pa"] == 350_000.0
    assert entry["note"] == "(60 mL in 15 s; 240 cc/min at 300 kPa)"
    # Glass, half a second by hand, and 1 % of pressure, of which the root takes half.
    relative = ((0.5 / 60) ** 2 + (0.5 / 15) ** 2 + 0.005**2) ** 0.5
    assert entry["std_uncertainty"] == pytest.approx(259.2296 * relative, rel=1e-6)
    assert static.json["judged"][0]["name"] == "static_flow_cc_per_min"
    dynamic = shell(
        *("record", "add", "flow", "K-1", "--stage", "single", "--volume-ml", "16.6"),
        *("--u-volume-ml", "0.1", "--pulses", "1000", "--json"),
    )
    assert dynamic.json["entry"]["dynamic_flow_ul"] == pytest.approx(16.6)
    assert dynamic.json["entry"]["std_uncertainty"] == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--volume-ml", "60", "--duration-s", "15"), "--u-volume-ml"),
        (("--volume-ml", "60", "--u-volume-ml", "0.5"), "--duration-s and --pulses"),
        (("--static-cc-per-min", "240", "--to-kpa", "350"), "--to-kpa needs"),
        (("--static-lb-per-hr", "24"), "only at a density"),
    ],
)
def test_half_a_flow_is_refused(shell: Shell, words: tuple[str, ...], said: str) -> None:
    done = shell("record", "add", "flow", "K-1", "--stage", "single", *words)
    assert done.code == 2
    assert said in done.stderr


def test_flow_without_an_uncertainty_is_kept_and_not_judged(shell: Shell) -> None:
    run_tag(shell, "K-1")
    done = shell(
        *("record", "add", "flow", "K-1", "--stage", "single", "--dynamic-ul", "11.5", "--json")
    )
    assert done.json["judged"] == []
    assert done.json["entry"]["dynamic_flow_ul"] == 11.5


def test_a_mass_flow_needs_the_density_it_was_measured_at(shell: Shell) -> None:
    flow = ("record", "add", "flow", "K-1", "--stage", "single", "--static-lb-per-hr", "24")
    refused = shell(*flow, "--json")
    assert refused.code == 2
    assert "density" in refused.error["message"]
    kept = shell(*flow, "--density-g-per-ml", "0.72", "--json").json
    # 24 lb/hr at 0.72 g/mL: 24 * 453.59237 / 60 / 0.72, by the definition of the pound
    assert kept["entry"]["static_flow_cc_per_min"] == pytest.approx(24 * 453.59237 / 60 / 0.72)


def test_a_leak_is_kept_as_drops_and_seconds(shell: Shell) -> None:
    run_tag(shell, "K-1")
    done = shell(
        *("record", "add", "leak", "K-1", "--stage", "single", "--drops", "9"),
        *("--duration-s", "60", "--pressure-psi", "43.5", "--json"),
    )
    assert (done.json["entry"]["drops"], done.json["entry"]["duration_s"]) == (9, 60.0)
    assert done.json["judged"][0]["verdict"] == "FAIL"
    assert done.json["entry"]["pressure_pa"] == pytest.approx(299_922, abs=1)  # 43.5 psi


def test_a_tag_nobody_knows_is_asked_about_and_kept(shell: Shell) -> None:
    run_tag(shell, "K-1")
    done = shell("record", "add", "spray", "K-2", "--stage", "single", "--text", "one-sided")
    assert done.code == 0
    assert "no record has the tag K-2 yet" in done.stderr


def test_history_shows_every_stage_and_what_changed(shell: Shell) -> None:
    for stage in ("incoming", "retest"):
        run_tag(shell, "K-1", "--stage", stage)
    shell("record", "add", "spray", "K-1", "--stage", "retest", "--text", "even cone")
    found = shell("record", "history", "K-1", "--json").json
    assert [r["stage"] for r in found["records"]] == ["incoming", "retest"]
    assert [e["text"] for e in found["typed_in"]] == ["even cone"]
    assert "nothing changed more than the uncertainty" in found["first_to_last"]
    page = shell.folder / "history.html"
    words = shell("record", "history", "K-1", "--page", str(page))
    assert "first to last: PASS → PASS" in words.stdout.replace("\n", " ")
    assert "retest" in page.read_text(encoding="utf-8")
    assert shell("record", "history", "nobody").code == 5


def test_export_writes_units_into_the_columns(shell: Shell) -> None:
    record = run_tag(shell, "K-1")
    features = shell("record", "export", record, "-o", "-")
    rows = list(csv.DictReader(io.StringIO(features.stdout)))
    assert [row["cycle"] for row in rows] == ["1", "2", "3"]
    assert 0.8 < float(rows[0]["current_a"]) < 1.0
    for what, suffix in (("samples", "csv"), ("samples", "parquet"), ("features", "parquet")):
        out = shell.folder / f"{what}.{suffix}"
        done = shell("record", "export", "last", "--what", what, "-o", str(out), "--json")
        assert done.code == 0, done.stderr
        assert done.json["lines"] >= 3
        assert out.stat().st_size > 500
    listed = shell("record", "export", "--what", "list", "-o", str(shell.folder / "all.csv"))
    assert "1 lines of list" in listed.stdout
    assert shell("record", "export", record, "-o", "x.txt").code == 2


def test_the_golden_part_sets_what_is_expected_and_is_held_to_it(shell: Shell) -> None:
    pattern = shell.file("quick.toml", QUICK)
    golden = ("rig", "golden", "GOLD", "--part", "demo-injector", "-p", pattern, "--soaked", "22")
    page = shell.folder / "golden.html"
    first = shell(*golden, "--rig", "sim:healthy", "--expect", "--yes", "--json")
    assert first.code == 0, first.stderr
    assert first.json["accepted"]
    second = shell(*golden, "--rig", "sim:healthy?seed=4", "--yes", "--page", str(page))
    assert second.code == 0, second.stdout
    assert "GOLD" in second.stdout
    assert "still learning" in page.read_text(encoding="utf-8")
    drifted = shell(*golden, "--rig", "sim:high-joint", "--yes", "--json")  # a bad clip, say
    assert drifted.code == 3
    assert not drifted.json["accepted"]
    assert "expected" in drifted.json["reason"]


def test_sets_are_matched_from_a_trays_records_and_typed_flow(shell: Shell) -> None:
    path = write_tray(shell.folder, slots_of(6))
    rig = ("--rig", "sim:tray-of-eight", "--scan-period-us", "500")
    shell("tray", str(path), *rig, "--stage", "incoming", "--yes")
    page = shell.folder / "sets.html"
    done = shell("set", "match", "--size", "4", "--order", "K-2031", "--page", str(page), "--json")
    found = done.json
    assert found["left_out"] == {"K-2031-03": "failed at incoming"}
    assert len(found["sets"][0]["tags"]) == 4
    assert len(found["leftovers"]) == 1
    assert found["optimal"]
    assert "(max - min) / mean" in page.read_text(encoding="utf-8")
    shown = shell("set", "match", "--size", "4", "--order", "K-2031").stdout
    assert "matched by R20 (at 20 °C) (resistance_20c_ohm)" in shown  # flow was not what decided
    by_flow = ("set", "match", "--size", "2", "--order", "K-2031", "--by", "static_flow_cc_per_min")
    assert shell(*by_flow).code == 2  # nothing typed in yet
    flows = {"01": 240, "02": 251, "04": 249, "05": 241, "06": 260}
    for tag, flow in flows.items():
        shell(
            *("record", "add", "flow", f"K-2031-{tag}", "--stage", "incoming"),
            *("--static-cc-per-min", str(flow)),
        )
    matched = shell(*by_flow, "--json").json
    assert [set(s["tags"]) for s in matched["sets"]] == [
        {"K-2031-01", "K-2031-05"},
        {"K-2031-04", "K-2031-02"},
    ]


WIDTHS = "width_ms,volume_ul\n2,4.7\n3,8.5\n4,12.7\n6,20.5\n8,28.7\n10,36.5\n"


def test_a_flow_line_is_kept_and_stands_in_the_history(shell: Shell) -> None:
    """Slope and offsets as in the regression's own test, from a file as a person writes it."""
    file = shell.file("volumes.csv", WIDTHS)
    words = ("--stage", "incoming", "--u-volume-ul", "0.001", "--fluid", "test fluid")
    said = shell("record", "add", "flow-line", "K-9", file, *words, "--json").json
    data = said["entry"]["data"]
    assert data["slope"] == pytest.approx(3.98947, abs=1e-5)
    # The regression's 0.01697, by Student's t of four degrees of freedom: 2.776 for 1.960.
    assert data["slope_u"] == pytest.approx(0.01697 * 2.776 / 1.960, rel=4e-3)
    assert data["time_offset_ms"] == pytest.approx(0.83773, abs=1e-5)
    assert data["flow_offset_ul"] == pytest.approx(-3.34211, abs=1e-5)
    assert data["width_ms"] == [2, 3, 4, 6, 8, 10]  # what was read off stays beside it
    history = shell("record", "history", "K-9")
    flat = " ".join(history.stdout.split())
    assert "typed in, incoming: flow line 3.989 ± 0.048 µL/ms (239.4 cc/min)" in flat
    assert "time offset 0.838 ± 0.065 ms" in flat
    assert "flow offset -3.34 ± 0.30 µL" in flat


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("width_ms,volume_ul\n2,4\n3,8\n", "three points"),
        ("width_ms,volume_ul\n2,9\n3,8\n4,7\n", "must grow with pulse width"),
        ("width_ms,volume_ul\n2,9\n0,8\n4,x\n", ":3: a width is above zero"),
        ("width_ms,volume_ul\n2,9\n0,8\n4,x\n", ':4: "x" is not a number'),
        ("a,b\n1,2\n", "width_ms and volume_ul"),
    ],
)
def test_volumes_that_make_no_line_are_told(text: str, words: str, shell: Shell) -> None:
    file = shell.file("volumes.csv", text)
    given = ("--stage", "incoming", "--u-volume-ul", "0.1")
    said = shell("record", "add", "flow-line", "K-9", file, *given)
    assert said.code == ExitCode.INPUT_FILE
    assert words in said.stderr
    assert not shell.log.exists()
