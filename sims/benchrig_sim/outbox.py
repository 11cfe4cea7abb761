"""What the rig says by itself, until it is numbered, framed and on the line; answers too."""

from __future__ import annotations

from typing import NamedTuple

from benchrig.wire.frames import encode_frames, frame_bytes_max
from benchrig.wire.messages import PAYLOAD_BYTES_MAX, Samples
from benchrig_sim.strike import Striker

BYTE_S = 10e-6  # 1 Mbaud, 8N1
TX_ROOM_S = 0.02  # what the rig's send buffer holds
PAYLOADS_MOST = 1024  # that are sent together
SAMPLES_ID = Samples.ID
# No payload is so long that its frame's length depends on what is in it.
_FRAME_BYTES = [frame_bytes_max(length) for length in range(PAYLOAD_BYTES_MAX + 1)]


_HEADS = [bytes((SAMPLES_ID, n & 0xFF)) for n in range(2 * 256 + PAYLOADS_MOST)]


class _Said(NamedTuple):
    """What became ready at a time; blocks of samples one after the other, evenly apart."""

    ready_s: float
    order: int
    kind: int
    bodies: list[bytes]
    apart_s: float = 0.0


class Outbox:
    """Puts frames on a line that takes its time for each byte."""

    def __init__(self, striker: Striker) -> None:
        self._striker = striker
        self._free_s = 0.0  # when the line has nothing more to send
        self._sequence = 0
        self._order = 0
        self._waiting: list[_Said] = []

    def restart(self) -> None:
        """A new life of the rig numbers from 0."""
        self._sequence = 0

    @property
    def empty(self) -> bool:
        """Nothing waits to be numbered."""
        return not self._waiting

    def say(self, ready_s: float, kind: int, body: bytes) -> None:
        """Keep an unasked message until what became ready before it is known."""
        self._order += 1
        self._waiting.append(_Said(ready_s, self._order, kind, [body]))

    def say_blocks(self, ready_s: float, apart_s: float, bodies: list[bytes]) -> None:
        """Keep blocks of samples, the first ready at a time and each one so much later."""
        if bodies:
            self._waiting.append(_Said(ready_s, self._order + 1, SAMPLES_ID, bodies, apart_s))
            self._order += len(bodies)

    def send_all(self, stream: int) -> int:
        """Number what waits in the order it became ready, and send it; blocks that found no room.

        Only those of this stream are counted.
        """
        if not self._waiting:
            return 0
        waiting, self._waiting = self._waiting, []
        if len(waiting) == 1 and self._send_run(waiting[0]):
            return 0
        return self._send_each(waiting, stream)

    def _send_run(self, said: _Said) -> bool:
        """Send blocks that the line takes as fast as they come, with nothing in between."""
        striker, line, bodies = self._striker, self._striker.line_out, said.bodies
        frame_s = _FRAME_BYTES[2 + len(bodies[0])] * BYTE_S  # they are equally long
        keeps_up = self._free_s <= said.ready_s and frame_s <= said.apart_s
        strikes = line.spoil or striker.waits_for_frames_out
        if said.kind != SAMPLES_ID or not keeps_up or strikes or len(bodies) > PAYLOADS_MOST:
            return False
        heads = _HEADS[self._sequence : self._sequence + len(bodies)]
        frames = encode_frames([head + body for head, body in zip(heads, bodies, strict=True)])
        self._sequence = (self._sequence + len(bodies)) & 0xFF
        last_s = said.ready_s + (len(bodies) - 1) * said.apart_s
        self._free_s = last_s + frame_s
        line.frames += len(frames)
        line.queue([(last_s, b"".join(frames))])
        return True

    def _send_each(self, waiting: list[_Said], stream: int) -> int:
        sequence, free, dropped = self._sequence, self._free_s, 0
        payloads, readies = [], []
        for ready, _, kind, body in sorted(
            (said.ready_s + place * said.apart_s, said.order + place, said.kind, body)
            for said in waiting
            for place, body in enumerate(said.bodies)
        ):
            if free <= ready:
                free = ready
            elif kind == SAMPLES_ID and free - ready > TX_ROOM_S:
                dropped += body[0] == stream
                sequence += 1
                continue
            payload = bytes((kind, sequence & 0xFF)) + body
            sequence += 1
            free += _FRAME_BYTES[len(payload)] * BYTE_S
            payloads.append(payload)
            readies.append(ready)
        self._sequence, self._free_s = sequence & 0xFF, free
        self._put_out(encode_frames(payloads), readies)
        return dropped

    def answer(self, frame: bytes, ready_s: float) -> None:
        """Send an answer; what waits was sent before it."""
        self._free_s = max(self._free_s, ready_s) + len(frame) * BYTE_S
        self._put_out([frame], [ready_s])

    def _put_out(self, frames: list[bytes], readies: list[float]) -> None:
        striker, line = self._striker, self._striker.line_out
        if not (line.spoil or striker.waits_for_frames_out):
            line.frames += len(frames)
            line.queue(zip(readies, frames, strict=True))
            return
        for frame, ready in zip(frames, readies, strict=True):
            striker.frame_out(line.frames + 1)
            line.queue(line.frame(frame, ready))
