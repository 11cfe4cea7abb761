"""The publisher: a sink that tells the shop what a rig does, and never delays a run.

``accept`` folds the event into the state and puts it in a bounded queue; that is all a run ever
waits for: it makes no system call, and the publisher's thread comes to look by itself. That
thread has an event loop of its own on the wall clock (the run's may be virtual), reconnects
with back-off and jitter, and tells the newest state first. When the broker is slow or away the
oldest events are dropped and counted; verdicts wait in the outbox on disk. Nothing that is
received can do more than call ``on_make_safe``.
"""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import Callable
from types import TracebackType
from typing import Self

from benchrig.errors import BenchrigError, LogError
from benchrig.live import payloads
from benchrig.live.broker import (
    BACKOFF_FIRST_S,
    ONLY_FRESH,
    Backoff,
    BrokerAddress,
    BrokerClient,
    MqttError,
    NotAllowed,
    Will,
    connection,
    tls_context,
    trouble_words,
)
from benchrig.live.follow import StateFollower
from benchrig.live.payloads import Link, RigState, encode
from benchrig.live.requests import make_safe_reason
from benchrig.live.sender import send_waiting
from benchrig.live.topics import RigTopics, check_bench_name
from benchrig.measure.samples import SampleBlock
from benchrig.record.outbox import Outbox
from benchrig.record.values import EventKind, RunEvent, RunRecord

QUEUE_MAX = 2_000
BATCH_MAX = 32
LOOK_S = 0.1  # a wake-up would be a system call in the run, and a turn lost to another thread
BEAT_S = 5.0  # the state is told again at least this often
LIVE_PERIOD_S = 0.2
RETRY_S = 30.0  # for what a broker refuses
REPEAT_AFTER_LOSS = 20  # a broker that died may have lost what it had acknowledged last
CLOSE_S = 2.0
INBOUND_BYTES_MAX = 4096

_Queued = tuple[str, str, RunEvent]  # stamp, run, event


class Publisher:
    """Use as a context manager around the runs of one rig, and as a sink of each.

    ``stamp`` gives the wall clock as ISO 8601. ``on_make_safe`` is called from the publisher's
    thread, at most once a run, with the reason; without one nothing is listened to.
    """

    essential = False

    def __init__(
        self,
        broker: BrokerAddress,
        bench: str,
        *,
        outbox: Outbox,
        stamp: Callable[[], str],
        on_make_safe: Callable[[str], None] | None = None,
        backoff_first_s: float = BACKOFF_FIRST_S,
    ) -> None:
        self.broker, self.bench, self.outbox = broker, check_bench_name(bench), outbox
        self.dropped = 0
        self.sent_verdicts = 0
        self.connections = 0
        tls_context(broker)  # a certificate that cannot be read is told before a run, not in it
        self._stamp = stamp
        self._on_make_safe = on_make_safe
        self._backoff = Backoff(backoff_first_s)
        self._lock = threading.Condition()
        self._follower = StateFollower()
        self._events: deque[_Queued] = deque()
        self._live: _Queued | None = None
        self._state_due = False
        self._mail_put = 1  # what an earlier command left may wait
        self._mail_done = 0
        self._trouble = "not connected yet"
        self._refused: set[str] = set()
        self._failure: Exception | None = None
        self._stopped_run = ""
        self._stop = False
        self._lost = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._news = asyncio.Event()
        self._mail = asyncio.Event()
        self._thread = threading.Thread(target=self._main, name="shop", daemon=True)

    # --- the run's side: never waits ------------------------------------------------------

    @property
    def failure(self) -> Exception | None:
        """A mistake of ours that ended the thread. A dead broker is none: see ``trouble``."""
        return self._failure

    @property
    def trouble(self) -> str:
        """Why the shop does not hear us just now; "" while it does."""
        refused = f"{self.broker.shown} does not let us publish to " + ", ".join(
            sorted(self._refused)
        )
        return self._trouble or (refused if self._refused else "")

    @property
    def topics(self) -> RigTopics | None:
        """The rig's topics, once a run has named the rig."""
        rig = self._follower.rig
        return RigTopics(bench=self.bench, rig=rig) if rig else None

    def accept(self, event: RunEvent) -> None:
        """Take an event; bounded work, no waiting."""
        at = self._stamp()
        with self._lock:
            self._state_due |= self._follower.take(event, at)
            queued = (at, self._follower.now.run, event)
            if event.kind is EventKind.LIVE:
                self._live = queued
            elif event.kind is not EventKind.EDGE:
                if len(self._events) >= QUEUE_MAX:
                    self._events.popleft()
                    self.dropped += 1
                self._events.append(queued)

    def add_block(self, block: SampleBlock) -> None:
        """Samples stay in the log."""

    def verdict(self, record: RunRecord) -> None:
        """Keep a finished run's verdict for the shop; after the run. Raises LogError."""
        topics = RigTopics(bench=self.bench, rig=record.rig.unique_id)
        queue_verdict(self.outbox, topics, record, self._stamp())
        with self._lock:
            self._mail_put += 1
        self._wake()

    def flush(self, timeout_s: float) -> bool:
        """Wait until the shop knows all; False when the time is over and something waits."""
        with self._lock:
            return self._lock.wait_for(self._is_idle, timeout_s)

    def close(self) -> None:
        """Say goodbye if there is anyone to say it to, and end the thread."""
        self._stop = True
        self._wake()
        if self._thread.is_alive():
            self._thread.join(CLOSE_S)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.close()

    def _is_idle(self) -> bool:
        if self._failure is not None or not self._thread.is_alive():
            return True
        return not (self._events or self._state_due) and self._mail_done >= self._mail_put

    def _wake(self) -> None:
        """Between runs only: see ``LOOK_S``."""
        loop = self._loop
        if loop is None:
            return
        try:
            loop.call_soon_threadsafe(self._news.set)
            loop.call_soon_threadsafe(self._mail.set)
        except RuntimeError:  # the loop has just ended
            self._loop = None

    # --- the thread -----------------------------------------------------------------------

    def _main(self) -> None:
        try:
            with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
                runner.run(self._serve())
        except Exception as error:  # noqa: BLE001 - a sink's fault is told, never thrown at a run
            self._failure = error
        with self._lock:
            self._lock.notify_all()

    async def _serve(self) -> None:
        self._loop = asyncio.get_running_loop()
        while not self._stop:
            self._news.clear()
            topics = self.topics
            if topics is None:  # nothing to say before a run has named the rig
                await _wait(self._news, LOOK_S)
                continue
            try:
                await self._one_connection(topics)
            except (MqttError, OSError, TimeoutError, ValueError) as error:
                self._trouble = trouble_words(self.broker, error)
            except BenchrigError as error:
                self._trouble = error.message
            if not self._stop:
                await self._pause()
        self._loop = None

    async def _pause(self) -> None:
        loop = asyncio.get_running_loop()
        until_s = loop.time() + self._backoff.pause_s()
        while not self._stop and (left_s := until_s - loop.time()) > 0:
            self._news.clear()
            await _wait(self._news, min(left_s, 0.5))

    async def _one_connection(self, topics: RigTopics) -> None:
        will = Will(
            topics.of("link"),
            encode(payloads.link(topics, Link.GONE, self._stamp())),
            qos=1,
            retain=True,
        )
        name = f"benchrig-{topics.bench}-{topics.rig}"
        async with connection(
            self.broker, identifier=name, will=will, packet_bytes_max=INBOUND_BYTES_MAX
        ) as client:
            self.connections += 1
            if self._lost:
                self.outbox.send_again(REPEAT_AFTER_LOSS)
                self._lost, self._mail_done = False, 0
            try:
                await self._talk(client, topics)
            except MqttError:
                self._lost = True
                raise

    async def _talk(self, client: BrokerClient, topics: RigTopics) -> None:
        await self._tell(client, topics.of("link"), payloads.link(topics, Link.HERE, self._stamp()))
        self._state_due = True
        self._news.set()
        self._mail.set()
        self._trouble = ""
        self._backoff.reset()
        work = [
            asyncio.create_task(self._tell_news(client, topics), name="shop news"),
            asyncio.create_task(self._send_mail(client), name="shop mail"),
            asyncio.create_task(self._listen(client, topics), name="shop requests"),
        ]
        try:
            done, _ = await asyncio.wait(work, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in work:
                task.cancel()
            await asyncio.gather(*work, return_exceptions=True)
        await self._tell(client, topics.of("link"), payloads.link(topics, Link.LEFT, self._stamp()))

    async def _tell_news(self, client: BrokerClient, topics: RigTopics) -> None:
        """State first, then events in order, then the numbers of the moment; ends on close."""
        loop = asyncio.get_running_loop()
        beat_s = live_s = loop.time()
        while topics == self.topics:
            now_s = loop.time()
            if self._state_due or now_s >= beat_s:
                await self._tell_state(client, topics)
                beat_s = now_s + BEAT_S
            await self._tell_events(client, topics)
            if self._live is not None and now_s >= live_s:
                await self._tell_live(client, topics)
                live_s = now_s + LIVE_PERIOD_S
            self._news.clear()  # before looking: what comes after it sets it again
            with self._lock:
                self._lock.notify_all()
                idle = not (self._events or self._state_due)
            if idle:
                if self._stop:
                    return
                await _wait(self._news, LOOK_S)

    async def _tell_state(self, client: BrokerClient, topics: RigTopics) -> None:
        with self._lock:
            now, self._state_due = self._follower.now, False
        try:
            await self._tell(client, topics.of("state"), payloads.state(topics, now, self._stamp()))
        except BaseException:
            self._state_due = True
            raise

    async def _tell_events(self, client: BrokerClient, topics: RigTopics) -> None:
        with self._lock:
            batch = [self._events[n] for n in range(min(BATCH_MAX, len(self._events)))]
        if not batch:
            return
        await asyncio.gather(*(self._tell_event(client, topics, *queued) for queued in batch))
        with self._lock:
            for queued in batch:  # unless the queue was full and it is gone already
                if self._events and self._events[0] is queued:
                    self._events.popleft()

    async def _tell_event(
        self, client: BrokerClient, topics: RigTopics, at: str, run: str, event: RunEvent
    ) -> None:
        if event.kind is EventKind.CYCLE:
            await self._tell(client, topics.of("cycle"), payloads.cycle(topics, run, event, at))
        else:
            await self._tell(client, topics.of("event"), payloads.event(topics, run, event, at))

    async def _tell_live(self, client: BrokerClient, topics: RigTopics) -> None:
        with self._lock:
            queued, self._live = self._live, None
        if queued is not None:
            at, run, event = queued
            payload = payloads.live(topics, run, event, at)
            await client.publish(topics.of("live"), encode(payload), qos=0)

    async def _tell(self, client: BrokerClient, topic: str, payload: dict[str, object]) -> None:
        retain = topic.endswith(("/link", "/state"))
        try:
            await client.deliver(topic, encode(payload), retain=retain)
            self._refused.discard(topic)
        except NotAllowed:
            self._refused.add(topic)

    async def _send_mail(self, client: BrokerClient) -> None:
        owner = client.identifier
        while True:
            self._mail.clear()
            put, wait_s = self._mail_put, RETRY_S
            try:
                sent = await send_waiting(client, self.outbox, owner=owner, stamp=self._stamp)
                self.sent_verdicts += sent.sent
                self._refused |= sent.refused
                with self._lock:
                    self._mail_done = put
                    self._lock.notify_all()
            except LogError as error:  # the disk; the rest of the shop's news goes on
                self._trouble = error.message
                wait_s = BEAT_S
            await _wait(self._mail, wait_s)

    async def _listen(self, client: BrokerClient, topics: RigTopics) -> None:
        """Take requests, if that was allowed; and notice when the line breaks."""
        if self._on_make_safe is not None:
            await client.subscribe(topics.make_safe, options=ONLY_FRESH)
        async for message in client.messages:
            self._consider(str(message.topic), message.payload, message.retain, topics)

    def _consider(self, topic: str, payload: object, retained: bool, topics: RigTopics) -> None:
        run = self._follower.now.run
        reason = make_safe_reason(
            topic, payload, retained=retained, listening_to=topics.make_safe, run=run
        )
        if reason is None or self._on_make_safe is None or run == self._stopped_run:
            return
        self._stopped_run = run
        self._on_make_safe(reason)


def queue_verdict(outbox: Outbox, topics: RigTopics, record: RunRecord, queued_at: str) -> bool:
    """Put a record's verdict into the outbox; False when it is there already."""
    message_id = payloads.verdict_id(topics, record)
    payload = payloads.verdict(topics, record)
    return outbox.put(message_id, topics.of("verdict"), payload, queued_at)


async def _wait(event: asyncio.Event, seconds: float) -> None:
    try:
        async with asyncio.timeout(seconds):
            await event.wait()
    except TimeoutError:
        pass


__all__ = ["Publisher", "RigState", "queue_verdict"]
