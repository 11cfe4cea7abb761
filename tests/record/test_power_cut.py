"""A file system that drops what was not synced, or keeps some of it: finished records stay.

What the log's files are told is written down by a library loaded before the C library; then the
files are built as a power cut would leave them, and opened.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from avr.build import compiler
from benchrig.record.log import RunLog
from tests.record import made

ROOT = Path(__file__).parents[2]
SECTOR = 512
RUNS = 4
CHILD = """
import os, sys
from benchrig.record.log import RunLog
from tests.record import made
path = sys.argv[1]
mark = os.open(path + "-mark", os.O_CREAT | os.O_WRONLY, 0o600)
with RunLog.open(path) as log:
    for k in range(int(sys.argv[2])):
        record_id = f"20260101-00000{k}-0000"
        log.begin_run(record_id, made.plan(), made.rig())
        os.write(mark, b"begun " + record_id.encode())
        writer = log.writer(record_id)
        for number in range(40):
            writer.add_block(made.block(number))
            if number % 10 == 9:
                writer.flush()
        writer.finish(made.record(record_id))
        os.write(mark, b"ended " + record_id.encode())
"""


@dataclass(slots=True)
class File:
    """One file as the program sees it, as the disk surely has it, and what lies between."""

    now: bytearray = field(default_factory=bytearray)
    synced: bytearray = field(default_factory=bytearray)
    since: list[tuple[int, bytes]] = field(default_factory=list)  # (place, data), by sector

    def write(self, place: int, data: bytes) -> None:
        _put(self.now, place, data)
        for start in range(0, len(data), SECTOR):
            self.since.append((place + start, data[start : start + SECTOR]))

    def sync(self) -> None:
        self.synced, self.since = bytearray(self.now), []

    def after_cut(self, rng: random.Random, share: float) -> bytes:
        left = bytearray(self.synced)
        for place, data in self.since:
            if rng.random() < share:
                _put(left, place, data)
        return bytes(left)


def _put(content: bytearray, place: int, data: bytes) -> None:
    content.extend(bytes(max(0, place + len(data) - len(content))))
    content[place : place + len(data)] = data


@pytest.fixture(scope="module")
def changes(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[str, str, int, bytes]]:
    """(what, file, place, data) in order, of a program that kept some runs."""
    folder = tmp_path_factory.mktemp("cut")
    shim, kept = folder / "shim.so", folder / "kept"
    source = Path(__file__).with_name("drop_unsynced.c")
    subprocess.run(
        [compiler(), "-shared", "-fPIC", "-O1", "-o", str(shim), str(source), "-ldl"], check=True
    )
    more = {
        "LD_PRELOAD": str(shim),
        "WATCH_FILES": "watched.db",
        "WATCH_KEPT": str(kept),
        "PYTHONPATH": f"{ROOT}{os.pathsep}{ROOT / 'sims'}",
    }
    command = [sys.executable, "-c", CHILD, str(folder / "watched.db"), str(RUNS)]
    subprocess.run(command, check=True, cwd=ROOT, env={**os.environ, **more})
    data, place, found = kept.read_bytes(), 0, list[tuple[str, str, int, bytes]]()
    while place < len(data):
        end = data.index(b"\n", place)
        what, path, where, length = data[place:end].decode().split(" ")
        place = end + 1 + (int(length) if what == "W" else 0)
        found.append((what, Path(path).name, int(where), data[end + 1 : place]))
    return found


@pytest.mark.parametrize("share", [0.0, 0.5, 0.95])
def test_a_power_cut_loses_no_finished_record(
    changes: list[tuple[str, str, int, bytes]], share: float, tmp_path: Path
) -> None:
    rng, files = random.Random(5), dict[str, File]()
    begun, ended = list[str](), list[str]()
    cuts = 0
    for number, (what, name, place, data) in enumerate(changes):
        if name.endswith("-mark"):
            word, record_id = data.decode().split()
            (begun if word == "begun" else ended).append(record_id)
        else:
            file = files.setdefault(name, File())
            if what == "W":
                file.write(place, data)
            elif what == "S":
                file.sync()
            elif what == "U":
                del files[name]
            else:
                del file.now[place:]
        if begun and (name.endswith("-mark") or rng.random() < 0.06):
            cuts += 1
            _open_after_cut(tmp_path / str(number), files, rng, share, begun, ended)
    assert len(ended) == RUNS
    assert cuts >= 2 * RUNS


def _open_after_cut(
    folder: Path,
    files: dict[str, File],
    rng: random.Random,
    share: float,
    begun: list[str],
    ended: list[str],
) -> None:
    folder.mkdir()
    for name, file in files.items():
        (folder / name).write_bytes(file.after_cut(rng, share))
    with RunLog.open(folder / "watched.db") as log:
        for record_id in ended:
            assert log.record(record_id) == made.record(record_id)
            assert len(list(log.samples(record_id))) > 0
        lost = {*begun} - {*ended} - {run.record_id for run in log.open_runs()}
        for record_id in lost:  # it was being ended just then
            assert log.record(record_id) == made.record(record_id)
