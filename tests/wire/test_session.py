"""Both ends of a session: matching, repeats, unasked numbering, and the state table."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.wire.frames import FrameDecoder, encode_frame
from benchrig.wire.messages import (
    HOST_MESSAGES,
    Accepted,
    AllOff,
    ClearFault,
    Edge,
    EdgeCause,
    FaultReason,
    Heartbeat,
    Hello,
    Message,
    OpenFeed,
    RefusalReason,
    Refused,
    RigState,
    Start,
    from_payload,
    to_payload,
)
from benchrig.wire.session import (
    ALLOWED_IN,
    ANSWER_OF,
    Answered,
    HostSession,
    Nonsense,
    RigSession,
    SessionBusy,
    Unasked,
    refusal_by_state,
)


class Carrier:
    """Accepts everything and remembers what it was asked."""

    def __init__(self) -> None:
        self.done: list[Message] = []

    def __call__(self, request: Message) -> Message:
        self.done.append(request)
        return Accepted(request=request.ID, tick=len(self.done))


def answer_in(data: bytes) -> tuple[Message, int]:
    (payload,) = FrameDecoder().feed(data)
    return from_payload(payload)


def edge(number: int = 0) -> Edge:
    return Edge(edge=number, tick=1, outputs_mask=0, cause=EdgeCause.ALL_OFF)


def test_ask_and_answer() -> None:
    host, rig, carrier = HostSession(), RigSession(), Carrier()
    for number in range(300):  # beyond the wrap of the sequence number
        reply = rig.receive(host.ask(AllOff()), carrier)
        assert host.receive(reply) == [
            Answered(request=AllOff(), answer=Accepted(request=AllOff.ID, tick=number + 1))
        ]
    assert len(carrier.done) == 300


def test_a_repeat_is_answered_alike_and_not_carried_out_again() -> None:
    host, rig, carrier = HostSession(), RigSession(), Carrier()
    first = rig.receive(host.ask(Start(schedule_id=7)), carrier)
    again = rig.receive(host.repeat(), carrier)
    assert again == first
    assert carrier.done == [Start(schedule_id=7)]
    assert rig.repeats_seen == 1
    # both answers arrive: the second is stale, not an answer to something else
    assert len(host.receive(first + again)) == 1
    assert host.answers_stale == 1
    # the same request under a new number is a new request
    rig.receive(host.ask(Start(schedule_id=7)), carrier)
    assert len(carrier.done) == 2


def test_same_number_with_another_content_is_no_repeat() -> None:
    rig, carrier = RigSession(), Carrier()
    rig.receive(encode_frame(to_payload(Start(schedule_id=7), 5)), carrier)
    rig.receive(encode_frame(to_payload(Start(schedule_id=8), 5)), carrier)
    assert carrier.done == [Start(schedule_id=7), Start(schedule_id=8)]


def test_hello_is_never_a_repeat_and_clears_the_memory() -> None:
    rig, carrier = RigSession(), Carrier()
    off = encode_frame(to_payload(OpenFeed(), 0))
    hello = encode_frame(to_payload(Hello(protocol_major=1, protocol_minor=0), 0))
    for frame in (off, hello, hello, off):
        rig.receive(frame, carrier)
    assert [type(m) for m in carrier.done] == [OpenFeed, Hello, Hello, OpenFeed]


def test_only_one_request_at_a_time() -> None:
    host = HostSession()
    with pytest.raises(SessionBusy):
        host.repeat()
    host.ask(AllOff())
    with pytest.raises(SessionBusy, match="AllOff"):
        host.ask(Heartbeat())
    host.abandon()
    host.ask(Heartbeat())


def test_an_answer_is_no_request() -> None:
    with pytest.raises(ValueError, match="no request"):
        HostSession().ask(Accepted(request=1, tick=0))


def test_unasked_messages_are_counted_across_the_wrap() -> None:
    host, rig = HostSession(), RigSession()
    missed = []
    for number in range(600):
        frame = rig.unasked(edge(number))
        if number % 100 not in (7, 8):
            (item,) = host.receive(frame)
            assert isinstance(item, Unasked)
            missed.append(item.missed)
    assert host.unasked_lost == 12
    assert sorted(set(missed)) == [0, 2]


def test_a_message_dropped_by_the_rig_shows_as_lost() -> None:
    host, rig = HostSession(), RigSession()
    host.receive(rig.unasked(edge()))
    rig.unasked(edge())  # numbered and dropped
    host.receive(rig.unasked(edge()))
    assert host.unasked_lost == 1


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (Accepted(request=Start.ID, tick=0), "request 0x0B"),
        (Refused(request=Start.ID, reason=RefusalReason.NO_SCHEDULE, detail=0), "request 0x0B"),
        (edge(), None),
        (AllOff(), "sent a request"),
    ],
)
def test_what_does_not_fit_the_request_is_nonsense(answer: Message, words: str | None) -> None:
    host = HostSession()
    host.ask(AllOff())
    (item,) = host.receive(encode_frame(to_payload(answer, 0)))
    if words is None:
        assert isinstance(item, Unasked)
    else:
        assert isinstance(item, Nonsense)
        assert words in item.reason


def test_an_answer_of_the_wrong_kind_is_nonsense() -> None:
    host = HostSession()
    host.ask(Heartbeat())
    (item,) = host.receive(encode_frame(to_payload(Accepted(request=Heartbeat.ID, tick=0), 0)))
    assert item == Nonsense(reason="Heartbeat was answered by Accepted")


@pytest.mark.parametrize(
    ("payload", "reason", "detail"),
    [
        ("3f 09", RefusalReason.UNKNOWN_MESSAGE, 0x3F),
        ("04 09 00", RefusalReason.BAD_LENGTH, 0),
        ("0b 09 07", RefusalReason.BAD_LENGTH, 2),
        ("0f 09 c8", RefusalReason.BAD_VALUE, 0),
    ],
)
def test_whole_frames_that_are_no_request_are_refused(
    payload: str, reason: RefusalReason, detail: int
) -> None:
    carrier = Carrier()
    reply = RigSession().receive(encode_frame(bytes.fromhex(payload)), carrier)
    request = bytes.fromhex(payload)[0]
    assert answer_in(reply) == (Refused(request=request, reason=reason, detail=detail), 9)
    assert carrier.done == []


@pytest.mark.parametrize("identifier", [0x00, 0x40, 0x80, 0xC1, 0xFF])
def test_an_echo_of_the_rigs_own_messages_is_not_answered(identifier: int) -> None:
    rig, carrier = RigSession(), Carrier()
    assert rig.receive(encode_frame(bytes((identifier, 1, 2, 3))), carrier) == b""
    assert (carrier.done, rig.frames_bad) == ([], 1)


@given(st.lists(st.binary(max_size=60), max_size=20))
def test_neither_end_ever_raises_on_rubbish(chunks: list[bytes]) -> None:
    host, rig = HostSession(), RigSession()
    host.ask(AllOff())
    for chunk in chunks:
        host.receive(chunk)
        rig.receive(chunk, Carrier())
        host.receive(encode_frame(b"\x80\x00" + chunk))
        rig.receive(encode_frame(b"\x0f\x00" + chunk), Carrier())


def test_the_tables_name_every_request() -> None:
    assert set(ALLOWED_IN) == set(HOST_MESSAGES) == set(ANSWER_OF)


def test_making_safe_is_allowed_in_every_state() -> None:
    for kind in (AllOff, OpenFeed, Heartbeat, Hello):
        assert ALLOWED_IN[kind] == set(RigState)


def test_refusal_by_state_says_why() -> None:
    start = Start(schedule_id=1)
    none, silence = FaultReason.NONE, FaultReason.HEARTBEAT_SILENCE
    assert refusal_by_state(start, RigState.IDLE, none) is None
    assert refusal_by_state(start, RigState.RUNNING, none) == Refused(
        request=Start.ID, reason=RefusalReason.WRONG_STATE, detail=RigState.RUNNING
    )
    assert refusal_by_state(start, RigState.FAULT, silence) == Refused(
        request=Start.ID, reason=RefusalReason.FAULT_LATCHED, detail=silence
    )
    assert refusal_by_state(ClearFault(fault=silence), RigState.FAULT, silence) is None
