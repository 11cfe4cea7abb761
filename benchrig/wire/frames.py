"""Bytes to checked payloads and back: COBS, a CRC-16, and 0x00 between frames.

``FrameDecoder`` takes whatever a line delivers and never raises: what is not a frame is
counted and dropped, and the next 0x00 is a fresh start.
"""

from __future__ import annotations

from cobs import cobs
from fastcrc.crc16 import ibm_3740

from benchrig.wire.messages import PAYLOAD_BYTES_MAX

DELIMITER = b"\x00"
CRC_BYTES = 2
PAYLOAD_BYTES_MIN = 2  # id and sequence


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740: polynomial 0x1021, init 0xFFFF, not reflected, no final xor."""
    return ibm_3740(data)


def frame_bytes_max(payload_bytes: int) -> int:
    """The longest frame of a payload of this length, with its delimiter."""
    checked = payload_bytes + CRC_BYTES
    return checked + max(1, -(-checked // 254)) + len(DELIMITER)


def encode_frame(payload: bytes) -> bytes:
    """The frame that carries this payload, with its delimiter."""
    if not PAYLOAD_BYTES_MIN <= len(payload) <= PAYLOAD_BYTES_MAX:
        raise ValueError(
            f"a payload has {PAYLOAD_BYTES_MIN} to {PAYLOAD_BYTES_MAX} bytes, not {len(payload)}"
        )
    checked = payload + crc16(payload).to_bytes(CRC_BYTES, "little")
    return bytes(cobs.encode(checked)) + DELIMITER


class FrameDecoder:
    """Cuts a stream of bytes into checked payloads; holds at most one partial frame.

    ``frames_bad`` counts what stood between two delimiters and was no frame; ``noise_bytes``
    counts the bytes thrown away with it. A partial frame that has outgrown the longest legal
    one is given up at once and the rest of it skipped, up to the next delimiter.
    """

    def __init__(self, payload_bytes_max: int = PAYLOAD_BYTES_MAX) -> None:
        self._payload_bytes_max = payload_bytes_max
        self._encoded_bytes_max = frame_bytes_max(payload_bytes_max) - len(DELIMITER)
        self._partial = b""
        self._skipping = False
        self.frames_bad = 0
        self.noise_bytes = 0

    @property
    def partial_bytes(self) -> int:
        """Bytes held of a frame that has not ended yet."""
        return len(self._partial)

    def feed(self, data: bytes) -> list[bytes]:
        """The payloads that these bytes complete, in order."""
        pieces = (self._partial + data).split(DELIMITER)
        self._partial = pieces.pop()
        payloads = []
        for piece in pieces:
            if self._skipping:
                self._skipping = False
                self.noise_bytes += len(piece)
            elif piece:
                payload = self._payload_of(piece)
                if payload is None:
                    self.frames_bad += 1
                    self.noise_bytes += len(piece)
                else:
                    payloads.append(payload)
        self._bound_partial()
        return payloads

    def _payload_of(self, piece: bytes) -> bytes | None:
        if len(piece) > self._encoded_bytes_max:
            return None
        try:
            checked = cobs.decode(piece)
        except cobs.DecodeError:
            return None
        payload = bytes(checked[:-CRC_BYTES])
        if not PAYLOAD_BYTES_MIN <= len(payload) <= self._payload_bytes_max:
            return None
        if crc16(payload) != int.from_bytes(checked[-CRC_BYTES:], "little"):
            return None
        return payload

    def _bound_partial(self) -> None:
        if self._skipping or len(self._partial) > self._encoded_bytes_max:
            if not self._skipping:
                self.frames_bad += 1
                self._skipping = True
            self.noise_bytes += len(self._partial)
            self._partial = b""
