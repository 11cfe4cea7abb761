"""What the rig says by itself, until it is numbered, framed and on the line; answers too."""

from __future__ import annotations

from benchrig.wire.frames import encode_frames, frame_bytes_max
from benchrig.wire.messages import PAYLOAD_BYTES_MAX, Samples
from benchrig_sim.strike import Striker

BYTE_S = 10e-6  # 1 Mbaud, 8N1
TX_ROOM_S = 0.02  # what the rig's send buffer holds
SAMPLES_ID = Samples.ID
# No payload is so long that its frame's length depends on what is in it.
_FRAME_BYTES = [frame_bytes_max(length) for length in range(PAYLOAD_BYTES_MAX + 1)]


class Outbox:
    """Puts frames on a line that takes its time for each byte."""

    def __init__(self, striker: Striker) -> None:
        self._striker = striker
        self._free_s = 0.0  # when the line has nothing more to send
        self._sequence = 0
        self._order = 0
        self._waiting: list[tuple[float, int, int, bytes]] = []  # ready, order, id, body

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
        self._waiting.append((ready_s, self._order, kind, body))

    def say_blocks(self, ready_s: float, apart_s: float, bodies: list[bytes]) -> None:
        """Keep blocks of samples, the first ready at a time and each one so much later."""
        order = self._order + 1
        self._waiting += [
            (ready_s + place * apart_s, order + place, SAMPLES_ID, body)
            for place, body in enumerate(bodies)
        ]
        self._order += len(bodies)

    def send_all(self, stream: int) -> int:
        """Number what waits in the order it became ready, and send it; blocks that found no room.

        Only those of this stream are counted.
        """
        if not self._waiting:
            return 0
        self._waiting.sort()
        sequence, free, byte_s, dropped = self._sequence, self._free_s, BYTE_S, 0
        payloads, readies = [], []
        for ready, _, kind, body in self._waiting:
            if free <= ready:
                free = ready
            elif kind == SAMPLES_ID and free - ready > TX_ROOM_S:
                dropped += body[0] == stream
                sequence += 1
                continue
            payload = bytes((kind, sequence & 0xFF)) + body
            sequence += 1
            free += _FRAME_BYTES[len(payload)] * byte_s
            payloads.append(payload)
            readies.append(ready)
        self._sequence, self._free_s = sequence & 0xFF, free
        self._waiting.clear()
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
