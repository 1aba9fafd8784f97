"""A connection to a broker, as the bench file and the environment describe it."""

from __future__ import annotations

import asyncio
import os
import ssl
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from typing import Any, Final

import aiomqtt
from aiomqtt.exceptions import MqttCodeError
from paho.mqtt.client import MQTT_CLEAN_START_FIRST_ONLY
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from daq.bench import BrokerAddress
from daq.errors import LyewatchError, PortError, UsageError

__all__ = [
    "CONNECT_S", "broker_error", "connected", "heed", "let_go", "login_of", "make_client", "refused",
    "tls_context",
]  # fmt: skip

CONNECT_S: Final = 5.0
"""How long connecting, subscribing and a publication's acknowledgement may take [s]."""
_IN_FLIGHT: Final = 20
_OUTGOING: Final = 100
_DENIED: Final = ("not authorised", "not authorized", "bad user name or password")


def login_of(
    spec: BrokerAddress, environment: Mapping[str, str] = os.environ
) -> tuple[str | None, str | None]:
    """User and password from the environment; None for what is not there.

    Raises
    ------
    UsageError
        For a password without a user, which MQTT 3.1.1 does not know.
    """
    user = environment.get(f"{spec.login}_USER") or None
    password = environment.get(f"{spec.login}_PASSWORD") or None
    if password is not None and user is None:
        raise UsageError(
            "there is a password and no user",
            place=f"{spec.login}_USER",
            remedy=f"set {spec.login}_USER as well, or neither",
        )
    return user, password


def make_client(
    spec: BrokerAddress,
    client_id: str,
    *,
    will: aiomqtt.Will | None = None,
    session_s: int | None = None,
    largest_bytes: int | None = None,
    queue_type: Any = None,
    environment: Mapping[str, str] = os.environ,
) -> aiomqtt.Client:
    """A client that is not yet connected. Call it, and use the client, within one running loop.

    Parameters
    ----------
    spec : BrokerAddress
    client_id : str
        The session's name.
    will : aiomqtt.Will, optional
        What the broker says when this client goes without a word.
    session_s : int, optional
        How long the broker keeps the session after the link is lost [s]; None begins with a new one each
        time.
    largest_bytes : int, optional
        Longer messages are kept back by the broker (MQTT 5).
    queue_type : callable, optional
        What keeps messages until they are taken; see `aiomqtt.Client`.
    environment : mapping of str to str
        Where user and password are read from.

    Raises
    ------
    PortError
        When the certificates can not be read.
    """
    user, password = login_of(spec, environment)
    five = spec.version == "5"
    lasting = session_s is not None
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    if five and session_s:
        properties.SessionExpiryInterval = session_s
    if five and largest_bytes is not None:
        properties.MaximumPacketSize = largest_bytes + 2048
    return aiomqtt.Client(
        spec.host,
        spec.number,
        username=user,
        password=password,
        identifier=client_id,
        protocol=aiomqtt.ProtocolVersion.V5 if five else aiomqtt.ProtocolVersion.V311,
        will=will,
        clean_session=None if five else not lasting,
        clean_start=not lasting if five else MQTT_CLEAN_START_FIRST_ONLY,
        properties=properties if five else None,
        timeout=CONNECT_S,
        keepalive=spec.keepalive_s,
        max_inflight_messages=_IN_FLIGHT,
        max_queued_outgoing_messages=_OUTGOING,
        tls_context=tls_context(spec) if spec.tls else None,
        queue_type=queue_type,
    )


@asynccontextmanager
async def connected(client: aiomqtt.Client) -> AsyncIterator[aiomqtt.Client]:
    """The client, connected, and let go whatever comes of it."""
    there = False
    try:
        await client.__aenter__()
        there = True
        yield client
    finally:
        await let_go(client, connected=there)


async def let_go(client: aiomqtt.Client, *, connected: bool) -> None:
    """End the connection of a client, in order where it stands. Whatever came of that, the socket must not
    outlive the loop that watches it.
    """
    if connected:
        with suppress(aiomqtt.MqttError, asyncio.TimeoutError):
            await client.__aexit__(None, None, None)
    paho: Any = client._client
    paho._sock_close()
    heed(client._connected, client._disconnected)


def heed(*futures: asyncio.Future[Any] | None) -> None:
    """Look at what went wrong in each: asyncio logs what nobody has looked at."""
    for future in futures:
        if future is not None and future.done() and not future.cancelled():
            future.exception()


def tls_context(spec: BrokerAddress) -> ssl.SSLContext:
    """How the broker's certificate is checked."""
    try:
        context = ssl.create_default_context(cafile=None if spec.ca_file is None else str(spec.ca_file))
    except (OSError, ssl.SSLError) as exc:
        raise PortError(
            f"the certificates can not be read: {exc}",
            place=str(spec.ca_file),
            remedy="give a file of certificates in PEM as ca_file",
        ) from None
    context.sslsocket_class = _Socket
    return context


class _Socket(ssl.SSLSocket):
    """One that closes where the other end is not believed: the library would leave it open."""

    def do_handshake(self, block: bool = False) -> None:
        """See `ssl.SSLSocket`."""
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def refused(codes: Any) -> str | None:
    """Why a subscription was refused, in words; None when it was granted."""
    code = codes[0] if codes else 0x80
    value = code.value if isinstance(code, ReasonCode) else int(code)
    return None if value < 0x80 else (str(code).lower() if isinstance(code, ReasonCode) else "refused")


def broker_error(exc: BaseException, spec: BrokerAddress, place: str) -> LyewatchError:
    """What the library raised as one of ours, with what to do about it.

    Parameters
    ----------
    exc : BaseException
        One of our own errors is given back as it is.
    spec : BrokerAddress
        Whose `login` names the variables of user and password.
    place : str
        The broker, for the message.
    """
    if isinstance(exc, LyewatchError):
        return exc
    words, remedy = str(exc).strip() or type(exc).__name__, "it is tried again by itself"
    cause = exc.__cause__
    if isinstance(exc, aiomqtt.MqttError) and isinstance(cause, Exception) and str(cause):
        words = f"{words}: {cause}"
    low = words.lower()
    if any(denied in low for denied in _DENIED) or (isinstance(exc, MqttCodeError) and exc.rc in (4, 5)):
        remedy = f"set {spec.login}_USER and {spec.login}_PASSWORD as the broker knows them"
    elif "certificate" in low or "ssl" in low:
        remedy = "check ca_file, and that the broker's certificate names the host of the bench file"
    elif "refused" in low:
        remedy = "see that the broker runs there; it is tried again by itself"
    elif isinstance(exc, asyncio.TimeoutError) or "timed out" in low:
        remedy = "see that it is a broker that listens there, and whether it wants TLS"
    return PortError(f"the broker: {words}", place=place, remedy=remedy)
