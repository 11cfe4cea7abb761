"""A part recorded with its armature held, and later runs told from that, command by command.

The simulated rig's ``stuck-armature`` is the coil of ``healthy`` with an armature that cannot
leave its rest: what a wedge does.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from benchrig.errors import ExitCode
from benchrig.measure.features import MotionAnswer
from tests.bench import _motion_physics as physics
from tests.cli.shell import Done, Shell

HELD = "with its armature held"


def _run(shell: Shell, scenario: str, *more: str, tag: str = "K-7") -> Done:
    return shell.run(scenario, "--scan-period-us", "50", "--tag", tag, *more, "--json")


def _movement(done: Done) -> dict[str, str]:
    (found,) = (c for c in done.json["characteristics"] if c["name"] == "motion")
    return dict(found)


@pytest.fixture(scope="module")
def shell(tmp_path_factory: pytest.TempPathFactory) -> Shell:
    """A log in which K-7 has been recorded with its armature held."""
    shell = Shell(folder=tmp_path_factory.mktemp("held"))
    done = _run(shell, "stuck-armature", "--blocked")
    assert done.code == ExitCode.INCONCLUSIVE, done.stderr
    assert "NEVER by hand" in done.stderr
    assert f"kept: later runs of K-7 on this rig are told from {done.json['record']}" in done.stderr
    assert done.json["stage"] == "armature held"
    assert "held by a tool" in _movement(done)["reason"]
    return shell


def test_a_stuck_part_is_told_from_a_moving_one(shell: Shell) -> None:
    stuck = _run(shell, "stuck-armature")
    assert stuck.code == ExitCode.PART_FAILED, stuck.stdout
    judged = _movement(stuck)
    assert judged["verdict"] == "FAIL"
    assert HELD in judged["reason"]
    assert "would have been seen" in judged["reason"]
    assert "smaller than that" in judged["does_not_prove"]
    motion = stuck.json["cycles"][0]["motion"]
    assert motion["blocked"] in judged["reason"]
    assert 0.001 < motion["least_change"] < 0.03
    moving = _run(shell, "healthy")
    assert moving.code == ExitCode.PASS, moving.stdout
    assert HELD in _movement(moving)["reason"]
    assert moving.json["cycles"][0]["motion"]["blocked"] == motion["blocked"]
    record = stuck.json["record"]
    assert shell("record", "report", record, "--out", "page.html").code == ExitCode.PASS
    page = (shell.folder / "page.html").read_text(encoding="utf-8")
    assert f"(record {motion['blocked']})" in page
    again = shell("record", "reanalyse", record, "--json")
    assert HELD in again.stdout


def test_it_counts_for_that_very_part_alone(shell: Shell) -> None:
    other = _run(shell, "stuck-armature", tag="K-8")
    assert HELD not in _movement(other)["reason"]
    assert other.json["cycles"][0]["motion"]["blocked"] == ""


def test_a_recording_of_a_part_that_moved_never_fails_it(shell: Shell) -> None:
    """It is kept, since iron alone may look so; that a part does the same proves nothing then."""
    done = _run(shell, "healthy", "--blocked", tag="K-6")
    assert done.code == ExitCode.INCONCLUSIVE, done.stderr
    again = _run(shell, "healthy", tag="K-6")
    judged = _movement(again)
    assert judged["verdict"] == "INCONCLUSIVE"
    assert "was the armature held there?" in judged["reason"]


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ((), "--tag"),
        (("--tag", "K-7", "--as-reference"), "of its own"),
        (("--tag", "K-7", "--stage", "retest"), "of its own"),
    ],
)
def test_what_makes_no_sense_is_refused(shell: Shell, arguments: tuple[str, ...], why: str) -> None:
    done = shell.run("stuck-armature", "--blocked", *arguments)
    assert done.code == ExitCode.USAGE
    assert why in done.stderr


def test_a_pump_is_not_held(shell: Shell) -> None:
    done = shell(
        *("run", "demo-fuel-pump", "--rig", "sim:healthy", "--tag", "P-1", "--blocked", "--yes")
    )
    assert done.code == ExitCode.USAGE
    assert "stalls and burns" in done.stderr


def test_a_waveform_is_told_from_one_of_the_part_held(tmp_path: Path) -> None:
    time = np.arange(50) * 1e-4
    waves = {
        stuck: physics.simulate(np.random.default_rng(31), np.full(12, 0.1), 6.2, stuck=stuck)
        for stuck in (False, True)
    }
    good = waves[False]
    which = int(np.flatnonzero((good.end > 0.9) & (good.end < 2.5) & (good.landing > 1.3))[0])

    def file(name: str, *, stuck: bool, seed: int) -> str:
        wave = waves[stuck]
        clean = 0.931 * np.interp(time / 0.827586e-3, wave.time, wave.current[which])
        noisy = clean + np.random.default_rng(seed).normal(0, 1e-3, len(time))
        rows = [f"{t:.4f},{i:.6f}" for t, i in zip(time, noisy, strict=True)]
        (tmp_path / name).write_text("\n".join(["time_s,current_a", *rows]))
        return str(tmp_path / name)

    held, shell = file("held.csv", stuck=True, seed=1), Shell(folder=tmp_path)
    stuck = shell("analyse", file("stuck.csv", stuck=True, seed=2), "--blocked", held)
    motion = stuck.json["motion"]
    assert motion["answer"] == MotionAnswer.NO_SIGNATURE
    assert motion["blocked"].endswith("held.csv")
    assert 0 < motion["least_change"] < 0.05
    moving = file("moving.csv", stuck=False, seed=3)
    assert shell("analyse", moving, "--blocked", held).json["motion"]["answer"] == "moved"
    backwards = shell("analyse", held, "--blocked", moving).json["motion"]
    assert backwards["answer"] == MotionAnswer.CANNOT_TELL
