"""The portable core, compiled for this machine under sanitizers, as a rig one can talk to."""

from __future__ import annotations

import struct
import subprocess
import tempfile
from functools import cache
from pathlib import Path

from avr.build import compiler
from benchrig.wire.frames import FrameDecoder, encode_frame
from benchrig.wire.messages import UNASKED, Message, from_payload, to_payload

HOST = Path(__file__).parent / "host"
CORE = Path(__file__).parents[2] / "benchrig" / "firmware" / "core"
SANITIZED = (
    *("-std=gnu11", "-g", "-O1", "-Wall", "-Wextra", "-Werror"),
    *("-fsanitize=address,undefined", "-fno-sanitize-recover=all"),
    "-Wl,--wrap=guard_hold",
)
# The numbers of firmware_protocol.md's reference rig where this port declares its own.
AS_DOCUMENTED = ("-DSWITCHED_US_MIN=100UL", "-DCONVERSION_US_MIN=25u")


class SanitizerStopped(RuntimeError):
    """The core ran into what a sanitizer or the board's own checks forbid."""


@cache
def host_binary(defines: tuple[str, ...] = AS_DOCUMENTED) -> Path:
    """Compile the core with the board of the tests."""
    folder = Path(tempfile.mkdtemp(prefix="benchrig-core-"))
    binary = folder / "rig"
    sources = [HOST / "board.c", HOST / "rig_main.c", *sorted(CORE.glob("*.c"))]
    command = [compiler(), *SANITIZED, *defines, f"-I{HOST}", *map(str, sources), "-o", str(binary)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return binary


class HostCore:
    """One running core. Time is ticks of 0.5 µs and passes only when told."""

    def __init__(self, defines: tuple[str, ...] = AS_DOCUMENTED) -> None:
        self._process = subprocess.Popen(
            [str(host_binary(defines))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        self._decoder = FrameDecoder()
        self._sequence = 0
        self.unasked: list[Message] = []

    def _command(self, data: bytes) -> bytes:
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None
        assert stdout is not None
        try:
            stdin.write(data)
            stdin.flush()
            head = stdout.read(4)
            if len(head) == 4:
                return stdout.read(struct.unpack("<I", head)[0])
        except BrokenPipeError:
            pass
        stderr = self._process.stderr
        assert stderr is not None
        raise SanitizerStopped(stderr.read().decode(errors="replace")[:4000])

    def receive(self, data: bytes) -> bytes:
        """Bytes from a host; what the rig says to them."""
        return self._command(b"B" + struct.pack("<H", len(data)) + data)

    def advance(self, ticks: int) -> bytes:
        """Let time pass."""
        return self._command(b"T" + struct.pack("<I", ticks))

    def set_code(self, channel: int, code: int) -> None:
        """What an input converts to."""
        self._command(b"C" + struct.pack("<BH", channel, code))

    def line_stuck(self, stuck: bool) -> bytes:
        """Whether nothing can be sent."""
        return self._command(b"S" + bytes([stuck]))

    def serial_break(self) -> bytes:
        """The line goes low."""
        return self._command(b"K")

    def break_before_hold(self) -> None:
        """The line goes low and is noticed just before the next request holds the guard."""
        self._command(b"H")

    def restart(self, cause: int) -> None:
        """A reset; memory stays."""
        self._command(b"R" + bytes([cause]))
        self._decoder = FrameDecoder()

    def messages(self, data: bytes) -> list[Message]:
        """What the rig said, decoded; unasked messages are kept apart."""
        found = []
        for payload in self._decoder.feed(data):
            message = from_payload(payload)[0]
            if isinstance(message, UNASKED):
                self.unasked.append(message)
            else:
                found.append(message)
        assert self._decoder.frames_bad == 0
        return found

    def ask(self, request: Message) -> Message:
        """Exactly one answer to a request."""
        frame = encode_frame(to_payload(request, self._sequence))
        self._sequence = (self._sequence + 1) & 0xFF
        (answer,) = self.messages(self.receive(frame))
        return answer

    def wait(self, ticks: int) -> None:
        """Let time pass and keep what is said by itself."""
        assert self.messages(self.advance(ticks)) == []

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.communicate()
