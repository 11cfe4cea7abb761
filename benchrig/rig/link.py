"""A link carries bytes to one rig and back; ``open_link`` makes one from what a person typed.

::

    /dev/ttyUSB0, COM3     a serial port, held exclusively
    socket://HOST:PORT     bytes over TCP
    rfc2217://HOST:PORT    a serial port of another machine
    sim:SCENARIO           the simulated rig, in this process
    avr:SCENARIO           the reference firmware in an emulator (source checkout only)

Links know nothing of frames. A link that broke stays broken: nothing here reconnects.
"""

from __future__ import annotations

import asyncio
import importlib
import re
from typing import Protocol, cast
from urllib.parse import SplitResult, urlsplit

from benchrig.errors import LinkError, UsageError

# Reads are gathered for this long at most, since wake-ups are what a stream costs. An answer does
# not wait: the first bytes after a pause are handed over at once, and after a write so is all that
# comes for a while, since a stream goes on before the answer. Unless the next look is just ahead
# or due: then the answer comes with it.
GATHER_S = 0.050
HURRY_S = 0.020
_JUST_AHEAD_S = 0.005
_ANSWER_S_LEAST, _ANSWER_S = 0.001, 0.003
GATHER_FULL_S = 0.004  # where more comes than the system holds for so long
OPEN_TIMEOUT_S = 5.0
BREAK_S = 0.010  # far above two byte times at any speed
_SCHEME = re.compile(r"(?P<scheme>[A-Za-z][A-Za-z0-9+.-]+):(?P<rest>.*)", re.DOTALL)
_KNOWN = "a port such as /dev/ttyUSB0 or COM3, socket://HOST:PORT, rfc2217://HOST:PORT, sim:NAME"


class NoBreak(LinkError):
    """This kind of link cannot send a serial break; nothing was sent and the link is well."""


class Link(Protocol):
    """What every link can do. One reader, one writer, one event loop."""

    @property
    def name(self) -> str:
        """What the person typed, fit to print."""
        ...

    async def read(self) -> bytes:
        """Bytes that have come; ``b""`` once closed by either end; LinkError when it broke."""
        ...

    def write(self, data: bytes) -> None:
        """Send without waiting; raises LinkError when it cannot."""
        ...

    async def send_break(self) -> None:
        """Hold the line low for well over two byte times; raises NoBreak where impossible."""
        ...

    async def close(self) -> None:
        """Let go of it; harmless when done again."""
        ...


def gather_until_s(now_s: float) -> float:
    """When to read again: at times that are the same for all links, which then wake together.

    One that is only just ahead is left out.
    """
    return ((now_s + _JUST_AHEAD_S) // GATHER_S + 1.0) * GATHER_S


def look_with_answer_s(look_s: float, now_s: float) -> float | None:
    """When a look due soon sees the answer to what is written now; None where it is far off."""
    ahead_s = look_s - now_s
    if ahead_s > _JUST_AHEAD_S:
        return None
    return look_s if ahead_s > _ANSWER_S_LEAST else now_s + _ANSWER_S


class Inbox:
    """Bytes between whatever delivers them and the one task that reads."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._ready = asyncio.Event()
        self._closed = False
        self._error: LinkError | None = None

    @property
    def closed(self) -> bool:
        """No more bytes will come."""
        return self._closed

    def put(self, data: bytes) -> None:
        """Append bytes."""
        self._parts.append(data)
        self._ready.set()

    def close(self, error: LinkError | None = None) -> None:
        """End it; what has come can still be read. The first reason stays."""
        if not self._closed:
            self._closed, self._error = True, error
        self._ready.set()

    def check(self) -> None:
        """Raise LinkError when no more can be sent."""
        if self._error is not None:
            raise LinkError(self._error.message, advice=self._error.advice)
        if self._closed:
            raise LinkError("the link is closed")

    async def read(self) -> bytes:
        """See Link.read."""
        while not self._parts:
            if self._error is not None:
                self.check()
            if self._closed:
                return b""
            self._ready.clear()
            await self._ready.wait()
        data = self._parts[0] if len(self._parts) == 1 else b"".join(self._parts)
        self._parts.clear()
        return data


async def open_link(url: str) -> Link:
    """Open the link that ``url`` names; UsageError when it names none, LinkError else."""
    if not url or url != url.strip():
        raise UsageError(f"{url!r} names no rig", advice=f"give {_KNOWN}")
    if any(ord(character) < 32 or ord(character) == 127 for character in url):
        raise UsageError(f"{url!r} has control characters in it", advice=f"give {_KNOWN}")
    match = _SCHEME.fullmatch(url)
    if match is None:
        return await _open_port(url)
    scheme, rest = match["scheme"].lower(), match["rest"]
    if scheme in ("socket", "rfc2217"):
        host, port = _host_and_port(url)
        if scheme == "socket":
            return await _open_socket(url, host, port)
        return await _open_port(url)
    if scheme in ("sim", "avr"):
        return _open_scenario(url, scheme, rest)
    raise UsageError(f"{url!r} begins with {scheme}:, which is no kind of link", advice=_KNOWN)


async def open_link_again(link: Link, url: str) -> Link:
    """The same rig once more after its link was lost; LinkError while it is away.

    A simulated rig lives in its link, so it is asked for; any other is found by its url.
    """
    again = getattr(link, "again", None)
    return cast(Link, again()) if again is not None else await open_link(url)


async def _open_port(url: str) -> Link:
    from benchrig.rig.serial_link import open_serial

    return await open_serial(url)


async def _open_socket(url: str, host: str, port: int) -> Link:
    from benchrig.rig.socket_link import open_socket

    return await open_socket(url, host, port)


def _host_and_port(url: str) -> tuple[str, int]:
    try:
        parts: SplitResult = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError as error:
        raise UsageError(f"{url!r} is no address: {error}", advice=f"give {_KNOWN}") from error
    if not host or not port:
        missing = "host" if not host else "port"
        raise UsageError(f"{url!r} has no {missing}", advice=f"write {parts.scheme}://HOST:PORT")
    if parts.username is not None or parts.path not in ("", "/") or parts.fragment:
        raise UsageError(
            f"{url!r} has more in it than a host and a port",
            advice=f"write {parts.scheme}://HOST:PORT",
        )
    return host, port


def _open_scenario(url: str, scheme: str, scenario: str) -> Link:
    """The simulated rig or the emulated firmware; both live outside this package."""
    module, function, lacking = {
        "sim": ("benchrig_sim.link", "open_sim_link", "the simulated rig is not installed"),
        "avr": ("avr.link", "open_avr_link", "the emulator is not part of the installed program"),
    }[scheme]
    if not scenario:
        raise UsageError(f"{url!r} names no scenario", advice=f"write {scheme}:SCENARIO")
    try:
        opener = getattr(importlib.import_module(module), function)
    except ModuleNotFoundError as error:
        if error.name not in (module, module.partition(".")[0]):
            raise  # it is here, and something it needs is not
        advice = "run from a source checkout with sims/ on PYTHONPATH"
        raise UsageError(f"{url!r} cannot be used here: {lacking}", advice=advice) from error
    return cast(Link, opener(scenario))
