"""OFF is said of the rig built from the document only where it is so: several faults at once."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from benchrig.bench.job import run_job
from benchrig.judge.verdict import Verdict
from benchrig.patterns.pattern import Pattern, Step
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, RunRecord, SafeEvidence
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench_room.jobs import Told, plan_for, sim_job
from tests.stranger.link import AMBIENT, config_of, offered

BRIEF = Pattern(
    name="brief",
    title="Half a second on, half a second off, twice",
    steps=(Step(on=True, duration_us=500_000), Step(on=False, duration_us=500_000)),
    repeats=2,
)


def run_brief(log_path: Path, told: Told, *sins: str) -> RunRecord:
    """A brief run, watched for 20 s."""

    async def work() -> RunRecord:
        plan = plan_for(pattern=BRIEF, temperature=AMBIENT)
        with RunLog.open(log_path) as log:
            task = asyncio.ensure_future(run_job(sim_job("stranger", plan=plan, told=told), log))
            done, _ = await asyncio.wait({task}, timeout=20.0)
            if not done:
                raise TimeoutError("the run did not finish")
            return task.result()

    with (
        offered(config_of(*sins)),
        asyncio.Runner(loop_factory=VirtualTimeLoop) as runner,
    ):
        return runner.run(work())


def test_a_sound_rig_is_shown_to_be_off_by_inputs_that_answer(tmp_path: Path) -> None:
    record = run_brief(tmp_path / "log.db", Told())
    assert record.ending is Ending.COMPLETE
    assert record.verdict is Verdict.PASS
    assert isinstance(record.made_safe, SafeEvidence)
    signs = {sign.input: sign for sign in record.made_safe.life}
    # That rig's source gives 30 mA, its coil has 14.2 ohm at 20 °C.
    assert signs["current fine"].on - signs["current fine"].off == pytest.approx(0.030, abs=0.003)
    assert signs["part voltage fine"].on == pytest.approx(0.030 * 14.2, rel=0.1)


@pytest.mark.parametrize("inputs", ["frozen", "replay", "live_zero", "zero"])
def test_output_feed_and_inputs_lost_at_once_are_never_told_to_be_off(
    inputs: str, tmp_path: Path
) -> None:
    told = Told()
    with pytest.raises(TimeoutError):
        run_brief(tmp_path / "log.db", told, f"common_{inputs}")
    assert len(told.alarms) > 3


@pytest.mark.parametrize("inputs", ["frozen", "replay", "live_zero"])
def test_nor_where_the_feed_says_itself_that_it_is_stuck(inputs: str, tmp_path: Path) -> None:
    sins = (f"inputs_{inputs}@last-off", "output_welded@last-off", "feed_stuck@last-off")
    told = Told()
    with pytest.raises(TimeoutError):
        run_brief(tmp_path / "log.db", told, *sins)
    assert len(told.alarms) > 3
