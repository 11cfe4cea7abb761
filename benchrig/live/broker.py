"""The one door to aiomqtt: where the broker is, how to prove who we are, and one connection.

aiomqtt is asyncio-mqtt under its present name. A password is held in a ``Secret`` and leaves
it only towards the broker; no message, error or JSON of this package contains one.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import random
import ssl
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import aiomqtt
from paho.mqtt.client import Client as PahoClient
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from benchrig.errors import LogError, UsageError

PASSWORD_VARIABLE = "BENCHRIG_MQTT_PASSWORD"
KEEPALIVE_S = 10
ANSWER_S = 5.0
INBOX_MAX = 64
SECRET_BYTES_MAX = 4096
BACKOFF_FIRST_S = 0.5
BACKOFF_MAX_S = 30.0

# Nothing of the connection is logged: what matters comes up as an error or as ``trouble``.
_SILENT = logging.Logger("benchrig.live", logging.CRITICAL + 1)

# Stored messages are not sent to us, and one that asks to be stored says so.
ONLY_FRESH = SubscribeOptions(
    qos=0,
    noLocal=True,
    retainAsPublished=True,
    retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND,
)

MqttError = aiomqtt.MqttError
Will = aiomqtt.Will
Message = aiomqtt.Message


class Secret:
    """A password that does not show itself."""

    __slots__ = ("_value",)

    def __init__(self, value: str) -> None:
        self._value = value

    def __repr__(self) -> str:
        return "Secret(***)" if self._value else "Secret()"

    def __bool__(self) -> bool:
        return bool(self._value)

    def reveal(self) -> str:
        """The password, for the broker only."""
        return self._value


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerAddress:
    """A broker and how to enter."""

    host: str
    port: int
    tls: bool
    user: str = ""
    password: Secret = field(default_factory=lambda: Secret(""))
    ca: Path | None = None
    cert: Path | None = None
    key: Path | None = None

    @property
    def shown(self) -> str:
        """What a person may see."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"mqtt{'s' if self.tls else ''}://{host}:{self.port}"


def broker_address(
    url: str,
    *,
    user: str = "",
    password_file: Path | None = None,
    ca: Path | None = None,
    cert: Path | None = None,
    key: Path | None = None,
    environ: Mapping[str, str],
) -> BrokerAddress:
    """The address from what was typed, a file and the environment; raises UsageError."""
    host, port, tls = _split(url)
    if not tls and (ca or cert or key):
        raise UsageError("certificates need an encrypted link", advice="write mqtts://HOST:PORT")
    if bool(cert) != bool(key):
        raise UsageError("a client certificate and its key go together")
    password = Secret(environ.get(PASSWORD_VARIABLE, ""))
    if password_file is not None:
        password = Secret(_read_secret(password_file))
    if password and not user:
        raise UsageError("a password without a user", advice="give --broker-user")
    if password and not tls and not _is_here(host):
        raise UsageError(
            "a password over mqtt:// can be read by anyone on the way",
            advice="write mqtts://HOST:PORT and give the broker a certificate",
        )
    return BrokerAddress(
        host=host, port=port, tls=tls, user=user, password=password, ca=ca, cert=cert, key=key
    )


def _split(url: str) -> tuple[str, int, bool]:
    wrong = UsageError("the broker's address cannot be read", advice="write mqtts://HOST:PORT")
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        raise wrong from None
    if parts.scheme not in ("mqtt", "mqtts") or not host:
        raise wrong
    if "@" in parts.netloc:  # not repeated here: it may hold a password
        raise UsageError(
            "no user or password in the broker's address",
            advice=f"give --broker-user, and the password in {PASSWORD_VARIABLE} or in a file "
            "with --broker-password-file",
        )
    if parts.path not in ("", "/") or parts.query or parts.fragment:
        raise wrong
    tls = parts.scheme == "mqtts"
    return host, port or (8883 if tls else 1883), tls


def _is_here(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _read_secret(path: Path) -> str:
    try:
        data = path.read_bytes()
        words = data.decode("utf-8").rstrip("\r\n")
    except OSError as error:
        raise UsageError(f"password file {path}: {error.strerror}") from None
    except UnicodeDecodeError:
        raise UsageError(f"password file {path}: not UTF-8 text") from None
    if not words or "\n" in words or len(data) > SECRET_BYTES_MAX:
        raise UsageError(f"password file {path}: one line with the password is expected")
    return words


class _HandshakeSocket(ssl.SSLSocket):
    """Closes itself when the handshake fails; the client library forgets it."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except (OSError, ssl.SSLError):
            self.close()
            raise


def tls_context(address: BrokerAddress) -> ssl.SSLContext | None:
    """Certificates checked, TLS 1.2 or newer; UsageError names the file that does not serve."""
    if not address.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=address.ca)
    except (OSError, ssl.SSLError):
        raise UsageError(f"{address.ca}: no certificates can be read from it") from None
    context.sslsocket_class = _HandshakeSocket
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if address.cert is not None:
        try:
            # A key that asks for a pass phrase is refused rather than asked for mid-run.
            context.load_cert_chain(address.cert, address.key, password=lambda: "")
        except (OSError, ssl.SSLError):
            raise UsageError(
                f"{address.cert} and {address.key}: no certificate with its key, "
                "or the key wants a pass phrase"
            ) from None
    return context


class NotAllowed(Exception):
    """The broker took a message and says that we may not publish there."""


class BrokerClient(aiomqtt.Client):
    """One connection. Adds what aiomqtt leaves out: the reason in a publish acknowledgement."""

    _refused: dict[int, str]

    def _on_publish(
        self,
        client: PahoClient,
        userdata: Any,
        mid: int,
        reason_code: ReasonCode,
        properties: Properties,
    ) -> None:
        if reason_code.is_failure:
            self._refused[mid] = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)

    async def deliver(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish and wait for the broker's yes; NotAllowed when it says no."""
        info = self._client.publish(topic, payload, 1, retain)
        if info.rc != 0:
            raise aiomqtt.MqttCodeError(info.rc, "Could not publish message")
        if not info.is_published():
            done = asyncio.Event()
            with self._pending_call(info.mid, done, self._pending_publishes):
                await self._wait_for(done.wait(), timeout=None)
        reason = self._refused.pop(info.mid, None)
        if reason is not None:
            raise NotAllowed(reason)


@asynccontextmanager
async def connection(
    address: BrokerAddress,
    *,
    identifier: str | None,
    will: Will | None = None,
    packet_bytes_max: int,
    inbox_max: int = INBOX_MAX,
) -> AsyncIterator[BrokerClient]:
    """An open connection; raises MqttError when there is none or it breaks."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.MaximumPacketSize = packet_bytes_max
    client = BrokerClient(
        address.host,
        address.port,
        username=address.user or None,
        password=address.password.reveal() or None,
        identifier=identifier,
        protocol=aiomqtt.ProtocolVersion.V5,
        clean_start=True,
        will=will,
        keepalive=KEEPALIVE_S,
        timeout=ANSWER_S,
        tls_context=tls_context(address),
        properties=properties,
        max_queued_incoming_messages=inbox_max,
        logger=_SILENT,
    )
    client._refused = {}
    client.pending_calls_threshold = 10_000
    try:
        async with client:
            yield client
    finally:
        _let_go(client)


def _let_go(client: BrokerClient) -> None:
    """Close the socket that a refused or broken connection leaves open."""
    left = client._client.socket()
    if left is not None and left.fileno() >= 0:
        loop = asyncio.get_running_loop()
        loop.remove_reader(left)
        loop.remove_writer(left)
        left.close()


def trouble_words(address: BrokerAddress, error: BaseException) -> str:
    """Why there is no connection, in words for a person, without secrets."""
    code = getattr(getattr(error, "rc", None), "value", None)
    words = " ".join(str(error).split())
    if code in (134, 135):
        return f"{address.shown} refuses this user or password"
    if "certificate verify failed" in words.lower():
        reason = words.split("certificate verify failed: ")[-1].split(" (_ssl")[0]
        return f"{address.shown}: its certificate is not trusted ({reason})"
    if "refused" in words.lower():
        return f"nothing answers at {address.shown}"
    secret = address.password.reveal()
    if secret:
        words = words.replace(secret, "***")
    return f"{address.shown}: {words[:200] or type(error).__name__}"


def as_log_error(address: BrokerAddress, error: BaseException) -> LogError:
    """The error that a command ends with."""
    return LogError(
        trouble_words(address, error),
        advice="check host, port, certificate, user and password, and that the broker runs",
    )


class Backoff:
    """Pauses that double up to a limit, with jitter so that a shop does not return in step."""

    def __init__(self, first_s: float = BACKOFF_FIRST_S, most_s: float = BACKOFF_MAX_S) -> None:
        self._first_s, self._most_s = first_s, most_s
        self._next_s = first_s
        self._random = random.Random()

    def reset(self) -> None:
        """A connection was made."""
        self._next_s = self._first_s

    def pause_s(self) -> float:
        """How long to wait this time."""
        pause = self._next_s * self._random.uniform(0.5, 1.0)
        self._next_s = min(2 * self._next_s, self._most_s)
        return pause
