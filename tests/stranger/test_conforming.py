"""The rig built from the document alone, told to be honest: it conforms, and a good part passes."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path

from benchrig.bench.conform import CheckResult, Outcome, run_conformance
from benchrig.judge.verdict import Verdict
from benchrig.record.values import Ending
from benchrig.rig.link import open_link
from tests.stranger.built.rig import StrangerRig
from tests.stranger.built.server import Server
from tests.stranger.link import config_of, conform, run_on

ENOUGH = 14  # checks over the socket; the rest asks for seconds of silence


def test_it_keeps_every_promise() -> None:
    report = conform()
    assert {c.name: c.sentence for c in report.checks if c.outcome is Outcome.FAIL} == {}
    looked_at = [c for c in report.checks if c.outcome is Outcome.PASS]
    assert len(looked_at) >= 35


def test_a_good_part_passes_and_its_figures_are_the_bench_s(tmp_path: Path) -> None:
    """Truth from its own bench: a coil of 14.2 ohm at 20 °C, at 21.7 °C, behind 13.6 V."""
    record, rig = run_on(log_path=tmp_path / "log.db")
    assert record.verdict is Verdict.PASS
    assert record.ending is Ending.COMPLETE
    assert record.proven_safe
    assert record.warnings == ()
    (cold, r20) = record.cold.resistance_ohm, record.cold.resistance_20c_ohm
    assert cold is not None
    assert r20 is not None
    truth_ohm = 14.2 * (1 + 0.00393 * 1.7)
    assert abs(cold.value - truth_ohm) <= 2 * cold.std_uncertainty
    assert abs(r20.value - 14.2) <= 2 * r20.std_uncertainty
    first = record.cycles[0].current_a
    assert first is not None
    bench = rig.config.bench
    leads_ohm = bench.supply_ohm + bench.feed_ohm + bench.lead_ohm
    true_a = bench.supply_v / (truth_ohm + leads_ohm + bench.switch_ohm + bench.shunt_ohm)
    assert abs(first.value - true_a) <= 2.5 * first.std_uncertainty


def test_it_is_the_same_rig_over_a_true_socket() -> None:
    server = Server(StrangerRig(config_of()))
    done = threading.Event()
    serving = threading.Thread(target=server.run, args=(done.is_set,))
    serving.start()

    class EnoughSeenError(Exception):
        pass

    results: list[CheckResult] = []

    def told(result: CheckResult) -> None:
        results.append(result)
        if len(results) == ENOUGH:
            raise EnoughSeenError

    async def main() -> None:
        link = await open_link(f"socket://127.0.0.1:{server.port}")
        try:
            await run_conformance(link, told)
        except EnoughSeenError:
            pass
        finally:
            await link.close()

    try:
        asyncio.run(main())
    finally:
        done.set()
        serving.join()
        server.close()
    assert [r.name for r in results if r.outcome is not Outcome.PASS] == []
    assert len(results) == ENOUGH
