"""``benchrig doctor``: what this machine has, in lines that can be pasted into a question."""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path

import typer

from benchrig import __version__
from benchrig.cli.output import columns, say, say_json
from benchrig.cli.records import LogOption
from benchrig.cli.runs import JsonOption
from benchrig.errors import BenchrigError

SERIAL_GROUPS = ("dialout", "uucp")  # Debian and its kin; Arch
EXTRAS = {"weasyprint": "pdf", "psycopg": "postgres", "pyarrow": "parquet"}


def register(app: typer.Typer) -> None:
    """Add the command to the tree."""
    app.command("doctor")(doctor)


def doctor(log: LogOption = None, as_json: JsonOption = False) -> None:
    """Look at versions, ports, permissions, run log and broker. Switches nothing."""
    import platform

    rows = [
        ("benchrig", __version__),
        ("python", f"{platform.python_version()} on {platform.system()} {platform.machine()}"),
        *((name, _version(name)) for name in ("pyserial", "numpy", "sqlalchemy", "aiomqtt")),
        *((f"{name} (extra {extra})", _version(name)) for name, extra in EXTRAS.items()),
        ("serial ports", _ports()),
        ("port rights", _rights()),
        ("run log", _log(log)),
        ("broker", _broker()),
    ]
    if as_json:
        say_json({"schema": "benchrig.doctor/1", **dict(rows)})
    else:
        say(columns(rows))


def _version(name: str) -> str:
    from importlib import metadata

    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"


def _ports() -> str:
    from benchrig.rig.ports import list_ports

    return ", ".join(p["port"] for p in list_ports()) or "none found"


def _rights() -> str:
    if sys.platform == "win32":
        return "nothing to set"
    import grp

    if os.geteuid() == 0:
        return "root"
    serial = {}
    for name in SERIAL_GROUPS:
        with contextlib.suppress(KeyError):  # each system has its own
            serial[name] = grp.getgrnam(name).gr_gid
    for name, number in serial.items():
        if number in {*os.getgroups(), os.getegid()}:
            return f"in group {name}"
    name = next(iter(serial), SERIAL_GROUPS[0])
    return f"not in group {name}: run `sudo usermod -aG {name} $USER` and log in again"


def _broker() -> str:
    """Whether the broker that the environment names lets us in."""
    import asyncio

    from benchrig.cli.shop import ShopOptions
    from benchrig.live.broker import MqttError, connection, trouble_words

    def path(name: str) -> Path | None:
        return Path(os.environ[name]) if os.environ.get(name) else None

    if not os.environ.get("BENCHRIG_BROKER"):
        return "none named (BENCHRIG_BROKER)"
    options = ShopOptions(
        broker=os.environ["BENCHRIG_BROKER"],
        user=os.environ.get("BENCHRIG_MQTT_USER", ""),
        password_file=path("BENCHRIG_MQTT_PASSWORD_FILE"),
        ca=path("BENCHRIG_MQTT_CA"),
        cert=path("BENCHRIG_MQTT_CERT"),
        key=path("BENCHRIG_MQTT_KEY"),
    )

    async def enter() -> str:
        address = options.address()
        try:
            async with connection(address, identifier=None, packet_bytes_max=4096):
                return f"{address.shown} lets us in"
        except (MqttError, OSError, TimeoutError) as error:
            return trouble_words(address, error)

    try:
        with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
            return runner.run(enter())
    except BenchrigError as error:
        return error.message


def _log(where: str | None) -> str:
    from benchrig.record.database import default_path
    from benchrig.record.log import RunLog

    if where is None and not Path(default_path()).exists():
        return f"{default_path()} (made at the first run)"
    try:
        with RunLog.open(where, read_only=True) as log:
            runs = log.list_runs(limit=1)
            opened = log.open_runs()
            newest = runs[0].record_id if runs else "no finished run"
            tail = f"; {len(opened)} run(s) never closed" if opened else ""
            return f"{log.shown}: {newest}{tail}"
    except BenchrigError as error:
        return f"{error.message}"
