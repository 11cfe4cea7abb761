"""What sample blocks cost on the line; the link budget of firmware_protocol.md is this table."""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.wire.frames import frame_bytes_max
from benchrig.wire.packing import SAMPLES_HEAD_BYTES, codes_per_block, packed_bytes

BITS_PER_BYTE = 10  # 8N1: start, eight, stop
CODE_BITS = (8, 10, 12, 15)


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Full blocks of codes of one width."""

    code_bits: int
    codes: int  # in a full block
    frame_bytes: int  # the longest that frame can be
    baud_at_40_ks: int  # line rate that 40,000 codes a second fill
    codes_per_s_at_1_mbaud: int
    codes_per_s_at_500_kbaud: int


def budget(code_bits: int, inputs: int = 1) -> Budget:
    """The budget for full blocks of this width."""
    codes = codes_per_block(code_bits, inputs)
    frame_bytes = frame_bytes_max(SAMPLES_HEAD_BYTES + packed_bytes(codes, code_bits))
    bits_per_code = frame_bytes * BITS_PER_BYTE / codes
    return Budget(
        code_bits=code_bits,
        codes=codes,
        frame_bytes=frame_bytes,
        baud_at_40_ks=round(40_000 * bits_per_code),
        codes_per_s_at_1_mbaud=int(1_000_000 / bits_per_code),
        codes_per_s_at_500_kbaud=int(500_000 / bits_per_code),
    )


def table() -> str:
    """The budget as the table of the document."""
    lines = [
        "| code_bits | codes in a full block | frame bytes | baud filled by 40,000 codes/s "
        "| codes/s at 1 Mbaud | codes/s at 500 kbaud |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for line in map(budget, CODE_BITS):
        lines.append(
            f"| {line.code_bits} | {line.codes} | {line.frame_bytes} | {line.baud_at_40_ks:,} "
            f"| {line.codes_per_s_at_1_mbaud:,} | {line.codes_per_s_at_500_kbaud:,} |"
        )
    return "\n".join(lines)
