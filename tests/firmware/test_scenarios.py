"""The same scenarios behind the simulated rig and behind the emulated firmware end the same way.

One short pattern for both. Parts, faults and supply are the same physics; the firmware, its
sampling, its line and the host's whole job are what is compared.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path

import pytest

from avr.link import open_bench_link
from avr.plant import SimulatedBench, open_bench
from avr.virtual_time import new_event_loop
from benchrig.bench.job import Job, run_job
from benchrig.bench.outcome import exit_code_for
from benchrig.errors import ExitCode, LinkError, UsageError
from benchrig.judge.verdict import Verdict
from benchrig.parts.part import Characteristic
from benchrig.patterns.pattern import Pattern, Step
from benchrig.record.log import RunLog
from benchrig.record.values import Ending, RunRecord, SafeEvidence
from benchrig_sim.virtual_time import VirtualTimeLoop
from tests.bench_room.jobs import Told, plan_for

CLICKS = Pattern(
    name="clicks",
    title="0.4 s on, 0.4 s off, four times",
    steps=(Step(on=True, duration_us=400_000), Step(on=False, duration_us=400_000)),
    repeats=4,
)
CONVERSION_US = 50  # of the firmware; simulated rigs are twice as fast unless told
# Shorted turns make the coil so fast that whether its first sample comes early enough to see
# motion in the rise depends on where in a scan the on edge falls.
BY_LUCK = {"shorted-turns": (Characteristic.MOTION, Characteristic.OPENING_TIME)}
WITHIN_S = 60.0  # of the rig's time; a run takes eight


@dataclass(frozen=True, slots=True)
class End:
    """What a run came to."""

    verdict: Verdict
    exit_code: ExitCode
    ending: Ending
    feed_opened: bool | None
    characteristics: dict[Characteristic, Verdict]

    def without(self, some: Iterable[Characteristic]) -> End:
        """The same with some characteristics left out."""
        kept = {c: v for c, v in self.characteristics.items() if c not in some}
        return replace(self, characteristics=kept)


def run(
    url: str,
    log_path: Path,
    loop_factory: Callable[[], asyncio.AbstractEventLoop],
    *,
    pattern: Pattern = CLICKS,
    within_s: float = WITHIN_S,
) -> End:
    """The whole job, as ``benchrig run`` does it."""

    async def work() -> RunRecord:
        with RunLog.open(log_path) as log:
            job = Job(
                rig_url=url,
                plan=plan_for(pattern=pattern),
                tell=Told().tell,
                stamp=lambda: "2031-05-04T10:00:00.000+00:00",
                record_id="20310504-100000-0001",
            )
            async with asyncio.timeout(within_s):
                return await run_job(job, log)

    with asyncio.Runner(loop_factory=loop_factory) as runner:
        record = runner.run(work())
    safe = record.made_safe
    return End(
        verdict=record.verdict,
        exit_code=exit_code_for(record),
        ending=record.ending,
        feed_opened=safe.feed_opened if isinstance(safe, SafeEvidence) else None,
        characteristics={j.characteristic: j.verdict for j in record.characteristics},
    )


def both(scenario: str, folder: Path) -> tuple[End, End]:
    """On the simulated rig and on the emulated firmware."""
    sim = run(f"sim:{scenario}", folder / "sim.db", VirtualTimeLoop)
    avr = run(f"avr:{scenario}", folder / "avr.db", new_event_loop)
    return sim, avr


def as_fast_as_the_firmware(scenario: str, folder: Path, *, hot_early: bool = False) -> str:
    """A packaged scenario on a rig that converts as often as the firmware does.

    ``hot_early`` lets the winding warm, and the joint open, in a second instead of a minute.
    """
    name = resources.files("benchrig_sim").joinpath("scenarios", f"{scenario}.toml")
    text = name.read_text("utf-8") + f"\n[rig]\nconversion_us = {CONVERSION_US}\n"
    if hot_early:
        text = text.replace("opens_above_c = 48.0", "opens_above_c = 30.0").replace(
            "closes_below_c = 40.0", "closes_below_c = 27.0\nheat_capacity_j_per_k = 1.0"
        )
        assert text.count("30.0") == text.count("27.0") == 1, "the packaged scenario has changed"
    path = folder / f"{scenario}.toml"
    path.write_text(text, "utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("scenario", "verdict", "exit_code", "feed_opened"),
    [
        ("healthy", Verdict.PASS, ExitCode.PASS, False),
        ("open", Verdict.FAIL, ExitCode.PART_FAILED, False),
        ("shorted-turns", Verdict.FAIL, ExitCode.PART_FAILED, False),
        ("opens-when-hot", Verdict.FAIL, ExitCode.PART_FAILED, False),
        ("stuck-armature", Verdict.INCONCLUSIVE, ExitCode.INCONCLUSIVE, False),
        ("welded-output", Verdict.INCONCLUSIVE, ExitCode.RIG, True),
    ],
)
def test_a_scenario_ends_on_the_firmware_as_on_the_simulated_rig(
    scenario: str, verdict: Verdict, exit_code: ExitCode, feed_opened: bool, tmp_path: Path
) -> None:
    hot = scenario == "opens-when-hot"
    sim, avr = both(as_fast_as_the_firmware(scenario, tmp_path, hot_early=hot), tmp_path)
    assert avr.without(BY_LUCK.get(scenario, ())) == sim.without(BY_LUCK.get(scenario, ()))
    assert (avr.verdict, avr.exit_code, avr.feed_opened) == (verdict, exit_code, feed_opened)
    if hot:
        assert avr.characteristics[Characteristic.DROP_OUTS] is Verdict.FAIL
        assert avr.characteristics[Characteristic.RESISTANCE_20C] is Verdict.PASS


@pytest.mark.parametrize(
    "fault", ["bit-flipped@out7", "clock-drift,value=0.02", "reset@in9", "unplug@1s,duration_s=1"]
)
def test_a_fault_that_the_real_firmware_cannot_have_is_refused(fault: str) -> None:
    with pytest.raises(UsageError, match="emulated rig"):
        open_bench(f"healthy?fault={fault}")


async def _until(bench: SimulatedBench, seconds: float) -> tuple[int, bool, int]:
    """(resets, unplugged, gates) after so long with nothing said."""
    link = open_bench_link(bench)
    await asyncio.sleep(seconds)
    found = link.emulator.resets, bench.unplugged, link.emulator.outputs
    if bench.unplugged:
        with pytest.raises(LinkError, match="gone"):
            await link.read()
    link.power_off()
    return found


def test_resets_and_a_pulled_cable_strike_when_they_should() -> None:
    with asyncio.Runner(loop_factory=new_event_loop) as runner:
        before = runner.run(_until(open_bench("healthy?fault=reset@0.2s"), 0.1))
        after = runner.run(_until(open_bench("healthy?fault=reset@0.2s"), 0.3))
        pulled = runner.run(_until(open_bench("healthy?fault=unplug@0.2s"), 0.3))
    assert before == (0, False, 0)
    assert after == (1, False, 0)
    assert pulled == (1, True, 0)
