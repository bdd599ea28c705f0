"""Connections to the broker that are kept up.

The daemon holds two of these. One carries everything; its will marks the service as gone. The other carries the relay
commands; its will *is* the off command, so that the broker itself switches off when the daemon can no longer. Where it
describes itself (``homie.py``) there is a third, for that alone.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import secrets
import socket
import ssl
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import structlog
from aiomqtt import Client, Message, MqttError, ProtocolVersion, Will
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from tenacity import AsyncRetrying, RetryCallState, retry_if_exception_type, wait_exponential_jitter

from surpluscharge.config import Config
from surpluscharge.control.controller import Ration
from surpluscharge.control.signals import PAYLOAD_LIMIT_BYTES

ANSWER_WITHIN_S = 5.0  # real seconds the broker has for CONNACK, SUBACK, PUBACK
BACKOFF_FIRST_S, BACKOFF_MOST_S = 0.5, 4.0  # a broker that is back must soon hear the "off"
UNSUPPORTED_PROTOCOL = (0x01, 0x84)  # as MQTT 3.1.1 and MQTT 5 say it
SUBSCRIPTION_FAILED = 0x80  # the first of the failure codes
STEADY_S = 10.0  # a connection that lasted so long was a good one
REFUSALS_AN_HOUR = 12  # lines about what the broker refuses, of one connection
FAILURES_A_MINUTE = 2  # lines about attempts to connect, of one connection
QUEUE_LIMIT = 1000  # messages received and not yet handled
PACKET_LIMIT_BYTES = 2 * PAYLOAD_LIMIT_BYTES  # an MQTT 5 broker keeps larger ones to itself

# The client library reports every failure twice; ours, with the reason, is enough.
logging.getLogger("mqtt").setLevel(logging.CRITICAL)


class Post(NamedTuple):
    """A message to publish. ``expiry_s``: after how many seconds a broker that speaks MQTT 5 drops it undelivered."""

    topic: str
    payload: str
    qos: int = 1
    retain: bool = False
    expiry_s: float | None = None


class Refused(MqttError):  # noqa: N818
    """The broker does not let us publish that; the connection is as good as before."""


class Link:
    """One connection, made anew whenever it is lost.

    ``will`` is published by the broker if the connection dies, ``farewell`` by this side before it closes it in good
    order. ``on_up`` is called at each connect, after the subscriptions; ``on_down`` at each loss. Secrets and
    certificates are read here, once: ValueError or OSError says what is wrong with them.
    """

    def __init__(
        self,
        name: str,
        config: Config,
        log: structlog.stdlib.BoundLogger,
        *,
        will: Post | None,
        farewell: Post | None,
        topics: Sequence[tuple[str, int]] = (),
        on_message: Callable[[str, bytes, bool], None] = lambda *_: None,
        on_up: Callable[[], None] = lambda: None,
        on_down: Callable[[], None] = lambda: None,
    ) -> None:
        self.name = name
        self._version = ProtocolVersion.V311  # of the latest connection
        self._config = config
        self._log = log.bind(link=name)
        self._will = will
        self._farewell = farewell
        self._topics = list(topics)
        self._on_message = on_message
        self._on_up = on_up
        self._on_down = on_down
        self._client: Client | None = None
        self._may_connect = asyncio.Event()
        self._may_connect.set()
        self.refused_topics: tuple[str, ...] = ()  # which the broker does not let us read
        self._password = config.mqtt.password.reveal() if config.mqtt.password else None
        self._tls = _tls(config)
        self._refusals = 0  # how often the broker refused what was published, and
        self._refusal = ""  # why, the last time
        self._rations = {
            "publish_refused": Ration(REFUSALS_AN_HOUR, 3600.0),
            "connect_failed": Ration(FAILURES_A_MINUTE, 60.0),
        }
        self._protocols = {
            "auto": [ProtocolVersion.V5, ProtocolVersion.V311],
            "5": [ProtocolVersion.V5],
            "3.1.1": [ProtocolVersion.V311],
        }[config.mqtt.protocol]

    @property
    def up(self) -> bool:
        return self._client is not None

    async def run(self) -> None:
        """Keep the connection up until cancelled; then say farewell."""
        while True:
            retrying = AsyncRetrying(
                retry=retry_if_exception_type((MqttError, OSError)),
                wait=wait_exponential_jitter(multiplier=BACKOFF_FIRST_S, max=BACKOFF_MOST_S),
                before_sleep=self._tell_failure,
            )
            await retrying(self._session)

    async def _session(self) -> None:
        """Connect and serve until the connection is lost.

        Returns if it had lasted a while, so that the next attempt comes at once. Raises MqttError or OSError if it
        could not be made, or was lost so soon that another attempt had better wait.
        """
        await self._may_connect.wait()
        client = await self._connect()
        began_s = asyncio.get_running_loop().time()
        try:
            await self._subscribe(client)
            self._client = client
            self._log.info("connected", protocol="5" if self._version is ProtocolVersion.V5 else "3.1.1")
            self._on_up()
            async for message in client.messages:
                self._on_message(message.topic.value, _payload(message), bool(message.retain))
        except MqttError as error:
            if self.up:
                self._client = None
                reason = str(error.__cause__ or error)
                # The library's word for a connection that broke, or was closed, without a reason given.
                reason = "it broke" if "Unspecified error" in reason else reason
                self._log.warning("connection_lost", reason=reason)
                self._on_down()
            if asyncio.get_running_loop().time() < began_s + STEADY_S:
                raise
        except BaseException:
            # Closing in good order makes the broker forget the will: what it would have said, we say first, and last.
            self._client = None
            if self._farewell:
                with contextlib.suppress(MqttError):
                    await self._send(client, self._farewell, ANSWER_WITHIN_S)
            raise
        finally:
            self._client = None
            with contextlib.suppress(MqttError):
                await client.__aexit__(None, None, None)

    def sever(self) -> None:
        """Break the connection without a word, as a crash would, and stay away until :meth:`rejoin`.

        For commissioning: so the broker is seen to say the will.
        """
        self._may_connect.clear()
        open_socket: Any = self._client and self._client._client.socket()
        if open_socket:
            open_socket.shutdown(socket.SHUT_RDWR)

    def rejoin(self) -> None:
        """Connect again after :meth:`sever`."""
        self._may_connect.set()

    async def publish(self, post: Post, within_s: float = ANSWER_WITHIN_S) -> None:
        """Publish, and wait until the broker has taken it.

        Raises Refused (an MqttError) where an MQTT 5 broker says no; MqttError, also where there is no connection.
        """
        if self._client is None:
            raise MqttError("not connected")
        await self._send(self._client, post, within_s)

    async def _send(self, client: Client, post: Post, within_s: float) -> None:
        properties = None
        if post.expiry_s is not None and self._version is ProtocolVersion.V5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = max(1, math.ceil(post.expiry_s))
        refusals = self._refusals
        await client.publish(post.topic, post.payload, post.qos, post.retain, properties=properties, timeout=within_s)
        if self._refusals > refusals:  # this message or one beside it; the safe answer for both is no
            raise Refused(f"the broker refuses the message: {self._refusal}")

    def _say(self, name: str, level: str, **fields: object) -> None:
        """Log a line of what may go on for days, as far as its ration allows."""
        level = self._rations[name].level(level, fields, asyncio.get_running_loop().time())
        getattr(self._log, level)(name, **fields)

    def _tell_failure(self, state: RetryCallState) -> None:
        error = state.outcome.exception() if state.outcome else None
        wait_s = round(state.next_action.sleep, 1) if state.next_action else None
        self._say(
            "connect_failed",
            "warning",
            broker=self._config.broker,
            reason=str(error),
            attempt=state.attempt_number,
            next_try_s=wait_s,
        )

    async def _connect(self) -> Client:
        """Connect with the newest protocol that the broker takes."""
        failure: MqttError | None = None
        for protocol in tuple(self._protocols):
            client = self._new_client(protocol)
            lost = client._disconnected
            try:
                await client.__aenter__()
                if client._client.socket() is None:
                    # Lost between the broker's yes and our waking up; the library forgets that it was told.
                    if lost.done():
                        lost.exception()
                    raise MqttError("lost as soon as it was made")
            except UnicodeError as error:  # a host name that none can be
                raise MqttError(str(error)) from None
            except MqttConnectError as error:
                failure = error
                code = error.rc if isinstance(error.rc, int) else error.rc.value if error.rc else 0
                if code not in UNSUPPORTED_PROTOCOL:
                    break
                if len(self._protocols) > 1:
                    self._protocols.remove(protocol)  # it said so itself: no need to ask again
            except MqttError as error:
                failure = error
                if not str(error).startswith("Operation timed out"):
                    break  # not a matter of the protocol
            else:
                self._version = protocol
                self._watch_refusals(client)
                return client
        assert failure is not None
        raise failure

    def _watch_refusals(self, client: Client) -> None:
        """Notice what an MQTT 5 broker refuses: the library takes every answer to a message for a yes."""
        paho = client._client
        answered: Any = paho.on_publish

        def on_publish(sender: Any, userdata: Any, mid: int, code: ReasonCode, properties: Any) -> None:
            if code.is_failure:
                self._refusals, self._refusal = self._refusals + 1, str(code)
                self._say("publish_refused", "error", reason=str(code))
            if answered:
                answered(sender, userdata, mid, code, properties)

        paho.on_publish = on_publish

    def _new_client(self, protocol: ProtocolVersion) -> Client:
        mqtt, properties = self._config.mqtt, None
        if protocol is ProtocolVersion.V5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.MaximumPacketSize = PACKET_LIMIT_BYTES
        return Client(
            mqtt.unix_socket or mqtt.host,
            self._config.port,
            transport="unix" if mqtt.unix_socket else "tcp",
            username=mqtt.username,
            password=self._password,
            identifier=f"{self._config.client_id}-{self.name}",
            protocol=protocol,
            properties=properties,
            will=Will(self._will.topic, self._will.payload, self._will.qos, self._will.retain) if self._will else None,
            keepalive=mqtt.keepalive_s,
            timeout=ANSWER_WITHIN_S,
            tls_context=self._tls,
            # Small messages at once: Nagle's algorithm and delayed acknowledgements would hold back an "off".
            socket_options=() if mqtt.unix_socket else ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),),
            max_queued_incoming_messages=QUEUE_LIMIT,
        )

    async def _subscribe(self, client: Client) -> None:
        if not self._topics:
            return
        codes: Sequence[int | ReasonCode] = await client.subscribe(self._topics)
        refused = []
        for (topic, _), code in zip(self._topics, codes, strict=True):
            if (code if isinstance(code, int) else code.value) >= SUBSCRIPTION_FAILED:
                self._log.error("subscription_refused", topic=topic, reason=str(code))
                refused.append(topic)
        self.refused_topics = tuple(refused)


def _payload(message: Message) -> bytes:
    return message.payload if isinstance(message.payload, bytes) else b""


def _tls(config: Config) -> ssl.SSLContext | None:
    tls = config.mqtt.tls
    if tls is None:
        return None
    context = ssl.create_default_context(cafile=tls.ca_file)
    if tls.cert_file:
        password = tls.key_password.reveal() if tls.key_password else None
        context.load_cert_chain(tls.cert_file, tls.key_file, password)
    return context


def _silent() -> structlog.stdlib.BoundLogger:
    def drop(_logger: Any, _method: str, _event: Any) -> Any:
        raise structlog.DropEvent

    silent: structlog.stdlib.BoundLogger = structlog.wrap_logger(
        structlog.PrintLogger(), processors=[drop], wrapper_class=structlog.stdlib.BoundLogger
    )
    return silent


def _for_once(name: str) -> str:
    """Return a name that no other command has: of two connections with one name the broker closes the older."""
    return f"{name}-{secrets.token_hex(4)}"


async def publish_once(config: Config, post: Post, name: str, within_s: float) -> None:
    """Connect, publish, disconnect: for a short command. Raises MqttError, OSError, TimeoutError."""
    link = Link(_for_once(name), config, _silent(), will=post, farewell=post)
    async with asyncio.timeout(within_s):
        client = await link._connect()
        try:
            await link._send(client, post, within_s)
        finally:
            await client.__aexit__(None, None, None)


async def read_once(config: Config, topics: Sequence[str], name: str, within_s: float) -> dict[str, bytes]:
    """Return what the broker has retained on topics. Raises MqttError, OSError; TimeoutError where nothing answers.

    A topic on which nothing is retained is left out; to know that takes all of ``within_s``.
    """
    link = Link(_for_once(name), config, _silent(), will=None, farewell=None, topics=[(topic, 1) for topic in topics])
    found: dict[str, bytes] = {}
    async with asyncio.timeout(within_s):
        client = await link._connect()
    try:
        await link._subscribe(client)
        if link.refused_topics:
            raise MqttError(f"the broker does not let this user read {', '.join(link.refused_topics)}")
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                async for message in client.messages:
                    found[message.topic.value] = _payload(message)
                    if len(found) == len(topics):
                        break
    finally:
        await client.__aexit__(None, None, None)
    return found
