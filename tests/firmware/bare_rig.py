"""The emulated firmware without an event loop: ask, run, look at its pins."""

from __future__ import annotations

from itertools import pairwise
from typing import TypeVar

from avr.emulator import CHANNELS, HZ, Emulator, PinEdge
from avr.plant import millivolts_for
from benchrig.wire.frames import DELIMITER, FrameDecoder, encode_frame
from benchrig.wire.messages import (
    UNASKED,
    Accepted,
    CloseFeed,
    Edge,
    EdgeCause,
    Heartbeat,
    Hello,
    Identity,
    Message,
    Refused,
    Samples,
    ScheduleBegin,
    ScheduleCommit,
    ScheduleStep,
    Start,
    Status,
    Stream,
    from_payload,
    to_payload,
)
from benchrig.wire.schedule import Schedule

TICK_CYCLES = 8
BEAT_S = 0.1
FOR_EVER = (1 << 64) - 1
SETTLE_S = 0.035
_M = TypeVar("_M", bound=Message)


def schedule(*steps: tuple[int, int, int], repeats: int = 1, schedule_id: int = 7) -> Schedule:
    """Steps as (outputs mask, µs, change in µs)."""
    return Schedule(
        schedule_id=schedule_id,
        steps=tuple(
            ScheduleStep(
                schedule_id=schedule_id,
                step=n,
                outputs_mask=mask,
                duration_us=duration_us,
                change_us=change_us,
            )
            for n, (mask, duration_us, change_us) in enumerate(steps)
        ),
        repeat_count=repeats,
    )


class BareRig:
    """One emulated rig with constant levels on its inputs."""

    def __init__(self, codes: dict[int, int] | None = None, *, held: bool = False) -> None:
        self.codes = codes or {}
        self._held = held  # the levels never change: no conversion asks for one
        self.conversions: list[tuple[int, int]] | None = None
        self.emulator = Emulator(on_adc=self._on_adc, on_pins=self._on_pins)
        self.decoder = FrameDecoder()
        self.heard: list[Message] = []
        self.unasked_numbers: list[int] = []
        self.answers: list[tuple[int, Message]] = []
        self._sequence = 0
        self._beat_cycle: int | None = None
        self.emulator.run_s(0.02)
        self.emulator.write(DELIMITER)

    def _on_adc(self, cycle: int, channel: int) -> int:
        if self.conversions is not None:
            self.conversions.append((cycle, channel))
        return millivolts_for(self.codes.get(channel, 16))

    def _on_pins(self, cycle: int, outputs: int, feed: bool) -> None:
        del cycle, outputs
        self.emulator.set_auxiliary(feed)
        if self._held:
            codes = [float(self.codes.get(channel, 16)) for channel in range(CHANNELS)]
            self.emulator.hold(codes, [0.0] * CHANNELS, FOR_EVER)

    # --- time ---

    def run_s(self, seconds: float, *, beating: bool = False) -> None:
        """Let time pass and listen; ``beating`` sends heartbeats meanwhile."""
        end = self.emulator.cycle + round(seconds * HZ)
        while self.emulator.cycle < end:
            if beating and self._beat_is_due():
                self.send(Heartbeat())
            self.emulator.run_to(min(end, self.emulator.cycle + HZ // 100))
            self._listen()

    def _beat_is_due(self) -> bool:
        last = self._beat_cycle
        return last is None or self.emulator.cycle - last >= BEAT_S * HZ

    def _listen(self) -> None:
        for payload in self.decoder.feed(self.emulator.read()):
            message, sequence = from_payload(payload)
            self.heard.append(message)
            if isinstance(message, UNASKED):
                self.unasked_numbers.append(sequence)
            else:
                self.answers.append((sequence, message))

    # --- talk ---

    def send(self, request: Message) -> None:
        """Put a request on the line."""
        if isinstance(request, Heartbeat):
            self._beat_cycle = self.emulator.cycle
        self.emulator.write(encode_frame(to_payload(request, self._sequence)))
        self._sequence = (self._sequence + 1) & 0xFF

    def ask(self, request: Message) -> Message:
        """The answer to a request; a rig must begin it within 20 ms."""
        already, sequence = len(self.answers), self._sequence
        self.send(request)
        for _ in range(22):
            self.emulator.run_s(0.001)
            self._listen()
            for answered, message in self.answers[already:]:
                if answered == sequence:
                    return message
        raise AssertionError(f"{type(request).__name__} was not answered")

    def do(self, request: Message) -> Accepted:
        """Ask, and be accepted."""
        answer = self.ask(request)
        assert isinstance(answer, Accepted), answer
        return answer

    def status(self) -> Status:
        """By Heartbeat."""
        answer = self.ask(Heartbeat())
        assert isinstance(answer, Status)
        return answer

    def identity(self) -> Identity:
        """By Hello."""
        answer = self.ask(Hello(protocol_major=1, protocol_minor=0))
        assert isinstance(answer, Identity)
        return answer

    def load(self, plan: Schedule) -> None:
        """Load and commit."""
        self.do(
            ScheduleBegin(
                schedule_id=plan.schedule_id,
                step_count=len(plan.steps),
                repeat_count=plan.repeat_count,
            )
        )
        for step in plan.steps:
            self.do(step)
        self.do(ScheduleCommit(schedule_id=plan.schedule_id, steps_crc=plan.steps_crc))

    def close_feed(self) -> None:
        """Close the feed and let it settle."""
        self.status()
        self.do(CloseFeed())
        self.run_s(SETTLE_S)

    def start(self, plan: Schedule, stream: Stream | None = None) -> Accepted:
        """Load, close the feed, stream if asked, start."""
        self.load(plan)
        self.close_feed()
        if stream is not None:
            assert not isinstance(self.ask(stream), Refused)
        self.emulator.take_edges()
        self.status()
        return self.do(Start(schedule_id=plan.schedule_id))

    def begin_anew(self) -> None:
        """What a host does that has lost the rig: forget what was half said, and flush."""
        self.emulator.run_s(0.02)
        self.emulator.read()
        self.decoder = FrameDecoder()
        self.emulator.write(DELIMITER)

    # --- what was heard ---

    def of(self, kind: type[_M]) -> list[_M]:
        """All messages of a kind that were heard."""
        return [m for m in self.heard if isinstance(m, kind)]

    def schedule_edges(self) -> list[Edge]:
        """Edges of the schedule that were told."""
        return [e for e in self.of(Edge) if e.cause is EdgeCause.SCHEDULE]

    def blocks_lost(self) -> int:
        """Blocks missing in the numbering of what was heard."""
        numbers = [block.block for block in self.of(Samples)]
        return sum((b - a - 1) & 0xFFFF for a, b in pairwise(numbers))

    def close(self) -> None:
        """Free the emulator."""
        self.emulator.close()


def widths(edges: list[PinEdge], output: int) -> list[int]:
    """Cycles of each on-time of an output, by its pin."""
    found = []
    since: int | None = None
    for edge in edges:
        on = bool(edge.outputs >> output & 1)
        if on and since is None:
            since = edge.cycle
        elif not on and since is not None:
            found.append(edge.cycle - since)
            since = None
    return found
