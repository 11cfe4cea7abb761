"""Every payload fits its published schema, and the state never says OFF without evidence."""

from __future__ import annotations

import json
import math
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.errors import UsageError
from benchrig.live import payloads
from benchrig.live.follow import StateFollower
from benchrig.live.payloads import Link, RigState
from benchrig.live.requests import make_safe_request
from benchrig.live.topics import KINDS, RigTopics, bench_name_from, check_bench_name, parse
from benchrig.record.values import EventKind, RunEvent
from tests.live import told
from tests.record import made
from tests.report import sample_records

TOPICS = RigTopics(bench="bench-1", rig=told.RIG)
# Told by other payloads, or by none: edges are in the log.
NO_EVENT = (EventKind.EDGE, EventKind.LIVE, EventKind.CYCLE)
VALIDATORS = {
    kind: jsonschema.Draft202012Validator(payloads.schema(kind)) for kind in (*KINDS, "make-safe")
}


def check(kind: str, payload: dict[str, Any]) -> None:
    """As it arrives: through JSON, against the packaged schema."""
    VALIDATORS[kind].validate(json.loads(payloads.encode(payload)))


@pytest.mark.parametrize("kind", [*KINDS, "make-safe"])
def test_each_schema_is_a_schema_and_refuses_what_is_not_told(kind: str) -> None:
    schema = payloads.schema(kind)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["additionalProperties"] is False
    wrong: object
    for wrong in ({}, [], "ENERGISED", {"schema": f"benchrig.{kind}/1", "energise": True}):
        assert not VALIDATORS[kind].is_valid(wrong)


def test_the_events_of_a_run_fit() -> None:
    follower = StateFollower()
    for event in [*told.a_run(), told.not_safe()]:
        follower.take(event, told.STAMP)
        run = follower.now.run
        check("state", payloads.state(TOPICS, follower.now, told.STAMP))
        if event.kind not in NO_EVENT:
            check("event", payloads.event(TOPICS, run, event, told.STAMP))
        check("cycle", payloads.cycle(TOPICS, run, event, told.STAMP))
        check("live", payloads.live(TOPICS, run, event, told.STAMP))
    for link in Link:
        check("link", payloads.link(TOPICS, link, told.STAMP))
    VALIDATORS["make-safe"].validate(json.loads(make_safe_request("20260102-030405-abcd", "me")))


@pytest.mark.parametrize(
    "record",
    [
        made.record(),
        made.record(made_safe=made.NOT_PROVEN),
        sample_records.healthy(),
        sample_records.failing(),
        sample_records.inconclusive(),
        sample_records.not_proven(),
        sample_records.pump(),
        sample_records.hostile(),
    ],
)
def test_verdicts_fit_and_are_the_record_s(record: Any) -> None:
    payload = payloads.verdict(TOPICS, record)
    check("verdict", payload | {"outbox": "0" * 32, "number": 1})
    assert payload["verdict"] == record.verdict.value
    assert payload["proven_safe"] is record.proven_safe
    assert len(payload["characteristics"]) == len(record.characteristics)
    for told_one, judged in zip(payload["characteristics"], record.characteristics, strict=True):
        if judged.measured is not None:
            assert told_one["measured"]["value"] == judged.measured.value
    assert len(payloads.encode(payload)) < payloads.PAYLOAD_BYTES_MAX


_ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=8,
)


@given(
    st.sampled_from(EventKind),
    st.floats(),
    st.text(),
    st.dictionaries(
        st.sampled_from(["energised", "on", "cycle", "current_a", "residual_current_a", "state"])
        | st.text(),
        _ANYTHING,
        max_size=6,
    ),
)
def test_whatever_an_event_holds_what_is_told_fits(
    kind: EventKind, at_s: float, message: str, data: dict[str, Any]
) -> None:
    event = RunEvent(kind=kind, at_s=at_s, message=message, data=data)
    follower = StateFollower()
    follower.take(event, told.STAMP)
    check("state", payloads.state(TOPICS, follower.now, told.STAMP))
    if kind not in NO_EVENT:
        check("event", payloads.event(TOPICS, "", event, told.STAMP))
    check("cycle", payloads.cycle(TOPICS, "", event, told.STAMP))
    check("live", payloads.live(TOPICS, "", event, told.STAMP))


def states_of(events: list[RunEvent]) -> list[RigState]:
    follower = StateFollower()
    states: list[RigState] = []
    for event in events:
        follower.take(event, told.STAMP)
        if not states or states[-1] is not follower.now.state:
            states.append(follower.now.state)
    return states


def test_off_comes_from_evidence_alone() -> None:
    assert states_of(told.a_run()) == [
        RigState.UNKNOWN,
        RigState.ENERGISED,
        RigState.UNKNOWN,
        RigState.OFF,
    ]
    without = [event for event in told.a_run() if event.kind is not EventKind.SAFE]
    assert RigState.OFF not in states_of(without)
    assert states_of([*told.a_run(), told.started("another")])[-1] is RigState.UNKNOWN
    assert states_of([*told.a_run(), told.edge(50, True)])[-1] is RigState.ENERGISED
    assert states_of([*told.a_run(), told.not_safe()])[-1] is RigState.UNKNOWN
    hollow = RunEvent(kind=EventKind.SAFE, at_s=1.0, data={"residual_current_a": math.nan})
    assert states_of([told.started(), hollow, told.state(2.0, "made safe", False)]) == [
        RigState.UNKNOWN
    ]


def test_topics_belong_to_one_rig_and_nothing_else_is_one() -> None:
    for kind in KINDS:
        assert parse(TOPICS.of(kind)) == (TOPICS, kind)
    for topic in (
        TOPICS.make_safe,
        "benchrig/v1/bench-1/00000000000000A1/state",
        "benchrig/v1/bench 1/00000000000000a1/state",
        "benchrig/v1/../00000000000000a1/state",
        "benchrig/v2/bench-1/00000000000000a1/state",
        "benchrig/v1/bench-1/00000000000000a1/state/more",
        "",
    ):
        assert parse(topic) is None
    for bad in ("", "a/b", "+", "#", "a" * 33, "-x", "ä"):
        with pytest.raises(UsageError):
            check_bench_name(bad)
    for host in ("", "ä", "a b", "___", "x" * 99, "bench-1.example"):
        check_bench_name(bench_name_from(host))
