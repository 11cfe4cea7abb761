"""``benchrig tray`` as a person and a script meet it."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from tests.bench_room.trays import slots_of, write_tray
from tests.cli.shell import Shell, watched

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
