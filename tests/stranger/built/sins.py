"""Every fault and lie the rig can be told to have, and when each begins.

A sin is written `name`, `name=value`, `name@moment` or `name=value@moment`. The moment is one of
`start` (the default), a number of microseconds of the world's clock, `last-off` (right before the
last switch-off of a run, or a switch-off by AllOff, OpenFeed or a fault: that switch-off is hit
already), `feed-open` (right before the feed is commanded open) and `source` (only while the
low-current source is commanded on; what it did ends with it, except for what has worn out).
"""

from __future__ import annotations

from dataclasses import dataclass

CATALOGUE: dict[str, tuple[float, str]] = {
    # switches and feed -----------------------------------------------------------------------
    "output_welded": (-1, "Output (value; -1: the last one on) conducts for ever; gate says off."),
    "output_stuck": (-1, "Output (value; -1: the last one on) conducts for ever; gate says on."),
    "output_dead": (-1, "Output (value; -1: all) never conducts; the gate follows the command."),
    "gate_never_on": (1, "The read-back of the gates is never 1."),
    "gate_echoes": (1, "The read-back of the gates repeats the command."),
    "feed_welded": (1, "The feed conducts for ever; the auxiliary contact follows the command."),
    "feed_stuck": (1, "The feed conducts for ever; the auxiliary contact says so."),
    "feed_dead": (1, "The feed never conducts; the auxiliary contact says so."),
    "feed_dead_lying": (1, "The feed never conducts; the auxiliary contact follows the command."),
    "aux_open": (1, "The auxiliary contact always says open."),
    "aux_closed": (1, "The auxiliary contact always says closed."),
    "source_stays_on": (1, "The low-current source, once on, stays on; its gate says so."),
    "source_stays_on_lying": (1, "The source and the output it measures stay on; gates say off."),
    "source_dead": (1, "The low-current source gives nothing."),
    "source_output_kept": (
        1,
        "The output measured by the source stays on after it; gate says off.",
    ),
    # inputs ----------------------------------------------------------------------------------
    "inputs_frozen": (1, "Every input stands at the code it had."),
    "inputs_replay": (1, "Every input repeats samples of an earlier time with all outputs off."),
    "inputs_live_zero": (1, "Every input stands at its zero code, with noise."),
    "inputs_zero": (1, "Every input reads exactly 0."),
    "inputs_full": (1, "Every input reads its highest code."),
    "inputs_noiseless": (1, "No input has noise."),
    "input_dead": (3, "One input (value) reads exactly 0."),
    "input_live_zero": (3, "One input (value) stands at its zero code, with noise."),
    "input_frozen": (3, "One input (value) stands at the code it had."),
    "inputs_swapped": (1, "Coarse current and part voltage are exchanged."),
    "noise_times": (10, "The noise of every input is multiplied by the value."),
    "current_instant": (1, "Current inputs show the final current from the first moment on."),
    "current_times": (0.6, "Current inputs are multiplied by the value."),
    "current_offset_a": (0.3, "Current inputs show a current that is not there."),
    "current_dead": (1, "The current amplifier is dead: its inputs stand at the zero code."),
    "current_gone": (1, "The current amplifier is without supply: its inputs read exactly 0."),
    "current_inverted": (1, "The shunt is wired the wrong way round."),
    "reference_percent": (10, "The reference resistor is off by the value; nobody says so."),
    "fine_current_times": (1.1, "The gain of the fine current input is off."),
    "part_voltage_times": (1.1, "The gain of the part-voltage inputs is off."),
    "supply_times": (1.08, "The gain of the supply input is off."),
    "temperature_plus_c": (25, "The temperature input reads too high."),
    "zero_shift_codes": (6, "Every live zero has drifted by the value."),
    # one common cause ------------------------------------------------------------------------
    "common_frozen": (-1, "Output and feed stay on, read-backs lie, inputs stand at their codes."),
    "common_replay": (-1, "Output and feed stay on, read-backs lie, inputs replay an OFF time."),
    "common_live_zero": (-1, "Output and feed stay on, read-backs lie, inputs at their zero code."),
    "common_zero": (-1, "Output and feed stay on, read-backs lie, inputs read exactly 0."),
    # time ------------------------------------------------------------------------------------
    "clock_percent": (5, "The clock is fast by the value (negative: slow); from the start."),
    "clock_jump_ticks": (100_000, "From the moment on, reported ticks are too high by the value."),
    "pulse_short": (0.1, "On-times end early by this share; edges are told as they were."),
    "pulse_short_lying": (0.1, "On-times end early by this share; edges are told as planned."),
    "pulse_long_lying": (0.1, "On-times end late by this share; edges are told as planned."),
    "pulse_missing": (10, "One on-time in so many is left out; its edges are told all the same."),
    "start_late_us": (5000, "Step 0 begins this much after the tick that was promised."),
    "edge_told_late_us": (60_000, "Edges are told late; their ticks are true."),
    "edge_never_told": (1, "Edges are counted in Status and never told."),
    "edge_not_counted": (1, "Edges are neither counted nor told."),
    "edge_wrong_mask": (1, "Edges tell a mask with one output too many."),
    "finished_never": (1, "Finished is not sent."),
    "finished_early": (1, "Finished counts one repeat fewer than were done."),
    "runs_for_ever": (1, "The schedule is repeated without end."),
    # limits and states -----------------------------------------------------------------------
    "scale_times": (1000, "Every full scale is declared wrong by this factor."),
    "zero_code_none": (1, "Every input declares a zero code of 0."),
    "ceiling_ignored": (1, "On-times above the ceiling are accepted and run."),
    "ceiling_huge": (1, "Ceilings of 4,294,967,295 us are declared."),
    "commit_unchecked": (1, "Any whole schedule is committed, whatever its times."),
    "silence_ignored": (1, "Silence of the host drops nothing."),
    "silence_long_us": (400_000, "Silence drops only after the value; the declared one stands."),
    "silence_declared_us": (2_000_000, "A longer silence than allowed is declared and kept."),
    "trip_ignored": (1, "Over-current drops nothing."),
    "fault_not_latched": (1, "A fault drops everything, is told, and is not latched."),
    "fault_forgets": (1, "A fault can be cleared by any name."),
    "fault_not_told": (1, "A fault is latched and no Fault is sent."),
    "start_in_fault": (1, "CloseFeed and Start are accepted with a fault latched."),
    "feed_kept_on_fault": (1, "A fault leaves the feed closed, and says it opened."),
    "outputs_kept_on_fault": (1, "A fault leaves the outputs on, and says they are off."),
    "alloff_ignored": (1, "AllOff is accepted and does nothing."),
    "openfeed_ignored": (1, "OpenFeed is accepted and does nothing."),
    "openfeed_refused": (1, "OpenFeed is refused in RUNNING."),
    "feed_without_heartbeat": (1, "CloseFeed and Start need no Heartbeat."),
    "source_with_feed": (1, "The low-current source may start with the feed closed."),
    # line and messages -----------------------------------------------------------------------
    "repeats_carried_out": (1, "Sequence numbers are not looked at: repeats are carried out."),
    "blocks_lost": (7, "One block in so many is lost and not counted as dropped."),
    "blocks_lost_hidden": (7, "One block in so many is lost and the numbering closes the gap."),
    "blocks_dropped": (7, "One block in so many is dropped and counted (this is legal)."),
    "block_tick_ticks": (777, "Blocks are stamped too late by the value."),
    "block_torn": (1, "Blocks end in the middle of a scan."),
    "stream_stops": (1, "Samples stop at the moment; Status still says a stream runs."),
    "crc_wrong": (10, "One frame in so many has a wrong CRC."),
    "answer_twice": (1, "Every answer is sent twice."),
    "answer_late_us": (45_000, "Every answer comes this late."),
    "answer_other": (1, "Answers carry another sequence number than the request."),
    "mute": (5, "A request of this id is never answered (nor carried out)."),
    "mute_done": (11, "A request of this id is carried out and never answered."),
    "mute_all": (1, "Nothing is answered or told any more."),
    "no_detail": (1, "Every refusal has a detail of 0."),
    "refuse_all": (1, "Every request but Hello, Heartbeat and ReadStatus gets WRONG_STATE."),
    "unasked_stands": (1, "The number of unasked messages stands still."),
    "chatter": (5, "After so many frames an unknown unasked message is sent (this is legal)."),
    "rubbish": (5, "After so many frames rubbish stands between two frames (lines do that)."),
    "major_two": (1, "The rig speaks major version 2."),
    "frames_bad_rise": (1, "frames_bad counts one more with every Status."),
    # starts ----------------------------------------------------------------------------------
    "reset_watchdog": (1, "At the moment the watchdog resets the rig."),
    "reset_brown_out": (1, "At the moment the rig's supply sinks and comes back."),
    "reset_external": (1, "At the moment the reset pin is pulled."),
    "boot_count_stands": (1, "The boot count does not rise at a reset."),
    "unique_id_after_reset": (1, "After a reset the rig has another unique id."),
    "reset_forgets_fault": (1, "After a watchdog reset at work nothing is latched."),
}

INPUT_SINS = frozenset(
    name
    for name in CATALOGUE
    if name.startswith(("input", "current_", "common_", "noise_", "zero_shift"))
)
REPLAYS = frozenset({"inputs_replay", "common_replay"})


@dataclass
class Sin:
    """One sin that is configured."""

    name: str
    value: float
    moment: str
    at_us: int | None
    active: bool = False
    hit: int = -1


def parse(text: str) -> Sin:
    """Read `name[=value][@moment]`."""
    head, _, moment = text.partition("@")
    name, _, value = head.partition("=")
    if name not in CATALOGUE:
        raise ValueError(f"no such sin: {name}")
    usual = CATALOGUE[name][0]
    moment = moment or ("last-off" if name.startswith("common_") else "start")
    at_us = int(moment) if moment.lstrip("-").isdigit() else None
    if at_us is None and moment not in ("start", "last-off", "feed-open", "source"):
        raise ValueError(f"no such moment: {moment}")
    return Sin(name, float(value) if value else usual, moment, at_us)


class Sins:
    """The configured sins and which of them have begun."""

    def __init__(self, texts: tuple[str, ...]) -> None:
        """Read the configuration; those without a moment begin at once."""
        self.all = [parse(text) for text in texts]
        self.on: dict[str, Sin] = {}
        self.fresh = False
        self.lies_inputs = any(sin.name in INPUT_SINS for sin in self.all)
        self.keeps_past = any(sin.name in REPLAYS for sin in self.all)
        self._begin([sin for sin in self.all if sin.moment == "start"])

    def _begin(self, sins: list[Sin]) -> bool:
        for sin in sins:
            sin.active = True
            self.on[sin.name] = sin
        self.fresh = self.fresh or bool(sins)
        return bool(sins)

    def value(self, name: str) -> float | None:
        """Return the value of a sin that is on, else None."""
        sin = self.on.get(name)
        return None if sin is None else sin.value

    def has(self, name: str) -> bool:
        """Return whether a sin is on."""
        return name in self.on

    def configured(self, name: str) -> bool:
        """Return whether a sin is on now or will be."""
        return any(sin.name == name for sin in self.all)

    def next_us(self) -> int | None:
        """Return the next moment of the world's clock at which one begins."""
        moments = [s.at_us for s in self.all if s.at_us is not None and not s.active]
        return min(moments, default=None)

    def reach(self, now_us: int) -> bool:
        """Begin those whose time has come."""
        due = [s for s in self.all if s.at_us is not None and not s.active and s.at_us <= now_us]
        return self._begin(due)

    def trigger(self, moment: str) -> bool:
        """Begin those that wait for this moment."""
        return self._begin([s for s in self.all if s.moment == moment and not s.active])

    def release(self, moment: str) -> bool:
        """End those that last only as long as this moment does."""
        gone = [s for s in self.all if s.moment == moment and s.active]
        for sin in gone:
            sin.active = False
            self.on.pop(sin.name, None)
        return bool(gone)
