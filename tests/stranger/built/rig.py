"""The rig: receives bytes, lets time pass, returns bytes. It reads no clock of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from . import codec
from .codec import (
    BY_ID,
    LAYOUTS,
    Cause,
    ClampKind,
    FaultReason,
    Fields,
    InputRole,
    Reason,
    ResetCause,
    RigState,
    frame,
)
from .config import RigConfig
from .inputs import Sampler
from .outbox import Outbox
from .physics import Bench
from .schedule import Leg, RefusalError, Schedule, Step, check_rules, check_whole, legs, source_mask
from .sins import Sins
from .stream import Stream, scans_in_block

_COMMON = ("common_frozen", "common_replay", "common_live_zero", "common_zero")
_WELDS = ("output_welded", "output_stuck", *_COMMON)
_BLIND = ("inputs_", "common_", "current_dead", "current_gone", "input_")
_IDLE_ONLY = frozenset({0x06, 0x07, 0x08, 0x09, 0x0B})
_NONE_YET = 0xFFFF_FFFF
_TRIP_US = 300
_CEILING_GRACE_US = 50
_POLL_US = 1000
_NEVER = 1 << 62
_INF = float("inf")
_Handler = Callable[[dict[str, int], bytes], tuple[str, Fields] | None]


class StrangerRig:
    """A whole rig on its bench; powered at time 0, all times are microseconds from there."""

    def __init__(self, config: RigConfig | None = None) -> None:
        """Build rig and bench and start the firmware."""
        self.config = cfg = config or RigConfig()
        self.sins = Sins(cfg.sins)
        clamps = [(o.clamp == ClampKind.LOW_SIDE_CLAMP, o.clamp_mv / 1000) for o in cfg.outputs]
        percent = self.sins.value("reference_percent") or 0.0
        ohm = cfg.reference_resistor_mohm / 1000 * (1 + percent / 100)
        self.bench = Bench(cfg.bench, len(cfg.outputs), clamps, ohm)
        self._sampler = Sampler(cfg, self.bench, self.sins)
        self._sources = source_mask(cfg)
        fast_ppm = round(10_000 * (self.sins.value("clock_percent") or 0.0))
        self._num, self._den = 1000 * (1_000_000 + fast_ppm), cfg.tick_ns * 1_000_000
        self._tick_s = self._den / self._num * 1e-6
        self._boot_count = cfg.boot_count
        self._unique_id = cfg.unique_id
        self._kept = self._after_source = 0
        self._feed_kept = False
        self._now_us = 0
        self._last_on = -1
        self._latched: tuple[FaultReason, int, int] = (FaultReason.NONE, 0, 0)
        self._tick = cfg.tick_offset
        self._commanded = 0
        self._trip_due: int | None = None
        self._limit_a = _INF
        self._limits: dict[int, tuple[float, bool]] = {}
        self._handlers: dict[int, _Handler] = {
            0x01: self._do_hello,
            0x02: self._do_describe_output,
            0x03: self._do_describe_input,
            0x04: self._do_heartbeat,
            0x05: self._do_read_status,
            0x06: self._do_schedule_begin,
            0x07: self._do_schedule_step,
            0x08: self._do_schedule_commit,
            0x09: self._do_close_feed,
            0x0A: self._do_open_feed,
            0x0B: self._do_start,
            0x0C: self._do_all_off,
            0x0D: self._do_stream,
            0x0E: self._do_stop_stream,
            0x0F: self._do_clear_fault,
        }
        self._start(0, ResetCause.POWER_ON)
        self._sins_begun()

    # -- what a caller uses ------------------------------------------------------------------

    def receive(self, data: bytes, now_us: int) -> bytes:
        """Take bytes from the host at a time; return what the rig sends until then."""
        self._advance(now_us)
        for payload in self._reader.feed(data):
            self._handle(payload)
        return self._outbox.take()

    def advance(self, now_us: int) -> bytes:
        """Let time pass; return what the rig sends of itself until then."""
        self._advance(now_us)
        return self._outbox.take()

    def next_due_us(self) -> int | None:
        """Return when something next happens by itself, or None."""
        due = self._due()
        tick = None if due is None else due[0]
        if self._stream is not None:
            ready = self._stream.ready_tick()
            tick = ready if tick is None or ready < tick else tick
        moment = None if tick is None else self._us(tick)
        if self._may_trip and self._run is not None:
            poll = self._now_us + _POLL_US
            return poll if moment is None or poll < moment else moment
        return moment

    def break_condition(self, now_us: int) -> bytes:
        """Take a serial break: everything off, and a fault when the rig was at work."""
        self._advance(now_us)
        self._reader.clear()
        if self._feed or self._run is not None:
            self._fault(FaultReason.SERIAL_BREAK, 0)
        return self._outbox.take()

    def reset(self, now_us: int, cause: ResetCause = ResetCause.EXTERNAL) -> bytes:
        """Restart the firmware; what waits to be sent until then is returned."""
        self._advance(now_us)
        data = self._outbox.take()
        self._restart(cause)
        return data

    # -- time --------------------------------------------------------------------------------

    def _ticks(self, us: int) -> int:
        return us * 1000 // self.config.tick_ns

    def _tick_of(self, now_us: int) -> int:
        return (now_us - self._boot_us) * self._num // self._den + self.config.tick_offset

    def _us(self, tick: int) -> int:
        """Return the first microsecond at which a tick has come."""
        return self._boot_us - (self.config.tick_offset - tick) * self._den // self._num

    def _seconds(self, tick: int) -> float:
        return self._boot_us * 1e-6 + (tick - self.config.tick_offset) * self._tick_s

    def _stamp(self, tick: int) -> int:
        return (tick + int(self.sins.value("clock_jump_ticks") or 0)) & 0xFFFF_FFFF

    def _advance(self, now_us: int) -> None:
        """Do everything that is due until a time."""
        self._now_us = max(self._now_us, now_us)
        while True:
            target = self._tick_of(self._now_us)
            due = self._due()
            if due is not None and due[0] <= target:
                if self._simulate(due[0]):
                    due[1]()
            elif self._simulate(target):
                return

    def _due(self) -> tuple[int, Callable[[], None]] | None:
        """Return the tick of what happens next, and what it is; the first of equals goes first."""
        tick, what = _NEVER, self._next_leg
        if self._run is not None:
            tick = self._leg_due
        if self._cut_due is not None and self._cut_due < tick:
            tick, what = self._cut_due, self._cut_over
        for ceiling in self._ceilings.values():
            if ceiling < tick:
                tick, what = ceiling, self._ceiling
        if self._trip_due is not None and self._trip_due < tick:
            tick, what = self._trip_due, self._trip
        if self._silence_at < tick and (self._feed or self._run is not None):
            tick, what = self._silence_at, self._silent
        if self.sins.all or self._outbox.delayed:
            tick, what = self._due_by_sins(tick, what)
        return None if tick == _NEVER else (tick, what)

    def _due_by_sins(self, tick: int, what: Callable[[], None]) -> tuple[int, Callable[[], None]]:
        """Return the earlier of something due and what the sins bring about."""
        if self._outbox.delayed and self._outbox.delayed[0][0] < tick:
            tick, what = self._outbox.delayed[0][0], self._release
        if self._reset_due is not None and self._tick <= tick:
            tick, what = self._tick, self._reset_now
        sin_us = self.sins.next_us()
        if sin_us is not None:
            begins = max(self._tick, self._tick_of(sin_us))
            if begins < tick:
                tick, what = begins, self._sin_moment
        return tick, what

    def _simulate(self, target: int) -> bool:
        """Let the bench run up to a tick; False when it stopped early at the over-current trip."""
        until_s = self._seconds(target)
        watching = self._run is not None and self._trip_due is None
        limit = self._limit_a if watching else _INF
        bench, stream = self.bench, self._stream
        while bench.time_s < until_s:
            segment = bench.step(until_s, limit, self._commanded & ~self._sources)
            if stream is not None:
                stream.capture(segment, self._sampler)
                while stream.full():
                    self._send_block(stream)
            if segment.crossed:
                at_s = bench.time_s - self._boot_us * 1e-6
                tick = int(at_s / self._tick_s) + self.config.tick_offset
                self._tick = max(self._tick, min(tick, target))
                self._trip_due = self._tick + self._ticks(_TRIP_US)
                return False
        self._tick = max(self._tick, target)
        return True

    # -- starting ----------------------------------------------------------------------------

    def _start(self, now_us: int, cause: ResetCause) -> None:
        """Begin the firmware's memory anew."""
        self._boot_us = now_us
        self._reset_due: ResetCause | None = None
        self._tick = self.config.tick_offset
        self._reset_cause = cause
        self._reader = codec.FrameReader(codec.RIG_READS_BYTES)
        self._outbox = Outbox(self.config, self.sins)
        self._bad_ids = 0
        self._memory: tuple[bytes, bytes] | None = None
        self._commanded = self._cut = 0
        self._cut_due: int | None = None
        self._ceilings: dict[int, int] = {}
        self._feed = False
        self._feed_tick = 0
        self._beat: int | None = None
        self._silence_at = _NEVER
        self._loading: Schedule | None = None
        self._committed: Schedule | None = None
        self._run: Iterator[Leg] | None = None
        self._leg: Leg | None = None
        self._ahead: Leg | None = None
        self._leg_due = self._leg_begin = self._tick
        self._on_legs = 0
        self._repeats = 0
        self._edges = 0
        self._trip_due = None
        self._limit_a, self._may_trip = _INF, False
        self._stream: Stream | None = None
        self._streams = 0
        self._block_counts = (0, 0)
        self._blocks_seen = 0

    def _restart(self, cause: ResetCause) -> None:
        """Reset the firmware: pull-downs switch everything off, and the memory is lost."""
        at_work = self._feed or self._run is not None
        kept = cause in (ResetCause.WATCHDOG, ResetCause.BROWN_OUT)
        if not kept:
            self._latched = (FaultReason.NONE, 0, 0)
        if at_work and self._latched[0] == FaultReason.NONE:
            reasons = {
                ResetCause.WATCHDOG: FaultReason.WATCHDOG,
                ResetCause.BROWN_OUT: FaultReason.BROWN_OUT,
                ResetCause.UNKNOWN: FaultReason.INTERNAL,
            }
            if not self.sins.has("reset_forgets_fault"):
                self._latched = (reasons.get(cause, FaultReason.NONE), 0, 0)
        if not self.sins.has("boot_count_stands"):
            self._boot_count = (self._boot_count + 1) & 0xFFFF
        if self.sins.has("unique_id_after_reset"):
            self._unique_id ^= 0x0101_0000_0000
        if self._commanded:
            self._moment("last-off")
        if self._feed:
            self._moment("feed-open")
        self._kept = 0
        self._sampler.off_period = True
        self._start(self._us(self._tick), cause)
        self.bench.drive_feed(False)
        self._apply()

    # -- sins --------------------------------------------------------------------------------

    def _moment(self, name: str) -> None:
        if self.sins.all and self.sins.trigger(name):
            self._sins_begun()

    def _reset_now(self) -> None:
        cause = self._reset_due
        assert cause is not None
        self._restart(cause)

    def _sin_moment(self) -> None:
        sin_us = self.sins.next_us()
        if sin_us is not None and self.sins.reach(sin_us):
            self._sins_begun()

    def _sins_begun(self) -> None:
        """Let what has just begun take hold of the bench."""
        if not self.sins.fresh:
            return
        self.sins.fresh = False
        self._lock_welds()
        self._watch_silence()
        self._sampler.freeze(self.bench.step(self.bench.time_s))
        self._apply()
        for name, cause in (
            ("reset_watchdog", ResetCause.WATCHDOG),
            ("reset_brown_out", ResetCause.BROWN_OUT),
            ("reset_external", ResetCause.EXTERNAL),
        ):
            if self.sins.has(name):
                self.sins.on.pop(name)
                self._reset_due = cause

    def _lock_welds(self) -> None:
        """Settle which output is the one that fails on."""
        for name in _WELDS:
            sin = self.sins.on.get(name)
            if sin is not None and sin.hit < 0:
                sin.hit = int(sin.value) if sin.value >= 0 else self._last_on

    def _hit(self, *names: str) -> int:
        mask = 0
        for name in names:
            sin = self.sins.on.get(name)
            if sin is not None and sin.hit >= 0:
                mask |= 1 << sin.hit
        return mask

    # -- outputs and feed --------------------------------------------------------------------

    @staticmethod
    def _bits(mask: int) -> list[int]:
        return [n for n in range(mask.bit_length()) if mask >> n & 1]

    def _apply(self) -> None:
        """Bring the commanded state to the bench, as far as the sins let it."""
        sins, bench = self.sins, self.bench
        mask = (self._commanded & ~self._cut) | self._kept | self._after_source
        source = bool(mask & self._sources)
        if sins.on:
            mask |= self._hit(*_WELDS)
            dead = sins.value("output_dead")
            if dead is not None:
                mask &= 0 if dead < 0 else ~(1 << int(dead))
            if sins.has("source_stays_on"):
                source = source or bench.source_on
            source = source and not sins.has("source_dead")
            lasting = ("feed_welded", "feed_stuck", *_COMMON)
            bench.feed_welded = any(sins.has(name) for name in lasting)
            bench.feed_dead = sins.has("feed_dead") or sins.has("feed_dead_lying")
        elif sins.all:
            bench.feed_welded = bench.feed_dead = False
        known = None if sins.on else self._limits.get(self._commanded)
        if known is None:
            limit = self._trip_limit_a()
            outputs = self._bits(self._commanded)
            known = limit, limit != _INF and any(bench.most_a(n) > limit for n in outputs)
            if not sins.on:
                self._limits[self._commanded] = known
        self._limit_a, self._may_trip = known
        bench.source_on = source
        bench.switches = mask & ~self._sources

    def _gates(self) -> int:
        """Return the read-back of the gates."""
        if self.sins.has("gate_never_on"):
            return 0
        if self.sins.has("gate_echoes"):
            return self._commanded
        gates = self._commanded | self._hit("output_stuck")
        if self.sins.has("source_stays_on") and self.bench.source_on:
            gates |= self._sources
        return gates

    def _aux(self) -> bool:
        """Return the read-back of the feed."""
        sins = self.sins
        if sins.has("aux_open") or self._feed_kept:
            return False
        if sins.has("aux_closed"):
            return True
        if any(sins.has(name) for name in ("feed_welded", "feed_dead_lying", *_COMMON)):
            return self.bench.feed
        return self.bench.contact()

    def _outputs(self, mask: int, cause: Cause, final: bool = True) -> None:
        """Switch the outputs and tell of it when something changes."""
        before = self._commanded
        if mask == before:
            return
        if before and not mask and final:
            self._moment("last-off")
        rising = mask & ~before
        if rising:
            self._kept = 0
        for output in self._bits(rising & ~self._sources):
            self._last_on = output
            self._sampler.switched_on(output)
        grace = self._ticks(_CEILING_GRACE_US)
        for output in self._bits(mask ^ before):
            if mask >> output & 1:
                ceiling = self._ticks(self.config.outputs[output].on_us_max)
                self._ceilings[output] = self._tick + ceiling + grace
            else:
                self._ceilings.pop(output, None)
        self._commanded = mask
        if self.sins.all:
            self._lock_welds()
            self._source_moment(before, mask)
        self._sampler.off_period = not mask
        self._apply()
        self._tell_edge(cause, mask)

    def _source_moment(self, before: int, mask: int) -> None:
        """Begin and end what lasts only while the low-current source is on."""
        if mask & self._sources and not before & self._sources:
            self._moment("source")
        elif before & self._sources and not mask & self._sources:
            if self.sins.has("source_stays_on_lying"):
                self._after_source |= before
            if self.sins.has("source_output_kept"):
                self._after_source |= before & ~self._sources
            if self.sins.release("source"):
                self._apply()

    def _drive_feed(self, on: bool) -> None:
        """Close or open the feed and tell of it when that is a change."""
        if on == self._feed:
            return
        if not on:
            self._moment("feed-open")
        self._feed = on
        self._feed_tick = self._tick
        if on:
            self._feed_kept = False
        if not self._feed_kept:
            self.bench.drive_feed(on)
        self._tell_edge(Cause.FEED, self._commanded)

    def _tell_edge(self, cause: Cause, mask: int) -> None:
        """Send an Edge."""
        sins = self.sins
        if sins.has("edge_not_counted"):
            return
        number = self._edges
        self._edges = (number + 1) & 0xFFFF
        if sins.has("edge_never_told"):
            return
        if sins.has("edge_wrong_mask"):
            mask |= mask + 1
        fields: Fields = {
            "edge": number, "tick": self._stamp(self._tick), "outputs_mask": mask, "cause": cause,
        }  # fmt: skip
        late = sins.value("edge_told_late_us")
        due = None if late is None else self._tick + self._ticks(int(late))
        self._outbox.put(self._outbox.unasked("Edge", fields), due)

    def _release(self) -> None:
        self._outbox.release(self._tick)

    # -- faults ------------------------------------------------------------------------------

    def _silence_us(self) -> int:
        declared = self.sins.value("silence_declared_us")
        return int(declared) if declared else self.config.heartbeat_silence_us

    def _watch_silence(self) -> None:
        """Work out when the silence of the host will have lasted too long."""
        self._silence_at = _NEVER
        if self._beat is not None and not self.sins.has("silence_ignored"):
            lasting = int(self.sins.value("silence_long_us") or self._silence_us())
            self._silence_at = self._beat + self._ticks(lasting)

    def _silent(self) -> None:
        self._fault(FaultReason.HEARTBEAT_SILENCE, 0)

    def _ceiling(self) -> None:
        """Trip an output that has been on for longer than its ceiling."""
        output = min(self._ceilings, key=lambda n: self._ceilings[n])
        self._ceilings.pop(output)
        if not self.sins.has("ceiling_ignored") and not self.sins.has("ceiling_huge"):
            self._fault(FaultReason.ON_TIME_CEILING, output)

    def _trip_limit_a(self) -> float:
        """Return the true current at which the rig's own reading passes the trip."""
        if not self._commanded or self.sins.has("trip_ignored"):
            return _INF
        roles = (InputRole.CURRENT_COARSE, InputRole.CURRENT_FINE)
        if not any(spec.role in roles for spec in self.config.inputs):
            return _INF
        least = min(self.config.outputs[n].trip_current_ma for n in self._bits(self._commanded))
        if not self.sins.on:
            return least / 1000
        if any(name.startswith(_BLIND) for name in self.sins.on):
            return _INF
        return least / 1000 / (self.sins.value("current_times") or 1.0)

    def _trip(self) -> None:
        """Trip when the current, above the limit a while ago, still is."""
        self._trip_due = None
        if self._run is None:
            return
        limit = self._limit_a
        for output in self._bits(self._commanded & ~self._sources):
            if self.bench.current_a(1 << output) > limit:
                self._fault(FaultReason.OVER_CURRENT, output)
                return

    def _fault(self, reason: FaultReason, detail: int) -> None:
        """Drop everything, latch, tell."""
        if self._latched[0] != FaultReason.NONE and not self.sins.has("start_in_fault"):
            return
        sins = self.sins
        self._run = None
        self._cut, self._cut_due = 0, None
        if sins.has("outputs_kept_on_fault"):
            self._kept = self._commanded
        if sins.has("feed_kept_on_fault") and self._feed:
            self._feed_kept = True
        self._outputs(0, Cause.FAULT)
        self._drive_feed(False)
        stamp = self._stamp(self._tick)
        if self._latched[0] == FaultReason.NONE and not sins.has("fault_not_latched"):
            self._latched = (reason, detail, stamp)
        if not sins.has("fault_not_told"):
            fields: Fields = {"fault": reason, "detail": detail, "tick": stamp}
            self._outbox.put(self._outbox.unasked("Fault", fields))

    # -- a schedule that runs ----------------------------------------------------------------

    def _begin_run(self, schedule: Schedule, tick: int) -> None:
        endless = self.sins.has("runs_for_ever")
        self._run = legs(schedule, self.config, tick, endless)
        self._leg, self._ahead = None, next(self._run)
        self._leg_due = tick
        self._repeats = 0

    def _next_leg(self) -> None:
        """End a step: count it, and go to the next or finish."""
        assert self._run is not None
        done, leg = self._leg, self._ahead
        if done is not None and done.last_of_repeat:
            self._repeats = min(0xFFFF, self._repeats + 1)
        if leg is None:
            self._finish()
            return
        self._leg, self._ahead = leg, next(self._run, None)
        self._leg_due = leg.end
        if self.sins.on:
            self._spoil_pulse(leg)
        self._outputs(leg.mask, Cause.SCHEDULE, leg.last_off)

    def _spoil_pulse(self, leg: Leg) -> None:
        """Shorten, lengthen or leave out an on-time."""
        sins, length = self.sins, leg.end - leg.begin
        long = sins.value("pulse_long_lying")
        before = self._commanded
        self._cut, self._cut_due = 0, None
        if long is not None and before & ~leg.mask:
            self._kept = before & ~leg.mask
            self._cut_due = self._tick + int(long * (self._tick - self._leg_begin))
        self._leg_begin = leg.begin
        if not leg.mask:
            return
        self._on_legs += 1
        missing = sins.value("pulse_missing")
        if missing is not None and self._on_legs % int(missing) == 0:
            self._cut = leg.mask
        falling = leg.mask & ~(self._ahead.mask if self._ahead else 0)
        share = sins.value("pulse_short") or sins.value("pulse_short_lying")
        if share is not None and falling:
            self._cut_due = leg.end - int(share * length)

    def _cut_over(self) -> None:
        """End an on-time at another moment than it was planned to."""
        self._cut_due = None
        self._kept = 0
        after = self._ahead.mask if self._ahead else 0
        if self._run is not None and self.sins.has("pulse_short"):
            final = self._ahead is not None and self._ahead.last_off
            self._outputs(self._commanded & after, Cause.SCHEDULE, final)
        elif self._run is not None and self.sins.has("pulse_short_lying"):
            self._cut = self._commanded & ~after
        self._apply()

    def _finish(self) -> None:
        """End the schedule that has run out."""
        assert self._committed is not None
        self._run = None
        self._kept = self._cut = 0
        self._cut_due = None
        self._outputs(0, Cause.SCHEDULE)
        self._apply()
        if not self.sins.has("finished_never"):
            fewer = 1 if self.sins.has("finished_early") else 0
            fields: Fields = {
                "schedule_id": self._committed.ident,
                "repeats_done": max(0, self._repeats - fewer),
                "tick": self._stamp(self._tick),
            }
            self._outbox.put(self._outbox.unasked("Finished", fields))

    def _end_run(self) -> None:
        """End the schedule by AllOff or OpenFeed."""
        if self._run is not None:
            self._kept = 0
        self._run = None
        self._cut, self._cut_due = 0, None
        self._outputs(0, Cause.ALL_OFF)
        self._apply()

    # -- samples -----------------------------------------------------------------------------

    def _send_block(self, stream: Stream) -> None:
        """Cut, number and send a block of the stream."""
        cut = stream.cut()
        if cut is None or self.sins.has("stream_stops"):
            return
        number, tick, codes = cut
        sins = self.sins
        self._blocks_seen += 1
        if sins.on:
            if self._every("blocks_lost"):
                return
            if self._every("blocks_lost_hidden"):
                stream.blocks = (stream.blocks - 1) & 0xFFFF
                return
            tick += int(sins.value("block_tick_ticks") or 0)
            if sins.has("block_torn") and len(codes) > 1:
                codes = codes[:-1]
        packed = stream.packed(codes)
        if self._every("blocks_dropped") or not self._outbox.has_room(
            self._us(self._tick), len(packed) + 14
        ):
            stream.dropped = (stream.dropped + 1) & 0xFFFF
            self._outbox.number()
            return
        fields: Fields = {
            "stream": stream.number, "block": number, "tick": self._stamp(tick),
            "count": len(codes), "packed": packed,
        }  # fmt: skip
        self._outbox.put(self._outbox.unasked("Samples", fields))

    def _every(self, name: str) -> bool:
        every = self.sins.value(name)
        return every is not None and self._blocks_seen % int(every) == 0

    def _end_stream(self) -> None:
        """Stop sampling and send the whole scans that were captured."""
        stream, self._stream = self._stream, None
        if stream is not None:
            while len(stream.codes) >= stream.width:
                self._send_block(stream)
            self._block_counts = (stream.blocks, stream.dropped)

    # -- requests ----------------------------------------------------------------------------

    def _state(self) -> RigState:
        if self._run is not None:
            return RigState.RUNNING
        return RigState.IDLE if self._latched[0] == FaultReason.NONE else RigState.FAULT

    def _handle(self, payload: bytes) -> None:
        """Answer one good frame."""
        ident, sequence, body = payload[0], payload[1], payload[2:-2]
        if not 1 <= ident <= codec.LAST_REQUEST_ID:
            self._bad_ids += 1
            return
        sins = self.sins
        if sins.value("mute") == ident:
            return
        repeated = self._memory is not None and self._memory[0] == payload
        if ident != 0x01 and repeated and not sins.has("repeats_carried_out"):
            assert self._memory is not None
            self._answer(ident, self._memory[1])
            return
        waiting = self._outbox.swap([])
        try:
            name, fields = self._carry_out(ident, body)
        except RefusalError as refusal:
            detail = 0 if sins.has("no_detail") else refusal.detail & 0xFFFF_FFFF
            name = "Refused"
            fields = {"request": ident, "reason": refusal.reason, "detail": detail}
        effects = self._outbox.swap(waiting)
        layout = LAYOUTS[name]
        told = sequence ^ 1 if sins.has("answer_other") else sequence
        answer = frame(layout.ident, told, layout.pack(fields))
        self._memory = None if ident == 0x01 else (payload, answer)
        self._answer(ident, answer)
        self._outbox.swap(self._outbox.swap([]) + effects)

    def _answer(self, ident: int, answer: bytes) -> None:
        """Send an answer, as the sins let it."""
        if self.sins.value("mute_done") == ident:
            return
        late = self.sins.value("answer_late_us")
        due = None if late is None else self._tick + self._ticks(int(late))
        for _ in range(2 if self.sins.has("answer_twice") else 1):
            self._outbox.put(answer, due)

    def _carry_out(self, ident: int, body: bytes) -> tuple[str, Fields]:
        """Check a request in the prescribed order and do it."""
        layout = BY_ID.get(ident)
        if layout is None:
            raise RefusalError(Reason.UNKNOWN_MESSAGE, ident)
        fields = layout.unpack(body)
        if fields is None:
            raise RefusalError(Reason.BAD_LENGTH, layout.struct.size)
        values = {name: int(v) for name, v in fields.items() if isinstance(v, int)}
        if ident == 0x0F and values["fault"] not in tuple(FaultReason):
            raise RefusalError(Reason.BAD_VALUE, 0)
        state, sins = self._state(), self.sins
        if sins.has("refuse_all") and ident not in (0x01, 0x04, 0x05):
            raise RefusalError(Reason.WRONG_STATE, state)
        if sins.has("openfeed_refused") and ident == 0x0A and state == RigState.RUNNING:
            raise RefusalError(Reason.WRONG_STATE, state)
        if ident in _IDLE_ONLY and state != RigState.IDLE:
            lenient = sins.has("start_in_fault") and ident in (0x09, 0x0B)
            if state == RigState.RUNNING:
                raise RefusalError(Reason.WRONG_STATE, state)
            if not lenient:
                raise RefusalError(Reason.FAULT_LATCHED, self._latched[0])
        answer = self._handlers[ident](values, body)
        return answer or ("Accepted", {"request": ident, "tick": self._stamp(self._tick)})

    def _do_hello(self, values: dict[str, int], _: bytes) -> tuple[str, Fields]:
        cfg = self.config
        major = 2 if self.sins.has("major_two") else 1
        if values["protocol_major"] != major and not self.sins.has("major_two"):
            raise RefusalError(Reason.VERSION_NOT_SPOKEN, major)
        return "Identity", {
            "protocol_major": major,
            "protocol_minor": 0,
            "firmware_major": cfg.firmware[0],
            "firmware_minor": cfg.firmware[1],
            "firmware_patch": cfg.firmware[2],
            "unique_id": self._unique_id,
            "boot_count": self._boot_count,
            "reset_cause": self._reset_cause,
            "fault": self._latched[0],
            "output_count": len(cfg.outputs),
            "input_count": len(cfg.inputs),
            "steps_max": cfg.steps_max,
            "tick_ns": cfg.tick_ns,
            "clock_tolerance_ppm": cfg.clock_tolerance_ppm,
            "heartbeat_silence_us": self._silence_us(),
            "feed_settle_us": cfg.feed_settle_us,
            "conversion_period_us_min": cfg.conversion_period_us_min,
            "reference_resistor_mohm": cfg.reference_resistor_mohm,
            "source_current_ua": cfg.source_current_ua,
        }

    def _do_describe_output(self, values: dict[str, int], _: bytes) -> tuple[str, Fields]:
        number = values["output"]
        if number >= len(self.config.outputs):
            raise RefusalError(Reason.NO_SUCH_OUTPUT, len(self.config.outputs))
        spec = self.config.outputs[number]
        huge = self.sins.has("ceiling_huge")
        return "OutputInfo", {
            "output": number,
            "kind": spec.kind,
            "on_us_min": spec.on_us_min,
            "off_us_min": spec.off_us_min,
            "on_us_max": 0xFFFF_FFFF if huge else spec.on_us_max,
            "resolution_ns": spec.resolution_ns,
            "trip_current_ma": spec.trip_current_ma,
            "clamp": spec.clamp,
            "clamp_mv": spec.clamp_mv,
            "rated_operations": spec.rated_operations,
        }

    def _do_describe_input(self, values: dict[str, int], _: bytes) -> tuple[str, Fields]:
        number = values["input"]
        if number >= len(self.config.inputs):
            raise RefusalError(Reason.NO_SUCH_INPUT, len(self.config.inputs))
        spec = self.config.inputs[number]
        scale = spec.full_scale * (self.sins.value("scale_times") or 1.0)
        return "InputInfo", {
            "input": number,
            "role": spec.role,
            "bits": spec.bits,
            "flags": spec.flags,
            "full_scale": min(0xFFFF_FFFF, round(scale)),
            "zero_code": 0 if self.sins.has("zero_code_none") else spec.zero_code,
            "outputs_mask": spec.outputs_mask,
        }

    def _do_heartbeat(self, values: dict[str, int], body: bytes) -> tuple[str, Fields]:
        self._beat = self._tick
        self._watch_silence()
        return self._do_read_status(values, body)

    def _beat_age_us(self) -> int | None:
        if self._beat is None:
            return None
        return (self._tick - self._beat) * self.config.tick_ns // 1000

    def _do_read_status(self, _v: dict[str, int], _b: bytes) -> tuple[str, Fields]:
        age, silence = self._beat_age_us(), self._silence_us()
        stream = self._stream
        blocks, dropped = self._block_counts
        if stream is not None:
            blocks, dropped = stream.blocks, stream.dropped
        flags = 1 if self._feed else 0
        flags |= 2 if self._aux() else 0
        flags |= 4 if self._committed is not None else 0
        flags |= 8 if stream is not None else 0
        flags |= 16 if age is not None and age < silence else 0
        reason, detail, tick = self._latched
        if self.sins.has("frames_bad_rise"):
            self._bad_ids += 1
        return "Status", {
            "state": self._state(),
            "fault": reason,
            "fault_detail": detail,
            "fault_tick": tick,
            "flags": flags,
            "outputs_commanded": self._commanded,
            "outputs_readback": self._gates(),
            "tick": self._stamp(self._tick),
            "boot_count": self._boot_count,
            "schedule_id": self._committed.ident if self._committed else 0,
            "repeats_done": self._repeats,
            "edges_counted": self._edges,
            "blocks_counted": blocks,
            "blocks_dropped": dropped,
            "frames_bad": (self._reader.bad + self._bad_ids) & 0xFFFF,
        }

    def _do_schedule_begin(self, values: dict[str, int], _: bytes) -> None:
        for place, name in enumerate(("schedule_id", "step_count", "repeat_count")):
            if not values[name]:
                raise RefusalError(Reason.BAD_VALUE, place)
        if values["step_count"] > self.config.steps_max:
            raise RefusalError(Reason.TOO_MANY_STEPS, self.config.steps_max)
        self._committed = None
        self._loading = Schedule(
            values["schedule_id"], values["step_count"], values["repeat_count"]
        )

    def _no_schedule(self) -> RefusalError:
        return RefusalError(Reason.NO_SCHEDULE, self._committed.ident if self._committed else 0)

    def _do_schedule_step(self, values: dict[str, int], body: bytes) -> None:
        loading = self._loading
        if loading is None or loading.ident != values["schedule_id"]:
            raise self._no_schedule()
        if values["step"] >= loading.step_count:
            raise RefusalError(Reason.BAD_VALUE, 1)
        loading.steps[values["step"]] = Step(
            body, values["outputs_mask"], values["duration_us"], values["change_us"]
        )

    def _do_schedule_commit(self, values: dict[str, int], _: bytes) -> None:
        loading = self._loading
        if loading is None or loading.ident != values["schedule_id"]:
            raise self._no_schedule()
        check_whole(loading, values["steps_crc"])
        if not self.sins.has("commit_unchecked"):
            lenient = self.sins.has("ceiling_ignored") or self.sins.has("ceiling_huge")
            check_rules(loading, self.config, not lenient)
        self._committed, self._loading = loading, None

    def _need_heartbeat(self) -> None:
        """Refuse when the host has been silent for too long."""
        age = self._beat_age_us()
        if self.sins.has("feed_without_heartbeat"):
            return
        if age is None or age > self._silence_us():
            raise RefusalError(Reason.HEARTBEAT_MISSING, _NONE_YET if age is None else age)

    def _do_close_feed(self, _v: dict[str, int], _b: bytes) -> None:
        self._need_heartbeat()
        self._drive_feed(True)

    def _do_open_feed(self, _v: dict[str, int], _b: bytes) -> None:
        if not self.sins.has("openfeed_ignored"):
            self._end_run()
            self._drive_feed(False)

    def _do_all_off(self, _v: dict[str, int], _b: bytes) -> None:
        if not self.sins.has("alloff_ignored"):
            self._end_run()

    def _do_start(self, values: dict[str, int], _: bytes) -> tuple[str, Fields]:
        schedule, cfg = self._committed, self.config
        if schedule is None or schedule.ident != values["schedule_id"]:
            raise self._no_schedule()
        self._need_heartbeat()
        if schedule.uses(self._sources):
            if (self._feed or self._aux()) and not self.sins.has("source_with_feed"):
                raise RefusalError(Reason.FEED_MUST_BE_OPEN)
        elif not self._feed:
            raise RefusalError(Reason.FEED_MUST_BE_CLOSED)
        first = self._tick + self._ticks(cfg.start_lead_us)
        if self._feed:
            first = max(first, self._feed_tick + self._ticks(cfg.feed_settle_us))
        late = self._ticks(int(self.sins.value("start_late_us") or 0))
        self._begin_run(schedule, first + late)
        promised = first - self._ticks(cfg.accepted_early_us)
        return "Accepted", {"request": 0x0B, "tick": self._stamp(promised)}

    def _do_stream(self, values: dict[str, int], _: bytes) -> tuple[str, Fields]:
        mask, period_us = values["inputs_mask"], values["scan_period_us"]
        cfg = self.config
        if not mask:
            raise RefusalError(Reason.BAD_VALUE, 0)
        if period_us > 1_000_000:
            raise RefusalError(Reason.BAD_VALUE, 1)
        if mask >> len(cfg.inputs):
            raise RefusalError(Reason.NO_SUCH_INPUT, len(cfg.inputs))
        inputs = self._bits(mask)
        least = len(inputs) * cfg.conversion_period_us_min
        if period_us < least:
            raise RefusalError(Reason.RATE_TOO_HIGH, least)
        self._end_stream()
        bits = max(cfg.inputs[n].bits for n in inputs)
        self._streams = (self._streams + 1) & 0xFF
        begin = self._tick + self._ticks(cfg.conversion_period_us_min)
        scans = scans_in_block(cfg, len(inputs), bits, period_us)
        period_ticks = self._ticks(period_us)
        self._stream = Stream(
            self._streams, inputs, bits, period_ticks, begin, self._seconds(begin),
            self._tick_s, scans,
        )  # fmt: skip
        return "Streaming", {
            "stream": self._streams,
            "inputs_mask": mask,
            "code_bits": bits,
            "scan_period_ticks": period_ticks,
        }

    def _do_stop_stream(self, _v: dict[str, int], _b: bytes) -> None:
        self._end_stream()

    def _do_clear_fault(self, values: dict[str, int], _: bytes) -> None:
        latched = self._latched[0]
        wrong = values["fault"] != latched and not self.sins.has("fault_forgets")
        if wrong or latched == FaultReason.NONE:
            raise RefusalError(Reason.BAD_VALUE, 0)
        self._latched = (FaultReason.NONE, 0, 0)
