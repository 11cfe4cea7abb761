"""The net catches fish: with any one layer taken away, at least one invariant fails.

==============================  =================================================  ===========
layer taken away                fault that shows it                                 invariant
==============================  =================================================  ===========
evidence                        output and feed weld while the pattern runs         off
silence timer of the rig        the host's program stands still for 1.5 s           silence
opening the feed                none needed                                         ends
shield of make_safe             three interrupts while the part is made safe        errors
ceiling of an output            the rig's schedule stalls while an output is on     ceiling
check for runs left open        a run was left open in the log                      stale
checksum of frames              a bit flips in blocks of samples                    log
watchdog of the chip            the chip hangs with an output on                    silence
look at a stuck output          the output welds in the last cycle                  pass
==============================  =================================================  ===========

Each case is first played whole, where every invariant holds.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import pytest
from fastcrc.crc16 import ibm_3740

from benchrig.bench import job, prechecks, safety, sequencer
from benchrig.bench.observer import Observer
from benchrig.bench.safety import Offsets
from benchrig.record.values import NotProven, SafeEvidence, SafeReading
from benchrig.rig.client import Rig
from benchrig.wire import frames
from benchrig_sim import strike
from benchrig_sim.faults import Fault, FaultKind
from benchrig_sim.supervision import Supervision
from fault_search.case import AnyFault, Case, HostFault, HostFaultKind, Person, plain_case
from fault_search.check import INVARIANTS, check
from fault_search.play import Stage

Patch = Callable[[pytest.MonkeyPatch], None]


@pytest.fixture(scope="module")
def stage() -> Iterator[Stage]:
    with Stage() as made:
        yield made


async def _believes(observer: Observer, offsets: Offsets) -> SafeEvidence:
    """Evidence from an acknowledgement, as it must never be made."""
    del offsets
    await observer.rig.all_off()
    await observer.rig.open_feed()
    reading = SafeReading(at_s=0.0, current_a=0.0, part_voltage_v=0.0, outputs_readback=0)
    return SafeEvidence(
        readings=(reading,) * 3,
        threshold_current_a=0.02,
        threshold_voltage_v=0.5,
        feed_opened=False,
        inputs_alive="the rig said so",
        waited_s=0.0,
    )


def _no_evidence(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(safety, "prove_off", _believes)


def _no_silence_timer(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Supervision, "_silence_over", lambda self: None)


def _feed_stays(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Rig, "open_feed", Rig.all_off)


def _no_shield(patch: pytest.MonkeyPatch) -> None:
    async def bare(self: sequencer._Run, observer: Observer) -> SafeEvidence | NotProven:
        return await safety.make_safe(
            observer, self.offsets, tell=self._tell_unsafe, reopen=self.setup.reopen
        )

    patch.setattr(sequencer._Run, "_make_safe", bare)


def _no_ceiling(patch: pytest.MonkeyPatch) -> None:
    patch.setattr(Supervision, "_ceiling", lambda self, output, since: None)


def _no_stale_check(patch: pytest.MonkeyPatch) -> None:
    async def nothing(*_: object) -> None:
        await asyncio.sleep(0)

    patch.setattr(job, "settle_stale", nothing)


def _no_checksum(patch: pytest.MonkeyPatch) -> None:
    class Anything(int):
        """A checksum that equals every other."""

        def __eq__(self, other: object) -> bool:
            return True

        def __ne__(self, other: object) -> bool:
            return False

        def __hash__(self) -> int:
            return 0

    patch.setattr(frames, "ibm_3740", lambda data: Anything(ibm_3740(data)))


def _no_watchdog(patch: pytest.MonkeyPatch) -> None:
    def for_ever(self: strike.Striker, interrupts: str, fault: Fault) -> None:
        del fault
        self.rig.hung = interrupts

    patch.setattr(strike.Striker, "_hang", for_ever)


def _no_look_at_the_output(patch: pytest.MonkeyPatch) -> None:
    """Neither after the last pulse, nor as evidence with the feed still closed."""
    at_first = prechecks.look_for_stuck_output

    async def only_at_first(observer: Observer, offsets: Offsets) -> None:
        if sum(on for _, on in observer.edges) <= 2:
            await at_first(observer, offsets)

    patch.setattr(prechecks, "look_for_stuck_output", only_at_first)


WHILE_ON = -1.0  # a host's fault that strikes soon after the second switch-on


@dataclass(frozen=True)
class Fish:
    """A layer, how it is taken away, a case in which only it helps, and what then fails."""

    layer: str
    take_away: Patch
    faults: tuple[AnyFault, ...]
    fails: str
    changes: tuple[tuple[str, object], ...] = ()

    @property
    def case(self) -> Case:
        base = plain_case(5)
        values = {name: getattr(base, name) for name in base.__slots__}
        return Case(**{**values, **dict(self.changes), "faults": self.faults})


def _rig(kind: FaultKind, **when: object) -> Fault:
    return Fault(kind=kind, **when)  # type: ignore[arg-type]


SHOAL = (
    Fish(
        "evidence",
        _no_evidence,
        (
            _rig(FaultKind.WELDED_OUTPUT, at_cycle=3),
            _rig(FaultKind.WELDED_FEED, at_cycle=3),
        ),
        "off",
    ),
    Fish(
        "silence timer of the rig",
        _no_silence_timer,
        (HostFault(kind=HostFaultKind.FROZEN, at_s=WHILE_ON, value=1.5),),
        "silence",
        (("on_us", 1_200_000), ("off_us", 1_300_000), ("repeats", 1)),
    ),
    Fish("opening the feed", _feed_stays, (), "ends", (("person", Person.ABSENT),)),
    Fish(
        "shield of make_safe",
        _no_shield,
        (HostFault(kind=HostFaultKind.CANCELLED, at_s=WHILE_ON, value=3.0),),
        "errors",
    ),
    Fish(
        "ceiling of an output",
        _no_ceiling,
        (_rig(FaultKind.SCHEDULE_STALLS, at_cycle=2),),
        "ceiling",
        (("on_us", 1_200_000), ("off_us", 1_300_000), ("repeats", 1)),
    ),
    Fish("check for runs left open", _no_stale_check, (), "stale", (("stale", True),)),
    Fish(
        "checksum of frames",
        _no_checksum,
        tuple(
            _rig(FaultKind.BIT_FLIPPED, at_frame_out=frame, value=60.0) for frame in range(150, 162)
        ),
        "log",
    ),
    Fish(
        "watchdog of the chip",
        _no_watchdog,
        (_rig(FaultKind.HANG_INTERRUPTS_OFF, at_cycle=2),),
        "silence",
        (("on_us", 1_200_000), ("off_us", 1_300_000), ("repeats", 1)),
    ),
    Fish(
        "look at a stuck output",
        _no_look_at_the_output,
        (_rig(FaultKind.WELDED_OUTPUT, at_cycle=5),),
        "pass",
        (("on_us", 6_000), ("off_us", 30_000), ("repeats", 5)),
    ),
)


def _timed(case: Case, stage: Stage) -> Case:
    """The case with its host's faults at the moment they are meant for."""
    log = stage.play(replace(case, faults=())).rig.plant.edge_log
    ons = [e.t for e in log if e.outputs_mask & 1 and e.feed_closed]
    faults = tuple(
        replace(f, at_s=ons[1] + 0.1) if isinstance(f, HostFault) and f.at_s == WHILE_ON else f
        for f in case.faults
    )
    return replace(case, faults=faults)


@pytest.mark.parametrize("fish", SHOAL, ids=lambda fish: fish.layer)
def test_every_layer_is_missed(fish: Fish, stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    case = _timed(fish.case, stage)
    assert check(stage.play(case)) == []  # with every layer in place
    fish.take_away(monkeypatch)
    found = {violation.invariant for violation in check(stage.play(case))}
    assert fish.fails in found, f"without {fish.layer}: {found or 'nothing'}"


def test_the_table_above_names_every_layer() -> None:
    assert __doc__ is not None
    for fish in SHOAL:
        row = next(line for line in __doc__.splitlines() if line.startswith(fish.layer))
        assert row.split()[-1] == fish.fails
        assert fish.fails in INVARIANTS
    assert Person.DISCONNECTS is plain_case().person
