"""From the bench to codes: gains, live zeros, noise, quantisation, and the lies about them."""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Iterator
from itertools import accumulate, chain, islice, repeat
from math import exp, floor
from operator import mul
from statistics import NormalDist

from .codec import InputRole
from .config import InputSpec, RigConfig
from .physics import Bench, Branch, Segment
from .sins import Sins

_LEVELS = 256
_GAUSS: list[float] = []
_VOLTS = frozenset({InputRole.PART_VOLTAGE, InputRole.PART_VOLTAGE_FINE})
_AMPS = frozenset({InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE})
PAST_CODES = 4096


def gauss_table() -> list[float]:
    """Return the standard normal distribution in 256 equally likely values."""
    if not _GAUSS:
        normal = NormalDist()
        _GAUSS.extend(normal.inv_cdf((k + 0.5) / _LEVELS) for k in range(_LEVELS))
    return _GAUSS


class Channel:
    """One input's converter with its own noise."""

    def __init__(self, number: int, spec: InputSpec, seed: int, lead_ohm: float) -> None:
        """Prepare noise and scale."""
        self.number = number
        self.spec = spec
        self.per_unit = (1 << spec.bits) / spec.full_scale
        self.top = (1 << spec.bits) - 1
        self._random = random.Random(seed * 1009 + number)
        self.draws: Iterator[int] = chain.from_iterable(iter(self._chunk, None))
        self.volts, self.amps = spec.role in _VOLTS, spec.role in _AMPS
        self.inner_ohm = 0.0 if spec.flags & 1 else lead_ohm
        self._scaled: dict[float, list[float]] = {}
        self.table = self._table(1.0)
        self._still: dict[tuple[float, float], list[int]] = {}
        self.idle: dict[bool, float] = {}
        self.past: deque[int] = deque(maxlen=PAST_CODES)
        self.stuck: int | None = None
        self.replay: list[int] = []
        self.replay_at = 0

    def _chunk(self) -> bytes:
        """Return fresh random bytes."""
        return self._random.randbytes(4096)

    def _table(self, times: float) -> list[float]:
        """Return noise values to draw from, in codes, with half a code for rounding added."""
        table = self._scaled.get(times)
        if table is None:
            sigma = self.spec.noise_lsb * times
            table = self._scaled[times] = [0.5 + sigma * g for g in gauss_table()]
        return table

    def _steady(self, level: float, times: float) -> list[int]:
        """Return the codes to draw from while nothing changes."""
        codes = self._still.get((level, times))
        if codes is None:
            if len(self._still) >= 8:
                self._still.clear()
            top = self.top
            codes = [max(0, min(top, floor(level + noise))) for noise in self._table(times)]
            self._still[level, times] = codes
        return codes

    def quantise(
        self,
        level: float,
        terms: list[tuple[float, float]],
        after_s: float,
        every_s: float,
        count: int,
        times: float,
    ) -> list[int]:
        """Return codes for `level + sum(amount * exp(-rate * t))`, already in codes."""
        draws = self.draws
        if not terms:
            return list(map(self._steady(level, times).__getitem__, islice(draws, count)))
        table = self._table(times)
        if count == 1:
            value = level + table[next(draws)]
            for amount, rate in terms:
                value += amount * exp(-rate * after_s)
            code = int(value) if value > 0.0 else 0
            return [code if code < self.top else self.top]
        margin = 4.5 * self.spec.noise_lsb * times + 1.0
        if len(terms) == 1:
            amount, rate = terms[0]
            first = amount * exp(-rate * after_s)
            factor = exp(-rate * every_s)
            swing = accumulate(repeat(factor, count - 1), mul, initial=first)
            codes = [int(level + s + table[draw]) for s, draw in zip(swing, draws)]  # noqa: B905
            low, high = level + first, level + first * factor ** (count - 1)
            if low > high:
                low, high = high, low
        else:
            values = [level + table[draw] for draw in islice(draws, count)]
            for amount, rate in terms:
                first, factor = amount * exp(-rate * after_s), exp(-rate * every_s)
                swing = accumulate(repeat(factor, count - 1), mul, initial=first)
                values = [v + s for v, s in zip(values, swing, strict=True)]
            codes = [int(v) if v > 0.0 else 0 for v in values]
            low, high = -1.0, float(self.top)
        if low < margin or high > self.top - margin:
            top = self.top
            codes = [0 if c < 0 else top if c > top else c for c in codes]
        return codes


class Sampler:
    """All inputs of a rig."""

    def __init__(self, config: RigConfig, bench: Bench, sins: Sins) -> None:
        """Prepare one channel for each input."""
        self.config = config
        self.bench = bench
        self.sins = sins
        lead_ohm = bench.config.lead_ohm
        self.channels = [Channel(n, s, config.seed, lead_ohm) for n, s in enumerate(config.inputs)]
        self.followed: dict[int, int] = {}
        self.off_period = True
        self._plain = not sins.lies_inputs

    def switched_on(self, output: int) -> None:
        """Let the part-voltage inputs follow this output."""
        for number, spec in enumerate(self.config.inputs):
            if spec.role in _VOLTS and spec.outputs_mask >> output & 1:
                self.followed[number] = output

    def freeze(self, segment: Segment) -> None:
        """Take the codes of this moment for inputs that are to stand still or to replay."""
        for channel in self.channels:
            channel.replay = list(channel.past)
            channel.replay_at = 0
            level, terms = self._line(channel, segment)
            value = level + sum(amount for amount, _ in terms)
            channel.stuck = max(0, min(channel.top, floor(value + 0.5)))

    def codes(
        self, channel: Channel, segment: Segment, first_s: float, every_s: float, count: int
    ) -> list[int]:
        """Return codes of conversions at `first_s` and every `every_s` from there."""
        if self._plain and not segment.branches:
            still = channel.idle.get(segment.feed)
            if still is None:
                still = channel.idle[segment.feed] = self._line(channel, segment)[0]
            return channel.quantise(still, [], 0.0, 0.0, count, 1.0)
        after_s = first_s - segment.begin_s
        if self._plain and (channel.amps or channel.volts) and len(segment.branches) == 1:
            return self._one_branch(channel, segment, after_s, every_s, count)
        level, terms = self._line(channel, segment)
        if self._plain:
            return channel.quantise(level, terms, after_s, every_s, count, 1.0)
        return self._lying(channel, level, terms, after_s, every_s, count)

    def _one_branch(
        self, channel: Channel, segment: Segment, after_s: float, every_s: float, count: int
    ) -> list[int]:
        """Do what `_line` and `quantise` do for one coil and no input sins, in less time."""
        branch, spec = segment.branches[0], channel.spec
        gain = channel.per_unit * 1e6
        if self.sins.on:
            gain *= self._gain(spec.role)
        level = float(spec.zero_code)
        if channel.amps:
            slope = gain if branch.in_shunt and spec.outputs_mask >> branch.output & 1 else 0.0
        elif branch.output == self.followed.get(channel.number):
            slope = -gain * (branch.loop_ohm - branch.coil_ohm - channel.inner_ohm)
            level += branch.drive_v * gain
        else:
            slope = 0.0
        if not slope:
            return channel.quantise(level, [], 0.0, 0.0, count, 1.0)
        level += slope * branch.end_a
        rate, table, top = branch.rate_per_s, channel.table, channel.top
        swing = slope * branch.swing_a * exp(-rate * after_s)
        if count > 3:
            return channel.quantise(level, [(swing, rate)], 0.0, every_s, count, 1.0)
        codes = []
        factor = exp(-rate * every_s) if count > 1 else 1.0
        for draw in islice(channel.draws, count):
            value = level + swing + table[draw]
            codes.append(0 if value < 0.0 else top if value > top else int(value))
            swing *= factor
        return codes

    def _line(self, channel: Channel, segment: Segment) -> tuple[float, list[tuple[float, float]]]:
        """Return the input's course during the segment in codes: a level and decaying terms."""
        spec = channel.spec
        role = spec.role
        if not self._plain and self.sins.has("inputs_swapped"):
            swap = {
                InputRole.PART_VOLTAGE: InputRole.CURRENT_COARSE,
                InputRole.CURRENT_COARSE: InputRole.PART_VOLTAGE,
            }
            role = swap.get(role, role)
        base, slopes = self._course(channel, role, segment)
        gain = self._gain(role) * channel.per_unit
        level = spec.zero_code + base * gain
        terms = []
        instant = not self._plain and role in _AMPS and self.sins.has("current_instant")
        for branch, slope in slopes:
            if instant:
                level += slope * gain * (branch.end_a if branch.end_a > 0.0 else 0.0)
                continue
            level += slope * gain * branch.end_a
            terms.append((slope * gain * branch.swing_a, branch.rate_per_s))
        return level, terms

    def _course(
        self, channel: Channel, role: InputRole, segment: Segment
    ) -> tuple[float, list[tuple[Branch, float]]]:
        """Return the value at no current, and its slope over each branch's current."""
        spec, cfg, branches = channel.spec, self.bench.config, segment.branches
        if role in _AMPS:
            mask = spec.outputs_mask
            return 0.0, [(b, 1e6) for b in branches if b.in_shunt and mask >> b.output & 1]
        if role in _VOLTS:
            output = self.followed.get(channel.number)
            for b in branches:
                if b.output == output:
                    inner = b.coil_ohm + channel.inner_ohm
                    return b.drive_v * 1e6, [(b, -(b.loop_ohm - inner) * 1e6)]
            return 0.0, []
        if role == InputRole.SUPPLY_VOLTAGE:
            slope = -cfg.supply_ohm * 1e6
            return cfg.supply_v * 1e6, [(b, slope) for b in branches if b.by_feed]
        if role == InputRole.REFERENCE_VOLTAGE:
            return 0.0, [(b, self.bench.reference_ohm * 1e6) for b in branches if b.by_source]
        if role == InputRole.TEMPERATURE:
            plus = self.sins.value("temperature_plus_c") or 0.0
            return (cfg.ambient_c + plus) * 1e3, []
        return (cfg.supply_v / cfg.insulation_ohm * 1e12 if segment.feed else 0.0), []

    def _gain(self, role: InputRole) -> float:
        """Return by what an input of this role is wrong."""
        gain, sins = 1.0, self.sins
        if not sins.on:
            return gain
        if role in _AMPS:
            gain *= sins.value("current_times") or 1.0
            gain *= -1.0 if sins.has("current_inverted") else 1.0
        if role == InputRole.CURRENT_FINE:
            gain *= sins.value("fine_current_times") or 1.0
        elif role in _VOLTS:
            gain *= sins.value("part_voltage_times") or 1.0
        elif role == InputRole.SUPPLY_VOLTAGE:
            gain *= sins.value("supply_times") or 1.0
        return gain

    def _lying(
        self,
        channel: Channel,
        level: float,
        terms: list[tuple[float, float]],
        after_s: float,
        every_s: float,
        count: int,
    ) -> list[int]:
        """Return codes as the sins that are on make them."""
        sins, spec = self.sins, channel.spec
        on = sins.on
        times = sins.value("noise_times") or 1.0
        if "inputs_noiseless" in on:
            times = 0.0
        if spec.role in _AMPS and spec.full_scale:
            level += (sins.value("current_offset_a") or 0.0) * 1e6 * channel.per_unit
        if spec.zero_code:
            level += sins.value("zero_shift_codes") or 0.0
        codes = channel.quantise(level, terms, after_s, every_s, count, times)
        if self.off_period and sins.keeps_past and not terms and not channel.replay:
            channel.past.extend(codes)
        amps = spec.role in _AMPS
        mine = channel.number
        if "inputs_zero" in on or "common_zero" in on or sins.value("input_dead") == mine:
            return [0] * count
        if amps and "current_gone" in on:
            return [0] * count
        if "inputs_full" in on:
            return [channel.top] * count
        if (
            "inputs_live_zero" in on
            or "common_live_zero" in on
            or sins.value("input_live_zero") == mine
            or (amps and "current_dead" in on)
        ):
            return channel.quantise(float(spec.zero_code), [], 0.0, 0.0, count, times)
        if "inputs_frozen" in on or "common_frozen" in on or sins.value("input_frozen") == mine:
            return [channel.stuck or 0] * count
        if "inputs_replay" in on or "common_replay" in on:
            return self._replayed(channel, count) or codes
        return codes

    @staticmethod
    def _replayed(channel: Channel, count: int) -> list[int]:
        """Return the next codes of the recorded past, round and round."""
        past, at = channel.replay, channel.replay_at
        if not past:
            return []
        channel.replay_at = (at + count) % len(past)
        return [past[(at + k) % len(past)] for k in range(count)]
