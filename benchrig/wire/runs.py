"""Frames of one length that stand side by side, checked in one stroke: what a stream looks like.

Stuffing keeps the length of a frame this short and turns each of its zeros into a byte that says
where the next one is. So frames may be unstuffed together, once the delimiters between them are
left out: the byte that each frame begins with then says "zero" in front of its payload, and
where one does not, the frame before it did not end where it should. Nothing is taken that
``FrameDecoder`` would not take: a run with anything amiss in it is left to that one.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from cobs import cobs
from fastcrc.crc16 import ibm_3740

from benchrig.wire.frames import CRC_BYTES, DELIMITER, PAYLOAD_BYTES_MIN, FrameDecoder

RUN_LEAST = 2
RUN_MOST = 1024
_LENGTH_MAX = 254  # above it stuffing may add a second byte
_EXTRA_BYTES = 1 + CRC_BYTES + len(DELIMITER)  # of a frame, beside its payload


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameRun:
    """Checked payloads of one size: the first begins ``data``, and one each ``stride``."""

    data: bytes
    size: int
    stride: int
    count: int

    def column(self, place: int) -> bytes:
        """The byte at one place of each payload."""
        return self.data[place :: self.stride]

    def payloads(self) -> list[bytes]:
        """Each by itself."""
        size, stride = self.size, self.stride
        return [self.data[at : at + size] for at in range(0, self.count * stride, stride)]


class RunDecoder(FrameDecoder):
    """A ``FrameDecoder`` that keeps frames of one length together."""

    def feed_runs(self, data: bytes) -> list[bytes | FrameRun]:
        """The payloads that these bytes complete, in order, as runs where they are alike."""
        found: list[bytes | FrameRun] = []
        at = 0
        if not self._skipping:
            data, self._partial = self._partial + data, b""
            while (end := data.find(DELIMITER, at)) >= 0:
                length = end + 1 - at
                count = _alike(data, at, length)
                frames = data[at : at + count * length]
                run = self._run(frames, length, count) if count >= RUN_LEAST else None
                if run is None:
                    found += self.feed(frames)
                else:
                    found.append(run)
                at += count * length
        if at < len(data):
            found += self.feed(data[at:])
        return found

    def _run(self, frames: bytes, length: int, count: int) -> FrameRun | None:
        """These frames as one run; None where not all of them check out."""
        size, stride = length - _EXTRA_BYTES, length - len(DELIMITER)
        if not PAYLOAD_BYTES_MIN <= size <= self._payload_max or length > _LENGTH_MAX:
            return None
        try:
            data = cobs.decode(frames.replace(DELIMITER, b""))
        except cobs.DecodeError:
            return None
        # What stands between two payloads is the zero that the second one's first byte stood for.
        between = data[stride - 1 :: stride]
        if len(data) != count * stride - 1 or between != DELIMITER * (count - 1):
            return None
        checks = [ibm_3740(data[at : at + size]) for at in range(0, len(data), stride)]
        wanted = struct.pack(f"<{count}H", *checks)
        if data[size::stride] != wanted[::2] or data[size + 1 :: stride] != wanted[1::2]:
            return None
        return FrameRun(data=data, size=size, stride=stride, count=count)


def _alike(data: bytes, at: int, length: int) -> int:
    """How many frames from here on end where they would if all were of the first one's length."""
    ends = data[at + length - 1 : at + length * RUN_MOST : length]
    return len(ends) - len(ends.lstrip(DELIMITER))
