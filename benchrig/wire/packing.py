"""Codes of a sample block, packed least significant bit first with nothing between them.

Plain Python on purpose: it serves the small ends (a simulated rig, tests, a document). The
host unpacks whole blocks with numpy in rig/.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchrig.wire.messages import PAYLOAD_BYTES_MAX, MessageError

SAMPLES_HEAD_BYTES = 10  # id, sequence, stream, block, tick, count
PACKED_BYTES_MAX = PAYLOAD_BYTES_MAX - SAMPLES_HEAD_BYTES
CODES_MAX = 255  # ``count`` is a u8


def packed_bytes(count: int, code_bits: int) -> int:
    """Bytes that ``count`` codes take."""
    return (count * code_bits + 7) // 8


def codes_per_block(code_bits: int, inputs: int) -> int:
    """The most codes a block can hold: whole scans only."""
    return min(CODES_MAX, PACKED_BYTES_MAX * 8 // code_bits) // inputs * inputs


def pack_codes(codes: Sequence[int], code_bits: int) -> bytes:
    """Pack codes; raises MessageError when one does not fit in ``code_bits``."""
    packed = 0
    for place, code in enumerate(codes):
        if not 0 <= code < 1 << code_bits:
            raise MessageError(f"code {code} does not fit in {code_bits} bits")
        packed |= code << (place * code_bits)
    return packed.to_bytes(packed_bytes(len(codes), code_bits), "little")


def unpack_codes(packed: bytes, count: int, code_bits: int) -> list[int]:
    """The codes of a block; raises MessageError on a wrong length or a set padding bit."""
    if len(packed) != packed_bytes(count, code_bits):
        raise MessageError(
            f"{count} codes of {code_bits} bits take {packed_bytes(count, code_bits)} bytes, "
            f"not {len(packed)}"
        )
    bits = int.from_bytes(packed, "little")
    if bits >> (count * code_bits):
        raise MessageError("a bit after the last code is set")
    mask = (1 << code_bits) - 1
    return [(bits >> (place * code_bits)) & mask for place in range(count)]
