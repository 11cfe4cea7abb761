"""The invariants. Each looks at the physics, the log on disk and what was told; never at belief."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchrig.bench.outcome import exit_code_for
from benchrig.errors import BenchrigError, ExitCode, LogError, NotProvenSafe
from benchrig.judge.verdict import Verdict
from benchrig.measure.samples import SampleBlock
from benchrig.record.log import RunLog
from benchrig.record.replay import edges as logged_edges
from benchrig.record.values import Ending, EventKind, NotProven, RunRecord, SafeEvidence
from benchrig.record.verify import verify
from benchrig.rig.unpack import unpack_array
from benchrig_sim.faults import LINE_KINDS, Fault, FaultKind
from fault_search.case import CEILING_US, HostFaultKind
from fault_search.play import RECORD_ID, STALE_ID, Played

TICK_S = 100e-6  # the rig looks at its ceilings so often
SILENCE_S = 0.250
WATCHDOG_S = 0.250
DRIFT = 1.0205  # the rig's clock may be 2 % slow
SLACK_S = 0.8e-3
RELAY_RELEASE_S = 6e-3  # the feed's, or a relay's: contacts follow their drive by this much
GAP_SEEN_S = 2e-3  # a scan of the slowest case takes less
RISEN_S = 3e-3
LIMITS_OHM = (13.8, 15.2)  # of the part file
CONTACT_KINDS = frozenset({FaultKind.WELDED_OUTPUT, FaultKind.WELDED_FEED})
BLIND_KINDS = frozenset(
    {
        FaultKind.INPUT_STUCK,
        FaultKind.INPUT_SATURATED,
        FaultKind.INPUT_DRIFTING,
        FaultKind.ADC_STUCK,
        FaultKind.CAPABILITY_LACKING,
    }
)
RESET_KINDS = frozenset(
    {
        FaultKind.RESET,
        FaultKind.BROWN_OUT,
        FaultKind.HANG_INTERRUPTS_OFF,
        FaultKind.HANG_INTERRUPTS_ON,
    }
)
# None of these touches the part or what measures it; a supply that is gone is seen at the part.
INNOCENT_KINDS = (
    LINE_KINDS
    | RESET_KINDS
    | {
        FaultKind.FLOOD,
        FaultKind.UNPLUG,
        FaultKind.WELDED_FEED,
        FaultKind.SCHEDULE_STALLS,
        FaultKind.READBACK_LIES,
        FaultKind.CAPABILITY_LACKING,
        FaultKind.CLOCK_DRIFT,
        FaultKind.SUPPLY_OFF,
    }
)
GATHERED_S = 0.1  # at most, from the samples of a look to its evidence: links let them gather
DEAD_PART_KINDS = frozenset({FaultKind.PART_OPEN, FaultKind.PART_SHORTED})


@dataclass(frozen=True, slots=True, kw_only=True)
class Violation:
    """An invariant that does not hold."""

    invariant: str
    what: str

    def __str__(self) -> str:
        return f"{self.invariant}: {self.what}"


@dataclass(frozen=True, slots=True)
class _On:
    """A span in which an output truly was on with the feed truly closed."""

    output: int
    begin_s: float
    end_s: float


def check(played: Played) -> list[Violation]:
    """Everything that does not hold; empty for a sound job."""
    found: list[Violation] = []
    with RunLog.open(played.log_path, read_only=True) as log:
        for name, invariant in INVARIANTS.items():
            found += [Violation(invariant=name, what=text) for text in invariant(played, log)]
    return found


def _struck(played: Played, kinds: frozenset[FaultKind]) -> list[tuple[float, Fault]]:
    return [(t, f) for t, f in played.rig.striker.struck if f.kind in kinds]


def _welded(played: Played) -> set[int]:
    return set(played.rig.hardware.welded_outputs)


def _on_spans(played: Played) -> Iterator[_On]:
    """On-times of outputs that are not welded, by the true contacts."""
    welded, log = _welded(played), played.rig.plant.edge_log
    for output in range(8):
        if output in welded:
            continue
        since: float | None = None
        for edge in log:
            on = bool(edge.outputs_mask >> output & 1) and edge.feed_closed
            if on and since is None:
                since = edge.t
            elif not on and since is not None:
                yield _On(output, since, edge.t)
                since = None
        if since is not None:
            yield _On(output, since, played.rig.plant.t)


def _hang_ends(played: Played) -> list[float]:
    """When the watchdog ends a hang in which not even interrupts run."""
    hangs = _struck(played, frozenset({FaultKind.HANG_INTERRUPTS_OFF}))
    return [t + WATCHDOG_S + SLACK_S for t, _ in hangs]


def ceiling_holds(played: Played, log: RunLog) -> Iterator[str]:
    """No output is on for longer than its ceiling and a tick, or a dead chip's watchdog."""
    del log
    for span in _on_spans(played):
        longest = CEILING_US * 1e-6 * DRIFT + TICK_S + SLACK_S + RELAY_RELEASE_S
        hung = [t for t in _hang_ends(played) if t - WATCHDOG_S - SLACK_S <= span.end_s]
        if span.end_s > max([span.begin_s + longest, *hung]):
            yield f"output {span.output} was on for {span.end_s - span.begin_s:.4f} s"


def silence_switches_off(played: Played, log: RunLog) -> Iterator[str]:
    """With no byte from the host, the rig alone is off within its silence time."""
    del log
    heard = [*played.rig.heard_s, float("inf")]
    late = sum(
        f.duration_s or 0.2
        for f in played.case.rig_faults
        if f.kind in (FaultKind.FRAME_DELAYED, FaultKind.HALF_FRAME_STALL) and f.at_frame_in
    )
    hangs = _hang_ends(played)
    for span in _on_spans(played):
        last = max((t for t in heard if t <= span.begin_s), default=0.0)
        for t in (*(t for t in heard if span.begin_s < t < span.end_s), span.end_s):
            by = last + SILENCE_S * DRIFT + SLACK_S + late + RELAY_RELEASE_S
            by = max([by, *(end for end in hangs if end - WATCHDOG_S - SLACK_S <= by)])
            if min(t, span.end_s) > by:
                silent_s = min(t, span.end_s) - last
                yield f"output {span.output} still on after {silent_s:.3f} s of silence"
                break
            last = t


def off_once_returned(played: Played, log: RunLog) -> Iterator[str]:
    """A record with evidence means a part that is off, and a feed that is open."""
    del log
    record = played.record
    if record is None or not isinstance(record.made_safe, SafeEvidence):
        return
    if played.energised and not _contact_after_evidence(played, record):
        yield "energised though the run returned with evidence"
    if played.feed_closed and not played.rig.hardware.welded_feed:
        yield "the feed is closed though the run returned with evidence"
    if played.energised_later and not _contact_after_evidence(played, record):
        yield "energised half a second after the run returned"


def _evidence_s(played: Played) -> float:
    """When the run said that the part is off."""
    safe = [e for e in played.sink.events if e.kind is EventKind.SAFE]
    return (played.begun_s or 0.0) + (safe[-1].at_s if safe else 0.0)


def _contact_after_evidence(played: Played, record: RunRecord) -> bool:
    """A contact that closed by itself after the last look is nobody's lie."""
    del record
    last_look = _evidence_s(played) - GATHERED_S
    return any(t >= last_look for t, _ in _struck(played, CONTACT_KINDS))


def no_evidence_no_end(played: Played, log: RunLog) -> Iterator[str]:
    """Without evidence a run has not finished, and has said what to disconnect."""
    record, error = played.record, played.error
    told = [alarm for alarm, _ in played.alarms]
    if any(len(alarm.disconnect) < 2 or not alarm.message for alarm in told):
        yield "an alarm did not say what to disconnect"
    if record is not None and isinstance(record.made_safe, NotProven):
        if not told or not record.made_safe.declared:
            yield "a record without evidence and without a declaration"
        if not any(shortfall.link_gone for _, shortfall in played.alarms):
            yield "a declaration ended a run whose rig still answered"
    open_ids = {run.record_id for run in log.open_runs()}
    if played.finished and error is not None and played.begun_s is not None:
        if RECORD_ID not in open_ids and not log.record(RECORD_ID).proven_safe:
            yield f"{type(error).__name__} was raised and the run is closed without evidence"
        if isinstance(error, NotProvenSafe):
            if not told or not error.disconnect:
                yield "given up without having said what to disconnect"
        elif isinstance(error, BenchrigError) and not isinstance(error, LogError):
            yield f"ended with {error!r} after it had begun"
        elif EventKind.SAFE not in {event.kind for event in played.sink.events}:
            yield "the log failed and the run ended without evidence"
    if not played.finished:
        if RECORD_ID not in open_ids and played.begun_s is not None:
            yield "has not finished and is not open in the log"
        if not told:
            yield "has not finished and has said nothing"


def ends_when_it_can(played: Played, log: RunLog) -> Iterator[str]:
    """A job only goes on for ever where the rig is live, blind, or the person does nothing."""
    del log
    if played.finished:
        return
    blind = _struck(played, BLIND_KINDS) or _struck(played, CONTACT_KINDS)
    lies = _struck(played, frozenset({FaultKind.READBACK_LIES}))
    if not (played.energised or blind or lies):
        reason = played.alarms[-1][1].reason if played.alarms else "nothing was said"
        yield f"has not finished though the part is off: {reason}"


def only_known_errors(played: Played, log: RunLog) -> Iterator[str]:
    """Nothing but this program's own errors, and an interrupt before the run, comes out."""
    del log
    error = played.error
    if error is None or isinstance(error, BenchrigError):
        return
    if type(error).__name__ == "CancelledError":
        if not any(f.kind is HostFaultKind.CANCELLED for f in played.case.host_faults):
            yield "cancelled by nobody"
        if played.begun_s is not None:
            yield "an interrupt ended a begun run without a record"
        return
    yield f"a bug came out: {error!r}"


def off_when_it_never_began(played: Played, log: RunLog) -> Iterator[str]:
    """An error before the run was begun means that nothing was switched on by it."""
    del log
    began = played.begun_s is not None or _struck(played, CONTACT_KINDS)
    if not began and any(True for _ in _on_spans(played)):
        yield "something was on before the run was in the log"


def no_pass_from_gaps(played: Played, log: RunLog) -> Iterator[str]:
    """PASS needs every cycle, every sample of them, evidence, and a part that truly is good."""
    del log
    record = played.record
    if record is None or record.verdict is not Verdict.PASS:
        return
    if record.ending is not Ending.COMPLETE or not isinstance(record.made_safe, SafeEvidence):
        yield f"PASS on a run that ended {record.ending}"
    if record.edges_lost or not all(cycle.complete for cycle in record.cycles):
        yield "PASS with edges or samples missing"
    pulses = [s for s in _on_spans(played) if s.output == 0]
    if not _welded(played) and not played.case.relay and len(pulses) < 1 + played.case.repeats:
        yield f"PASS though the part was on {len(pulses)} times only"
    altered = _struck(played, frozenset({FaultKind.HIGH_JOINT, FaultKind.SHORTED_TURNS}))
    if not altered and not LIMITS_OHM[0] <= played.case.resistance_20c_ohm <= LIMITS_OHM[1]:
        yield f"PASS for a part of {played.case.resistance_20c_ohm:.2f} ohm"
    for t, fault in _struck(played, CONTACT_KINDS):
        if _feed_was_closed(played, t) and t < _last_look_s(played):
            yield f"PASS though {fault.kind} struck at {t:.2f} s, with the feed closed"
    last_on = pulses[-1].end_s if pulses else 0.0
    for t, fault in _struck(played, DEAD_PART_KINDS):
        if fault.output == 0 and t < last_on - 0.05:
            yield f"PASS though {fault.kind} struck at {t:.2f} s"
    for begin_s, end_s in _gaps_while_on(played, pulses[1:]):
        yield f"PASS though the contact was open from {begin_s:.4f} s to {end_s:.4f} s"


def _gaps_while_on(played: Played, pulses: list[_On]) -> Iterator[tuple[float, float]]:
    """Gaps of the part's own contact that samples cannot miss, once the current had come up."""
    if played.case.relay:
        return
    for begin_s, end_s in played.rig.plant.branches[0].gaps:
        if end_s - begin_s < GAP_SEEN_S:
            continue
        if any(s.begin_s + RISEN_S < begin_s < s.end_s - GAP_SEEN_S for s in pulses):
            yield begin_s, end_s


def _last_look_s(played: Played) -> float:
    """When the last look with the feed closed began; what fails after it cannot be seen."""
    for event in reversed(played.sink.events):
        if event.kind is EventKind.STATE and event.message == "cooling down":
            return (played.begun_s or 0.0) + event.at_s - 0.1
    return played.ended_s


def _feed_was_closed(played: Played, t: float) -> bool:
    """The feed's true contact just before a time."""
    before = [edge for edge in played.rig.plant.edge_log if edge.t < t]
    return bool(before) and before[-1].feed_closed


def no_fail_of_a_good_part(played: Played, log: RunLog) -> Iterator[str]:
    """Trouble with line, rig or host never makes a good part a bad one."""
    del log
    record, case = played.record, played.case
    if record is None or record.verdict is not Verdict.FAIL:
        return
    if played.case.relay or record.ending in (Ending.FAULT, Ending.CHECK_FAILED):
        return  # bounce, and a cycle cut short by the rig, may still read as a drop-out
    good = LIMITS_OHM[0] + 0.35 < case.resistance_20c_ohm < LIMITS_OHM[1] - 0.35
    # The person's own hand on the supply comes after the run's data.
    if good and all(fault.kind in INNOCENT_KINDS for _, fault in played.rig.striker.struck):
        reasons = "; ".join(j.reason for j in record.characteristics if j.verdict is Verdict.FAIL)
        yield f"FAIL for a good part: {reasons}"


def log_is_whole(played: Played, log: RunLog) -> Iterator[str]:
    """Everything committed can be read, is unchanged, and is what the rig captured."""
    yield from (str(finding) for finding in verify(log))
    if played.begun_s is None:
        return
    blocks = list(log.samples(RECORD_ID))
    events = log.events(RECORD_ID)
    if not played.log_failed and played.record is not None:
        taken_codes, kept_codes = _codes(played.sink.blocks), _codes(blocks)
        if not np.array_equal(taken_codes, kept_codes):
            yield f"{taken_codes.size} codes were taken, {kept_codes.size} are in the log"
        taken = [e for e in played.sink.events if e.kind is not EventKind.LIVE]
        if len(taken) != len(events):
            yield f"{len(taken)} events were taken, {len(events)} are in the log"
        if log.record(RECORD_ID) != played.record:
            yield "the record in the log is not the record returned"
    yield from _samples_are_true(played, blocks)


def _codes(blocks: list[SampleBlock]) -> NDArray[np.int16]:
    """All codes in order, however the blocks were joined on the way."""
    return np.concatenate([np.empty(0, np.int16), *(block.codes.ravel() for block in blocks)])


def _samples_are_true(played: Played, blocks: list[SampleBlock]) -> Iterator[str]:
    boots = {boot for boot, _, _ in played.rig.captured}
    bits = max(model.info.bits for model in played.rig.front.inputs)
    for block in blocks:
        bodies = [
            body
            for boot in boots
            if (body := played.rig.captured.get((boot, block.tick % 2**32, block.block % 2**16)))
        ]
        if not any(
            np.array_equal(unpack_array(body[8:], body[7], bits), block.codes.ravel())
            for body in bodies
            if body[7] == block.codes.size
        ):
            yield f"block {block.block} of stream {block.stream} is not what the rig captured"
            return


def every_edge_is_told(played: Played, log: RunLog) -> Iterator[str]:
    """Every true change of an output is in the record, or counted as lost, or the run says why."""
    record = played.record
    if record is None or played.begun_s is None or played.log_failed:
        return
    if any(shortfall.link_gone for _, shortfall in played.alarms):
        return  # a second link only looks: what it sees is evidence and no edge of the run
    if record.ending is Ending.LINK_LOST or played.case.relay:
        return  # what is said of the end stands in the record; a relay's contacts bounce
    if played.rig.identity.boot_count != 1:
        resets = _struck(played, RESET_KINDS)
        during = (played.begun_s, _evidence_s(played) - 0.1)
        if record.verdict is Verdict.PASS and any(during[0] < t < during[1] for t, _ in resets):
            yield "PASS although the rig restarted"
        return
    truth = _true_masks(played)
    told: list[int] = []
    for edge in logged_edges(log, RECORD_ID):
        mask = edge.outputs_mask & ~sum(1 << k for k in _welded(played))
        if not told or told[-1] != mask:
            told.append(mask)
    told = [m for n, m in enumerate(told) if n or m]
    missing = len(truth) - len(told)
    if missing > 2 * record.edges_lost or (not record.edges_lost and truth != told):
        yield f"{len(truth)} edges happened, {len(told)} are told, {record.edges_lost} counted lost"


def _true_masks(played: Played) -> list[int]:
    """Masks of true contacts, one after the other, since the run began; the source as output 8."""
    ignore = sum(1 << k for k in _welded(played))
    masks: list[int] = [0]
    last_s = -1.0
    for edge in played.rig.plant.edge_log:
        if edge.t < (played.begun_s or 0.0) or edge.t > played.ended_s:
            continue
        mask = (edge.outputs_mask | (1 << 8 if edge.source_on else 0)) & ~ignore
        if edge.t == last_s and (mask ^ masks[-1] | masks[-1] ^ masks[-2]) & 1 << 8:
            masks.pop()  # source and output move at one moment: one edge to the rig
        last_s = edge.t
        if mask != masks[-1]:
            masks.append(mask)
        else:
            last_s = -1.0
    return masks[1:]


def record_and_exit_code_agree(played: Played, log: RunLog) -> Iterator[str]:
    """The exit code says nothing else than the record."""
    del log
    record = played.record
    if record is None:
        return
    code = exit_code_for(record)
    if isinstance(record.made_safe, NotProven) is not (code is ExitCode.NOT_PROVEN_SAFE):
        yield f"exit code {code} for {type(record.made_safe).__name__}"
    if (code is ExitCode.PASS) is not (record.verdict is Verdict.PASS):
        yield f"exit code {code} for {record.verdict}"
    if code is ExitCode.PART_FAILED and record.verdict is not Verdict.FAIL:
        yield f"exit code {code} for {record.verdict}"
    if code is ExitCode.INTERRUPTED and record.ending is not Ending.INTERRUPTED:
        yield f"exit code {code} for a run that ended {record.ending}"


def stale_runs_are_settled_first(played: Played, log: RunLog) -> Iterator[str]:
    """A run left open is closed with evidence before anything is begun or pulsed."""
    if not played.case.stale:
        return
    if played.begun_s is not None:
        if STALE_ID in {run.record_id for run in log.open_runs()}:
            yield "a new run was begun while an old one is open"
        elif not log.record(STALE_ID).proven_safe:
            yield "the old run was closed without evidence"


INVARIANTS: dict[str, Callable[[Played, RunLog], Iterator[str]]] = {
    "ceiling": ceiling_holds,
    "silence": silence_switches_off,
    "off": off_once_returned,
    "evidence": no_evidence_no_end,
    "ends": ends_when_it_can,
    "errors": only_known_errors,
    "before": off_when_it_never_began,
    "pass": no_pass_from_gaps,
    "fail": no_fail_of_a_good_part,
    "log": log_is_whole,
    "edges": every_edge_is_told,
    "exit": record_and_exit_code_agree,
    "stale": stale_runs_are_settled_first,
}
