"""Serial ports by pyserial, held exclusively: by file descriptor on POSIX, else by a thread.

pyserial opens, locks and sets the line. Where the event loop can wait for the descriptor it
does so itself; Windows ports and rfc2217:// have none, so one thread reads and hands over.
"""

from __future__ import annotations

import asyncio
import errno
import os
import threading
from contextlib import suppress
from typing import Any

import serial
from serial.tools import list_ports

from benchrig.errors import LinkError, UsageError
from benchrig.rig.link import (
    BREAK_S,
    GATHER_FULL_S,
    GATHER_S,
    HURRY_S,
    OPEN_TIMEOUT_S,
    Inbox,
    NoBreak,
    gather_until_s,
    look_with_answer_s,
)

BAUD = 1_000_000
_READ_BYTES = 65_536
_FULL_BYTES = 4_000  # what a terminal gives at once, nearly; more may wait behind it
_READS_AT_ONCE = 64  # then all else in the loop has its turn
_UNSENT_BYTES_MAX = 4_096
# What pyserial may raise: a port that is gone can also be a bare OSError, or TypeError when its
# descriptor was taken away by a close.
PORT_ERRORS = (serial.SerialException, OSError, TypeError, ValueError)


class _SerialLink:
    """What both kinds share: the inbox, the break, closing."""

    def __init__(self, name: str, port: serial.SerialBase) -> None:
        self.name = name
        self._port: Any = port
        self._inbox = Inbox()

    async def read(self) -> bytes:
        """See Link."""
        return await self._inbox.read()

    async def send_break(self) -> None:
        """See Link."""
        self._inbox.check()
        try:
            self._check_line()
            self._port.break_condition = True
            try:
                await asyncio.sleep(BREAK_S)
            finally:  # a line that is left low carries nothing any more
                self._port.break_condition = False
        except OSError as error:
            if error.errno in (errno.ENOTTY, errno.EINVAL, errno.EOPNOTSUPP):
                raise NoBreak(f"{self.name}: this port has no serial break") from error
            raise self._broken(error) from error
        except PORT_ERRORS as error:
            raise self._broken(error) from error

    def _check_line(self) -> None:
        """Raise OSError where a break would be swallowed in silence."""

    def _broken(self, error: Exception) -> LinkError:
        lost = LinkError(
            f"{self.name}: the port is gone ({error})", advice="look at the cable and the rig"
        )
        self._inbox.close(lost)
        return lost


class DescriptorLink(_SerialLink):
    """A port the event loop itself waits for."""

    def __init__(self, name: str, port: serial.SerialBase) -> None:
        super().__init__(name, port)
        self._descriptor: int = self._port.fileno()
        self._loop = asyncio.get_running_loop()
        self._gathering: asyncio.TimerHandle | None = None
        self._hurry_until_s = 0.0
        self._unsent = bytearray()
        self._sending = False  # as soon as the port takes more
        self._loop.add_reader(self._descriptor, self._on_readable)

    def write(self, data: bytes) -> None:
        """See Link."""
        self._inbox.check()
        self._unsent += data
        if len(self._unsent) > _UNSENT_BYTES_MAX:
            raise self._let_go(OSError(errno.EAGAIN, "the port takes no more bytes"))
        error = self._send()
        if error is not None:
            raise error
        self._read_on()

    async def close(self) -> None:
        """See Link."""
        self._inbox.close()
        self._release()

    def _check_line(self) -> None:
        # A pseudo-terminal takes the break and does nothing; it has no modem lines either.
        _ = self._port.cts

    def _send(self) -> LinkError | None:
        try:
            sent = os.write(self._descriptor, self._unsent)
        except BlockingIOError:
            sent = 0
        except OSError as error:
            return self._let_go(error)
        del self._unsent[:sent]
        if self._sending != bool(self._unsent):
            self._sending = bool(self._unsent)
            if self._sending:
                self._loop.add_writer(self._descriptor, self._send)
            else:
                self._loop.remove_writer(self._descriptor)
        return None

    def _on_readable(self) -> None:
        """Something came to a quiet line: take it and let the rest gather."""
        try:
            got = self._take()
        except BlockingIOError:
            return
        except OSError as error:
            self._let_go(error)
            return
        if not got:  # readable with nothing in it: a port that was unplugged
            self._let_go(OSError(errno.EIO, "unplugged"))
            return
        if self._loop.time() >= self._hurry_until_s:
            self._loop.remove_reader(self._descriptor)
            self._gather(got)

    def _read_gathered(self) -> None:
        """While a stream runs there is always something: no need to be woken for it first."""
        self._gathering = None
        try:
            got = self._take()
        except OSError:
            got = 0
        if got:
            self._gather(got)
        else:
            self._loop.add_reader(self._descriptor, self._on_readable)  # tells a port that is gone

    def _gather(self, got: int) -> None:
        now_s = self._loop.time()
        when_s = gather_until_s(now_s) if got < _FULL_BYTES else now_s + GATHER_FULL_S
        self._gathering = self._loop.call_at(when_s, self._read_gathered)

    def _take(self) -> int:
        """Hand over all that waits; how many bytes it was. Raises what the first read does."""
        data = os.read(self._descriptor, _READ_BYTES)
        parts = [data]
        with suppress(OSError):  # what is wrong now is still so at the next look
            while len(data) >= _FULL_BYTES and len(parts) < _READS_AT_ONCE:
                data = os.read(self._descriptor, _READ_BYTES)
                parts.append(data)
        got = sum(map(len, parts))
        if got:
            self._inbox.put(parts[0] if len(parts) == 1 else b"".join(parts))
        return got

    def _read_on(self) -> None:
        now_s = self._loop.time()
        if self._gathering is not None:
            look_s = look_with_answer_s(self._gathering.when(), now_s)
            if look_s == self._gathering.when():
                return
            self._gathering.cancel()
            self._gathering = None
            if look_s is not None:
                self._gathering = self._loop.call_at(look_s, self._read_gathered)
                return
            self._loop.add_reader(self._descriptor, self._on_readable)
        self._hurry_until_s = now_s + HURRY_S

    def _let_go(self, error: OSError) -> LinkError:
        lost = self._broken(error)
        self._release()
        return lost

    def _release(self) -> None:
        if self._descriptor < 0:
            return
        if self._gathering is not None:
            self._gathering.cancel()
            self._gathering = None
        self._loop.remove_reader(self._descriptor)
        self._loop.remove_writer(self._descriptor)
        self._descriptor = -1
        _close_quietly(self._port)


class ThreadLink(_SerialLink):
    """A port without a descriptor: one thread reads, the loop's calls hand over."""

    def __init__(self, name: str, port: serial.SerialBase) -> None:
        super().__init__(name, port)
        self._loop = asyncio.get_running_loop()
        self._stop = False
        self._read_on = threading.Event()  # set by a write: its answer shall not wait
        self._thread = threading.Thread(target=self._pump, name=f"read {name}", daemon=True)
        self._thread.start()

    def write(self, data: bytes) -> None:
        """See Link."""
        self._inbox.check()
        try:
            self._port.write(data)
        except PORT_ERRORS as error:
            raise self._broken(error) from error
        self._read_on.set()

    async def close(self) -> None:
        """See Link."""
        self._stop = True
        self._read_on.set()
        self._inbox.close()
        await asyncio.to_thread(self._thread.join, OPEN_TIMEOUT_S)

    def _pump(self) -> None:
        """Runs in the thread. Ends by itself when told to, or when the port is gone."""
        hurry_until_s = 0.0
        try:
            while not self._stop:
                data = self._port.read(1)
                waiting = self._port.in_waiting
                if data or waiting:
                    data += self._port.read(waiting) if waiting else b""
                    self._hand_over(self._inbox.put, data)
                    if self._loop.time() >= hurry_until_s and self._read_on.wait(GATHER_S):
                        self._read_on.clear()
                        hurry_until_s = self._loop.time() + HURRY_S
        except PORT_ERRORS as error:
            self._hand_over(self._broken, error)
        finally:
            _close_quietly(self._port)

    def _hand_over(self, call: Any, argument: object) -> None:
        try:
            self._loop.call_soon_threadsafe(call, argument)
        except RuntimeError:  # the loop has ended first; nobody is left to tell
            self._stop = True


async def open_serial(url: str) -> DescriptorLink | ThreadLink:
    """Open a port exclusively; LinkError says what is wrong with it."""
    try:
        # Opening may block (a far server, a slow driver), so it is done beside the loop.
        port = await asyncio.to_thread(_open_port, url)
    except PORT_ERRORS as error:
        raise _why_not(url, error) from error
    if os.name == "posix" and hasattr(port, "fd"):
        return DescriptorLink(url, port)
    return ThreadLink(url, port)


def _open_port(url: str) -> serial.SerialBase:
    if url.lower().startswith("rfc2217:"):
        return serial.serial_for_url(url, baudrate=BAUD, timeout=0.1)
    return serial.Serial(url, baudrate=BAUD, timeout=0.1, write_timeout=0.5, exclusive=True)


def _why_not(url: str, error: Exception) -> LinkError | UsageError:
    number = getattr(error, "errno", None)
    text = str(error)
    if number in (errno.EAGAIN, errno.EBUSY) or "exclusively lock" in text:
        return LinkError(
            f"{url}: the port is in use by another program", advice="end that program first"
        )
    if number == errno.EACCES or "Access is denied" in text or "PermissionError" in text:
        return LinkError(
            f"{url}: no permission to open the port, or it is in use",
            advice="on Linux add yourself to the group that owns the port (often dialout)",
        )
    if number == errno.ENOENT or "FileNotFoundError" in text:
        return LinkError(f"{url}: there is no such port", advice=_ports_found())
    if isinstance(error, ValueError) and not isinstance(error, serial.SerialException):
        return UsageError(f"{url!r} cannot be the name of a port: {error}", advice=_ports_found())
    return LinkError(f"{url}: the port cannot be opened: {text}", advice=_ports_found())


def _ports_found() -> str:
    found = sorted(port.device for port in list_ports.comports())
    return f"ports here: {', '.join(found)}" if found else "no serial port was found here"


def _close_quietly(port: Any) -> None:
    try:
        port.close()
    except PORT_ERRORS:
        return  # it was gone already, and gone is what was wanted
