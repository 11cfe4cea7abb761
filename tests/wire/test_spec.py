"""firmware_protocol.md runs: its vectors, its tables and its figures are the program's."""

from __future__ import annotations

from dataclasses import fields
from enum import IntEnum, IntFlag

import pytest

from benchrig.wire import budget, messages
from benchrig.wire.frames import FrameDecoder, crc16, encode_frame, frame_bytes_max
from benchrig.wire.messages import (
    ANSWERS,
    HEARTBEAT_SILENCE_US,
    HOST_MESSAGES,
    HOST_PAYLOAD_BYTES_MAX,
    MESSAGES,
    PAYLOAD_BYTES_MAX,
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    UNASKED,
    Accepted,
    Message,
    MessageError,
    RefusalReason,
    Refused,
    RigState,
    Samples,
    from_payload,
    to_payload,
)
from benchrig.wire.schedule import DURATION_US_MAX, DURATION_US_MIN
from benchrig.wire.session import (
    ALLOWED_IN,
    ANSWER_OF,
    REQUEST_IDS,
    UNASKED_IDS,
    HostSession,
    Nonsense,
    RigSession,
)
from tests.wire.spec_document import (
    TEXT,
    VECTORS,
    Vector,
    decode,
    message_of,
    rows,
    sections,
    vectors_of,
)

# --- vectors ----------------------------------------------------------------------------------


def test_the_document_has_vectors_of_every_kind() -> None:
    assert {v.kind for v in VECTORS} == {"valid", "bad", "nonsense", "refused"}


def test_every_message_has_a_valid_vector() -> None:
    named = {v.title for v in VECTORS if v.kind == "valid"}
    assert named == {kind.__name__ for kind in MESSAGES.values()}


def test_every_refusal_reason_has_a_vector() -> None:
    named = {v.title for v in VECTORS if v.kind == "refused"}
    assert named == {reason.name for reason in RefusalReason}


@vectors_of("valid")
def test_fields_encode_to_the_frame_and_back(vector: Vector) -> None:
    message, sequence = message_of(vector), int(vector.one("sequence"))
    assert encode_frame(to_payload(message, sequence)).hex() == vector.frame().hex()
    (payload,) = decode(vector.frame())
    assert from_payload(payload) == (message, sequence)


@vectors_of("valid")
def test_nothing_comes_before_the_last_byte_and_rubbish_behind_it_stays(vector: Vector) -> None:
    decoder = FrameDecoder()
    *before, last = (bytes((byte,)) for byte in vector.frame())
    assert all(decoder.feed(byte) == [] for byte in before)
    (payload,) = decoder.feed(last + b"\x55\xaa\x05")
    assert from_payload(payload)[0] == message_of(vector)
    assert decoder.partial_bytes == 3
    assert decoder.frames_bad == 0


@vectors_of("valid")
def test_with_any_single_bit_flipped_no_message_comes_out(vector: Vector) -> None:
    frame = vector.frame()
    for bit in range(8 * len(frame)):
        flipped = bytearray(frame)
        flipped[bit // 8] ^= 1 << (bit % 8)
        assert decode(bytes(flipped)) == [], f"bit {bit}"


@vectors_of("bad")
def test_bad_frames_are_dropped_counted_and_not_answered(vector: Vector) -> None:
    counts = int(vector.one("counts"))
    if vector.one("to") == "rig":
        rig = RigSession()
        assert rig.receive(vector.frame(), lambda _: pytest.fail("carried out")) == b""
        assert rig.frames_bad == counts
    else:
        host = HostSession()
        assert host.receive(vector.frame()) == []
        assert host.frames_bad == counts


def test_every_way_a_frame_can_be_bad_has_a_vector() -> None:
    words = " ".join(v.title for v in VECTORS if v.kind == "bad")
    for way in ("CRC", "COBS", "too short", "too long for a rig", "too long for a host", "empty"):
        assert way in words


@vectors_of("nonsense")
def test_whole_frames_that_are_no_message_are_not_believed(vector: Vector) -> None:
    (payload,) = decode(vector.frame())
    (said,) = HostSession().receive(vector.frame())
    assert isinstance(said, Nonsense)
    if payload[0] not in REQUEST_IDS:
        with pytest.raises(MessageError):
            from_payload(payload)


@vectors_of("refused")
def test_refusals_are_what_they_say(vector: Vector) -> None:
    (asked,), (answered,) = decode(vector.frame("request")), decode(vector.frame("answer"))
    answer, sequence = from_payload(answered)
    assert answer == Refused(
        request=asked[0],
        reason=RefusalReason[vector.title],
        detail=int(vector.one("detail")),
    )
    assert sequence == asked[1]
    for line in vector.values.get("setup", []):
        if line != "break":
            (payload,) = decode(bytes.fromhex(line))
            assert isinstance(from_payload(payload)[0], HOST_MESSAGES)


@pytest.mark.parametrize("name", ["UNKNOWN_MESSAGE", "BAD_LENGTH"])
def test_refusals_of_the_frame_itself_come_from_the_session(name: str) -> None:
    for vector in VECTORS:
        if vector.kind == "refused" and vector.title == name:
            reply = RigSession().receive(
                vector.frame("request"), lambda _: pytest.fail("carried out")
            )
            assert reply == vector.frame("answer")


# --- tables -----------------------------------------------------------------------------------


ENTRIES = sections("####")


@pytest.mark.parametrize("kind", MESSAGES.values(), ids=lambda k: k.__name__)
def test_every_message_has_its_four_part_entry(kind: type[Message]) -> None:
    entry = ENTRIES[f"0x{kind.ID:02X} {kind.__name__}"].strip()
    purpose, *rest = entry.split("\n\n")
    assert purpose.endswith(".")
    assert not purpose.startswith("|")
    stated = [(row[0], row[1]) for row in rows(entry)]
    layout = [*kind.LAYOUT, *([("packed", "bytes")] if kind is Samples else [])]
    assert stated == layout
    if not layout:
        assert rest[0] == "No fields."
    assert rest[1].startswith("Rules")


def test_there_is_no_entry_without_a_message() -> None:
    named = {title for title in ENTRIES if title.startswith("0x")}
    assert named == {f"0x{kind.ID:02X} {kind.__name__}" for kind in MESSAGES.values()}


ENUMS = [
    value
    for value in vars(messages).values()
    if isinstance(value, type)
    and issubclass(value, (IntEnum, IntFlag))
    and value not in (IntEnum, IntFlag)
]


@pytest.mark.parametrize("enum", ENUMS, ids=lambda e: e.__name__)
def test_numbers_with_names_are_the_programs(enum: type[IntEnum] | type[IntFlag]) -> None:
    stated = [(int(row[0]), row[1]) for row in rows(ENTRIES[enum.__name__])]
    assert stated == [(member.value, member.name) for member in enum]


def test_the_overview_lists_every_id_and_who_answers() -> None:
    stated = {row[1]: (row[0], row[2], row[3]) for row in rows(sections("##")["5. Messages"])}
    for kind in MESSAGES.values():
        identifier, sender, answered_by = stated.pop(kind.__name__)
        assert identifier == f"0x{kind.ID:02X}"
        if kind in ANSWER_OF:
            assert (sender, answered_by) == ("host", ANSWER_OF[kind].__name__)
            assert kind.ID in REQUEST_IDS
        elif kind in UNASKED:
            assert sender == "rig, unasked"
            assert kind.ID in UNASKED_IDS
        else:
            assert kind in ANSWERS
            assert sender == "rig"
    assert set(stated) == {"reserved"}


def test_the_state_table_is_the_sessions() -> None:
    stated = {row[0]: row[1:] for row in rows(sections("##")["6. States"])}
    assert set(stated) == {kind.__name__ for kind in HOST_MESSAGES}
    for kind, states in ALLOWED_IN.items():
        elsewhere = {RigState.FAULT: "FAULT_LATCHED"}
        expected = [
            "yes" if state in states else elsewhere.get(state, "WRONG_STATE") for state in RigState
        ]
        assert stated[kind.__name__] == expected, kind.__name__


def test_limits_and_figures_are_the_programs() -> None:
    assert f"# The rig protocol, version {PROTOCOL_MAJOR}.{PROTOCOL_MINOR}\n" in TEXT
    assert f"2 to {PAYLOAD_BYTES_MAX} bytes" in TEXT
    assert f"2 to {HOST_PAYLOAD_BYTES_MAX} bytes" in TEXT
    assert f"at most {frame_bytes_max(PAYLOAD_BYTES_MAX)} bytes with its delimiter" in TEXT
    assert f"at most {frame_bytes_max(HOST_PAYLOAD_BYTES_MAX)} bytes with its delimiter" in TEXT
    assert f"{HEARTBEAT_SILENCE_US:,} µs" in TEXT
    assert f"| {DURATION_US_MIN} to {DURATION_US_MAX:,} µs" in TEXT
    assert f"**0x{crc16(b'123456789'):04X}**" in TEXT
    payload = bytes.fromhex("0405")
    assert f"CRC 0x{crc16(payload):04X}" in TEXT
    assert f"the frame is `{encode_frame(payload).hex(' ')}`" in TEXT
    longest = max(2 + kind.body_bytes() for kind in HOST_MESSAGES)
    assert longest <= HOST_PAYLOAD_BYTES_MAX


def test_the_link_budget_is_what_the_command_beside_it_prints() -> None:
    assert budget.table() in TEXT
    assert 'python -c "from benchrig.wire.budget import table; print(table())"' in TEXT
    packed = budget.budget(10)
    assert 500_000 < packed.baud_at_40_ks < 1_000_000  # "more than 500,000 baud"
    # The small change: ten heartbeats and statuses, and 20 edges, a second.
    small = {
        kind.__name__: len(encode_frame(bytes(2 + kind.body_bytes()))) for kind in MESSAGES.values()
    }
    bytes_per_s = 10 * small["Status"] + 20 * small["Edge"]
    assert bytes_per_s * budget.BITS_PER_BYTE < 10_000
    # "each block costs 14 bytes beside its codes"
    assert packed.frame_bytes - 190 * 10 / 8 == pytest.approx(14, abs=0.5)


def test_messages_keep_fields_and_layout_in_step() -> None:
    for kind in MESSAGES.values():
        names = [f.name for f in fields(kind)]
        assert names == [n for n, _ in kind.LAYOUT] + (["packed"] if kind is Samples else [])


def test_accepted_is_what_answers_where_the_table_says_so() -> None:
    assert {k for k, a in ANSWER_OF.items() if a is Accepted} == {
        messages.ScheduleBegin,
        messages.ScheduleStep,
        messages.ScheduleCommit,
        messages.CloseFeed,
        messages.OpenFeed,
        messages.Start,
        messages.AllOff,
        messages.StopStream,
        messages.ClearFault,
    }
