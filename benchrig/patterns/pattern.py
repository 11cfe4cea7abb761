"""On/off patterns that cannot be wrong by construction.

A pattern is steps, repeated a bounded number of times. It ends all off; each on-time is above
zero and bounded; "for ever" cannot be written. Whether a certain part, output or feed can take
it is asked in patterns/fit.py.
"""

from __future__ import annotations

from dataclasses import dataclass

ON_S_MAX = 60.0  # no on-time of any pattern is longer, whatever a part may bear
REPEATS_MAX = 65_535


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """On or off for a time; ``change_us`` is added to the duration at each repeat."""

    on: bool
    duration_us: int
    change_us: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """A named schedule for one output. Steps alternate on and off and end off."""

    name: str
    title: str
    steps: tuple[Step, ...]
    repeats: int
    source: str = ""
    wiggle: bool = False  # the person moves the connector and leads while it runs
    file: str = ""
    digest: str = ""

    def __post_init__(self) -> None:
        if not 1 <= self.repeats <= REPEATS_MAX:
            raise ValueError(f"repeats must be 1 to {REPEATS_MAX}, not {self.repeats}")
        if not self.steps or not self.steps[0].on or self.steps[-1].on:
            raise ValueError("a pattern begins on and ends off")
        for number, step in enumerate(self.steps, 1):
            if number > 1 and step.on == self.steps[number - 2].on:
                raise ValueError(f"step {number}: on and off steps must alternate")
            first, last = step.duration_us, step.duration_us + step.change_us * (self.repeats - 1)
            if min(first, last) <= 0:
                raise ValueError(f"step {number}: a duration must stay above zero")
            if step.on and max(first, last) > ON_S_MAX * 1e6:
                raise ValueError(f"step {number}: on for more than {ON_S_MAX:g} s")

    @property
    def duration_s(self) -> float:
        """Length of the whole pattern."""
        return 1e-6 * sum(self._step_total_us(step) for step in self.steps)

    @property
    def on_total_s(self) -> float:
        """Sum of all on-times."""
        return 1e-6 * sum(self._step_total_us(step) for step in self.steps if step.on)

    @property
    def duty(self) -> float:
        """Mean on-share over the whole pattern, 0..1."""
        return self.on_total_s / self.duration_s

    @property
    def cycles(self) -> int:
        """Number of on-times."""
        return self.repeats * sum(step.on for step in self.steps)

    def _step_total_us(self, step: Step) -> int:
        n = self.repeats
        return n * step.duration_us + step.change_us * n * (n - 1) // 2
