"""The conversation in firmware_protocol.md is one that the simulated rig really holds."""

from __future__ import annotations

import re

from benchrig.wire.frames import FrameDecoder, encode_frame
from benchrig.wire.messages import (
    CloseFeed,
    DescribeOutput,
    Edge,
    Finished,
    Heartbeat,
    Hello,
    Message,
    OpenFeed,
    ReadStatus,
    Samples,
    ScheduleBegin,
    ScheduleCommit,
    ScheduleStep,
    Start,
    Status,
    Stream,
    from_payload,
    to_payload,
)
from benchrig.wire.schedule import Schedule
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario
from tests.wire.spec_document import TEXT

STEPS = tuple(
    ScheduleStep(schedule_id=7, step=n, outputs_mask=mask, duration_us=us, change_us=0)
    for n, (mask, us) in enumerate(((1, 2500), (0, 7500)))
)
PLAN = Schedule(schedule_id=7, steps=STEPS, repeat_count=100)
# How each request is written in the document, in its order.
ASKED: tuple[tuple[str, Message], ...] = (
    ("Hello 1.0", Hello(protocol_major=1, protocol_minor=0)),
    ("DescribeOutput 0", DescribeOutput(output=0)),
    ("Heartbeat", Heartbeat()),
    ("Stream  inputs 1 and 3, every 100 us", Stream(inputs_mask=0b1010, scan_period_us=100)),
    (
        "ScheduleBegin 7  two steps, 100 times",
        ScheduleBegin(schedule_id=7, step_count=2, repeat_count=100),
    ),
    ("ScheduleStep 7/0  output 0 on, 2500 us", STEPS[0]),
    ("ScheduleStep 7/1  all off, 7500 us", STEPS[1]),
    ("ScheduleCommit 7", ScheduleCommit(schedule_id=7, steps_crc=PLAN.steps_crc)),
    ("CloseFeed", CloseFeed()),
    ("Start 7", Start(schedule_id=7)),
    ("OpenFeed", OpenFeed()),
    ("ReadStatus", ReadStatus()),
)


class Talk:
    """A host at the simulated rig; keeps what it heard."""

    def __init__(self) -> None:
        self.rig = SimRig(open_scenario("healthy").rig)
        self.now_s = 0.1
        self.sequence = 0
        self.decoder = FrameDecoder()

    def say(self, message: Message, wait_s: float = 0.02) -> list[Message]:
        self.rig.on_bytes(encode_frame(to_payload(message, self.sequence)), self.now_s)
        self.sequence = (self.sequence + 1) & 0xFF
        return self.wait(wait_s)

    def wait(self, seconds: float) -> list[Message]:
        self.now_s += seconds
        heard = self.decoder.feed(self.rig.advance(self.now_s))
        return [from_payload(payload)[0] for payload in heard]


def test_the_conversation_is_what_is_said() -> None:
    section = TEXT.split("## 2. A conversation")[1]
    written = re.findall(r"^([<>]) (.*?)(?:   \(.*)?$", section.split("```")[1], re.MULTILINE)
    questions = [line for sign, line in written if sign == ">"]
    assert len(questions) == len(ASKED)
    talk, heard = Talk(), list[Message]()
    for question, (words, request) in zip(questions, ASKED, strict=True):
        assert question.startswith(words)
        heard += talk.say(request)
        if isinstance(request, Start):
            while not any(isinstance(message, Finished) for message in heard):
                heard += [m for m in talk.say(Heartbeat(), 0.1) if not isinstance(m, Status)]
        if isinstance(request, CloseFeed):
            heard += [m for m in talk.say(Heartbeat(), 0.1) if not isinstance(m, Status)]
    # The same messages in the same order; Samples come as they like, edges 3 to 200 are "...".
    said = [m for m in heard if not isinstance(m, Samples)]
    said = [m for m in said if not (isinstance(m, Edge) and 3 <= m.edge <= 200)]
    answers = [line for sign, line in written if sign == "<" and not line.startswith("Samples")]
    assert [type(m).__name__ for m in said] == [line.split()[0] for line in answers]
    assert any(isinstance(m, Samples) for m in heard)
    for message, line in zip(said, answers, strict=True):
        match message:
            case Edge(edge=edge, outputs_mask=mask, cause=cause):
                state = "output 0 on" if mask else "all off"
                assert line == f"Edge {edge}  {state}, cause {cause.name}"
            case Finished(schedule_id=schedule_id, repeats_done=repeats):
                assert line == f"Finished {schedule_id}  {repeats} repeats"
