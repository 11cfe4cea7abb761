"""A tiny host, sans-IO, for the self-tests only: it asks, it collects, it judges nothing."""

from __future__ import annotations

from .codec import (
    HOST_READS_BYTES,
    LAYOUTS,
    Fields,
    FrameReader,
    Value,
    crc16,
    message,
    understand,
    unpack_codes,
)
from .rig import StrangerRig

Heard = tuple[str, int, Fields]


class Client:
    """Drives a rig on a virtual clock."""

    def __init__(self, rig: StrangerRig, now_us: int = 0) -> None:
        """Begin to talk at a time of the world's clock."""
        self.rig = rig
        self.now_us = now_us
        self.sequence = -1
        self.reader = FrameReader(HOST_READS_BYTES)
        self.heard: list[Heard] = []
        self.times_us: list[int] = []
        self.nonsense = 0
        self.beat_every_us: int | None = None
        self._beat_due = 0

    def take(self, data: bytes) -> list[Heard]:
        """Read bytes from the rig; return what was understood of them."""
        fresh: list[Heard] = []
        for payload in self.reader.feed(data):
            told = understand(payload[:-2])
            if told is None:
                self.nonsense += 1
            else:
                fresh.append(told)
        self.heard += fresh
        self.times_us += [self.now_us] * len(fresh)
        return fresh

    def ask(self, name: str, **fields: Value) -> Heard:
        """Send a request and return its answer."""
        self.sequence = (self.sequence + 1) & 0xFF
        fresh = self.take(self.rig.receive(message(name, self.sequence, fields), self.now_us))
        for told in fresh:
            if 0x80 <= LAYOUTS[told[0]].ident < 0xC0:
                return told
        raise AssertionError(f"no answer to {name}")

    def expect(self, answer: str, name: str, **fields: Value) -> dict[str, int]:
        """Send a request and return the fields of the answer, which must be of this kind."""
        told = self.ask(name, **fields)
        assert told[0] == answer and told[1] == self.sequence, (name, told)
        return {key: value for key, value in told[2].items() if isinstance(value, int)}

    def wait(self, span_us: int) -> None:
        """Let time pass, hearing what the rig says, with heartbeats when they are on."""
        until = self.now_us + span_us
        while self.now_us < until:
            due = self.rig.next_due_us()
            step = min(until, max(self.now_us + 1, until if due is None else due))
            if self.beat_every_us is not None:
                step = min(step, max(self.now_us, self._beat_due))
            self.now_us = step
            self.take(self.rig.advance(step))
            if self.beat_every_us is not None and self.now_us >= self._beat_due:
                self._beat_due = self.now_us + self.beat_every_us
                self.ask("Heartbeat")

    def load(self, ident: int, steps: list[tuple[int, int, int]], repeats: int) -> Heard:
        """Load and commit a schedule of (mask, duration, change); return the last answer."""
        told = self.ask(
            "ScheduleBegin", schedule_id=ident, step_count=len(steps), repeat_count=repeats
        )
        bodies = b""
        for place, (mask, duration_us, change_us) in enumerate(steps):
            fields: Fields = {
                "schedule_id": ident,
                "step": place,
                "outputs_mask": mask,
                "duration_us": duration_us,
                "change_us": change_us,
            }
            bodies += LAYOUTS["ScheduleStep"].pack(fields)
            told = self.ask("ScheduleStep", **fields)
            if told[0] == "Refused":
                return told
        return self.ask("ScheduleCommit", schedule_id=ident, steps_crc=crc16(bodies))

    def all(self, name: str) -> list[dict[str, int]]:
        """Return the fields of everything heard of one kind."""
        return [
            {k: v for k, v in fields.items() if isinstance(v, int)}
            for kind, _, fields in self.heard
            if kind == name
        ]

    def codes(self, width: int, bits: int) -> list[list[int]]:
        """Return the codes heard, one list for each input of the scan."""
        series: list[list[int]] = [[] for _ in range(width)]
        for kind, _, fields in self.heard:
            packed, count = fields.get("packed"), fields.get("count")
            if kind == "Samples" and isinstance(packed, bytes) and isinstance(count, int):
                codes = unpack_codes(packed, bits, count)
                assert codes is not None and count % width == 0
                for place in range(width):
                    series[place] += codes[place::width]
        return series
