"""A running stream: conversions at their times, gathered into numbered blocks."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import ceil

from .codec import pack_codes
from .config import RigConfig
from .inputs import Sampler
from .physics import Segment

PACKED_MOST = 238
CODES_MOST = 255


@dataclass
class Stream:
    """One accepted Stream and what it has captured so far."""

    number: int
    inputs: list[int]
    code_bits: int
    period_ticks: int
    begin_tick: int
    begin_s: float
    tick_s: float
    scans_most: int
    conversions: int = 0
    codes: list[int] = field(default_factory=list)
    first_scan: int = 0
    blocks: int = 0
    every_s: float = field(init=False)
    dropped: int = 0

    def __post_init__(self) -> None:
        """Work out the time from one conversion to the next."""
        self.every_s = self.period_ticks * self.tick_s / len(self.inputs)

    @property
    def width(self) -> int:
        """Return the number of inputs of a scan."""
        return len(self.inputs)

    def capture(self, segment: Segment, sampler: Sampler) -> None:
        """Take the conversions that fall into a segment."""
        width = len(self.inputs)
        every_s = self.every_s
        begin, until = self.conversions, ceil((segment.end_s - self.begin_s) / every_s - 1e-7)
        if until <= begin:
            return
        taken = [0] * (until - begin)
        for place, number in enumerate(self.inputs):
            first = begin + (place - begin) % width
            if first < until:
                channel = sampler.channels[number]
                count = (until - first + width - 1) // width
                at_s = self.begin_s + first * every_s
                taken[first - begin :: width] = sampler.codes(
                    channel, segment, at_s, every_s * width, count
                )
        self.codes += taken
        self.conversions = until

    def ready_tick(self) -> int:
        """Return when the block being gathered is full."""
        last = (self.first_scan + self.scans_most) * self.width - 1
        return self.begin_tick + last * self.period_ticks // self.width + 2

    def full(self) -> bool:
        """Return whether there is a whole block."""
        return len(self.codes) >= self.scans_most * self.width

    def cut(self) -> tuple[int, int, list[int]] | None:
        """Return block number, tick and codes of the next block, or None when there is none."""
        scans = min(self.scans_most, len(self.codes) // self.width)
        if not scans:
            return None
        size = scans * self.width
        codes, self.codes = self.codes[:size], self.codes[size:]
        tick = self.begin_tick + self.first_scan * self.period_ticks
        number = self.blocks
        self.first_scan += scans
        self.blocks = (self.blocks + 1) & 0xFFFF
        return number, tick, codes

    def packed(self, codes: list[int]) -> bytes:
        """Return codes as they go on the line."""
        return pack_codes(codes, self.code_bits)


def scans_in_block(config: RigConfig, width: int, bits: int, period_us: int) -> int:
    """Return how many scans a block holds: what fits, and no more than its time allows."""
    fitting = min(CODES_MOST, PACKED_MOST * 8 // bits) // width
    in_time = config.block_span_us // period_us
    return max(1, min(fitting, in_time, config.block_scans_max))
