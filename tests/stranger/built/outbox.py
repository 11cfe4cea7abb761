"""What leaves the rig: numbering, the line's room, and the sins of the line."""

from __future__ import annotations

from .codec import LAYOUTS, Fields, frame
from .config import RigConfig
from .sins import Sins


class Outbox:
    """Frames on their way out, in order."""

    def __init__(self, config: RigConfig, sins: Sins) -> None:
        """Begin empty, with the number 0 for the first unasked message."""
        self._config = config
        self._sins = sins
        self._ready: list[bytes] = []
        self.delayed: list[tuple[int, bytes]] = []
        self.unasked_number = 0
        self._frames = 0
        self._backlog = 0.0
        self._backlog_us = 0

    def swap(self, ready: list[bytes]) -> list[bytes]:
        """Put another list in the place of the waiting frames; return the old one."""
        old, self._ready = self._ready, ready
        return old

    def take(self) -> bytes:
        """Return and forget everything that waits."""
        data = b"".join(self._ready)
        self._ready.clear()
        return b"" if self._sins.has("mute_all") else data

    def has_room(self, now_us: int, size: int) -> bool:
        """Return whether a block of samples still fits on the line."""
        rate = self._config.line_bytes_per_s
        if rate is None:
            return True
        drained = (now_us - self._backlog_us) * 1e-6 * rate
        self._backlog = max(0.0, self._backlog - drained)
        self._backlog_us = now_us
        return self._backlog + size <= self._config.line_room_bytes

    def number(self) -> int:
        """Return the number for an unasked message and count it."""
        number = self.unasked_number
        if not self._sins.has("unasked_stands"):
            self.unasked_number = (number + 1) & 0xFF
        return number

    def unasked(self, name: str, fields: Fields) -> bytes:
        """Return the frame of an unasked message with its number."""
        layout = LAYOUTS[name]
        return frame(layout.ident, self.number(), layout.pack(fields))

    def put(self, data: bytes, due: int | None = None) -> None:
        """Send a frame, now or at a tick."""
        data = self._spoilt(data)
        if due is not None:
            self.delayed.append((due, data))
            self.delayed.sort(key=lambda item: item[0])
            return
        self._backlog += len(data)
        self._ready.append(data)

    def release(self, tick: int) -> None:
        """Send what was held back until now."""
        while self.delayed and self.delayed[0][0] <= tick:
            self._ready.append(self.delayed.pop(0)[1])

    def _spoilt(self, data: bytes) -> bytes:
        """Return a frame as the sins of the line leave it."""
        if not self._sins.on:
            return data
        self._frames += 1
        sins, count = self._sins, self._frames
        every = sins.value("crc_wrong")
        if every and count % int(every) == 0 and len(data) > 3:
            place = len(data) - 2
            data = data[:place] + bytes((data[place] ^ 0x55 or 0xAA,)) + data[place + 1 :]
        every = sins.value("rubbish")
        if every and count % int(every) == 0:
            data += b"\x37\x81\xfe\x10\x00"
        every = sins.value("chatter")
        if every and count % int(every) == 0:
            data += frame(0xD7, self.number(), b"idle talk")
        return data
