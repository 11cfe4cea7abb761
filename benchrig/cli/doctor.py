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
    """Look at versions, ports, permissions and the run log. Switches nothing."""
    import platform

    rows = [
        ("benchrig", __version__),
        ("python", f"{platform.python_version()} on {platform.system()} {platform.machine()}"),
        *((name, _version(name)) for name in ("pyserial", "numpy", "sqlalchemy", "aiomqtt")),
        *((f"{name} (extra {extra})", _version(name)) for name, extra in EXTRAS.items()),
        ("serial ports", _ports()),
        ("port rights", _rights()),
        ("run log", _log(log)),
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
