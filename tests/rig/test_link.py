"""Links: the same contract over a real pseudo-terminal by pyserial, a thread, and TCP."""

from __future__ import annotations

import asyncio
import os
import socket
import sys
import threading
import tty
from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import serial
from serial import rfc2217

from benchrig.errors import LinkError, UsageError
from benchrig.rig.client import open_rig, rig_on
from benchrig.rig.events import LinkLost
from benchrig.rig.link import GATHER_S, Link, NoBreak, gather_until_s, open_link
from benchrig.rig.serial_link import BAUD, DescriptorLink, ThreadLink
from benchrig.wire.messages import Start
from tests.rig.hearing import every_event
from tests.rig.scripted_rig import ScriptedRig

pytestmark = [
    pytest.mark.asyncio,
    pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals"),
]


class FarEnd:
    """The other end of a link in a test: what came, and ways to answer and to vanish."""

    def __init__(self) -> None:
        self.received = bytearray()
        self.news = asyncio.Event()
        self.rig = ScriptedRig()
        self.answering = False
        self.send: Callable[[bytes], object] = lambda _: None
        self.vanish: Callable[[], object] = lambda: None

    def take(self, data: bytes) -> None:
        self.received += data
        self.news.set()
        if self.answering:
            self.send(self.rig.session.receive(data, self.rig._carry_out))

    async def until_received(self, count: int) -> bytes:
        async with asyncio.timeout(5):
            while len(self.received) < count:
                self.news.clear()
                await self.news.wait()
        return bytes(self.received)


@asynccontextmanager
async def pty_end() -> AsyncIterator[tuple[str, FarEnd]]:
    """A pseudo-terminal's name and its far end."""
    loop = asyncio.get_running_loop()
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    end = FarEnd()
    end.send = lambda data: os.write(master, data)
    loop.add_reader(master, lambda: end.take(os.read(master, 4096)))
    is_open = True

    def vanish() -> None:
        nonlocal is_open
        if is_open:
            is_open = False
            loop.remove_reader(master)
            os.close(slave)
            os.close(master)

    end.vanish = vanish
    try:
        yield name, end
    finally:
        vanish()


@asynccontextmanager
async def by_port() -> AsyncIterator[tuple[Link, FarEnd]]:
    async with pty_end() as (name, end):
        link = await open_link(name)
        assert isinstance(link, DescriptorLink)
        try:
            yield link, end
        finally:
            await link.close()


@asynccontextmanager
async def by_thread() -> AsyncIterator[tuple[Link, FarEnd]]:
    async with pty_end() as (name, end):
        port = serial.Serial(name, baudrate=BAUD, timeout=0.1, exclusive=True)
        link = ThreadLink(name, port)
        try:
            yield link, end
        finally:
            await link.close()


@asynccontextmanager
async def by_socket() -> AsyncIterator[tuple[Link, FarEnd]]:
    async with served() as (url, end):
        link = await open_link(url)
        try:
            yield link, end
        finally:
            await link.close()


@asynccontextmanager
async def served() -> AsyncIterator[tuple[str, FarEnd]]:
    """A TCP server that admits one, as a rig's server does."""
    end = FarEnd()
    writers: list[asyncio.StreamWriter] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if any(not w.is_closing() for w in writers):
            writer.close()
            return
        writers.append(writer)
        end.send, end.vanish = writer.write, writer.close
        with suppress(ConnectionError):
            while data := await reader.read(4096):
                end.take(data)
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    try:
        yield f"socket://127.0.0.1:{port}", end
    finally:
        server.close()
        for writer in writers:
            writer.close()
        await asyncio.sleep(0.01)


MakeLink = Callable[[], AbstractAsyncContextManager[tuple[Link, FarEnd]]]


@asynccontextmanager
async def far_port() -> AsyncIterator[tuple[str, FarEnd]]:
    """A serial server by RFC 2217 (pyserial's own PortManager) with a rig on its port."""
    end = FarEnd()
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    listening.listen(1)
    stop = threading.Event()
    end.vanish = stop.set

    def serve() -> None:
        connection, _ = listening.accept()
        port = serial.serial_for_url("loop://", timeout=0.01)
        make_manager: Any = rfc2217.PortManager  # its stub asks for more than it uses
        manager = make_manager(port, SimpleNamespace(write=connection.sendall))
        connection.settimeout(0.01)
        while not stop.is_set():
            with suppress(TimeoutError):
                data = connection.recv(1024)
                if not data:
                    break
                up = b"".join(manager.filter(data))
                reply = end.rig.session.receive(up, end.rig._carry_out)
                connection.sendall(b"".join(manager.escape(reply)))
        connection.close()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"rfc2217://127.0.0.1:{listening.getsockname()[1]}", end
    finally:
        stop.set()
        await asyncio.to_thread(thread.join, 5)
        listening.close()


LINKS = pytest.mark.parametrize("make", [by_port, by_thread, by_socket])


async def read_exactly(link: Link, count: int) -> bytes:
    data = b""
    async with asyncio.timeout(5):
        while len(data) < count:
            data += await link.read()
    return data


@LINKS
async def test_every_byte_value_goes_both_ways(make: MakeLink) -> None:
    everything = bytes(range(256)) * 8
    async with make() as (link, end):
        link.write(everything)
        assert await end.until_received(len(everything)) == everything
        end.send(everything)
        assert await read_exactly(link, len(everything)) == everything


@LINKS
async def test_closed_is_closed(make: MakeLink) -> None:
    async with make() as (link, _):
        reading = asyncio.create_task(link.read())
        await asyncio.sleep(0)
        await link.close()
        await link.close()
        async with asyncio.timeout(5):
            assert await reading == b""
            assert await link.read() == b""
        with pytest.raises(LinkError, match="closed"):
            link.write(b"\0")


@LINKS
async def test_a_far_end_that_vanishes_is_noticed_and_what_came_is_kept(make: MakeLink) -> None:
    async with make() as (link, end):
        link.write(b"x")
        await end.until_received(1)
        end.send(b"last words")
        assert await read_exactly(link, 10) == b"last words"
        end.vanish()
        async with asyncio.timeout(5):
            with suppress(LinkError):
                assert await link.read() == b""
        with pytest.raises(LinkError):
            await write_until_it_fails(link)


@LINKS
async def test_reads_are_gathered_but_an_answer_is_not_kept_waiting(make: MakeLink) -> None:
    loop = asyncio.get_running_loop()
    async with make() as (link, end):
        link.write(b"?")
        await end.until_received(1)
        reads = 0
        received = 0

        async def feed() -> None:
            for _ in range(200):  # 0.4 s in pieces of 2 ms
                end.send(b"stream--")
                await asyncio.sleep(0.002)

        feeding = asyncio.create_task(feed())
        async with asyncio.timeout(10):
            while received < 1600:
                received += len(await link.read())
                reads += 1
        await feeding
        assert reads < 100, "200 arrivals must not make 200 wake-ups"
        await asyncio.sleep(0.05)
        latencies = []
        for number in range(10):
            before = len(end.received)
            begun = loop.time()
            link.write(b"!")
            await end.until_received(before + 1)
            end.send(b"answer" + bytes((number,)))
            await read_exactly(link, 7)
            latencies.append(loop.time() - begun)
        assert sorted(latencies)[2] < 0.015  # a busy machine may be late for most of them


@LINKS
async def test_an_answer_in_a_stream_does_not_wait_for_what_gathers(make: MakeLink) -> None:
    loop = asyncio.get_running_loop()
    async with make() as (link, end):
        link.write(b"?")
        await end.until_received(1)

        async def feed() -> None:
            while True:
                end.send(b"s" * 100)
                await asyncio.sleep(0.004)

        feeding = asyncio.create_task(feed())
        latencies = []
        for number in range(16):
            # Some has gathered, and the next look is far.
            await asyncio.sleep(gather_until_s(loop.time()) + 0.004 + 0.001 * number - loop.time())
            before = len(end.received)
            begun = loop.time()
            link.write(b"!")
            await end.until_received(before + 1)
            await asyncio.sleep(0.006)  # and more of the stream comes before it
            end.send(b"A")
            async with asyncio.timeout(5):
                while b"A" not in await link.read():
                    pass
            latencies.append(loop.time() - begun)
        feeding.cancel()
        # The next look is 31 ms away or more; a busy machine may be late for most of them.
        assert sorted(latencies)[4] < 0.025, "they would wait until the next look"


async def test_links_read_together_and_never_long_after_they_gathered() -> None:
    for now_s in np.linspace(3.0, 3.2, 2001).tolist():
        when_s = gather_until_s(now_s)
        assert 0.004 < when_s - now_s <= GATHER_S + 0.0051
        assert abs(when_s / GATHER_S - round(when_s / GATHER_S)) < 1e-6


async def test_what_fills_a_terminal_is_read_to_its_end_at_once() -> None:
    loop = asyncio.get_running_loop()
    async with by_port() as (link, end):
        sending = loop.run_in_executor(None, end.send, bytes(range(256)) * 800)
        sizes: list[int] = []
        async with asyncio.timeout(20):
            while sum(sizes) < 204_800:
                sizes.append(len(await link.read()))
        await sending
        assert max(sizes) > 8_192, "more than a terminal gives at once"


async def write_until_it_fails(link: Link) -> None:
    for _ in range(100):
        link.write(b"y")
        await asyncio.sleep(0.01)


async def test_a_port_is_held_by_one_only() -> None:
    async with by_port() as (link, _):
        with pytest.raises(LinkError, match="in use"):
            await open_link(link.name)


async def test_a_server_that_admits_one_sends_the_second_away() -> None:
    async with served() as (url, end):
        end.answering = True
        async with open_rig(url) as rig:
            with pytest.raises(LinkError, match="without a word") as caught:
                async with open_rig(url):
                    pass
            assert "in use" in caught.value.advice
            await rig.all_off()


@pytest.mark.parametrize("make", [by_port, by_thread])
async def test_a_break_holds_the_line_low_and_lets_it_go(
    make: MakeLink, monkeypatch: pytest.MonkeyPatch
) -> None:
    line: list[bool] = []
    monkeypatch.setattr(
        serial.Serial, "_update_break_state", lambda self: line.append(self._break_state)
    )
    monkeypatch.setattr(serial.Serial, "cts", True)  # a pseudo-terminal has no such line
    async with make() as (link, _):
        await link.send_break()
        assert line == [True, False]
        told_off = asyncio.create_task(link.send_break())
        await asyncio.sleep(0)
        told_off.cancel()
        await asyncio.gather(told_off, return_exceptions=True)
    assert line == [True, False] * 2, "an interrupt leaves no line low"


async def test_a_pseudo_terminal_has_no_break_and_says_so() -> None:
    async with by_port() as (link, end):
        with pytest.raises(NoBreak):
            await link.send_break()
        link.write(b"still well")
        await end.until_received(10)


async def test_tcp_has_no_break() -> None:
    async with by_socket() as (link, end):
        with pytest.raises(NoBreak):
            await link.send_break()
        link.write(b"still well")
        await end.until_received(10)


@LINKS
async def test_the_client_runs_over_it(make: MakeLink) -> None:
    async with make() as (link, end):
        end.answering = True
        async with rig_on(link) as rig:
            await rig.start(3)
            end.vanish()
            async with asyncio.timeout(5):
                events = [event async for event in every_event(rig)]
            assert isinstance(events[-1], LinkLost)
            with pytest.raises(LinkError):
                await rig.all_off()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial's
async def test_a_port_of_another_machine_by_rfc_2217() -> None:
    # RFC 2217 doubles the byte 0xFF; ticks of all ones make sure that some go both ways.
    async with far_port() as (url, end):
        end.rig.status = replace(end.rig.status, tick=0xFFFF_FFFF)
        link = await open_link(url)
        async with rig_on(link) as rig:
            assert rig.status.tick == 0xFFFF_FFFF
            await rig.start(0xFFFF)
            assert Start(schedule_id=0xFFFF) in end.rig.asked
            await link.send_break()
            end.vanish()
            async with asyncio.timeout(5):
                events = [event async for event in every_event(rig)]
            assert isinstance(events[-1], LinkLost)


async def test_a_port_that_is_not_there_says_so(tmp_path: Path) -> None:
    for name in ("tty usb ☂ %20 [x]", "ttyUSB99"):
        with pytest.raises(LinkError, match="no such port") as caught:
            await open_link(str(tmp_path / name))
        assert name in caught.value.message
    file = tmp_path / "file"
    file.write_text("not a terminal")
    with pytest.raises(LinkError):
        await open_link(str(file))


@pytest.mark.parametrize(
    "url",
    [
        "",
        " ",
        "/dev/ttyUSB0\n",
        "/dev/tty\x00USB0",
        "\x1b[31mred",
        "socket://",
        "socket://host",
        "socket://:5000",
        "socket://host:0",
        "socket://host:70000",
        "socket://host:port",
        "socket://me@host:5000",
        "socket://host:5000/path",
        "socket://[::1:5000",
        "sim:",
        "avr:",
        "loop://",
        "http://host:80",
        "gopher:x",
    ],
)
async def test_what_names_no_rig_is_a_usage_error(url: str) -> None:
    with pytest.raises(UsageError) as caught:
        await open_link(url)
    assert caught.value.advice
    assert "\x1b" not in caught.value.message


async def test_no_server_is_a_link_error() -> None:
    for url in ("socket://127.0.0.1:9", "rfc2217://127.0.0.1:9", "socket://[::1]:9"):
        with pytest.raises(LinkError):
            await open_link(url)


async def test_an_emulator_that_is_not_here_is_said_plainly(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for name in ("avr", "avr.link"):  # whether or not another test has loaded it
        monkeypatch.setitem(sys.modules, name, None)
    with pytest.raises(UsageError, match="not part of the installed program"):
        await open_link("avr:plain")
