"""Many cases over a few processes, with figures."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from benchrig.record.values import SafeEvidence
from fault_search.case import Case, draw
from fault_search.check import Violation, check
from fault_search.play import Played, Stage


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """One case, played and checked."""

    case: Case
    outcome: str
    simulated_s: float
    violations: tuple[Violation, ...]


@dataclass(slots=True)
class Tally:
    """Figures over many results."""

    jobs: int = 0
    simulated_s: float = 0.0
    outcomes: dict[str, int] = field(default_factory=dict)
    failed: list[Result] = field(default_factory=list)

    def add(self, result: Result) -> None:
        """Count one."""
        self.jobs += 1
        self.simulated_s += result.simulated_s
        self.outcomes[result.outcome] = self.outcomes.get(result.outcome, 0) + 1
        if result.violations:
            self.failed.append(result)


def outcome_of(played: Played) -> str:
    """How a job ended, in a few words."""
    if not played.finished:
        return "not finished: " + ("live" if played.energised else "no evidence to be had")
    if played.record is None:
        return f"raised {type(played.error).__name__}"
    safe = "" if isinstance(played.record.made_safe, SafeEvidence) else ", NOT PROVEN"
    return f"{played.record.ending}, {played.record.verdict}{safe}"


def try_case(case: Case, stage: Stage) -> Result:
    """Play and check one case."""
    played = stage.play(case)
    return Result(
        case=case,
        outcome=outcome_of(played),
        simulated_s=played.ended_s,
        violations=tuple(check(played)),
    )


_stage: Stage | None = None


def _in_worker(case: Case) -> Result:
    global _stage
    if _stage is None:
        _stage = Stage()
        multiprocessing.util.Finalize(_stage, _stage.close, exitpriority=10)
    return try_case(case, _stage)


def search(cases: Iterable[Case], workers: int = 1) -> Iterator[Result]:
    """Results of all cases, in order."""
    if workers <= 1:
        with Stage() as stage:
            for case in cases:
                yield try_case(case, stage)
        return
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        yield from pool.imap(_in_worker, cases, chunksize=16)
        pool.close()
        pool.join()


def drawn(seeds: Sequence[int]) -> Iterator[Case]:
    """The cases of seeds."""
    return (draw(seed) for seed in seeds)
