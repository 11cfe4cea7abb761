"""``python -m tests.mutants ROOM``: change one line at a time and see whether a test notices.

Prints who survived, with the reason where ``survivors.toml`` knows one. Ends with 1 where fewer
than the room's share were noticed, or, of a sample, one survived that nobody has explained.
"""

from __future__ import annotations

import argparse
import multiprocessing
import random
import sys
import time
import tomllib
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.mutants.play import Change, Played, mutants_of, play, warm_up
from tests.mutants.rooms import ROOMS, Target

REASONS = Path(__file__).with_name("survivors.toml")
_Task = tuple[Change, tuple[str, ...]]


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("rooms", nargs="*", metavar="ROOM", help=", ".join(ROOMS) + "; or all")
    parser.add_argument("--sample", type=int, default=0, help="so many, drawn from all that are")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--part", default="1/1", help="I/K: every K-th only, from the I-th")
    parser.add_argument("--only", default="", help="those with this in their file or name")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--list", action="store_true", help="play none")
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """0 when enough were noticed."""
    options = _parser().parse_args(arguments)
    names = list(ROOMS) if not options.rooms or "all" in options.rooms else options.rooms
    tasks = [task for name in names for target in ROOMS[name].targets for task in _tasks(target)]
    tasks = [(m, tests) for m, tests in tasks if options.only in f"{m.path} {m.name}"]
    if options.sample:
        tasks = random.Random(options.seed).sample(tasks, min(options.sample, len(tasks)))
    first, every = map(int, options.part.split("/"))
    tasks = tasks[first - 1 :: every]
    if options.list:
        for mutant, _ in tasks:
            print(f"{mutant.path}:{mutant.line} {mutant.name}")
        print(f"{len(tasks)} mutants")
        return 0
    return _judge(names, tasks, options.workers, sampled=bool(options.sample))


def _tasks(target: Target) -> Iterator[_Task]:
    for path in target.paths():
        for mutant in mutants_of(path):
            yield Change(path=path, line=mutant.line, name=mutant.name), target.tests


def reasons() -> dict[tuple[str, str], str]:
    """Why some may survive, by file and name."""
    table = tomllib.loads(REASONS.read_text(encoding="utf-8"))
    return {(each["file"], each["name"]): each["reason"] for each in table.get("survivor", ())}


def _judge(names: Sequence[str], tasks: Sequence[_Task], workers: int, *, sampled: bool) -> int:
    known, began_s = reasons(), time.monotonic()
    counts = dict.fromkeys(("killed", "hung", "survived", "stillborn"), 0)
    unexplained = 0
    for played in _play_all(tasks, workers):
        counts[played.end] += 1
        if played.end == "survived":
            mutant = played.mutant
            reason = known.get((mutant.path, mutant.name), "")
            unexplained += not reason
            print(f"SURVIVED {mutant.path}:{mutant.line} {mutant.name}")
            print(f"    {reason or 'no reason is known'} ({played.took_s:.1f} s)", flush=True)
    noticed = counts["killed"] + counts["hung"]
    all_of_them = noticed + counts["survived"]
    share = noticed / all_of_them if all_of_them else 0.0
    floor = max(ROOMS[name].floor for name in names) if len(names) == 1 else 0.90
    print(
        f"{', '.join(names)}: {noticed} of {all_of_them} noticed ({100 * share:.1f} %, to be "
        f"{100 * floor:.0f} %), {counts['hung']} of them by never ending; {unexplained} survived "
        f"unexplained; {counts['stillborn']} do not compile; {time.monotonic() - began_s:.0f} s"
    )
    return int(share < floor or (sampled and unexplained > 0))


def _play_all(tasks: Sequence[_Task], workers: int) -> Iterator[Played]:
    fork = multiprocessing.get_context("fork")
    with ProcessPoolExecutor(workers, mp_context=fork, initializer=warm_up) as pool:
        yield from pool.map(play, *zip(*tasks, strict=True)) if tasks else ()


if __name__ == "__main__":
    sys.exit(main())
