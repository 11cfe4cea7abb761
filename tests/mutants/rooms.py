"""Which files a room has, which tests are asked, and how many changes they must notice.

The tests are those that ought to notice first; cheap ones come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

TREE = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """Some files, by pattern, and the tests that are to notice a change in them."""

    files: str
    tests: tuple[str, ...]

    def paths(self) -> list[str]:
        """The files from the tree's root."""
        return sorted(str(path.relative_to(TREE)) for path in TREE.glob(self.files))


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """Targets that are counted together; ``floor`` is the share that must be noticed."""

    targets: tuple[Target, ...]
    floor: float


def _room(floor: float, *targets: tuple[str, tuple[str, ...]]) -> Room:
    return Room(targets=tuple(Target(files=f, tests=t) for f, t in targets), floor=floor)


_SAFETY_TESTS = (
    "tests/bench_room/test_terms_of_evidence.py",
    "tests/bench_room/test_no_end_without_evidence.py",
    "tests/bench_room/test_way_out.py",
    "tests/bench_room/test_observer.py",
)
_RUN_TESTS = (
    "tests/bench_room/test_ends_of_a_run.py",
    "tests/bench_room/test_scenarios.py",
    "tests/bench_room/test_way_out.py",
    "tests/bench_room/test_care.py",
    "tests/faults/test_hostile.py",
)
_CORE_TESTS = ("tests/firmware/test_core.py",)
_WIRE = "tests/wire/test_"

ROOMS = {
    "safety": _room(
        0.95,
        ("benchrig/bench/safety.py", _SAFETY_TESTS),
        ("benchrig/bench/life.py", _SAFETY_TESTS),
        ("benchrig/bench/look.py", _SAFETY_TESTS),
    ),
    "guard": _room(0.95, ("benchrig/firmware/core/guard.c", _CORE_TESTS)),
    "wire": _room(
        0.95,
        ("benchrig/wire/frames.py", (_WIRE + "frames.py", _WIRE + "runs.py", _WIRE + "session.py")),
        ("benchrig/wire/budget.py", (_WIRE + "spec.py", "tests/rig/test_client.py")),
        ("benchrig/wire/messages.py", (_WIRE + "spec.py", _WIRE + "session.py")),
        ("benchrig/wire/packing.py", (_WIRE + "packing.py", _WIRE + "spec.py")),
        ("benchrig/wire/runs.py", (_WIRE + "runs.py", _WIRE + "packing.py")),
        ("benchrig/wire/schedule.py", (_WIRE + "schedule.py", _WIRE + "spec.py")),
        ("benchrig/wire/session.py", (_WIRE + "session.py", _WIRE + "spec_conversation.py")),
    ),
    "rig": _room(
        0.90,
        ("benchrig/rig/clock.py", ("tests/rig/test_clock.py",)),
        ("benchrig/rig/events.py", ("tests/rig/test_events.py", "tests/rig/test_losses.py")),
        ("benchrig/rig/unpack.py", ("tests/rig/test_unpack.py", "tests/rig/test_runs.py")),
        ("benchrig/rig/heartbeat.py", ("tests/rig/test_heartbeat.py",)),
        ("benchrig/rig/refusals.py", ("tests/rig/test_refusals.py",)),
        ("benchrig/rig/exchange.py", ("tests/rig/test_client.py", "tests/rig/test_losses.py")),
        ("benchrig/rig/client.py", ("tests/rig/test_client.py", "tests/rig/test_losses.py")),
    ),
    "judge": _room(0.90, ("benchrig/judge/*.py", ("tests/judge",))),
    "record": _room(
        0.90,
        ("benchrig/record/codec.py", ("tests/record/test_codec.py",)),
        ("benchrig/record/chain.py", ("tests/record/test_log.py", "tests/record/test_verify.py")),
        ("benchrig/record/verify.py", ("tests/record/test_verify.py",)),
    ),
    "measure": _room(
        0.90,
        ("benchrig/measure/coil.py", ("tests/measure/test_coil.py",)),
        ("benchrig/measure/dropouts.py", ("tests/measure/test_dropouts.py",)),
        ("benchrig/measure/undriven.py", ("tests/measure/test_undriven.py",)),
    ),
    "bench": _room(
        0.90,
        ("benchrig/bench/sequencer.py", _RUN_TESTS),
        ("benchrig/bench/observer.py", ("tests/bench_room/test_observer.py", *_RUN_TESTS)),
        ("benchrig/bench/source.py", _RUN_TESTS),
        ("benchrig/bench/prechecks.py", _RUN_TESTS),
        ("benchrig/bench/watch.py", _RUN_TESTS),
    ),
    "core": _room(0.90, ("benchrig/firmware/core/[!g]*.c", _CORE_TESTS)),
}
