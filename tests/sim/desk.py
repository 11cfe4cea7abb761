"""A host for rig-level tests: asks by hand, in true time that the test moves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from benchrig.wire.messages import (
    Accepted,
    CloseFeed,
    Edge,
    Heartbeat,
    Hello,
    Message,
    OutputInfo,
    Refused,
    Samples,
    ScheduleBegin,
    ScheduleCommit,
    ScheduleStep,
    Start,
    Status,
    Stream,
    from_payload,
)
from benchrig.wire.packing import unpack_codes
from benchrig.wire.schedule import Schedule
from benchrig.wire.session import Answered, HostSession, SamplesRun, Unasked
from benchrig_sim.rig import SimRig
from benchrig_sim.scenario import open_scenario

M = TypeVar("M", bound=Message)


class Desk:
    """Talks to a simulated rig without any loop."""

    def __init__(self, spec: str | SimRig = "linear") -> None:
        self.rig = SimRig(open_scenario(spec).rig) if isinstance(spec, str) else spec
        self.session = HostSession()
        self.t = self.rig.now_s
        self.unasked: list[Message] = []
        self.missed = 0
        self.ask(Hello(protocol_major=1, protocol_minor=0))

    def ask(self, request: Message) -> Message:
        """The answer, which must come at once."""
        answer = self.try_ask(request)
        assert answer is not None, f"no answer to {request}"
        return answer

    def try_ask(self, request: Message) -> Message | None:
        self.session.abandon()
        return self._hear(self.session.ask(request))

    def _hear(self, data: bytes) -> Message | None:
        if data:
            self.rig.on_bytes(data, self.t)
        answer: Message | None = None
        for item in self.session.receive(self.rig.advance(self.t)):
            if isinstance(item, Answered):
                answer = item.answer
            elif isinstance(item, Unasked):
                self.unasked.append(item.message)
                self.missed += item.missed
            elif isinstance(item, SamplesRun):
                self.unasked += [from_payload(payload)[0] for payload in item.frames.payloads()]
        return answer

    def accepted(self, request: Message) -> Accepted:
        answer = self.ask(request)
        assert isinstance(answer, Accepted), answer
        return answer

    def refused(self, request: Message) -> Refused:
        answer = self.ask(request)
        assert isinstance(answer, Refused), answer
        return answer

    def status(self, *, beat: bool = False) -> Status:
        from benchrig.wire.messages import ReadStatus

        answer = self.ask(Heartbeat() if beat else ReadStatus())
        assert isinstance(answer, Status)
        return answer

    def wait(self, seconds: float, *, beat: bool = True, step: float = 0.1) -> None:
        """Let true time pass, with heartbeats or in silence."""
        until = self.t + seconds
        while self.t < until - 1e-12:
            self.t = min(until, self.t + step)
            if beat:
                self.try_ask(Heartbeat())
            else:
                self._hear(b"")

    def heard(self, kind: type[M]) -> list[M]:
        return [m for m in self.unasked if isinstance(m, kind)]

    def output(self, output: int) -> OutputInfo:
        return self.rig.outputs[output]

    def load(
        self, steps: Sequence[tuple[int, int]], repeats: int = 1, schedule_id: int = 1
    ) -> Message:
        """Load (mask, µs) steps; the answer to the commit."""
        made = tuple(
            ScheduleStep(
                schedule_id=schedule_id,
                step=n,
                outputs_mask=mask,
                duration_us=duration,
                change_us=0,
            )
            for n, (mask, duration) in enumerate(steps)
        )
        schedule = Schedule(schedule_id=schedule_id, steps=made, repeat_count=repeats)
        self.accepted(
            ScheduleBegin(schedule_id=schedule_id, step_count=len(made), repeat_count=repeats)
        )
        for step in made:
            self.accepted(step)
        return self.ask(ScheduleCommit(schedule_id=schedule_id, steps_crc=schedule.steps_crc))

    def run(self, steps: Sequence[tuple[int, int]], repeats: int = 1) -> Accepted:
        """Heartbeat, feed, schedule, start."""
        self.status(beat=True)
        self.accepted(CloseFeed())
        assert isinstance(self.load(steps, repeats), Accepted)
        return self.accepted(Start(schedule_id=1))

    def stream(self, *inputs: int, period_us: int = 100) -> None:
        mask = sum(1 << n for n in inputs)
        self.ask(Stream(inputs_mask=mask, scan_period_us=period_us))

    def codes(self, bits: int = 10) -> list[tuple[int, int]]:
        """(tick of the block, code) of every code heard, in order."""
        return [
            (block.tick, code)
            for block in self.heard(Samples)
            for code in unpack_codes(block.packed, block.count, bits)
        ]

    def masks(self) -> list[int]:
        return [edge.outputs_mask for edge in self.heard(Edge)]
