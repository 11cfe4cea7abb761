"""The rig's sampler: scans by the rig's clock, packed into numbered blocks."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from benchrig.wire.packing import codes_per_block, packed_bytes
from benchrig_sim.frontend import FrontEnd, Scans

AHEAD_S = 1.0  # the farthest that blocks are drawn ahead
CALM_S = 0.2  # before that, what is drawn ahead is mostly overtaken
BLOCK_AGE_S = 0.05  # a slow stream's blocks are sent part filled


def pack_rows(codes: NDArray[np.uint16], code_bits: int) -> NDArray[np.uint8]:
    """Each row of codes packed least significant bit first."""
    rows, count = codes.shape
    if code_bits % 2:
        bits = (codes[:, :, None] >> np.arange(code_bits, dtype=np.uint16)) & 1
        flat = np.packbits(bits.reshape(rows, -1).astype(np.uint8), axis=1, bitorder="little")
    else:
        flat = np.frombuffer(_pack_fours(codes, code_bits), np.uint8).reshape(rows, -1)
    return flat[:, : packed_bytes(count, code_bits)]


@lru_cache(maxsize=64)
def _body_type(packed: int) -> np.dtype[np.void]:
    """A block as it goes over the wire, past id and sequence."""
    return np.dtype(
        [
            ("stream", "u1"),
            ("block", "<u2"),
            ("tick", "<u4"),
            ("count", "u1"),
            ("codes", "u1", packed),
        ]
    )


def _pack_fours(codes: NDArray[np.uint16], code_bits: int) -> bytes:
    """Four codes of an even width are moved together within a 64-bit number: pairs, then both."""
    rows, count = codes.shape
    fours = np.zeros((rows, -(-count // 4) * 4), dtype="<u2")
    fours[:, :count] = codes
    (near, other, one), (far, high, low) = _together(code_bits)
    four = fours.view("<u8")
    upper = four >> near
    upper &= other
    four &= one
    four |= upper
    np.right_shift(four, far, out=upper)
    upper &= high
    four &= low
    four |= upper
    low_bytes = np.ndarray(four.size, f"V{code_bits // 2}", four, strides=(four.itemsize,))
    return low_bytes.tobytes()


@lru_cache(maxsize=16)
def _together(code_bits: int) -> tuple[tuple[np.uint64, ...], tuple[np.uint64, ...]]:
    """How far one code and then two move, with the masks of those that move and stay."""
    one, pair = (1 << code_bits) - 1, (1 << 2 * code_bits) - 1
    single = (16 - code_bits, (one | one << 32) << code_bits, one | one << 32)
    pairs = (32 - 2 * code_bits, pair << 2 * code_bits, pair)
    return tuple(map(np.uint64, single)), tuple(map(np.uint64, pairs))


@dataclass(slots=True, kw_only=True)
class Sampler:
    """One stream from its first conversion on."""

    number: int
    inputs: list[int]
    code_bits: int
    period_ticks: int
    conversion_ticks: int
    start_tick: int
    tick_s: float  # true seconds a tick
    boot_s: float  # true time of tick 0
    block: int = 0  # the next to hand out

    scans_per_block: int = field(init=False)
    _block_ticks: int = field(init=False)
    _drawn: list[bytes] = field(init=False, default_factory=list)  # from that one on
    _calm: int = field(init=False, default=0)  # blocks drawn since anything happened

    def __post_init__(self) -> None:
        """Whole scans a block: as many as fit and as are not too old."""
        most = codes_per_block(self.code_bits, len(self.inputs)) // len(self.inputs)
        young = int(BLOCK_AGE_S / (self.period_ticks * self.tick_s))
        self.scans_per_block = max(1, min(most, young))
        self._block_ticks = self.scans_per_block * self.period_ticks

    @property
    def block_s(self) -> float:
        """True length of a block."""
        return self._block_ticks * self.tick_s

    def ready_s(self, block: int) -> float:
        """True time at which a block's last conversion is done."""
        n = len(self.inputs)
        scans = (block + 1) * self.scans_per_block
        last = (scans - 1) * self.period_ticks + self.period_ticks * (n - 1) // n
        return self._true(self.start_tick + last + self.conversion_ticks)

    def _begins_s(self) -> float:
        """True time of the next block's first conversion."""
        return self._true(self.start_tick + self.block * self._block_ticks)

    def _true(self, tick: float) -> float:
        return self.boot_s + tick * self.tick_s

    def blocks_until(self, now_s: float, front: FrontEnd) -> tuple[float, list[bytes]]:
        """When the first is ready, and the bodies of all blocks captured up to a true time.

        Later ones are ready ``block_s`` apart.
        """
        ready = self.ready_s(self.block)
        if now_s < ready:
            return ready, []
        count = int((now_s - ready) / self.block_s) + 1
        if count > len(self._drawn):
            front.plant.forget(self._begins_s())
            front.plant.advance(now_s)
            self._draw(count - len(self._drawn), front)
        self.block += count
        bodies, self._drawn = self._drawn[:count], self._drawn[count:]
        return ready, bodies

    def rest_until(self, now_s: float, front: FrontEnd) -> list[bytes]:
        """The body of the last block of all: what whole scans there are since the last full one."""
        self.overtaken(front)
        front.plant.advance(now_s)
        scan_s = self.period_ticks * self.tick_s
        first_done = self.ready_s(self.block) - (self.scans_per_block - 1) * scan_s
        if now_s < first_done:
            return []
        scans = int((now_s - first_done) / scan_s) + 1
        return self._bodies(front.codes(self._scans(scans)), 1)

    def overtaken(self, front: FrontEnd) -> None:
        """Something happens now: what was drawn of later blocks is not what they will be."""
        front.give_back(len(self._drawn) * self.scans_per_block * len(self.inputs))
        self._drawn.clear()
        self._calm = 0

    def _draw(self, count: int, front: FrontEnd) -> None:
        """Draw so many blocks more; and ahead, for as long again as nothing has happened."""
        ahead = min(self._calm, int(AHEAD_S / self.block_s))
        if self._calm * self.block_s >= CALM_S:
            codes = front.codes_to_come(self._scans((count + ahead) * self.scans_per_block))
            if codes is not None:
                self._keep(codes, count + ahead)
                return
            self._calm = 0
        self._keep(front.codes(self._scans(count * self.scans_per_block)), count)

    def _keep(self, codes: NDArray[np.uint16], blocks: int) -> None:
        self._drawn += self._bodies(codes, blocks)
        self._calm += blocks

    def _scans(self, count: int) -> Scans:
        """So many scans from the next block to draw on."""
        first = self.start_tick + (self.block + len(self._drawn)) * self._block_ticks
        return Scans(
            inputs=self.inputs,
            begin_s=self._true(first),
            period_s=self.period_ticks * self.tick_s,
            count=count,
        )

    def _bodies(self, codes: NDArray[np.uint16], blocks: int) -> list[bytes]:
        """The next blocks to draw, with these codes."""
        packed = pack_rows(codes.reshape(blocks, -1), self.code_bits)
        numbers = np.arange(blocks) + (self.block + len(self._drawn))
        bodies = np.empty(blocks, _body_type(packed.shape[1]))
        bodies["stream"], bodies["count"] = self.number, codes.size // blocks
        bodies["block"] = numbers & 0xFFFF
        bodies["tick"] = (self.start_tick + numbers * self._block_ticks) & 0xFFFF_FFFF
        bodies["codes"] = packed
        data, size = bodies.tobytes(), bodies.itemsize
        return [data[begin : begin + size] for begin in range(0, len(data), size)]
