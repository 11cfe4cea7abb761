"""JSON forms: there and back, the same bytes, and text or numbers that JSON cannot hold."""

from __future__ import annotations

import dataclasses
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import LogError
from benchrig.measure.features import CycleFeatures
from benchrig.record import forms, rows
from benchrig.record.values import EventKind, NotProven, RunEvent, RunPlan, RunRecord, SafeEvidence
from tests.record import made

_KEYS = st.sampled_from(sorted(forms.to_json(made.record()))) | st.sampled_from(
    ("part", "pattern", "steps", "limits", "reason", "readings", "value", "kind", "at_s")
)


@pytest.mark.parametrize("made_safe", [made.evidence(), made.NOT_PROVEN])
def test_a_record_survives_its_bytes(made_safe: SafeEvidence | NotProven) -> None:
    record = made.record(made_safe=made_safe)
    data = forms.to_bytes(record)
    again = forms.from_bytes(RunRecord, data)
    assert again == record
    assert type(again.made_safe) is type(made_safe)
    assert forms.to_bytes(again) == data
    assert forms.digest(again) == forms.digest(record)
    assert forms.digest(dataclasses.replace(record, blocks_lost=1)) != forms.digest(record)


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Today:
    value: float
    note: str = ""


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Later:
    value: float
    note: str = ""
    source: str | None = None
    lines: tuple[int, ...] = dataclasses.field(default_factory=tuple)


@dataclasses.dataclass(frozen=True, kw_only=True)
class _Kept:
    of_today: tuple[_Today, ...] = ()


@dataclasses.dataclass(frozen=True, kw_only=True)
class _KeptLater:
    of_today: tuple[_Later, ...] = ()
    more: bool = False


def test_a_field_that_a_later_version_adds_changes_no_digest() -> None:
    today = forms.digest(_Kept(of_today=(_Today(value=1.0), _Today(value=2.0, note="n"))))
    later = (_Later(value=1.0), _Later(value=2.0, note="n"))
    assert forms.digest(_KeptLater(of_today=later)) == today
    told = (later[0], dataclasses.replace(later[1], source="x"))
    assert forms.digest(_KeptLater(of_today=told)) != today
    assert forms.digest(_KeptLater(of_today=later, more=True)) != today
    assert forms.digest(_KeptLater(of_today=later[:1])) != today


def test_both_ways_to_the_bytes_agree() -> None:
    record = made.record()
    assert forms.to_bytes(record) == forms._slow_bytes(record, RunRecord)


@pytest.mark.parametrize("made_safe", [made.evidence(), made.NOT_PROVEN])
def test_stored_bytes_read_back_as_the_canonical_ones_do(
    made_safe: SafeEvidence | NotProven,
) -> None:
    record = made.record(made_safe=made_safe)
    again = forms.from_bytes(RunRecord, forms.stored_bytes(record))
    assert again == record
    assert forms.to_bytes(again) == forms.to_bytes(record)
    kind = tuple[CycleFeatures, ...]
    assert forms.from_bytes(kind, forms.stored_bytes(record.cycles, kind)) == record.cycles


def _event(message: str, at_s: float, data: dict[str, Any]) -> RunEvent:
    return RunEvent(kind=EventKind.CHECK, at_s=at_s, message=message, data=data)


_DATA = st.dictionaries(
    st.text(max_size=3),
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3),
        lambda inner: st.lists(inner, max_size=3),
        max_leaves=4,
    ),
    max_size=3,
)


@settings(max_examples=200, deadline=None)
@given(st.builds(_event, st.text(max_size=5), st.floats() | st.integers(0, 9), _DATA))
def test_any_event_reads_back_the_same_from_both_bytes(event: RunEvent) -> None:
    kind = list[RunEvent]
    by_canonical = forms.from_bytes(kind, forms.to_bytes([event]))
    by_stored = forms.from_bytes(kind, forms.stored_bytes([event], kind))
    assert repr(by_stored) == repr(by_canonical)  # repr: NaN is not equal to itself


def test_what_json_cannot_hold_does_not_stop_a_record() -> None:
    plan = dataclasses.replace(made.plan(), tag="a\udc80\x00<b>", note='"; DROP TABLE log; --')
    drop_out = dataclasses.replace(made.record().drop_outs[0], depth=float("nan"))
    record = dataclasses.replace(made.record(run_plan=plan), drop_outs=(drop_out,))
    for data in (forms.to_bytes(record), forms.stored_bytes(record)):
        again = forms.from_bytes(RunRecord, data)
        assert again.plan.note == plan.note
        assert again.plan.tag == "a?\x00<b>"
        assert again.drop_outs[0].depth != again.drop_outs[0].depth
    event = RunEvent(kind=EventKind.CHECK, at_s=float("inf"), data={"x": {1: object}, "y": (1, 2)})
    for data in (forms.to_bytes(event), forms.stored_bytes(event)):
        assert forms.from_bytes(RunEvent, data).at_s == float("inf")


def test_evidence_that_shows_nothing_cannot_be_read_back() -> None:
    form = forms.to_json(made.record())
    form["made_safe"]["readings"][1]["current_a"] = 5.0
    with pytest.raises(LogError, match="made_safe"):
        forms.from_json(RunRecord, form)
    with pytest.raises(LogError, match="not JSON"):
        forms.from_bytes(RunPlan, b"{")


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(_KEYS, inner, max_size=4),
    max_leaves=12,
)


@settings(max_examples=150, deadline=None)
@given(_JSON, st.lists(_KEYS, min_size=1, max_size=3))
def test_any_other_json_is_told_and_not_crashed_on(value: object, path: list[str]) -> None:
    form = forms.to_json(made.record(cycles=1, made_safe=made.NOT_PROVEN))
    place = form
    for key in path[:-1]:
        if isinstance(place.get(key), dict):
            place = place[key]
    place[path[-1]] = value
    for kind in (RunRecord, RunPlan, RunEvent):
        try:
            again = forms.from_json(kind, form)
        except LogError as error:
            assert error.advice  # noqa: PT017 - either outcome is right, another error is not
        else:
            assert isinstance(again, kind)


def test_rubbish_bytes_are_told() -> None:
    for data in (b"", b"\xff", b"[" * 100_000, b"1" * 5000, b'"\\ud800"', b"NaN"):
        with pytest.raises(LogError):
            forms.from_bytes(RunRecord, data)


def test_a_stored_value_cannot_fill_the_memory() -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(rows, "UNPRESSED_BYTES_MAX", 1000)
        assert rows.unpress(rows.press(b"x" * 999)) == b"x" * 999
        with pytest.raises(LogError, match="does not end"):
            rows.unpress(rows.press(b"x" * 100_000))
    for damaged in (b"", rows.press(b"abc")[:-2], rows.press(b"abc") + b"x", b"rubbish"):
        with pytest.raises(LogError):
            rows.unpress(damaged)


@pytest.mark.parametrize("budget", [False, True])
def test_public_json_has_what_was_promised(budget: bool) -> None:
    form = forms.record_to_json(made.record(), budget=budget)
    json.dumps(form, allow_nan=False)
    assert form["schema"] == "benchrig.run/1"
    assert form["part"] == "marsh-purge"
    assert form["record"] == "20260102-030405-abcd"
    assert form["verdict"] == "PASS"
    assert len(form["cycles"]) == 25
    (judged,) = form["characteristics"]
    wanted = ["name", "value", "unit", "std_uncertainty", "limits", "source", "verdict", "reason"]
    assert set(wanted) <= set(judged)
    assert judged["limits"]["low"] == 11.0
    assert (judged["value"], judged["unit"], judged["source"]) == (12.1, "ohm", "invented, p. 1")
    assert ("budget" in judged) is budget
    assert ("budget" in form["cycles"][0]["current_a"]) is budget
    safe = form["made_safe"]
    assert safe["proven"] is True
    assert safe["residual_current_a"] == pytest.approx(6e-4)
    assert safe["feed_opened"] is False


def test_public_json_of_a_run_without_evidence() -> None:
    safe = forms.record_to_json(made.record(made_safe=made.NOT_PROVEN))["made_safe"]
    assert safe["proven"] is False
    assert safe["residual_current_a"] == 1.1
    assert safe["reason"] == "link lost"
