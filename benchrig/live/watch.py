"""``watch``: follows all rigs of a broker and shows them, until it is cancelled.

On a terminal the board is redrawn in place; elsewhere a line is written when a rig changes;
with ``--json`` each change is one JSON document on a line. A broker that goes away is said so,
and looked for again.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from datetime import datetime
from typing import Protocol

from rich.console import Console
from rich.live import Live

from benchrig.live.board import board, plain_line
from benchrig.live.broker import Backoff, BrokerAddress, MqttError, connection, trouble_words
from benchrig.live.shop import RigView, Shop, as_json
from benchrig.live.topics import everything
from benchrig.text import speaks_unicode

REDRAW_S = 0.25
INBOUND_BYTES_MAX = 262_144


class Screen(Protocol):
    """Where the shop is shown."""

    def changed(self, view: RigView, now: datetime) -> None:
        """A rig has told something."""

    def tick(self, shop: Shop, now: datetime, trouble: str) -> None:
        """Called a few times a second."""

    def show(self) -> AbstractContextManager[object]:
        """What holds the screen while it lasts."""


async def watch(
    broker: BrokerAddress,
    screen: Screen,
    *,
    now: Callable[[], datetime],
    bench: str = "+",
    identifier: str | None = None,
) -> None:
    """Show the shop on ``screen`` until cancelled; ``now`` is the wall clock with its zone."""
    follower = _Follower(broker, screen, now, bench)
    with screen.show():
        reading = asyncio.create_task(follower.follow(identifier), name="shop")
        try:
            while not reading.done():
                screen.tick(follower.shop, now(), follower.trouble)
                await asyncio.wait([reading], timeout=REDRAW_S)
            reading.result()
        finally:
            reading.cancel()
            await asyncio.gather(reading, return_exceptions=True)


class _Follower:
    def __init__(
        self, broker: BrokerAddress, screen: Screen, now: Callable[[], datetime], bench: str
    ) -> None:
        self.shop = Shop()
        self.trouble = "connecting"
        self._broker, self._screen, self._now = broker, screen, now
        self._filter = everything(bench)

    async def follow(self, identifier: str | None) -> None:
        backoff = Backoff()
        while True:
            try:
                await self._one_connection(identifier, backoff)
            except (MqttError, OSError, TimeoutError) as error:
                self.trouble = trouble_words(self._broker, error)
            await asyncio.sleep(backoff.pause_s())

    async def _one_connection(self, identifier: str | None, backoff: Backoff) -> None:
        async with connection(
            self._broker,
            identifier=identifier,
            packet_bytes_max=INBOUND_BYTES_MAX,
            inbox_max=0,
        ) as client:
            await client.subscribe(self._filter, qos=1)
            self.trouble = ""
            backoff.reset()
            async for message in client.messages:
                now = self._now()
                view = self.shop.take(
                    str(message.topic), message.payload, retained=bool(message.retain), now=now
                )
                if view is not None:
                    self._screen.changed(view, now)


class BoardScreen:
    """The board on a terminal that can redraw."""

    def __init__(self, console: Console, title: str) -> None:
        self._console, self._title = console, title
        self._live = Live(console=console, auto_refresh=False, screen=True)

    def show(self) -> AbstractContextManager[object]:
        """Holds the terminal's other screen, which goes when it ends."""
        return self._live

    def changed(self, view: RigView, now: datetime) -> None:
        """Drawn at the next tick."""

    def tick(self, shop: Shop, now: datetime, trouble: str) -> None:
        """Draw."""
        picture = board(
            shop,
            now,
            title=self._title,
            trouble=trouble,
            width=self._console.width,
            height=self._console.height,
            unicode=speaks_unicode(self._console.encoding),
        )
        self._live.update(picture, refresh=True)


class LineScreen:
    """A line, or a JSON document, whenever what matters of a rig has changed."""

    def __init__(self, write: Callable[[str], None], *, json: bool = False) -> None:
        self._write, self._json = write, json
        self._told: dict[str, tuple[object, ...]] = {}
        self._trouble = ""

    def show(self) -> AbstractContextManager[object]:
        """Nothing to hold."""
        return nullcontext()

    def changed(self, view: RigView, now: datetime) -> None:
        """Write when it differs from what was written last."""
        last = view.verdicts[-1].run if view.verdicts else ""
        told = (view.standing(now), view.doing, view.run, last, view.link, view.disconnect)
        key = f"{view.bench}/{view.rig}"
        if self._told.get(key) == told:
            return
        self._told[key] = told
        if self._json:
            from json import dumps

            self._write(dumps(as_json(view, now), ensure_ascii=False))
        else:
            self._write(plain_line(view, now))

    def tick(self, shop: Shop, now: datetime, trouble: str) -> None:
        """Silence is a change too: a rig that turns STALE is told."""
        for view in shop.rigs:
            self.changed(view, now)
        if trouble != self._trouble:
            self._trouble = trouble
            if trouble and not self._json:
                self._write(f"NOT CONNECTED: {trouble}")
