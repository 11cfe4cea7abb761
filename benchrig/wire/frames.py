"""Bytes to checked payloads and back: COBS, a CRC-16, and 0x00 between frames.

``FrameDecoder`` takes whatever a line delivers and never raises: what is not a frame is
counted and dropped, and the next 0x00 is a fresh start.
"""

from __future__ import annotations

from collections.abc import Sequence

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
    return encode_frames((payload,))[0]


def encode_frames(payloads: Sequence[bytes]) -> list[bytes]:
    """The frames that carry these payloads. One pass: a stream is nearly all that ever goes."""
    for length in set(map(len, payloads)):
        if not PAYLOAD_BYTES_MIN <= length <= PAYLOAD_BYTES_MAX:
            raise ValueError(
                f"a payload has {PAYLOAD_BYTES_MIN} to {PAYLOAD_BYTES_MAX} bytes, not {length}"
            )
    encode = cobs.encode
    return [
        encode(payload + ibm_3740(payload).to_bytes(CRC_BYTES, "little")) + DELIMITER
        for payload in payloads
    ]


class FrameDecoder:
    """Cuts a stream of bytes into checked payloads; holds at most one partial frame.

    ``frames_bad`` counts what stood between two delimiters and was no frame; ``noise_bytes``
    counts the bytes thrown away with it. A partial frame that has outgrown the longest legal
    one is given up at once and the rest of it skipped, up to the next delimiter.
    """

    def __init__(self, payload_bytes_max: int = PAYLOAD_BYTES_MAX) -> None:
        self._payload_max = payload_bytes_max
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
        if self._skipping and pieces:
            self._skipping = False
            self.noise_bytes += len(pieces.pop(0))
        payloads: list[bytes] = []
        decode, piece_max, payload_max = cobs.decode, self._encoded_bytes_max, self._payload_max
        for piece in pieces:
            if not piece:
                continue
            try:
                checked = decode(piece)
            except cobs.DecodeError:
                checked = b""
            payload = checked[:-CRC_BYTES]
            if (
                PAYLOAD_BYTES_MIN <= len(payload) <= payload_max
                and len(piece) <= piece_max
                and ibm_3740(payload) == checked[-2] | checked[-1] << 8
            ):
                payloads.append(payload)
            else:
                self.frames_bad += 1
                self.noise_bytes += len(piece)
        if self._skipping or len(self._partial) > piece_max:
            self._bound_partial()
        return payloads

    def _bound_partial(self) -> None:
        if not self._skipping:
            self.frames_bad += 1
            self._skipping = True
        self.noise_bytes += len(self._partial)
        self._partial = b""
