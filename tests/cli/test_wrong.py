"""Wrong values and places that cannot be written: told as usage, before anything is energised."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.errors import ExitCode
from tests.cli.shell import QUICK, Done, Shell


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> tuple[Shell, str]:
    """A log with one record, for all tests here, and the record's id."""
    shell = Shell(folder=tmp_path_factory.mktemp("wrong"))
    words = ("-p", shell.file("quick.toml", QUICK), "--tag", "K-1", "--order", "O-1")
    record: str = shell.run("healthy", "--json", *words).json["record"]
    return shell, record


@pytest.mark.parametrize(
    "command",
    [
        "record report last --out {}",
        "record label last --out {}",
        "record history K-1 --page {}",
        "record export last --out {}",
    ],
)
@pytest.mark.parametrize("place", ["a-folder.csv", "nowhere/a.csv", "/proc/a.csv"])
def test_a_place_that_cannot_be_written_is_named(
    command: str, place: str, done: tuple[Shell, str]
) -> None:
    shell, _ = done
    (shell.folder / "a-folder.csv").mkdir(exist_ok=True)
    said = shell(*command.format(place).split(), "--json")
    assert said.code == ExitCode.USAGE, said.stderr
    assert Path(place).parent.name in said.error["message"]


def test_a_tray_is_shown_though_its_page_cannot_be_written(tmp_path: Path) -> None:
    shell = Shell(folder=tmp_path)
    shell.file("quick.toml", QUICK)
    tray = shell.file(
        "tray.toml",
        'order = "O-2"\npart = "demo-injector"\npattern = "quick.toml"\n'
        "[temperature]\nsoaked_c = 22\n"
        '[[slot]]\noutput = 0\ntag = "K-1"\n',
    )
    page = tmp_path / "pages" / "tray.html"
    page.parent.mkdir()
    where = ("--rig", "sim:healthy", "--stage", "incoming", "--page", str(page), "--yes")
    page.symlink_to("/proc/tray.html")  # a place that looks right until it is written to
    said = shell("tray", tray, *where, "--json", "--scan-period-us", "500")
    assert said.json["slots"][0]["record"]["verdict"] == "PASS"
    assert said.json["page"] is None
    assert said.code == ExitCode.PASS
    assert "cannot be written" in said.stderr
    assert "record tray" in said.stderr  # how to make it again


@pytest.mark.parametrize(
    "command",
    [
        "rig check --rig sim:known-resistor --resistor-ohm nan",
        "rig check --rig sim:known-resistor --resistor-ohm 10 --resistor-u-ohm inf",
        "rig calibrate --rig sim:known-resistor --resistor-ohm 10 --resistor-u-ohm nan --yes",
        "rig calibrate --rig sim:known-resistor --resistor-ohm 10 --resistor-u-ohm 0.01 --yes "
        "--meter-v nan",
        "rig calibrate --rig sim:known-resistor --resistor-ohm 10 --resistor-u-ohm 0.01 --yes "
        "--meter-v 0",
        "rig calibrate --rig sim:known-resistor --resistor-ohm 10 --resistor-u-ohm 0.01 --yes "
        "--meter-v 12 --meter-u-v 0",
        "rig calibrate --rig sim:known-resistor --resistor-ohm 10 --resistor-u-ohm 0.01 --yes "
        "--meter-v 12 --days 99999999",
        "rig golden G-1 --part demo-injector --rig sim:healthy --yes --temperature-c nan",
        "run demo-injector --rig sim:healthy --yes --soaked -300",
        "run demo-injector --rig sim:healthy --yes --soaked 20 --temperature-c 20",
        "rig null --rig sim:clips-shorted --awg 18 --lead-m inf",
        "record add flow K-1 --stage retest --static-cc-per-min inf",
        "record add flow K-1 --stage retest --static-cc-per-min 100 --u-percent inf",
        "record add flow K-1 --stage retest --dynamic-ul 5 --pressure-kpa inf",
        "record add leak K-1 --stage retest --drops 1 --duration-s inf",
        "record add flow K-1 --stage retest --static-cc-per-min 100 --pulses 5",
        "record add flow K-1 --stage retest --volume-ml 50 --u-volume-ml 1 --duration-s 30 "
        "--u-percent 2",
    ],
)
def test_a_number_that_is_none_is_refused_before_the_rig_is_opened(
    command: str, shell: Shell
) -> None:
    said = shell(*command.split(), "--json")
    assert said.code == ExitCode.USAGE, said.stderr
    assert said.error["kind"] == "UsageError"
    assert not shell.log.exists()  # nothing was kept, and no rig asked


def test_a_meter_reading_that_is_no_number_of_volts_is_told(shell: Shell) -> None:
    words = ("--resistor-ohm", "22", "--resistor-u-ohm", "0.01", "--yes")
    said = shell("rig", "calibrate", "--rig", "sim:known-resistor", *words, typed="nan\n")
    assert said.code == ExitCode.USAGE, said.stderr
    assert "no number of volts" in said.stderr


def _message(said: Done) -> str:
    return f"{said.error['message']} {said.error.get('advice', '')}"


def test_an_unknown_characteristic_to_match_by_is_named(done: tuple[Shell, str]) -> None:
    shell, _ = done
    said = shell("set", "match", "--order", "O-1", "--size", "2", "--by", "resistence", "--json")
    assert said.code == ExitCode.USAGE
    assert "resistence" in _message(said)
    assert "static_flow_cc_per_min" in _message(said)  # what is known
    assert "K-1" not in _message(said)  # the parts are not to blame


def test_a_day_is_a_day(done: tuple[Shell, str]) -> None:
    shell, record = done
    today = f"{record[:4]}-{record[4:6]}-{record[6:8]}"
    listed = shell("record", "list", "--since", today, "--until", today, "--json").json
    assert [run["record_id"] for run in listed["records"]] == [record]
    assert shell("record", "list", "--until", "1999-12-31", "--json").json["records"] == []
    said = shell("record", "list", "--since", "31.1.2026", "--json")
    assert said.code == ExitCode.USAGE
    assert "2026-01-31" in _message(said)


def test_an_unknown_verdict_to_list_by_is_named(done: tuple[Shell, str]) -> None:
    shell, _ = done
    said = shell("record", "list", "--verdict", "passed", "--json")
    assert said.code == ExitCode.USAGE
    assert "INCONCLUSIVE" in _message(said)


def test_last_is_understood_wherever_a_record_is_named(done: tuple[Shell, str]) -> None:
    shell, _ = done
    said = shell("record", "report", "last", "--before", "last", "--paper", "A4", "--json")
    assert said.code == ExitCode.PASS, said.stdout
    assert Path(shell.folder / said.json["file"]).exists()


def test_options_that_would_be_ignored_are_refused(done: tuple[Shell, str]) -> None:
    shell, record = done
    for arguments in (
        ("record", "export", record, "--order", "O-1", "--json"),
        ("record", "export", record, "--out", "-", "--json"),
        ("record", "export", record, "--since", "2026-01-01", "--json"),
    ):
        assert shell(*arguments).error["kind"] == "UsageError"


def test_a_damaged_log_is_told_in_one_document(done: tuple[Shell, str]) -> None:
    import sqlite3

    shell, _ = done
    whole = shell("record", "verify", "--json")
    assert whole.json["intact"]
    before = shell.log.read_bytes()
    connection = sqlite3.connect(shell.log)
    connection.execute("DROP TRIGGER entry_never_updated")
    connection.commit()
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    try:
        said = shell("record", "verify", "--json")
    finally:
        shell.log.write_bytes(before)
    assert said.code == ExitCode.LOG
    assert not said.json["intact"]
    assert said.json["findings"]


def test_a_correction_makes_no_log_where_none_is(tmp_path: Path) -> None:
    shell = Shell(folder=tmp_path)
    where = ("--log", str(tmp_path / "typo" / "runs.db"))
    who = ("--who", "me", "--why", "misread")
    said = shell("record", "correct", "last", "tag", "K-2", *who, *where, "--json")
    assert said.code == ExitCode.LOG
    assert "there is none" in said.error["message"]
    assert not (tmp_path / "typo").exists()


@pytest.mark.parametrize("place", ["/proc/demo", "a-file"])
def test_a_demo_says_where_it_cannot_be(place: str, shell: Shell) -> None:
    shell.file("a-file", "")
    said = shell("demo", "--folder", place, "--json")
    assert said.code == ExitCode.USAGE, said.stderr
    assert place in said.error["message"]


@pytest.mark.parametrize("start_s", ["nan", "inf"])
def test_a_waveform_begins_at_a_time(start_s: str, shell: Shell) -> None:
    rows = "".join(f"{n * 1e-4},{0.9 - 0.9 * 0.88**n}\n" for n in range(60))
    wave = shell.file("wave.csv", "time_s,current_a\n" + rows)
    assert shell("analyse", wave, "--start-s", start_s).code == ExitCode.USAGE
    assert shell("analyse", wave, "--start-s", "0").code == ExitCode.PASS


def test_a_tag_where_a_record_is_asked_for_is_pointed_to_its_history(
    done: tuple[Shell, str],
) -> None:
    shell, _ = done
    said = shell("record", "show", "K-1")
    assert said.code == ExitCode.LOG
    assert "record history TAG" in said.stderr


def test_two_parts_are_not_compared_as_one_without_a_word(tmp_path: Path) -> None:
    shell = Shell(folder=tmp_path)
    quick = ("--json", "-p", shell.file("quick.toml", QUICK), "--tag")
    one, two, again = (shell.run("healthy", *quick, tag).json["record"] for tag in "ABA")
    assert "of two tags, A and B" in shell("record", "compare", one, two).stderr
    assert "begun later" in shell("record", "compare", again, one).stderr
    assert shell("record", "compare", one, again).stderr == ""
