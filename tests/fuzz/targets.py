"""What the fuzzer throws bytes at. Only this program's own errors may come out."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable
from pathlib import Path

from benchrig.bench.trayfile import read_tray
from benchrig.errors import InputFileError, UsageError
from benchrig.measure.wave_file import read_wave_csv
from benchrig.parts.partfile import part_from
from benchrig.patterns.patternfile import pattern_from
from benchrig.rig.events import EventReader
from benchrig.tomlfile import parse_toml
from benchrig.wire.frames import FrameDecoder, encode_frame
from benchrig.wire.messages import Message, MessageError, from_payload
from benchrig.wire.session import Answered, HostSession, RigSession, Unasked
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario, parse_scenario

HELD_BYTES_MAX = 300  # of a partial frame


def decoder(data: bytes) -> None:
    """The frame decoder, in pieces whose lengths the data choose; what it holds stays small."""
    made = FrameDecoder()
    at = 0
    while at < len(data):
        step = 1 + data[at] % 97
        for payload in made.feed(data[at : at + step]):
            with contextlib.suppress(MessageError):
                from_payload(payload)
        assert made.partial_bytes <= HELD_BYTES_MAX
        at += step
    whole = FrameDecoder()
    assert made.frames_bad >= 0
    whole.feed(data)
    assert (whole.frames_bad, whole.noise_bytes) == (made.frames_bad, made.noise_bytes)


def messages(data: bytes) -> None:
    """Payloads with a good checksum, as a rig that lies would send them, into both ends."""
    with contextlib.suppress(MessageError):
        message, sequence = from_payload(data)
        assert from_payload(bytes((message.ID, sequence)) + message.body()) == (message, sequence)
    if not 2 <= len(data) <= 248:
        return
    frame = encode_frame(data)
    host, reader = HostSession(), EventReader()
    for item in host.receive(frame):
        with contextlib.suppress(MessageError):
            if isinstance(item, Unasked):
                reader.read(item.message)
            elif isinstance(item, Answered):
                reader.answered(item.request, item.answer)


_rig: list[SimRig] = []


def rig(data: bytes) -> None:
    """Requests of any content to the simulated firmware; no ceiling may be passed by them."""
    if not _rig or _rig[0].now_s > 300.0:
        _rig[:] = [SimRig(open_scenario("linear").rig)]
    made = _rig[0]
    at = 0
    while at + 1 < len(data):
        step = 2 + data[at] % 31
        payload = data[at + 1 : at + step]
        if len(payload) >= 2:
            made.on_bytes(encode_frame(payload), made.now_s)
        made.advance(made.now_s + 0.001 * (data[at] // 31))
        at += step
    session = RigSession()

    def refuse(request: Message) -> Message:
        return made.firmware.carry_out(request)

    session.receive(data, refuse)


def _file(read: Callable[[bytes], object]) -> Callable[[bytes], None]:
    def target(data: bytes) -> None:
        with contextlib.suppress(InputFileError, UsageError):
            read(data)

    return target


part = _file(lambda data: part_from(parse_toml(data, "part.toml"), "part"))
pattern = _file(lambda data: pattern_from(parse_toml(data, "pattern.toml"), "pattern"))
wave = _file(lambda data: read_wave_csv(data, "wave.csv"))
scenario = _file(
    lambda data: parse_scenario(data.decode("utf-8", "replace"), "scenario.toml", "scenario")
)
_tray = Path(tempfile.gettempdir()) / "benchrig-fuzz-tray.toml"


def _read_tray(data: bytes) -> object:
    _tray.write_bytes(data)
    return read_tray(_tray)


tray = _file(_read_tray)

TARGETS: dict[str, Callable[[bytes], None]] = {
    "decoder": decoder,
    "messages": messages,
    "rig": rig,
    "part": part,
    "pattern": pattern,
    "tray": tray,
    "wave": wave,
    "scenario": scenario,
}
