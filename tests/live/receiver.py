"""Somebody in the shop who keeps verdicts: a receiver with a session that survives the broker."""

from __future__ import annotations

import asyncio
import json
import logging
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Any, Self

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchrig.live.broker import BrokerAddress, tls_context
from benchrig.live.deduplicate import Deduplicator

RETRY_S = 0.05


class Receiver:
    """Takes what comes, in a thread; use as a context manager."""

    def __init__(self, broker: BrokerAddress, topic: str = "benchrig/v1/+/+/+") -> None:
        self.broker, self.topic = broker, topic
        self.messages: list[tuple[str, dict[str, Any], bool]] = []
        self.verdicts: list[dict[str, Any]] = []  # after dropping doubles
        self.deduplicator = Deduplicator()
        self.refused = ""
        self._news = threading.Condition()
        self._ready = threading.Event()
        self._stop = False
        self._thread = threading.Thread(target=self._main, daemon=True)

    def of(self, kind: str) -> list[dict[str, Any]]:
        """Payloads of a kind, in order."""
        with self._news:
            return [p for t, p, _ in self.messages if t.endswith(f"/{kind}")]

    def wait(self, until: Callable[[], bool], seconds: float = 20.0) -> bool:
        """Wait until something is true; asked after each message."""
        with self._news:
            return self._news.wait_for(until, seconds)

    def wait_ready(self) -> None:
        """Wait until it has subscribed once."""
        assert self._ready.wait(20), f"not subscribed: {self.refused}"

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self._stop = True
        self._thread.join(15)
        assert not self._thread.is_alive()

    def _main(self) -> None:
        with asyncio.Runner() as runner:
            runner.run(self._receive())

    async def _receive(self) -> None:
        while not self._stop:
            try:
                await self._one_connection()
            except aiomqtt.MqttError as error:
                self.refused = str(error)
                await asyncio.sleep(RETRY_S)

    async def _one_connection(self) -> None:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = 3600
        async with aiomqtt.Client(
            self.broker.host,
            self.broker.port,
            username=self.broker.user,
            password=self.broker.password.reveal(),
            identifier=f"receiver-{id(self)}",
            protocol=aiomqtt.ProtocolVersion.V5,
            clean_start=False,
            properties=properties,
            tls_context=tls_context(self.broker),
            timeout=5,
            keepalive=5,
            logger=logging.Logger("receiver", logging.CRITICAL + 1),
        ) as client:
            listening = asyncio.ensure_future(self._listen(client))
            await client.subscribe(self.topic, qos=1)
            self._ready.set()
            while not (self._stop or listening.done()):
                await asyncio.wait([listening], timeout=0.05)
            if not listening.done():
                listening.cancel()
                await asyncio.gather(listening, return_exceptions=True)
                return
            listening.result()

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            assert isinstance(message.payload, bytes)
            payload = json.loads(message.payload)
            with self._news:
                topic = str(message.topic)
                self.messages.append((topic, payload, bool(message.retain)))
                if topic.endswith("/verdict") and self.deduplicator.is_new(payload):
                    self.verdicts.append(payload)
                self._news.notify_all()
