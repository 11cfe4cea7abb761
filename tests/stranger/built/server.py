"""The rig in real time behind a TCP socket."""

from __future__ import annotations

import selectors
import socket
import time
from collections.abc import Callable

from .rig import StrangerRig

LONGEST_WAIT_S = 0.05


def microseconds(origin_ns: int) -> int:
    """Return the microseconds since an origin of the monotonic clock."""
    return (time.monotonic_ns() - origin_ns) // 1000


class Server:
    """One rig, at most one host at a time; a second one is shut out at once."""

    def __init__(self, rig: StrangerRig, host: str = "127.0.0.1", port: int = 0) -> None:
        """Listen; port 0 takes any free one."""
        self.rig = rig
        self._listener = socket.create_server((host, port))
        self._listener.setblocking(False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(self._listener, selectors.EVENT_READ)
        self._client: socket.socket | None = None
        self._origin_ns = time.monotonic_ns()

    @property
    def port(self) -> int:
        """Return the port that is listened on."""
        port = self._listener.getsockname()[1]
        assert isinstance(port, int)
        return port

    def close(self) -> None:
        """Close every socket."""
        self._drop()
        self._selector.close()
        self._listener.close()

    def run(self, stop: Callable[[], bool] = lambda: False) -> None:
        """Serve until told to stop."""
        while not stop():
            self.turn()

    def turn(self) -> None:
        """Wait for bytes or for what is due, and deal with it."""
        due_us = self.rig.next_due_us()
        wait_s = LONGEST_WAIT_S
        if due_us is not None:
            wait_s = min(wait_s, max(0.0, (due_us - microseconds(self._origin_ns)) * 1e-6))
        for key, _ in self._selector.select(wait_s):
            if key.fileobj is self._listener:
                self._accept()
            elif key.fileobj is self._client:
                self._read()
        self._send(self.rig.advance(microseconds(self._origin_ns)))

    def _accept(self) -> None:
        """Take a host, or close the door on a second one."""
        connection, _ = self._listener.accept()
        if self._client is not None:
            connection.close()
            return
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client = connection
        self._selector.register(connection, selectors.EVENT_READ)

    def _read(self) -> None:
        """Take bytes from the host; without any it has gone."""
        assert self._client is not None
        try:
            data = self._client.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop()
            return
        self._send(self.rig.receive(data, microseconds(self._origin_ns)))

    def _send(self, data: bytes) -> None:
        """Send bytes; a host that does not take them for a second is dropped."""
        if self._client is None or not data:
            return
        try:
            self._client.settimeout(1.0)
            self._client.sendall(data)
            self._client.setblocking(False)
        except OSError:
            self._drop()

    def _drop(self) -> None:
        """Forget the host; the rig goes on until the silence ends it."""
        if self._client is not None:
            self._selector.unregister(self._client)
            self._client.close()
            self._client = None
