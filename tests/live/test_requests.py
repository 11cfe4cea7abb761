"""What a rig's program may be told, and everything else, which means nothing."""

from __future__ import annotations

import json

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.live import payloads
from benchrig.live.requests import make_safe_reason, make_safe_request

TOPIC = "benchrig/v1/bench-1/00000000000000a1/request/make-safe"
RUN = "20260102-030405-abcd"
RIGHT = make_safe_request(RUN, "foreman")


def reason(
    payload: object, *, topic: str = TOPIC, retained: bool = False, run: str = RUN
) -> str | None:
    return make_safe_reason(topic, payload, retained=retained, listening_to=TOPIC, run=run)


def test_a_right_request_is_a_reason_to_stop() -> None:
    assert reason(RIGHT) == "make safe was asked for over the network by foreman"
    assert reason(make_safe_request()) == "make safe was asked for over the network"
    told = reason(make_safe_request(RUN, "\x1b[2J\u202efoe"))
    assert told is not None
    assert told.isprintable()


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"make safe",
        b"{",
        b"[" * 900,
        b"null",
        b"[]",
        b'"any"',
        b"\xff\xfe",
        b'{"schema": "benchrig.make-safe/1"}',
        b'{"schema": "benchrig.make-safe/2", "run": "any"}',
        b'{"schema": "benchrig.make-safe/1", "run": "another run"}',
        b'{"schema": "benchrig.make-safe/1", "run": ["any"]}',
        b'{"schema": "benchrig.make-safe/1", "run": "any", "who": 3}',
        b'{"schema": "benchrig.make-safe/1", "run": "any", "energise": true}',
        json.dumps({"schema": "benchrig.make-safe/1", "run": "any", "who": "x" * 65}).encode(),
        b" " * 2000 + RIGHT,
        None,
        17,
        "text",
    ],
)
def test_what_is_not_exactly_right_means_nothing(payload: object) -> None:
    assert reason(payload) is None


def test_a_right_request_in_the_wrong_place_means_nothing() -> None:
    assert reason(RIGHT, retained=True) is None
    assert reason(RIGHT, topic=TOPIC + "/more") is None
    assert reason(RIGHT, topic=TOPIC.replace("bench-1", "bench-2")) is None
    assert reason(RIGHT, run="") is None
    assert reason(RIGHT, run="the next run") is None


@given(st.binary(max_size=1100) | st.text(max_size=300).map(str.encode))
def test_no_bytes_do_anything_but_stop(payload: bytes) -> None:
    told = reason(payload)
    if told is None:
        return
    schema = payloads.schema("make-safe")
    jsonschema.Draft202012Validator(schema).validate(json.loads(payload))
