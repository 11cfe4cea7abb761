"""``benchrig watch`` and ``benchrig outbox``, and how a run tells the shop."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchrig.cli.output import columns, say, say_json, talk
from benchrig.errors import ExitCode, UsageError

if TYPE_CHECKING:
    import asyncio

    from benchrig.live.broker import BrokerAddress
    from benchrig.live.publisher import Publisher
    from benchrig.record.values import RunRecord

FLUSH_S = 3.0

BrokerOption = Annotated[
    str | None,
    typer.Option(
        "--broker",
        envvar="BENCHRIG_BROKER",
        metavar="URL",
        help="Tell the shop over MQTT 5: mqtts://HOST[:PORT] (or mqtt:// on this host).",
    ),
]
BenchNameOption = Annotated[
    str | None,
    typer.Option(
        "--bench-name",
        envvar="BENCHRIG_BENCH",
        help="This bench's name in the shop; default: the host's.",
    ),
]
UserOption = Annotated[
    str,
    typer.Option(
        "--broker-user",
        envvar="BENCHRIG_MQTT_USER",
        help="User at the broker; its password stands in BENCHRIG_MQTT_PASSWORD or in a file.",
    ),
]
PasswordFileOption = Annotated[
    Path | None,
    typer.Option(
        "--broker-password-file",
        envvar="BENCHRIG_MQTT_PASSWORD_FILE",
        dir_okay=False,
        help="File with the password on its one line.",
    ),
]
CaOption = Annotated[
    Path | None,
    typer.Option(
        "--broker-ca", envvar="BENCHRIG_MQTT_CA", help="The shop's own certificate authority."
    ),
]
CertOption = Annotated[
    Path | None,
    typer.Option("--broker-cert", envvar="BENCHRIG_MQTT_CERT", help="Client certificate."),
]
KeyOption = Annotated[
    Path | None,
    typer.Option("--broker-key", envvar="BENCHRIG_MQTT_KEY", help="Key of that certificate."),
]
RemoteStopOption = Annotated[
    bool,
    typer.Option(
        "--allow-remote-stop",
        help="Let a message over the network stop the run safely. Nothing can ever start one.",
    ),
]
OutboxOption = Annotated[
    Path | None,
    typer.Option("--outbox", envvar="BENCHRIG_OUTBOX", help="File; default: the data folder."),
]
JsonOption = Annotated[bool, typer.Option("--json", help="JSON on standard output.")]

outbox_app = typer.Typer(help="Verdicts that wait for the shop's broker.", no_args_is_help=True)


def register(app: typer.Typer) -> None:
    """Add ``watch`` and ``outbox`` to the tree."""
    app.command("watch")(watch_command)
    app.add_typer(outbox_app, name="outbox")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopOptions:
    """What was said about the shop on the command line of a run or a tray."""

    broker: str | None = None
    bench: str | None = None
    user: str = ""
    password_file: Path | None = None
    ca: Path | None = None
    cert: Path | None = None
    key: Path | None = None
    remote_stop: bool = False
    outbox: Path | None = None

    def address(self) -> BrokerAddress:
        """The broker's address; UsageError where it cannot be used."""
        from benchrig.live.broker import broker_address

        if self.broker is None:
            raise UsageError("no broker is named", advice="give --broker mqtts://HOST:PORT")
        return broker_address(
            self.broker,
            user=self.user,
            password_file=self.password_file,
            ca=self.ca,
            cert=self.cert,
            key=self.key,
            environ=os.environ,
        )

    def bench_name(self) -> str:
        """The bench's name, given or made from the host's."""
        import socket

        from benchrig.live.topics import bench_name_from, check_bench_name

        return check_bench_name(self.bench or bench_name_from(socket.gethostname()))


class RemoteStop:
    """Carries a request to make safe from the publisher's thread to the run's own way out."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._task: asyncio.Future[Any] | None = None

    def bind(self, task: asyncio.Future[Any]) -> None:
        """Called on the run's loop with the run."""
        self._loop, self._task = task.get_loop(), task

    def __call__(self, reason: str) -> None:
        """Cancel the run, as Ctrl-C does: it makes safe first."""
        talk(f"benchrig: {reason}")
        if self._loop is not None and self._task is not None:
            with contextlib.suppress(RuntimeError):  # the run has just ended
                self._loop.call_soon_threadsafe(self._task.cancel)


@contextmanager
def telling(
    options: ShopOptions | None, stop: RemoteStop | None = None
) -> Iterator[Publisher | None]:
    """The publisher as a sink, when a broker is named; waits a moment for it at the end."""
    if options is None or options.broker is None:
        yield None
        return
    from benchrig.cli.pace import stamp
    from benchrig.live.publisher import Publisher
    from benchrig.record.outbox import Outbox

    publisher = Publisher(
        options.address(),
        options.bench_name(),
        outbox=Outbox(options.outbox),
        stamp=stamp,
        on_make_safe=stop if options.remote_stop else None,
    )
    with publisher:
        try:
            yield publisher
        finally:
            _say_goodbye(publisher)


def tell_verdict(publisher: Publisher | None, record: RunRecord) -> None:
    """Queue a verdict for the shop. The log has it; a full disk is told and ends nothing."""
    from benchrig.errors import LogError

    if publisher is None:
        return
    try:
        publisher.verdict(record)
    except LogError as error:
        talk(f"benchrig: the shop is not told: {error.message}\n  {error.advice}")


def _say_goodbye(publisher: Publisher) -> None:
    from benchrig.errors import LogError

    told = publisher.flush(FLUSH_S)
    try:
        waiting = publisher.outbox.count_waiting()
    except LogError:
        waiting = 0
    if told and not waiting and not publisher.trouble:
        return
    talk(f"benchrig: shop: {publisher.trouble or 'the broker is slow'}")
    if waiting:
        talk(f"  {waiting} verdicts wait; they go out with the next run or `benchrig outbox send`")


def watch_command(
    broker: BrokerOption = None,
    bench: Annotated[str | None, typer.Option(help="Only this bench.")] = None,
    user: UserOption = "",
    password_file: PasswordFileOption = None,
    ca: CaOption = None,
    cert: CertOption = None,
    key: KeyOption = None,
    seconds: Annotated[
        float | None, typer.Option(min=0.1, help="End after so long; default: Ctrl-C.")
    ] = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON document a line on standard output.")
    ] = False,
) -> int:
    """The shop, live: each rig, what it runs, ENERGISED or OFF, the last verdicts."""
    import asyncio
    from datetime import datetime

    from rich.console import Console

    from benchrig.live.watch import BoardScreen, LineScreen, Screen, watch

    options = ShopOptions(
        broker=broker, user=user, password_file=password_file, ca=ca, cert=cert, key=key
    )
    address = options.address()
    console = Console()
    screen: Screen
    if as_json or not console.is_terminal or console.is_dumb_terminal:
        screen = LineScreen(say, json=as_json)
    else:
        screen = BoardScreen(console, address.shown)

    async def look() -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await watch(
                    address, screen, now=lambda: datetime.now().astimezone(), bench=bench or "+"
                )

    with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
        try:
            runner.run(look())
        except KeyboardInterrupt:
            return 0
    return 0


@outbox_app.command("list")
def outbox_list(
    outbox: OutboxOption = None,
    limit: Annotated[int, typer.Option(min=1, help="At most so many, the newest.")] = 30,
    as_json: JsonOption = False,
) -> None:
    """What waits for the broker, and what was sent last."""
    from benchrig.record.outbox import Outbox

    box = Outbox(outbox)
    found = box.newest(limit)
    if as_json:
        say_json(
            {
                "schema": "benchrig.outbox/1",
                "outbox": str(box.path),
                "waiting": box.count_waiting(),
                "messages": [
                    {
                        "number": m.number,
                        "id": m.id,
                        "topic": m.topic,
                        "queued_at": m.queued_at,
                        "sent_at": m.sent_at,
                    }
                    for m in found
                ],
            }
        )
        return
    rows = [
        (
            str(m.number),
            f"sent {m.sent_at}" if m.sent_at else "waits",
            str(m.payload.get("verdict", "")),
            m.id,
        )
        for m in found
    ]
    if rows:
        say(columns(rows))
    talk(f"{box.count_waiting()} wait in {box.path}")


@outbox_app.command("send")
def outbox_send(
    broker: BrokerOption = None,
    bench: BenchNameOption = None,
    user: UserOption = "",
    password_file: PasswordFileOption = None,
    ca: CaOption = None,
    cert: CertOption = None,
    key: KeyOption = None,
    outbox: OutboxOption = None,
    again: Annotated[
        int, typer.Option(min=0, help="Send so many of the newest again: the broker lost them.")
    ] = 0,
    from_log: Annotated[
        str | None,
        typer.Option(metavar="LOG", help="First queue the runs of this log that were never told."),
    ] = None,
    limit: Annotated[int, typer.Option(min=1, help="With --from-log: so many newest runs.")] = 1000,
    as_json: JsonOption = False,
) -> int:
    """Send what waits, now."""
    import asyncio

    from benchrig.cli.pace import stamp
    from benchrig.live.post import fill, send_now
    from benchrig.record.log import RunLog
    from benchrig.record.outbox import Outbox

    options = ShopOptions(
        broker=broker,
        bench=bench,
        user=user,
        password_file=password_file,
        ca=ca,
        cert=cert,
        key=key,
    )
    address, box = options.address(), Outbox(outbox)
    if from_log is not None:
        with RunLog.open(from_log, read_only=True) as log:
            ids = [run.record_id for run in reversed(log.list_runs(limit=limit))]
            fill(box, options.bench_name(), (log.record(i) for i in ids), stamp())
    if again:
        box.send_again(again)
    with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
        result = runner.run(send_now(address, box, stamp=stamp))
    if as_json:
        say_json(
            {
                "schema": "benchrig.outbox-send/1",
                "sent": result.sent,
                "waiting": result.waiting,
                "refused": list(result.refused),
            }
        )
    else:
        say(f"{result.sent} sent, {result.waiting} wait")
        for topic in result.refused:
            talk(f"benchrig: the broker does not let us publish to {topic}")
    return int(ExitCode.LOG if result.waiting else ExitCode.PASS)
