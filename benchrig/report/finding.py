"""The finding: one sentence for the reader who has not asked for numbers, from the evidence only.

What happened in the cycles, in their order, and what stands outside its limit. Nothing is said of
why, unless the record itself does; the verdict word stands beside it and is not repeated.
"""

from __future__ import annotations

from benchrig.judge.verdict import Judged, Verdict
from benchrig.measure.features import DropOut
from benchrig.parts.part import Characteristic
from benchrig.record.values import Ending, RunRecord
from benchrig.report import words

OPEN_DEPTH = 0.9  # lost share of the current from which it is told as all of it
_NAMED_MOST = 3


def finding_text(record: RunRecord) -> str:
    """One sentence with a full stop."""
    said = [_cycling(record), *_outside(record)]
    text = "; ".join(part for part in said if part)
    return f"{text[:1].upper()}{text[1:]}."


def _cycling(record: RunRecord) -> str:
    done = record.cycles_done
    if not done:
        return "no cycle was run"
    if not record.drop_outs:
        short = record.ending is not Ending.COMPLETE or done < record.cycles_planned
        of = f"{done} of {record.cycles_planned}" if short else f"all {done}"
        return f"ran {of} {'cycle' if done == 1 else 'cycles'} without a drop-out"
    first = min(record.drop_outs, key=lambda drop: drop.start_s)
    faulty = sorted({drop.cycle for drop in record.drop_outs})
    before = first.cycle - 1
    ran = f"ran {before} {'cycle' if before == 1 else 'cycles'}, then " if before else ""
    how = f"{ran}{_lost(first)} in cycle {first.cycle}{_warm(first)}"
    if _to_the_end(record, faulty):
        return how + " and it did not come back" * (first.depth >= OPEN_DEPTH or len(faulty) > 1)
    if len(faulty) == 1:
        return f"{how}, and in no other of {done}"
    return f"{how}, and in {len(faulty)} of {done} cycles in all"


def _lost(drop: DropOut) -> str:
    if drop.depth >= OPEN_DEPTH:
        return "the current was lost"
    return f"{100 * drop.depth:.0f} % of the current was lost"


def _warm(drop: DropOut) -> str:
    known = drop.winding_temperature_c
    return "" if known is None else f" with the winding at about {known:.0f} °C"


def _to_the_end(record: RunRecord, faulty: list[int]) -> bool:
    """Every cycle from the first faulty one on has a drop-out, and the last ends in one."""
    if faulty != list(range(faulty[0], record.cycles_done + 1)):
        return False
    last = max(record.drop_outs, key=lambda drop: drop.start_s)
    ends = next((c.start_s + c.on_s for c in record.cycles if c.cycle == last.cycle), None)
    return ends is not None and last.start_s + last.duration_s >= ends - 0.02


def _outside(record: RunRecord) -> list[str]:
    failed = [
        judged
        for judged in record.characteristics
        if judged.verdict is Verdict.FAIL and judged.characteristic is not Characteristic.DROP_OUTS
    ]
    told = [_beyond(judged) for judged in failed[:_NAMED_MOST]]
    more = len(failed) - len(told)
    return [*told, *([f"{more} more outside their limits"] if more > 0 else [])]


def _beyond(judged: Judged) -> str:
    name = words.NAMES[judged.characteristic]
    name = name if name[:2].isupper() or name[1:2].isdigit() else name[:1].lower() + name[1:]
    if judged.measured is None or judged.limit is None:
        return f"{name}: {words.named(judged.reason)}"
    scale = words.judged_scale(judged)
    value = words.value_text(judged.measured, scale)
    return f"{name} {value} is outside {words.limit_text(judged.limit, scale)}"
