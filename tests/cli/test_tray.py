"""``benchrig tray`` as a person and a script meet it."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from tests.bench_room.trays import slots_of, write_tray
from tests.cli.shell import Shell, watched
from tests.cli.test_entries import FLOW_LIMIT, PART

RIG = ("--rig", "sim:tray-of-eight", "--scan-period-us", "500")


def test_json_holds_every_slot_in_the_files_order(shell: Shell) -> None:
    path = write_tray(shell.folder, slots_of(3))
    done = shell("tray", str(path), *RIG, "--stage", "incoming", "--yes", "--json")
    assert done.code == 1
    found = done.json
    assert found["schema"] == "benchrig.tray/1"
    assert found["exit_code"] == 1
    assert [s["position"] for s in found["slots"]] == ["1", "4", "7"]
    assert [s["record"]["verdict"] for s in found["slots"]] == ["PASS", "PASS", "FAIL"]
    assert all(s["record"]["made_safe"]["proven"] for s in found["slots"])


def test_the_page_of_a_retest_says_what_changed(shell: Shell) -> None:
    path, page = write_tray(shell.folder, slots_of(1)), shell.folder / "sheet.html"
    for stage in ("incoming", "retest"):
        done = shell("tray", str(path), *RIG, "--stage", stage, "--yes", "--page", str(page))
        assert done.code == 0, done.stderr
    text = page.read_text(encoding="utf-8")
    assert "PASS → PASS; nothing changed more than the uncertainty" in text
    assert "cylinder number" in text
    assert "stalls when warm" in text


def test_a_dry_run_switches_nothing_on_and_says_what_is_left(shell: Shell) -> None:
    path = write_tray(shell.folder, slots_of(2))
    done = shell("tray", str(path), *RIG, "--stage", "incoming", "--dry-run", "--json")
    assert done.code == 0
    assert done.json["left"] == [1, 2]
    listed = shell("record", "list", "--json")
    assert listed.code == 5 or listed.json["records"] == []


def test_tags_are_scanned_before_anything_is_energised(shell: Shell) -> None:
    slots = '[[slot]]\noutput = 0\n[[slot]]\noutput = 1\ntag = "B"\n'
    path = write_tray(shell.folder, slots)
    command = ("tray", str(path), *RIG, "--stage", "incoming", "--scan", "--yes", "--json")
    wrong = shell(*command, typed="A\nC\n")
    assert wrong.code == 2
    assert "the file says B, the part says C" in wrong.error["message"]
    right = shell(*command, typed="A\nB\n")
    assert right.code == 0, right.stderr
    assert [s["tag"] for s in right.json["slots"]] == ["A", "B"]
    resumed = shell(*command, typed="")  # nothing is left, so nothing is asked
    assert resumed.code == 0
    assert [s["finished_before"] for s in resumed.json["slots"]] == [True, True]


def test_every_fault_of_a_tray_file_is_named_with_its_line(shell: Shell) -> None:
    path = write_tray(shell.folder, '[[slot]]\noutput = 0\ntag = "A"\n[[slot]]\ntag = "A"\n')
    done = shell("tray", str(path), *RIG, "--stage", "incoming", "--yes", "--json")
    assert done.code == 4
    assert [f["line"] for f in done.error["findings"]] == [11, 12]


def test_a_tray_whose_program_was_killed_goes_on_where_it_was(shell: Shell) -> None:
    path = write_tray(shell.folder, slots_of(3))
    running = shell.start("tray", str(path), *RIG, "--stage", "incoming", "--yes")
    with watched(running) as killed:
        killed.until("slot 2: K-2031-02, output")
        time.sleep(0.15)  # into the slot
        os.kill(running.pid, signal.SIGKILL)
        running.wait(30)
    resumed = shell("tray", str(path), *RIG, "--stage", "incoming", "--yes", "--json")
    assert resumed.code == 1, resumed.stderr
    slots = resumed.json["slots"]
    assert [s["record"]["verdict"] for s in slots] == ["PASS", "PASS", "FAIL"]
    assert slots[0]["finished_before"]
    kept = shell("record", "list", "--json").json["records"]
    finished = [r["tag"] for r in kept if r["ending"] != "found open at the next start"]
    assert sorted(finished) == ["K-2031-01", "K-2031-02", "K-2031-03"]
    assert all(r["proven_safe"] for r in kept)


def test_the_page_folder_is_looked_for_before_anything_is_done(shell: Shell) -> None:
    path = write_tray(shell.folder, slots_of(1))
    page = str(Path("nowhere") / "sheet.html")
    done = shell("tray", str(path), *RIG, "--stage", "incoming", "--yes", "--page", page)
    assert done.code == 2
    assert "there is no folder" in done.stderr


def test_the_page_of_a_tray_is_made_again_from_the_log_alone(shell: Shell) -> None:
    path, page = write_tray(shell.folder, slots_of(2)), shell.folder / "sheet.html"
    tray = ("tray", str(path), *RIG, "--stage", "incoming", "--yes", "--page", str(page))
    assert shell(*tray).code == 0
    path.unlink()  # the file is the person's; the log has what lay where
    again = shell.folder / "again.html"
    made = shell("record", "tray", "K-2031", "--out", str(again), "--json")
    assert made.code == 0, made.stderr
    assert again.read_bytes() == page.read_bytes()
    found = made.json
    assert found["schema"] == "benchrig.tray-page/1"
    assert (found["tray"], found["stage"], found["page"]) == ("tray", "incoming", str(again))
    assert found["customer_words"] == "stalls when warm (invented)"
    assert [s["tag"] for s in found["slots"]] == ["K-2031-01", "K-2031-02"]
    assert [s["record"]["verdict"] for s in found["slots"]] == ["PASS", "PASS"]


def test_what_is_typed_in_after_the_run_stands_on_the_trays_page(shell: Shell) -> None:
    slots = slots_of(2).replace('position = "4"', 'position = "4"\npart = "flowing.toml"')
    shell.file("flowing.toml", PART + FLOW_LIMIT)
    path = write_tray(shell.folder, slots)
    assert shell("tray", str(path), *RIG, "--stage", "incoming", "--yes").code == 0
    flow = ("--u-percent", "0.5", "--pressure-kpa", "300")
    for tag, value, stage in (
        *(("K-2031-01", "240", "incoming"), ("K-2031-02", "239", "incoming")),
        *(("K-2031-02", "210", "incoming"), ("K-2031-01", "199", "retest")),
    ):
        added = ("record", "add", "flow", tag, "--stage", stage, "--static-cc-per-min", value)
        assert shell(*added, *flow).code == 0
    leak = ("record", "add", "leak", "K-2031-02", "--stage", "incoming", "--drops", "1")
    assert shell(*leak, "--duration-s", "600").code == 0
    made = shell("record", "tray", "last", "--out", str(shell.folder / "x.html"), "--json").json
    first, second = (slot["typed_in"] for slot in made["slots"])
    assert first == [{"text": "static flow 240 ± 2.4 cc/min at 300 kPa", "verdict": ""}]
    assert second == [  # the newest of each counts; the limit is of this part alone
        {"text": "static flow 210 ± 2.1 cc/min at 300 kPa", "verdict": "FAIL"},
        {"text": "leak 1 drop in 600 s", "verdict": "PASS"},
    ]
    text = (shell.folder / "x.html").read_text(encoding="utf-8")
    assert "Outside its limit by a value typed in: slot 2." in text
    record, out = made["slots"][1]["record"]["record"], str(shell.folder / "p.html")
    report = shell("record", "report", record, "--out", out, "--json")
    assert report.json["file"] == out
    page = Path(out).read_text(encoding="utf-8")
    assert "incoming: static flow 210 ± 2.1 cc/min" in page
    assert "static flow 199" not in page  # that is of another stage


def test_a_tray_that_is_not_in_the_log_or_not_alone_is_told(shell: Shell) -> None:
    for name in ("tray", "second"):
        path = write_tray(shell.folder, slots_of(1), name=name)
        assert shell("tray", str(path), *RIG, "--stage", "incoming", "--yes").code == 0
    missing = shell("record", "tray", "K-9999", "--json")
    assert (missing.code, missing.error["kind"]) == (5, "LogError")
    twice = shell("record", "tray", "K-2031", "--json")
    assert twice.code == 2
    assert "second, tray" in twice.error["message"]
    named = shell("record", "tray", "K-2031", "--tray", "second", "--json").json
    assert named["tray"] == "second"
    assert Path(named["page"]).name == "K-2031-second-incoming.html"
    assert shell("record", "tray", "last", "--json").json["tray"] == "second"
