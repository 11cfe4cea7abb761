"""Drawn faults over whole jobs, a thinned sweep over frames, and seeds that once failed.

The full search and the whole sweep are commands: see sims/fault_search/__main__.py.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from benchrig_sim.faults import Fault, FaultKind
from fault_search.case import AnyFault, Case, HostFault, HostFaultKind, Person, draw, plain_case
from fault_search.check import INVARIANTS, check
from fault_search.play import Stage
from fault_search.search import Tally, try_case
from fault_search.shrink import shrink
from fault_search.sweep import sweep_cases

SEEDS_A_TEST = 50
FIRST_SEED = 100_000  # not those the search is usually run with


@pytest.fixture(scope="module")
def stage() -> Iterator[Stage]:
    with Stage() as made:
        yield made


@pytest.mark.parametrize("batch", range(10))
def test_drawn_faults_break_no_invariant(batch: int, stage: Stage) -> None:
    tally = Tally()
    first = FIRST_SEED + batch * SEEDS_A_TEST
    for seed in range(first, first + SEEDS_A_TEST):
        tally.add(try_case(draw(seed), stage))
    assert not tally.failed, _told(tally)
    assert tally.jobs == SEEDS_A_TEST
    assert len(tally.outcomes) >= 5  # the draw reaches many endings


@pytest.mark.parametrize("part", range(4))
def test_one_fault_at_a_frame_breaks_no_invariant(part: int, stage: Stage) -> None:
    """One case in 211, with another offset for each part; 211 is prime to the 20 kinds."""
    tally = Tally()
    for case in sweep_cases(every=211, offset=53 * part):
        tally.add(try_case(case, stage))
    assert not tally.failed, _told(tally)
    assert tally.jobs > 20


def test_a_seed_plays_the_same_each_time(stage: Stage) -> None:
    for seed in (FIRST_SEED + 1, FIRST_SEED + 2):
        one, other = (try_case(draw(seed), stage) for _ in range(2))
        assert one == other
        first, second = (stage.play(draw(seed)).rig.plant.edge_log for _ in range(2))
        assert first == second


def test_shrinking_finds_the_one_fault_that_matters() -> None:
    case = Case(
        **{
            **{name: getattr(plain_case(), name) for name in plain_case().__slots__},
            "faults": tuple(HostFault(kind=HostFaultKind.FROZEN, at_s=float(n)) for n in range(9)),
        }
    )

    def fails(smaller: Case) -> bool:
        return {2.0, 7.0} <= {f.at_s for f in smaller.host_faults}

    assert shrink(case, fails) == (2, 7)


def test_every_invariant_has_a_name_and_a_sentence() -> None:
    assert all(invariant.__doc__ for invariant in INVARIANTS.values())


def _told(tally: Tally) -> str:
    return "\n".join(
        f"{result.case.describe()}\n  {violation}"
        for result in tally.failed
        for violation in result.violations
    )


# --- what the search has found, each with the least faults that showed it ------------------------


def _with(*faults: AnyFault, **changes: object) -> Case:
    base = plain_case(11)
    values = {name: getattr(base, name) for name in base.__slots__}
    return Case(**{**values, **changes, "faults": faults})


@pytest.mark.parametrize(
    ("case", "outcome"),
    [
        # A rig that restarts while the part is made safe was never looked at again.
        pytest.param(
            _with(Fault(kind=FaultKind.RESET, at_cycle=3)), "fault, INCONCLUSIVE", id="restart"
        ),
        # A switch that failed on in the last cycle passed: the feed was opened before any look.
        pytest.param(
            _with(
                Fault(kind=FaultKind.WELDED_OUTPUT, at_cycle=5),
                on_us=6_000,
                off_us=30_000,
                repeats=5,
            ),
            "check failed, INCONCLUSIVE",
            id="welded-late",
        ),
        # A feed that failed on went unseen as long as the output was sound; then it was seen, and
        # OFF was said all the same, by inputs that nothing could show alive.
        pytest.param(
            _with(Fault(kind=FaultKind.WELDED_FEED, at_cycle=3)),
            "check failed, INCONCLUSIVE, NOT PROVEN",
            id="welded-feed",
        ),
        # A host that slept through the cold check read the dropped source as an open part.
        pytest.param(
            _with(HostFault(kind=HostFaultKind.FROZEN, at_s=0.6, value=0.9)),
            "fault, INCONCLUSIVE",
            id="frozen-in-cold-check",
        ),
        # A full disk hid that the part may be live: the exit code was the log's.
        pytest.param(
            _with(
                HostFault(kind=HostFaultKind.DISK_FULL, at_s=1.65),
                Fault(kind=FaultKind.UNPLUG, at_s=1.95),
                person=Person.DECLARES,
            ),
            "raised NotProvenSafe",
            id="full-disk-and-unplugged",
        ),
        # A link lost after the last pulse still ended "complete", and passed.
        pytest.param(
            _with(Fault(kind=FaultKind.HANG_INTERRUPTS_ON, at_s=5.5)),
            "link lost, INCONCLUSIVE",
            id="hang-in-cool-down",
        ),
        # An input stuck at a negative reading threw inside the analysis and blinded the observer.
        pytest.param(
            _with(Fault(kind=FaultKind.INPUT_STUCK, at_cycle=3, input=1, value=3.0)),
            None,
            id="negative-resistance",
        ),
        # A voltage input that died in the first cycle divided by zero; then it passed.
        pytest.param(
            _with(Fault(kind=FaultKind.INPUT_STUCK, at_cycle=2, input=1)),
            "complete, INCONCLUSIVE",
            id="dead-voltage-input",
        ),
        # A part that shorted behind the supply's current limit passed by its cold resistance.
        pytest.param(
            _with(
                Fault(kind=FaultKind.PART_SHORTED, at_cycle=2),
                Fault(kind=FaultKind.SUPPLY_LIMIT, at_s=1.0, value=0.66),
                on_us=1_200_000,
                off_us=1_300_000,
                repeats=1,
            ),
            "complete, INCONCLUSIVE",
            id="short-behind-a-limit",
        ),
        # The last edge, lost in rubbish on the line, was missed by nobody: none came after it.
        pytest.param(
            _with(
                *(
                    Fault(kind=FaultKind.FRAME_LOST, at_s=None, at_frame_out=frame)
                    for frame in range(149, 152)
                )
            ),
            "complete, INCONCLUSIVE",
            id="last-edges-lost",
        ),
        # A feed that is closed while its contact says open read as an open part.
        pytest.param(
            _with(Fault(kind=FaultKind.READBACK_LIES), Fault(kind=FaultKind.WELDED_FEED)),
            "fault, INCONCLUSIVE",
            id="lying-welded-feed",
        ),
    ],
)
def test_what_the_search_has_found_stays_found(
    case: Case, outcome: str | None, stage: Stage
) -> None:
    result = try_case(case, stage)
    assert result.violations == ()
    if outcome is not None:
        assert result.outcome == outcome


@pytest.mark.parametrize("frame", range(150, 190, 3))
def test_a_lost_edge_never_makes_a_drop_out(frame: int, stage: Stage) -> None:
    """An off edge that was lost made its cycle look as if the current had fallen away."""
    fault = Fault(kind=FaultKind.FRAME_LOST, at_frame_out=frame)
    played = stage.play(_with(fault, on_us=6_000, off_us=30_000, repeats=20))
    assert check(played) == []
    assert played.record is not None
    assert not played.record.drop_outs
