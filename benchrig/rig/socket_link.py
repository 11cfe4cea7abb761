"""Bytes over TCP: the simulated rig's server, or a serial server in raw mode."""

from __future__ import annotations

import asyncio

from benchrig.errors import LinkError
from benchrig.rig.link import (
    HURRY_S,
    OPEN_TIMEOUT_S,
    Inbox,
    NoBreak,
    gather_until_s,
    look_with_answer_s,
)

_UNSENT_BYTES_MAX = 65_536


class SocketLink(asyncio.Protocol):
    """A TCP connection; reading pauses between deliveries so that wake-ups stay few."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._inbox = Inbox()
        self._transport: asyncio.Transport | None = None
        self._resume: asyncio.TimerHandle | None = None
        self._heard = False
        self._hurry_until_s = 0.0

    # --- asyncio.Protocol ---

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Hand over at once, then let the rest gather."""
        self._heard = True
        self._inbox.put(data)
        now_s = asyncio.get_running_loop().time()
        if now_s < self._hurry_until_s:
            return
        if self._transport is not None and not self._transport.is_closing():
            self._transport.pause_reading()
            loop = asyncio.get_running_loop()
            self._resume = loop.call_at(gather_until_s(now_s), self._read_on)

    def connection_lost(self, exc: Exception | None) -> None:
        """Closed by the other end, or broken."""
        self._stop_gathering()
        if not self._heard:
            error: LinkError | None = LinkError(
                f"{self.name}: the other end closed the connection without a word",
                advice="a rig serves one program at a time: is it in use by another?",
            )
        else:
            error = None if exc is None else LinkError(f"{self.name}: the connection broke: {exc}")
        self._inbox.close(error)

    # --- Link ---

    async def read(self) -> bytes:
        """See Link."""
        return await self._inbox.read()

    def write(self, data: bytes) -> None:
        """See Link."""
        self._inbox.check()
        assert self._transport is not None
        if self._transport.get_write_buffer_size() > _UNSENT_BYTES_MAX:
            self._inbox.close(LinkError(f"{self.name}: the other end takes no more bytes"))
            self._transport.abort()
            self._inbox.check()
        self._transport.write(data)
        self._see_answer()

    async def send_break(self) -> None:
        """See Link: TCP has no line to hold low."""
        raise NoBreak(f"{self.name}: a TCP connection has no serial break")

    async def close(self) -> None:
        """See Link."""
        self._stop_gathering()
        self._inbox.close()
        if self._transport is not None:
            self._transport.close()

    def _read_on(self) -> None:
        if self._resume is not None:
            self._stop_gathering()
            if self._transport is not None and not self._transport.is_closing():
                self._transport.resume_reading()

    def _see_answer(self) -> None:
        loop = asyncio.get_running_loop()
        now_s = loop.time()
        if self._resume is not None:
            look_s = look_with_answer_s(self._resume.when(), now_s)
            if look_s == self._resume.when():
                return
            if look_s is not None:
                self._stop_gathering()
                self._resume = loop.call_at(look_s, self._read_on)
                return
            self._read_on()
        self._hurry_until_s = now_s + HURRY_S

    def _stop_gathering(self) -> None:
        if self._resume is not None:
            self._resume.cancel()
            self._resume = None


async def open_socket(url: str, host: str, port: int) -> SocketLink:
    """Connect; LinkError says why not."""
    loop = asyncio.get_running_loop()
    try:
        async with asyncio.timeout(OPEN_TIMEOUT_S):
            _, link = await loop.create_connection(lambda: SocketLink(url), host, port)
    except TimeoutError as error:
        raise LinkError(f"{url}: no connection within {OPEN_TIMEOUT_S:g} s") from error
    except (OSError, UnicodeError) as error:
        raise LinkError(
            f"{url}: no connection: {error}", advice="is the rig's server running there?"
        ) from error
    return link
