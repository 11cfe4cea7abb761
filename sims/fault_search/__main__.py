"""``python -m fault_search``: search seeds, sweep frames, repeat and shrink what fails."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from functools import partial

from fault_search.case import Case, draw, text_of
from fault_search.check import check
from fault_search.play import Stage
from fault_search.search import Tally, outcome_of, search
from fault_search.shrink import shrink
from fault_search.sweep import sweep_cases


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="fault_search",
        description="Whole jobs with drawn faults, checked against the simulated physics.",
    )
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--seeds", help="FROM:TO, TO not included, or one seed")
    what.add_argument("--sweep", action="store_true", help="one fault of each kind at each frame")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--every", type=int, default=1, help="with --sweep: each n-th case only")
    parser.add_argument("--keep", help="with one seed: places of the faults to keep, e.g. 0,2")
    parser.add_argument("--verbose", action="store_true", help="with one seed: what the run told")
    parser.add_argument("--no-shrink", action="store_true")
    return parser


def _seeds(text: str) -> range:
    first, colon, last = text.partition(":")
    return range(int(first), int(last)) if colon else range(int(first), int(first) + 1)


def main(arguments: list[str] | None = None) -> int:
    """0 when every invariant held."""
    options = _parser().parse_args(arguments)
    if options.sweep:
        return _many(sweep_cases(options.every), options.workers, shrink_them=False)
    seeds = _seeds(options.seeds)
    if len(seeds) == 1:
        keep = None
        if options.keep is not None:
            keep = tuple(int(n) for n in options.keep.split(",") if n)
        return _one(seeds[0], keep, verbose=options.verbose)
    cases = (draw(seed) for seed in seeds)
    return _many(cases, options.workers, shrink_them=not options.no_shrink)


def _one(seed: int, keep: tuple[int, ...] | None, *, verbose: bool) -> int:
    case = draw(seed)
    if keep is not None:
        case = case.keep(keep)
    print(case.describe())
    with Stage() as stage:
        played = stage.play(case)
        if verbose:
            for event in played.sink.events:
                print(f"  {event.at_s:9.4f} {event.kind:8} {event.message} {event.data or ''}")
            for t, fault in played.rig.striker.struck:
                print(f"  struck at {t:.4f}: {text_of(fault)}")
            for edge in played.rig.plant.edge_log:
                print(
                    f"  true {edge.t:.6f} {edge.outputs_mask:03x} feed {edge.feed_closed}"
                    f" source {edge.source_on}"
                )
        print(f"{outcome_of(played)} after {played.ended_s:.3f} s, {len(played.alarms)} alarms")
        if played.alarms:
            print("last alarm:", played.alarms[-1][0].message)
        if played.record is not None and played.record.ending_reason:
            print("reason:", played.record.ending_reason)
        if played.error is not None:
            print("error:", repr(played.error))
        violations = check(played)
    for violation in violations:
        print("VIOLATED", violation)
    return 1 if violations else 0


def _many(cases: Iterable[Case], workers: int, *, shrink_them: bool) -> int:
    tally, begun = Tally(), time.monotonic()
    for result in search(cases, workers):
        tally.add(result)
        for violation in result.violations:
            print(result.case.describe())
            print("  VIOLATED", violation, flush=True)
    took_s = max(time.monotonic() - begun, 1e-9)
    print(
        f"{tally.jobs} jobs, {tally.simulated_s / 3600:.2f} simulated hours in {took_s:.0f} s: "
        f"{tally.jobs / took_s:.1f} jobs/s; {len(tally.failed)} violated an invariant"
    )
    for outcome, count in sorted(tally.outcomes.items(), key=lambda item: -item[1]):
        print(f"{count:8}  {outcome}")
    if shrink_them:
        with Stage() as stage:
            for result in tally.failed[:10]:
                _shrink(result.case, {v.invariant for v in result.violations}, stage)
    return 1 if tally.failed else 0


def _shrink(case: Case, invariants: set[str], stage: Stage) -> None:
    places = shrink(case, partial(_fails, invariants, stage))
    print(f"repeat: python -m fault_search --seeds {case.seed} --keep {','.join(map(str, places))}")
    for place in places:
        print(f"  [{place}] {text_of(case.faults[place])}")


def _fails(invariants: set[str], stage: Stage, case: Case) -> bool:
    return any(v.invariant in invariants for v in check(stage.play(case)))


if __name__ == "__main__":
    sys.exit(main())
