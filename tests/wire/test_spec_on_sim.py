"""The document's refusals, played against the simulated rig fresh from power-on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.wire.frames import encode_frame
from benchrig.wire.messages import ANSWERS, Message, Refused, from_payload
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario
from tests.wire.spec_document import VECTORS, Vector, decode, vectors_of

SETTLED_S = 0.005
INPUTS_OF_THE_DOCUMENT = 7
CEILING_OF_THE_DOCUMENT_US = 10_000_000
TO_A_RIG = [v for v in VECTORS if v.kind == "bad" and v.one("to") == "rig"]


def rig_of_the_document() -> SimRig:
    rig = SimRig(open_scenario("healthy").rig)
    rig.inputs = rig.inputs[:INPUTS_OF_THE_DOCUMENT]
    rig.outputs = [replace(o, on_us_max=CEILING_OF_THE_DOCUMENT_US) for o in rig.outputs]
    return rig


def answers_in(data: bytes) -> list[tuple[Message, int]]:
    said = [from_payload(payload) for payload in decode(data)]
    return [(message, sequence) for message, sequence in said if isinstance(message, ANSWERS)]


@vectors_of("refused")
def test_the_simulated_rig_refuses_as_written(vector: Vector) -> None:
    rig = rig_of_the_document()
    now_s = 0.1
    for line in vector.values.get("setup", []):
        now_s += SETTLED_S
        if line == "break":
            rig.on_break(now_s)
            continue
        rig.on_bytes(bytes.fromhex(line), now_s)
        now_s += SETTLED_S
        ((answer, _),) = answers_in(rig.advance(now_s))
        assert not isinstance(answer, Refused), line
    now_s += SETTLED_S
    rig.on_bytes(vector.frame("request"), now_s)
    ((answer, sequence),) = answers_in(rig.advance(now_s + SETTLED_S))
    expected, expected_sequence = from_payload(decode(vector.frame("answer"))[0])
    assert (answer, sequence) == (expected, expected_sequence)


@pytest.mark.parametrize("vector", TO_A_RIG, ids=lambda v: v.title.replace(" ", "_")[:60])
def test_the_simulated_rig_does_not_answer_bad_frames(vector: Vector) -> None:
    rig = rig_of_the_document()
    rig.on_bytes(vector.frame(), 0.1)
    assert answers_in(rig.advance(0.2)) == []
    assert rig.frames_bad == int(vector.one("counts"))
    rig.on_bytes(encode_frame(b"\x05\x01"), 0.3)
    assert len(answers_in(rig.advance(0.4))) == 1
