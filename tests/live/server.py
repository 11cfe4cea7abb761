"""A real broker for the tests: mosquitto with its own certificates, passwords and rights.

One that is missing or cannot start fails the tests, it never skips them. Each broker listens on
free ports of the loopback address only.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from pathlib import Path

from benchrig.live.broker import PASSWORD_VARIABLE, BrokerAddress, broker_address

PASSWORDS = {
    "bench-1": "fern-kettle-48",
    "bench-2": "slate-candle-73",
    "watcher": "brook-lantern-15",
    "foreman": "pebble-anchor-62",
    "nobody": "willow-button-90",
}
# bench-1 as strict as can be, bench-2 wider: what a hostile bench may do is tried with both.
RIGHTS = """\
user bench-1
topic write benchrig/v1/bench-1/+/link
topic write benchrig/v1/bench-1/+/state
topic write benchrig/v1/bench-1/+/event
topic write benchrig/v1/bench-1/+/cycle
topic write benchrig/v1/bench-1/+/live
topic write benchrig/v1/bench-1/+/verdict
topic read benchrig/v1/bench-1/+/request/make-safe

user bench-2
topic write benchrig/v1/bench-2/#
topic read benchrig/v1/bench-2/+/request/make-safe

user watcher
topic read benchrig/v1/#

user foreman
topic read benchrig/v1/#
topic write benchrig/v1/+/+/request/make-safe

user nobody
"""


def program(name: str) -> str:
    """Where a program is; a missing one is a failure with the line that installs it."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin:/usr/bin")
    assert found, f"{name} is missing: apt-get install -y mosquitto openssl"
    return found


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _openssl(*arguments: str, cwd: Path) -> None:
    subprocess.run(
        [program("openssl"), *arguments], cwd=cwd, check=True, capture_output=True, timeout=60
    )


def make_authority(directory: Path, name: str) -> Path:
    """A certificate authority of our own, for the test only."""
    _openssl(
        *("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"),
        *("-nodes", "-keyout", f"{name}.key", "-out", f"{name}.crt", "-days", "2"),
        *("-subj", f"/CN={name} (invented)"),
        cwd=directory,
    )
    return directory / f"{name}.crt"


def make_certificate(directory: Path, name: str, authority: str, address: str) -> None:
    """A certificate for an address, signed by an authority of the same directory."""
    _openssl(
        *("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
        *("-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}"),
        cwd=directory,
    )
    (directory / f"{name}.ext").write_text(f"subjectAltName={address}\n")
    _openssl(
        *("x509", "-req", "-in", f"{name}.csr", "-CA", f"{authority}.crt"),
        *("-CAkey", f"{authority}.key", "-CAcreateserial", "-out", f"{name}.crt", "-days", "2"),
        *("-extfile", f"{name}.ext"),
        cwd=directory,
    )


class Broker:
    """Mosquitto as the shop's page sets it up: TLS, a password for each bench, rights."""

    def __init__(self, directory: Path, address: str = "127.0.0.1") -> None:
        self.directory, self.address = directory, address
        self.port = free_port()
        self.ca = make_authority(directory, "shop-ca")
        make_certificate(directory, "broker", "shop-ca", f"IP:{address}")
        make_certificate(directory, "bench-1", "shop-ca", "DNS:bench-1")
        passwords = directory / "passwords"
        passwords.write_text("".join(f"{user}:{word}\n" for user, word in PASSWORDS.items()))
        subprocess.run([program("mosquitto_passwd"), "-U", str(passwords)], check=True, timeout=60)
        (directory / "rights").write_text(RIGHTS)
        (directory / "store").mkdir()
        (directory / "mosquitto.conf").write_text(
            f"""\
per_listener_settings false
listener {self.port} {address}
cafile {directory}/shop-ca.crt
certfile {directory}/broker.crt
keyfile {directory}/broker.key
allow_anonymous false
password_file {passwords}
acl_file {directory}/rights
persistence true
persistence_location {directory}/store/
autosave_on_changes true
autosave_interval 1
max_queued_messages 100000
log_type error
log_type warning
"""
        )
        for path in directory.rglob("*"):  # the broker may drop root's rights
            path.chmod(0o777 if path.is_dir() else 0o644)
        if os.geteuid() == 0:
            with (directory / "mosquitto.conf").open("a") as file:
                file.write("user root\n")
        self._process: subprocess.Popen[bytes] | None = None
        self.prefix: tuple[str, ...] = ()

    def start(self) -> None:
        """Start it and wait until it listens."""
        log = (self.directory / "log").open("ab")
        with log:
            self._process = subprocess.Popen(
                [*self.prefix, program("mosquitto"), "-c", str(self.directory / "mosquitto.conf")],
                stdout=log,
                stderr=log,
            )
        for _ in range(400):
            if self._process.poll() is not None:
                break
            if self.listens():
                return
            time.sleep(0.025)
        raise AssertionError("mosquitto: " + (self.directory / "log").read_text()[-2000:])

    def listens(self) -> bool:
        """Whether someone answers on the port."""
        try:
            with socket.create_connection((self.address, self.port), timeout=0.5):
                return True
        except OSError:
            return False

    def kill(self) -> None:
        """End it at once, as a crash would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def stop(self) -> None:
        """End it for good."""
        if self._process is not None:
            self._process.terminate()
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self.kill()
            self._process = None

    @property
    def url(self) -> str:
        """Its address."""
        return f"mqtts://{self.address}:{self.port}"

    def to(
        self, user: str, *, password: str | None = None, ca: Path | None = None
    ) -> BrokerAddress:
        """How a user enters."""
        word = PASSWORDS[user] if password is None else password
        return broker_address(
            self.url, user=user, ca=ca or self.ca, environ={PASSWORD_VARIABLE: word}
        )
