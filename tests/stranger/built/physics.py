"""The bench: supply, feed contactor, switches with clamps, catch diode, leads, coils, source.

Between two events each coil's current is an exact exponential, so nothing is stepped in small
time. Events are switchings, contacts, an armature's positions, the knee of the iron, and the
current's return to zero. Every voltage is then a straight-line function of the current.

Modelled: supply resistance, contact bounce of the feed, switch and shunt resistance, lead
resistance, copper temperature with self-heating, iron with two slopes, an armature whose pull-in
raises the inductance evenly over its travel and holds against the current meanwhile, avalanche
clamp, freewheel diode, catch diode from ground to the rail, a low-current source of finite
stiffness. Not modelled: the voltage of an armature that falls back, arcs, eddy currents,
hysteresis, remanence, lead inductance, capacitance, amplifier bandwidth, drift.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp, inf, log

COPPER_PER_K = 0.00393


@dataclass(frozen=True)
class Armature:
    """A part that moves when pulled: the inductance grows by `closed_ratio` on the way."""

    pull_a: float = 0.42
    hold_a: float = 0.0
    travel_s: float = 0.0003
    closed_ratio: float = 1.5


@dataclass(frozen=True)
class Part:
    """A coil on an output."""

    ohm_20: float = 14.2
    henry: float = 0.0125
    knee_a: float = inf
    saturated_henry: float = 0.004
    armature: Armature | None = None
    joule_per_k: float = 22.0
    k_per_watt: float = 9.0


def _default_parts() -> tuple[Part | None, ...]:
    return (
        Part(armature=Armature()),
        Part(ohm_20=2.35, henry=0.0021, knee_a=3.2, saturated_henry=0.0009),
        Part(ohm_20=27.5, henry=0.065),
        Part(ohm_20=5.6, henry=0.0088),
    )


@dataclass(frozen=True)
class BenchConfig:
    """The values of the bench."""

    supply_v: float = 13.6
    supply_ohm: float = 0.055
    feed_ohm: float = 0.012
    lead_ohm: float = 0.06
    switch_ohm: float = 0.028
    shunt_ohm: float = 0.05
    catch_v: float = 0.74
    catch_ohm: float = 0.02
    ambient_c: float = 21.7
    feed_close_s: float = 0.0085
    feed_bounces_s: tuple[float, ...] = (0.0004, 0.0009)
    feed_open_s: float = 0.0062
    source_v: float = 5.0
    source_ohm: float = 130.0
    insulation_ohm: float = 1.2e9
    parts: tuple[Part | None, ...] = field(default_factory=_default_parts)


@dataclass(slots=True)
class Branch:
    """One coil's current during a segment: `end_a + swing_a * exp(-rate * (t - t0))`."""

    output: int
    drive_v: float
    loop_ohm: float
    coil_ohm: float
    end_a: float
    swing_a: float
    rate_per_s: float
    by_feed: bool
    by_source: bool
    in_shunt: bool

    def current_a(self, after_s: float) -> float:
        """Return the current some time after the segment's beginning."""
        return self.end_a + self.swing_a * exp(-self.rate_per_s * after_s)

    def reach_s(self, level_a: float) -> float:
        """Return when the current reaches a level, or infinity."""
        if not self.swing_a:
            return inf
        ratio = (level_a - self.end_a) / self.swing_a
        if ratio <= 0.0 or ratio >= 1.0 - 1e-12:
            return inf
        return -log(ratio) / self.rate_per_s


@dataclass(slots=True)
class Segment:
    """A stretch of time during which every current is one exponential."""

    begin_s: float
    end_s: float
    branches: list[Branch]
    feed: bool
    crossed: bool = False


class Coil:
    """The state of one part."""

    def __init__(self, part: Part, ambient_c: float) -> None:
        """Begin cold, without current, armature at rest."""
        self.part = part
        self.current_a = 0.0
        self.temperature_c = ambient_c
        self.position = 0
        self.direction = 0
        self.move_at_s = inf
        self.heated_s = 0.0

    def catch_up(self, now_s: float, ambient_c: float) -> None:
        """Do what happened meanwhile to a coil without current: motion back, and cooling."""
        while self.move_at_s <= now_s:
            self.move()
            self.settle(now_s)
        if self.temperature_c != ambient_c and now_s > self.heated_s:
            self.heat(None, now_s - self.heated_s, 1.0, ambient_c)
        self.heated_s = now_s

    def ohm(self) -> float:
        """Return the resistance at the copper's temperature."""
        return self.part.ohm_20 * (1.0 + COPPER_PER_K * (self.temperature_c - 20.0))

    def base_henry(self) -> float:
        """Return the inductance below the knee at the armature's position."""
        arm = self.part.armature
        if arm is None:
            return self.part.henry
        share = 0.5 if self.direction else float(self.position)
        return self.part.henry * (1.0 + (arm.closed_ratio - 1.0) * share)

    def motion_ohm(self) -> float:
        """Return how fast the inductance grows, which acts like a resistance."""
        arm = self.part.armature
        if arm is None or self.direction <= 0 or self.current_a > self.part.knee_a:
            return 0.0
        return self.part.henry * (arm.closed_ratio - 1.0) / arm.travel_s

    def henry(self, rising: bool) -> float:
        """Return the slope of flux over current here."""
        knee = self.part.knee_a
        above = self.current_a > knee or (rising and self.current_a == knee)
        return self.part.saturated_henry if above else self.base_henry()

    def level(self, rising: bool) -> float:
        """Return the next current at which something about the coil changes."""
        part, arm, now = self.part, self.part.armature, self.current_a
        found = inf if rising else 0.0
        if part.knee_a != inf and (part.knee_a > now if rising else part.knee_a < now):
            found = part.knee_a
        if arm is not None and not self.direction:
            mark = arm.hold_a if self.position else arm.pull_a
            if now < mark < found if rising else found < mark < now:
                found = mark
        return found

    def settle(self, now_s: float) -> None:
        """Begin a motion of the armature when the current calls for it."""
        arm = self.part.armature
        if arm is None or self.direction:
            return
        if self.position == 0 and self.current_a >= arm.pull_a:
            self.direction = 1
        elif self.position and self.current_a <= arm.hold_a:
            self.direction = -1
        else:
            return
        self.move_at_s = now_s + arm.travel_s

    def move(self) -> None:
        """Let the armature arrive."""
        self.position += self.direction
        self.direction = 0
        self.move_at_s = inf

    def heat(self, branch: Branch | None, span_s: float, left: float, ambient_c: float) -> None:
        """Account for the heat of a stretch of time; `left` is what is left of the swing."""
        part = self.part
        excess = self.temperature_c - ambient_c
        if excess:
            excess *= exp(-span_s / (part.joule_per_k * part.k_per_watt))
        if branch is not None:
            a, b, rate = branch.end_a, branch.swing_a, branch.rate_per_s
            square = a * a * span_s + 2 * a * b * (1 - left) / rate
            square += b * b * (1 - left * left) / (2 * rate)
            excess += square * branch.coil_ohm / part.joule_per_k
        self.temperature_c = ambient_c + excess


class Bench:
    """The bench as a whole; time moves only by `step`."""

    LONGEST_S = 0.02

    def __init__(
        self,
        config: BenchConfig,
        output_count: int,
        clamps_v: list[tuple[bool, float]],
        reference_ohm: float,
    ) -> None:
        """Wire the parts; a clamp is (low side, volts)."""
        self.config = config
        self.clamps_v = clamps_v
        self.reference_ohm = reference_ohm
        self.time_s = 0.0
        self.coils: dict[int, Coil] = {
            n: Coil(part, config.ambient_c)
            for n, part in enumerate(config.parts[:output_count])
            if part is not None
        }
        self.switches = 0
        self.source_on = False
        self.feed_driven = False
        self.feed = False
        self.feed_welded = False
        self.feed_dead = False
        self._contact: list[tuple[float, bool]] = []

    def drive_feed(self, on: bool) -> None:
        """Energise or release the feed contactor; its contact follows later."""
        if on == self.feed_driven:
            return
        self.feed_driven = on
        cfg, now = self.config, self.time_s
        if on:
            moment, closed = now + cfg.feed_close_s, True
            self._contact = [(moment, True)]
            for bounce_s in cfg.feed_bounces_s:
                moment, closed = moment + bounce_s, not closed
                self._contact.append((moment, closed))
            if not closed:
                self._contact.append((moment + 0.0003, True))
        else:
            self._contact = [(now + cfg.feed_open_s, False)]

    def contact(self) -> bool:
        """Return whether the feed really conducts."""
        return self.feed_welded or (self.feed and not self.feed_dead)

    def current_a(self, mask: int) -> float:
        """Return the sum of the coil currents of these outputs at this moment."""
        return sum(c.current_a for n, c in self.coils.items() if mask >> n & 1)

    def most_a(self, output: int) -> float:
        """Return the most an output could carry, cold."""
        coil = self.coils.get(output)
        return 0.0 if coil is None else 1.3 * self.config.supply_v / coil.part.ohm_20

    def _branch(self, output: int, coil: Coil, feed: bool) -> Branch | None:
        """Solve one coil's circuit as it stands."""
        cfg = self.config
        now_a = coil.current_a
        closed = self.switches >> output & 1
        low_side, clamp_v = self.clamps_v[output]
        if not closed and now_a <= 0.0:
            return None
        ohm = coil.ohm()
        loop = cfg.lead_ohm + ohm
        by_feed = by_source = False
        in_shunt = bool(closed) or low_side
        if in_shunt:
            loop += cfg.shunt_ohm + (cfg.switch_ohm if closed else 0.0)
            if feed:
                by_feed = True
                others = 0.0
                for n, other in self.coils.items():
                    if n == output or other.current_a <= 0.0:
                        continue
                    if self.switches >> n & 1 or self.clamps_v[n][0]:
                        others += other.current_a
                drive = cfg.supply_v - cfg.supply_ohm * others
                loop += cfg.supply_ohm + cfg.feed_ohm
            elif self.source_on and closed:
                by_source = True
                drive = cfg.source_v
                loop += cfg.source_ohm + self.reference_ohm
            elif now_a <= 0.0:
                return None
            else:
                drive = -cfg.catch_v
                loop += cfg.catch_ohm
            if not closed:
                drive -= clamp_v
        else:
            drive = -clamp_v
        acting = loop + coil.motion_ohm()
        end_a = drive / acting
        henry = coil.henry(end_a > now_a)
        return Branch(
            output, drive, loop, ohm, end_a, now_a - end_a, acting / henry,
            by_feed, by_source, in_shunt,
        )  # fmt: skip

    def step(self, until_s: float, limit_a: float = inf, watched: int = 0) -> Segment:
        """Move on to `until_s` or the next event; stop where a watched current passes the limit."""
        begin = self.time_s
        end = until_s
        if self._contact and self._contact[0][0] < end:
            end = max(begin, self._contact[0][0])
        feed = self.contact()
        branches: list[Branch] = []
        crossed = -1
        for output, coil in self.coils.items():
            if not self.switches >> output & 1 and coil.current_a <= 0.0:
                continue
            if coil.heated_s < begin:
                coil.catch_up(begin, self.config.ambient_c)
            if coil.move_at_s < end:
                end = max(begin, coil.move_at_s)
            branch = self._branch(output, coil, feed)
            if branch is None:
                continue
            branches.append(branch)
            rising = branch.swing_a < 0.0
            level = coil.level(rising)
            if level != inf:
                due = begin + branch.reach_s(level)
                if due < end:
                    end = due
            if rising and watched >> output & 1:
                due = begin if coil.current_a > limit_a else begin + branch.reach_s(limit_a)
                if due < end:
                    end, crossed = due, output
        if branches and end > begin + self.LONGEST_S:
            end = begin + self.LONGEST_S
        segment = Segment(begin, end, branches, feed, crossed >= 0)
        self._leave(segment, limit_a, crossed)
        return segment

    def _leave(self, segment: Segment, limit_a: float, crossed: int) -> None:
        """Take over the state at the segment's end and do what happens there."""
        span = segment.end_s - segment.begin_s
        end = self.time_s = segment.end_s
        for branch in segment.branches:
            coil = self.coils[branch.output]
            left = exp(-branch.rate_per_s * span)
            if span > 0.0:
                coil.heat(branch, span, left, self.config.ambient_c)
                coil.heated_s = end
            level = coil.level(branch.swing_a < 0.0)
            now_a = branch.end_a + branch.swing_a * left
            if crossed == branch.output and now_a < limit_a * (1 + 1e-9):
                now_a = limit_a * (1 + 1e-9)
            elif level != inf and abs(now_a - level) < 1e-9:
                now_a = level
            coil.current_a = now_a if now_a > 0.0 else 0.0
            if coil.part.armature is not None:
                if coil.move_at_s <= end:
                    coil.move()
                coil.settle(end)
        while self._contact and self._contact[0][0] <= end:
            self.feed = self._contact.pop(0)[1]
