"""One emulated ATmega328P with the firmware in it. It owns time: nothing moves but by ``run``."""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from avr.build import shim_library
from benchrig.wire.simulated import simulated_id

HZ = 16_000_000
FIRMWARE_ELF = Path(__file__).parents[2] / "benchrig" / "firmware" / "built" / "benchrig.elf"
RAM_END = 0x8FF
UNIQUE_ID = simulated_id(0xCA1B_0001)  # no board: its numbers are of no real part

POWER_ON, EXTERNAL, BROWN_OUT, WATCHDOG = 1, 2, 4, 8  # bits of MCUSR
VECTORS = {
    "TIMER2_COMPA": 7,
    "TIMER2_COMPB": 8,
    "TIMER1_COMPA": 11,
    "TIMER1_OVF": 13,
    "TIMER0_COMPA": 14,
    "USART_RX": 18,
    "USART_UDRE": 19,
    "ADC": 21,
}

_ADC = ctypes.CFUNCTYPE(ctypes.c_uint32, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_uint32)
_PINS = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_uint64, ctypes.c_uint32, ctypes.c_uint32)

CHANNELS = 8
_Levels = ctypes.c_double * CHANNELS

AdcCallback = Callable[[int, int], int]  # (cycle, channel) -> millivolts at the pin
PinsCallback = Callable[[int, int, bool], None]  # (cycle, outputs mask, feed)


class _EdgeSeen(ctypes.Structure):
    _fields_ = (
        ("cycle", ctypes.c_uint64),
        ("outputs", ctypes.c_uint32),
        ("feed", ctypes.c_uint32),
    )


@dataclass(frozen=True, slots=True)
class PinEdge:
    """Gate pins and feed pin from this cycle on, as the pins say."""

    cycle: int
    outputs: int
    feed: bool


class EmulationEnded(RuntimeError):
    """The emulated processor stopped: it crashed, or slept with interrupts off."""


@lru_cache(maxsize=1)
def _library() -> ctypes.CDLL:
    library = ctypes.CDLL(str(shim_library()))
    u64, u32, pointer = ctypes.c_uint64, ctypes.c_uint32, ctypes.c_void_p
    library.sim_new.argtypes = [ctypes.c_char_p, _ADC, _PINS, pointer]
    library.sim_new.restype = pointer
    library.sim_run.argtypes = [pointer, u64, ctypes.c_int]
    for name in ("cycle", "slept", "resets", "adc_last", "adc_starts"):
        function = getattr(library, f"sim_{name}")
        function.argtypes, function.restype = [pointer], u64
    for name in ("outputs", "feed", "tx_lost", "rx_waiting"):
        function = getattr(library, f"sim_{name}")
        function.argtypes, function.restype = [pointer], u32
    for name in ("latency_most", "pending_last"):
        function = getattr(library, f"sim_{name}")
        function.argtypes, function.restype = [pointer, ctypes.c_int], u64
    library.sim_stack_least.argtypes = [pointer]
    library.sim_stack_least.restype = ctypes.c_uint16
    library.sim_single_step.argtypes = [pointer, ctypes.c_int]
    library.sim_write.argtypes = [pointer, ctypes.c_char_p, u32]
    library.sim_read.argtypes = [pointer, ctypes.c_char_p, u32]
    library.sim_read.restype = u32
    library.sim_break.argtypes = [pointer, u64]
    library.sim_drop_input.argtypes = [pointer]
    library.sim_stop.argtypes = [pointer]
    library.sim_reset.argtypes = [pointer, ctypes.c_uint8]
    library.sim_auxiliary.argtypes = [pointer, ctypes.c_int]
    for name in ("flash", "memory_read", "memory_write"):
        getattr(library, f"sim_{name}").argtypes = [pointer, u32, ctypes.c_char_p, u32]
    library.sim_eeprom.argtypes = [pointer, u32, ctypes.c_char_p, u32, ctypes.c_int]
    library.sim_edges.argtypes = [pointer, ctypes.POINTER(_EdgeSeen), u32]
    library.sim_edges.restype = u32
    library.sim_hold.argtypes = [pointer, _Levels, _Levels, u64]
    library.sim_seed.argtypes = [pointer, u64]
    library.sim_profile.argtypes = [pointer, ctypes.POINTER(ctypes.c_uint32)]
    library.sim_poke_port.argtypes = [pointer, ctypes.c_char]
    library.sim_free.argtypes = [pointer]
    return library


class Emulator:
    """The processor, its line and its pins. Times are cycles of 62.5 ns."""

    def __init__(
        self,
        *,
        elf: Path = FIRMWARE_ELF,
        on_adc: AdcCallback | None = None,
        on_pins: PinsCallback | None = None,
        unique_id: int = UNIQUE_ID,
    ) -> None:
        self._lib = _library()
        self._error: BaseException | None = None
        adc, pins = on_adc, on_pins

        def adc_hook(_user: int, cycle: int, channel: int) -> int:
            try:
                return 0 if adc is None else adc(cycle, channel)
            except BaseException as error:  # noqa: BLE001 - C is on the stack; raised again by run
                self._error = self._error or error
                return 0

        def pins_hook(_user: int, cycle: int, outputs: int, feed: int) -> None:
            try:
                if pins is not None:
                    pins(cycle, outputs, bool(feed))
            except BaseException as error:  # noqa: BLE001 - as above
                self._error = self._error or error

        self._hooks = (_ADC(adc_hook if adc else 0), _PINS(pins_hook if pins else 0))
        self._sim = self._lib.sim_new(str(elf).encode(), *self._hooks, None)
        if not self._sim:
            raise FileNotFoundError(f"{elf} is no firmware that the emulator can load")
        self._buffer = ctypes.create_string_buffer(65536)
        self.write_eeprom(0, unique_id.to_bytes(8, "little"))

    # --- time ---

    @property
    def cycle(self) -> int:
        """Cycles since power-on; goes on through resets."""
        return int(self._lib.sim_cycle(self._sim))

    @property
    def now_s(self) -> float:
        """The same in seconds."""
        return self.cycle / HZ

    def run_to(self, cycle: int, *, stop_when_said: bool = False) -> None:
        """Run to this cycle, or only until a frame that is no sample block has been sent."""
        ended = self._lib.sim_run(self._sim, cycle, int(stop_when_said))
        if self._error is not None:
            error, self._error = self._error, None
            raise error
        if ended:
            raise EmulationEnded(f"the processor stopped at cycle {self.cycle}")

    def stop(self) -> None:
        """Let the run under way end soon; for callbacks."""
        self._lib.sim_stop(self._sim)

    def run_s(self, seconds: float) -> None:
        """Run on for so long."""
        self.run_to(self.cycle + round(seconds * HZ))

    # --- line ---

    def write(self, data: bytes) -> None:
        """Put bytes on the line, one per byte time, after those already there."""
        if self._lib.sim_write(self._sim, data, len(data)):
            raise OverflowError("the line to the emulated rig is full")

    def read(self) -> bytes:
        """What the firmware has sent."""
        count = self._lib.sim_read(self._sim, self._buffer, len(self._buffer))
        return self._buffer.raw[:count]

    def send_break(self, seconds: float) -> None:
        """Hold the line low."""
        self._lib.sim_break(self._sim, round(seconds * HZ))

    @property
    def bytes_lost(self) -> int:
        """Bytes the firmware sent that nobody had read in time."""
        return int(self._lib.sim_tx_lost(self._sim))

    # --- pins ---

    def hold(self, codes: Sequence[float], noises: Sequence[float], until: int) -> None:
        """Take these levels at the inputs, in codes, until a cycle or the next pin change.

        Noise of these standard deviations is added; a negative code is asked for all the same.
        """
        self._lib.sim_hold(self._sim, _Levels(*codes), _Levels(*noises), until)

    def seed_noise(self, seed: int) -> None:
        """Where the noise on held levels begins."""
        self._lib.sim_seed(self._sim, seed)

    @property
    def outputs(self) -> int:
        """Gates that are driven on, by the pins."""
        return int(self._lib.sim_outputs(self._sim))

    @property
    def feed(self) -> bool:
        """Whether the feed contactor's pin is driven."""
        return bool(self._lib.sim_feed(self._sim))

    def set_auxiliary(self, closed: bool) -> None:
        """The feed contactor's auxiliary contact."""
        self._lib.sim_auxiliary(self._sim, int(closed))

    def take_edges(self) -> list[PinEdge]:
        """Changes of the gate and feed pins since the last call (the first 65 536)."""
        rows = (_EdgeSeen * 65536)()
        count = self._lib.sim_edges(self._sim, rows, len(rows))
        return [PinEdge(r.cycle, r.outputs, bool(r.feed)) for r in rows[:count]]

    # --- what a test does to it, and asks of it ---

    def reset(self, cause: int) -> None:
        """A reset with this bit in MCUSR. Memory and EEPROM stay."""
        self._lib.sim_reset(self._sim, cause)

    @property
    def resets(self) -> int:
        """Resets after the first power-on."""
        return int(self._lib.sim_resets(self._sim))

    @property
    def slept_cycles(self) -> int:
        """Cycles spent asleep: the rest is load."""
        return int(self._lib.sim_slept(self._sim))

    @property
    def adc_last_cycle(self) -> int:
        """When the last conversion started."""
        return int(self._lib.sim_adc_last(self._sim))

    @property
    def adc_starts(self) -> int:
        """How many conversions were started."""
        return int(self._lib.sim_adc_starts(self._sim))

    def latency_most(self, vector: str) -> int:
        """The longest wait of an interrupt, from its flag to its first instruction, cycles."""
        return int(self._lib.sim_latency_most(self._sim, VECTORS[vector]))

    def pending_last(self, vector: str) -> int:
        """The cycle at which an interrupt's flag was raised last."""
        return int(self._lib.sim_pending_last(self._sim, VECTORS[vector]))

    def watch_stack(self, on: bool) -> None:
        """Look at the stack pointer after every instruction (slow)."""
        self._lib.sim_single_step(self._sim, int(on))

    @property
    def stack_bytes_most(self) -> int:
        """The deepest stack seen while it was watched."""
        return RAM_END - int(self._lib.sim_stack_least(self._sim))

    def take_profile(self) -> list[int]:
        """Cycles awake by program word since the last call, while stepping singly."""
        rows = (ctypes.c_uint32 * 16384)()
        self._lib.sim_profile(self._sim, rows)
        return list(rows)

    def patch_flash(self, address: int, code: bytes) -> None:
        """Overwrite program memory."""
        self._lib.sim_flash(self._sim, address, code, len(code))

    def write_eeprom(self, address: int, data: bytes) -> None:
        """Overwrite EEPROM."""
        self._lib.sim_eeprom(self._sim, address, data, len(data), 1)

    def write_memory(self, address: int, data: bytes) -> None:
        """Overwrite data memory."""
        self._lib.sim_memory_write(self._sim, address, data, len(data))

    def poke_port(self, port: str) -> None:
        """Let the pins of a port follow its register, which was overwritten."""
        self._lib.sim_poke_port(self._sim, port.encode())

    def close(self) -> None:
        """Free it."""
        if self._sim:
            self._lib.sim_free(self._sim)
            self._sim = None
