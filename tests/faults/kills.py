"""Kill a real ``benchrig run`` at a random moment and look at what the bench truly did.

``python -m tests.faults.kills --count 200 --workers 4`` for many; the usual tests do a handful.
The simulated rig runs as a program of its own behind a pseudo-terminal and writes down its true
contacts on the machine's monotonic clock, which the killer reads too.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import json
import os
import pty
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import termios
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from benchrig.record.log import RunLog
from benchrig.record.values import Ending, SafeEvidence
from benchrig.record.verify import verify

ROOT = Path(__file__).parents[2]
OFF_S = 0.300
SILENCE_S = 0.258  # 250 ms, and the feed's own 6 ms, and a look of the rig
LIFE_S = 6.0  # a run of the pattern below lasts about so long from its first byte
SCENARIO = """\
title = "a sound coil, sampled slowly"
[rig]
conversion_us = 200
[[part]]
output = 0
name = "part"
[part.coil]
resistance_20c_ohm = 14.5
inductance_rest_h = 0.0105
inductance_seat_h = 0.0136
"""
PATTERN = """\
title = "half a second on and off"
repeats = 3
[[steps]]
state = "on"
duration_s = 0.5
[[steps]]
state = "off"
duration_s = 0.5
"""


class How(StrEnum):
    """What ends the program."""

    KILL = "SIGKILL"
    TERM = "SIGTERM"
    INT = "SIGINT"
    INT3 = "SIGINT three times"
    STOP = "SIGSTOP"
    HANG_UP = "closed terminal"


@dataclass(slots=True)
class Killed:
    """What came of one kill; ``wrong`` is empty when all is as it must be."""

    how: How
    after_s: float
    energised_at_kill: bool = False
    off_after_s: float = 0.0  # from the kill
    exit_code: int | None = None
    was_open: bool = False
    wrong: list[str] = field(default_factory=list)


def _environment() -> dict[str, str]:
    path = os.pathsep.join((str(ROOT), str(ROOT / "sims")))
    return {**os.environ, "PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1", "TERM": "dumb"}


class Scene:
    """One simulated rig with its witness, and a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.log = folder / "runs.db"
        self.witness = folder / "truth.jsonl"
        (folder / "bench.toml").write_text(SCENARIO, encoding="utf-8")
        (folder / "pattern.toml").write_text(PATTERN, encoding="utf-8")
        self._sim = subprocess.Popen(
            [
                *(sys.executable, "-m", "benchrig_sim", str(folder / "bench.toml")),
                *("--pty", "--watch", str(self.witness)),
            ],
            stdout=subprocess.PIPE,
            text=True,
            env=_environment(),
            cwd=ROOT,
        )
        assert self._sim.stdout is not None
        self.port = self._sim.stdout.readline().strip()

    def close(self) -> None:
        """End the simulated rig."""
        self._sim.terminate()
        self._sim.wait(10)
        assert self._sim.stdout is not None
        self._sim.stdout.close()

    def words(self) -> list[str]:
        """The command line of the run."""
        return [
            *(sys.executable, "-m", "benchrig", "run", "demo-injector", "--rig", self.port),
            *("--pattern", str(self.folder / "pattern.toml"), "--soaked", "22", "--yes"),
            *("--log", str(self.log), "--scan-period-us", "1000"),
        ]

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Another benchrig command, to its end."""
        return subprocess.run(
            [sys.executable, "-m", "benchrig", *words],
            capture_output=True,
            text=True,
            env=_environment(),
            cwd=ROOT,
            timeout=60,
        )

    def truth(self) -> list[dict[str, Any]]:
        """What the witness has written."""
        with contextlib.suppress(FileNotFoundError):
            text = self.witness.read_text(encoding="utf-8")
            return [json.loads(line) for line in text.splitlines() if line.endswith("}")]
        return []

    def wait_for_first_byte(self, deadline_s: float = 60.0) -> None:
        """Until the host has spoken to the rig."""
        until = time.monotonic() + deadline_s
        while not self.truth():
            if time.monotonic() > until:
                raise TimeoutError("the run never spoke to the rig")
            time.sleep(0.01)


@contextlib.contextmanager
def scene_in(folder: Path) -> Iterator[Scene]:
    """A scene that is ended whatever happens."""
    scene = Scene(folder)
    try:
        yield scene
    finally:
        scene.close()


class _Host:
    """The program under test; with a terminal of its own where that is to be closed."""

    def __init__(self, scene: Scene, *, terminal: bool) -> None:
        self._master = -1
        if terminal:
            self._master, slave = pty.openpty()
            self.process = subprocess.Popen(
                scene.words(),
                stdin=slave,
                stdout=slave,
                stderr=slave,
                env=_environment(),
                cwd=ROOT,
                start_new_session=True,
                preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
            )
            os.close(slave)
            os.set_blocking(self._master, False)
        else:
            with (scene.folder / "host.txt").open("ab") as said:
                self.process = subprocess.Popen(
                    scene.words(),
                    stdin=subprocess.DEVNULL,
                    stdout=said,
                    stderr=said,
                    env=_environment(),
                    cwd=ROOT,
                )

    def wait(self, seconds: float) -> None:
        """Let it run, and read its terminal so that it never blocks on it."""
        until = time.monotonic() + seconds
        while time.monotonic() < until and self.process.poll() is None:
            if self._master >= 0:
                with contextlib.suppress(OSError):
                    os.read(self._master, 65_536)
            time.sleep(0.01)

    def strike(self, how: How) -> float:
        """Do it; the moment at which it was done."""
        send = self.process.send_signal
        with contextlib.suppress(ProcessLookupError):
            if how is How.HANG_UP:
                os.close(self._master)
                self._master = -1
            elif how is How.INT3:
                for _ in range(2):
                    send(signal.SIGINT)
                    time.sleep(0.05)
                send(signal.SIGINT)
            else:
                send(getattr(signal, how.value))
        return time.monotonic()

    def close(self) -> None:
        """Leave nothing behind."""
        if self._master >= 0:
            os.close(self._master)
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)


def kill_once(how: How, after_s: float, folder: Path, *, next_start: bool = True) -> Killed:
    """One run, killed ``after_s`` after its first byte to the rig."""
    killed = Killed(how, after_s)
    with scene_in(folder) as scene:
        host = _Host(scene, terminal=how is How.HANG_UP)
        try:
            scene.wait_for_first_byte()
            host.wait(after_s)
            ended_before = host.process.poll() is not None
            at_s = host.strike(how)
            if how in (How.KILL, How.STOP):
                time.sleep(0.7)
            else:
                host.wait(30.0)
            if how is How.STOP:
                host.process.send_signal(signal.SIGCONT)
                host.wait(30.0)
            killed.exit_code = host.process.poll()
        finally:
            host.close()
        _look_at_contacts(killed, scene, at_s)
        if not ended_before:
            _look_at_exit(killed)
        _look_at_log(killed, scene, next_start=next_start)
    return killed


def _look_at_contacts(killed: Killed, scene: Scene, at_s: float) -> None:
    truth = scene.truth()
    before = [line for line in truth if line["at_s"] <= at_s]
    killed.energised_at_kill = bool(before and before[-1]["energised"])
    if truth and truth[-1]["energised"]:
        killed.wrong.append("still energised when everything was over")
    if killed.how not in (How.KILL, How.STOP):
        return
    # Bytes sent before the kill may be heard a little after it; the rig counts from there.
    heard = max((line["heard_s"] for line in truth if line["heard_s"]), default=at_s)
    alone_until = at_s + 0.7
    spans = [
        (line["at_s"], following["at_s"])
        for line, following in zip(truth, [*truth[1:], {"at_s": alone_until}], strict=True)
        if line["energised"] and at_s < following["at_s"] and line["at_s"] < alone_until
    ]
    if spans:
        off_s = min(spans[-1][1], alone_until)
        killed.off_after_s = off_s - at_s
        if off_s - at_s > OFF_S + max(0.0, min(heard, at_s + 0.2) - at_s):
            killed.wrong.append(f"on for {off_s - at_s:.3f} s after the kill")


def _look_at_exit(killed: Killed) -> None:
    code = killed.exit_code
    if killed.how is How.KILL:
        if code != -signal.SIGKILL:
            killed.wrong.append(f"exit code {code} after SIGKILL")
    elif killed.how is How.STOP:
        if code not in (0, 3, 6, 7):
            killed.wrong.append(f"exit code {code} after having been stopped")
    elif code not in (0, 130):
        killed.wrong.append(f"exit code {code}, not 130")


def _look_at_log(killed: Killed, scene: Scene, *, next_start: bool) -> None:
    if not scene.log.exists():
        return
    said = scene.command("record", "verify", "--log", str(scene.log))
    if said.returncode != 0:
        killed.wrong.append(f"record verify: {said.stdout} {said.stderr}")
    with RunLog.open(scene.log, read_only=True) as log:
        open_runs = log.open_runs()
        for run in log.list_runs():
            if run.record_id in {found.record_id for found in open_runs}:
                continue
            record = log.record(run.record_id)
            if not isinstance(record.made_safe, SafeEvidence):
                killed.wrong.append("closed without evidence")
        for found in open_runs:  # everything that was committed can be read
            for _ in log.samples(found.record_id):
                pass
            log.events(found.record_id)
    killed.was_open = bool(open_runs)
    if killed.was_open and killed.how is not How.KILL:
        killed.wrong.append("the run was left open by a signal that can be caught")
    if killed.was_open and next_start:
        _start_again(killed, scene, open_runs[0].record_id)


def _start_again(killed: Killed, scene: Scene, record_id: str) -> None:
    again = subprocess.run(
        scene.words(), capture_output=True, text=True, env=_environment(), cwd=ROOT, timeout=90
    )
    with RunLog.open(scene.log, read_only=True) as log:
        if log.open_runs():
            killed.wrong.append(f"the next start left a run open: {again.stderr[-300:]}")
            return
        record = log.record(record_id)
        if record.ending is not Ending.FOUND_OPEN or not record.proven_safe:
            killed.wrong.append(f"the next start closed the run as {record.ending}")
        if verify(log):
            killed.wrong.append("the log is damaged after the next start")
    if again.returncode != 0:
        killed.wrong.append(f"the next start ended with {again.returncode}")


def main() -> int:
    """Many kills, a few at a time; 0 when nothing was wrong."""
    parser = argparse.ArgumentParser(prog="tests.faults.kills", description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--workers", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    kinds = list(How)
    plan = [(kinds[n % len(kinds)], rng.uniform(0.0, LIFE_S)) for n in range(options.count)]

    def one(job: tuple[How, float]) -> Killed:
        folder = Path(tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
        try:
            return kill_once(*job, folder)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    begun = time.monotonic()
    with ThreadPoolExecutor(options.workers) as pool:
        results = list(pool.map(one, plan))
    for killed in results:
        for wrong in killed.wrong:
            print(f"{killed.how} after {killed.after_s:.3f} s: {wrong}")
    alone = [k.off_after_s for k in results if k.how in (How.KILL, How.STOP) and k.off_after_s]
    print(
        f"{len(results)} kills in {time.monotonic() - begun:.0f} s; "
        f"{sum(k.energised_at_kill for k in results)} with the part energised; "
        f"{sum(k.was_open for k in results)} runs found open by the next start; "
        f"{sum(bool(k.wrong) for k in results)} wrong"
    )
    if alone:
        print(f"the rig alone was off after {max(alone):.3f} s at most, {len(alone)} times")
    print(Counter((str(k.how), k.exit_code) for k in results))
    return 1 if any(k.wrong for k in results) else 0


if __name__ == "__main__":
    sys.exit(main())
