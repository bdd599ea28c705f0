"""Connections to the broker that are kept up.

The daemon holds three of these. One carries what it says and what it is told; its will marks the service as gone. One
carries the relay commands; its will *is* the off command, so that the broker itself switches off when the daemon can no
longer. One brings the readings, so that no flood of them can hold up, or push out, what it is told: neither here nor in
the queue that the broker keeps for each connection. Where it describes itself (``homie.py``) there is a fourth.

On one connection with readings, 5,000 of them a second pushed an "off" out of the client's queue or the broker's, and
at 2,000 they were themselves seconds old. As it is, at 10,000 a second an off takes a tenth or two of a second, on a
machine with other work to do (tests/bench/flood.py).
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import secrets
import select
import socket
import ssl
import time
from collections import deque
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
from surpluscharge.control.signals import PAYLOAD_LIMIT_BYTES

ANSWER_WITHIN_S = 5.0  # real seconds the broker has for CONNACK, SUBACK, PUBACK
BACKOFF_FIRST_S, BACKOFF_MOST_S = 0.5, 4.0  # a broker that is back must soon hear the "off"
UNSUPPORTED_PROTOCOL = (0x01, 0x84)  # as MQTT 3.1.1 and MQTT 5 say it
SUBSCRIPTION_FAILED = 0x80  # the first of the failure codes
STEADY_S = 10.0  # a connection that lasted so long was a good one
READINGS_LIMIT = 250  # readings that wait to be handled; where there are more, the newest of each topic
READ_FOR_S = 0.005  # at a stretch, from the socket that they come by
READINGS_BUFFER_BYTES = 65536  # of the socket that they come by: what lies there grows old unseen
FLOOD, FLOOD_WITHIN_S = 100, 1.0  # as many messages in so short a time are a flood; a household needs a few
ASK_EVERY_S = 0.7  # whether the broker's answer comes at once; less than a reading may be under way
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


class _Newest(asyncio.Queue[Message]):
    """Readings that wait to be handled: in order, and where they have become too many, the newest on each topic.

    So as many as the configuration has topics always find room, and the newest never waits behind what is old.
    """

    _queue: deque[Message]

    left_out_s = -math.inf  # when some were left out last; time.monotonic()

    def _init(self, maxsize: int) -> None:
        self._queue = deque()

    def _put(self, item: Message) -> None:
        self._queue.append(item)
        if len(self._queue) > READINGS_LIMIT:
            newest: dict[Any, Message] = {}
            for message in self._queue:
                newest.pop(message.topic, None)  # what came last stands last
                newest[message.topic] = message
            self._queue = deque(newest.values())
            self.left_out_s = time.monotonic()


class _Client(Client):
    """The library's client, with two mends of its own.

    It registers a socket for writing a moment later, when the connection may be lost and the socket closed: that raised
    an error in the event loop, and might have met another socket that had been given the same number meanwhile.

    And what is to be written is written at once, as the library below does where no event loop is in charge: an "off"
    that is left to two more turns of the loop waits for whatever has its turn before (tests/bench/floors.py).
    """

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:
        def write() -> None:
            try:
                client.loop_write()
            except Exception as error:
                self._broke(error)

        def write_at_once() -> None:
            if client.socket() is sock and client.want_write():
                write()
            if client.socket() is sock and client.want_write() and not self._disconnected.done():  # for now it is full
                self._loop.add_writer(sock.fileno(), write)

        # Connecting is another thread's; and what a callback publishes may come in the middle of another packet.
        if asyncio._get_running_loop() is self._loop and not client._in_callback_mutex.locked():
            write_at_once()
        else:
            self._loop.call_soon_threadsafe(write_at_once)

    def read_at_a_stretch(self) -> None:
        """Read what is there at once, for a moment, rather than one message for each turn of the event loop.

        Otherwise what comes too fast would not grow old here, where the newest can be picked, but in the socket.
        """
        sock: Any = self._client.socket()
        there = select.poll()
        there.register(sock, select.POLLIN)

        def decoded() -> bool:  # by TLS, which the event loop does not see
            return bool(hasattr(sock, "pending") and sock.pending())

        def read() -> None:
            until_s = time.monotonic() + READ_FOR_S
            try:
                while self._client.socket() is sock:
                    self._client.loop_read()
                    if self._client.socket() is not sock or not (decoded() or there.poll(0)):
                        return
                    if time.monotonic() >= until_s:
                        if decoded():
                            self._loop.call_soon(read)
                        return
            except Exception as error:
                self._broke(error)

        self._loop.add_reader(sock.fileno(), read)

    def _broke(self, error: Exception) -> None:
        # As the library does: usually it is the connection.
        if not self._disconnected.done():
            self._disconnected.set_exception(error)


class Link:
    """One connection, made anew whenever it is lost.

    What comes is handed to ``on_message`` one by one, and everything else has its turn in between. Nothing is left out,
    unless it is ``readings`` that come faster than they can be handled: of those the newest on each topic counts.

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
        readings: bool = False,
        ask_every_s: float = ASK_EVERY_S,
    ) -> None:
        self.name = name
        self._ask_every_s = ask_every_s
        self.version = ProtocolVersion.V311  # of the latest connection
        self._config = config
        self._log = log.bind(link=name)
        self.will = will
        self.farewell = farewell
        self._topics = list(topics)
        self.on_message = on_message
        self.on_up = on_up
        self.on_down = on_down
        self._readings = readings
        self._client: _Client | None = None
        self._came_s: deque[float] = deque(maxlen=FLOOD)  # when the last messages came
        self._flood_s = -math.inf  # when the last of a flood was handled; time.monotonic()
        self._handled_s = -math.inf  # when all that had come was
        self._asked_s: float | None = None  # when the broker was asked for an answer that has not come
        self._answer_s = 0.0  # how long it took for the last one, and
        self._answered_s = -math.inf  # when that came
        self._before_s = -math.inf  # what comes now left the broker no earlier
        self._may_connect = asyncio.Event()
        self._may_connect.set()
        self.refused_topics: tuple[str, ...] = ()  # which the broker does not let us read
        self._password = config.mqtt.password.reveal() if config.mqtt.password else None
        self._tls = _tls(config)
        self._refusals = 0  # how often the broker refused what was published, and
        self._refusal = ""  # why, the last time
        self._protocols = {
            "auto": [ProtocolVersion.V5, ProtocolVersion.V311],
            "5": [ProtocolVersion.V5],
            "3.1.1": [ProtocolVersion.V311],
        }[config.mqtt.protocol]

    @property
    def up(self) -> bool:
        return self._client is not None

    @property
    def flooded(self) -> bool:
        """Whether messages come, or came a moment ago, faster than a household has any use for.

        Of readings: faster than they can be handled. A flood of others is over only when all that the broker sent of it
        has been handled: on a machine that stands still in its midst, a moment passes by itself.
        """
        queue = self._client and self._client._queue
        if isinstance(queue, _Newest):
            return time.monotonic() < queue.left_out_s + FLOOD_WITHIN_S
        under_way = min(self._before_s, self._handled_s) < self._flood_s
        return under_way or time.monotonic() < self._flood_s + FLOOD_WITHIN_S

    @property
    def lag_s(self) -> float:
        """Return how old what comes now can be at most, with the way from the broker.

        It left the broker after the last answer, which cannot have come before its question was asked.
        """
        return time.monotonic() - self._before_s

    def late_s(self, heard_s: float) -> float:
        """Return how late an answer of the broker was, or must be, seeing that it was there at ``heard_s``.

        Silence is not lateness: a broker that says nothing at all is the keepalive's affair. ``heard_s`` is on
        time.monotonic(), as :attr:`heard_s` is, of any connection to the same broker.
        """
        return self._answer_s if self._asked_s is None else max(self._answer_s, heard_s - self._asked_s)

    @property
    def heard_s(self) -> float:
        """When the broker sent a message, or answered a question, last; time.monotonic()."""
        return max(self._answered_s, self._came_s[-1] if self._came_s else -math.inf)

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
        client = await self.connect()
        began_s = asyncio.get_running_loop().time()
        asking: asyncio.Task[None] | None = None
        try:
            await self.subscribe(client)
            self._client, self._handled_s = client, time.monotonic()  # what the one before had left is gone
            asking = asyncio.create_task(self._keep_asking(client)) if self._topics else None
            self._log.info("connected", protocol="5" if self.version is ProtocolVersion.V5 else "3.1.1")
            self.on_up()
            async for message in client.messages:
                self._handle(message)
                while not client._queue.empty():
                    await asyncio.sleep(0)  # the other connections have their turn, and the timers
                    self._handle(client._queue.get_nowait())
                self._handled_s = time.monotonic()
        except MqttError as error:
            if self.up:
                self._client = None
                reason = str(error.__cause__ or error)
                # The library's word for a connection that broke, or was closed, without a reason given.
                reason = "it broke" if "Unspecified error" in reason else reason
                self._log.warning("connection_lost", reason=reason)
                self.on_down()
            if asyncio.get_running_loop().time() < began_s + STEADY_S:
                raise
        except BaseException:
            # Closing in good order makes the broker forget the will: what it would have said, we say first, and last.
            self._client = None
            if self.farewell:
                with contextlib.suppress(MqttError):
                    await self.send(client, self.farewell, ANSWER_WITHIN_S)
            raise
        finally:
            self._client = None
            self._answer_s = 0.0
            if asking:
                asking.cancel()
            with contextlib.suppress(MqttError):
                await client.__aexit__(None, None, None)

    def _handle(self, message: Message) -> None:
        now_s = time.monotonic()
        self._came_s.append(now_s)
        if len(self._came_s) == FLOOD and now_s < self._came_s[0] + FLOOD_WITHIN_S:
            self._flood_s = now_s
        self.on_message(message.topic.value, _payload(message), bool(message.retain))

    async def _keep_asking(self, client: _Client) -> None:
        """Ask the broker for an answer, again and again: it comes behind all that is under way to us.

        What is asked for is the end of a subscription that there never was, which every broker answers and no access
        list forbids.
        """
        with contextlib.suppress(MqttError):  # that the connection is lost is noticed elsewhere
            while True:
                self._asked_s = asked_s = time.monotonic()
                try:
                    await client.unsubscribe(f"{self._config.own_topic}/lag", timeout=math.inf)
                    self._answered_s, self._before_s = time.monotonic(), asked_s
                    self._answer_s = self._answered_s - asked_s
                finally:
                    self._asked_s = None
                await asyncio.sleep(self._ask_every_s)

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

    def promise(self, post: Post) -> None:
        """Have another will and farewell: the farewell from now on, the will from the next connection on."""
        self.will = self.farewell = post

    def renew(self) -> None:
        """Connect anew. Closing in good order, without a farewell, makes the broker forget the will it has."""
        if self._client:
            self._client._client.disconnect()

    async def publish(self, post: Post, within_s: float = ANSWER_WITHIN_S) -> None:
        """Publish, and wait until the broker has taken it.

        Raises Refused (an MqttError) where an MQTT 5 broker says no; MqttError, also where there is no connection.
        """
        if self._client is None:
            raise MqttError("not connected")
        await self.send(self._client, post, within_s)

    async def send(self, client: Client, post: Post, within_s: float) -> None:
        """Publish by one connection, as :meth:`publish` does."""
        properties = None
        if post.expiry_s is not None and self.version is ProtocolVersion.V5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = max(1, math.ceil(post.expiry_s))
        refusals = self._refusals
        await client.publish(post.topic, post.payload, post.qos, post.retain, properties=properties, timeout=within_s)
        if self._refusals > refusals:  # this message or one beside it; the safe answer for both is no
            raise Refused(f"the broker refuses the message: {self._refusal}")

    def _tell_failure(self, state: RetryCallState) -> None:
        error = state.outcome.exception() if state.outcome else None
        wait_s = round(state.next_action.sleep, 1) if state.next_action else None
        self._log.warning(
            "connect_failed",
            broker=self._config.broker,
            reason=str(error),
            attempt=state.attempt_number,
            next_try_s=wait_s,
        )

    async def connect(self) -> _Client:
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
                self.version = protocol
                self._watch_refusals(client)
                if self._readings:
                    client.read_at_a_stretch()
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
                self._log.error("publish_refused", reason=str(code))
            if answered:
                answered(sender, userdata, mid, code, properties)

        paho.on_publish = on_publish

    def _new_client(self, protocol: ProtocolVersion) -> _Client:
        mqtt, properties = self._config.mqtt, None
        if protocol is ProtocolVersion.V5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.MaximumPacketSize = PACKET_LIMIT_BYTES
        options: list[tuple[int, int, int]] = []
        if not mqtt.unix_socket:
            # Small messages at once: Nagle's algorithm and delayed acknowledgements would hold back an "off".
            options.append((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1))
        if self._readings:
            options.append((socket.SOL_SOCKET, socket.SO_RCVBUF, READINGS_BUFFER_BYTES))
        return _Client(
            mqtt.unix_socket or mqtt.host,
            self._config.port,
            transport="unix" if mqtt.unix_socket else "tcp",
            username=mqtt.username,
            password=self._password,
            identifier=f"{self._config.client_id}-{self.name}",
            protocol=protocol,
            properties=properties,
            will=Will(self.will.topic, self.will.payload, self.will.qos, self.will.retain) if self.will else None,
            keepalive=mqtt.keepalive_s,
            timeout=ANSWER_WITHIN_S,
            tls_context=self._tls,
            socket_options=options,
            queue_type=_Newest if self._readings else None,
        )

    async def subscribe(self, client: Client) -> None:
        """Subscribe to its topics by one connection; what the broker refuses is in ``refused_topics``."""
        if not self._topics:
            return
        self._before_s = time.monotonic()
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


def silent() -> structlog.stdlib.BoundLogger:
    """Return a logger that logs nothing, for a connection of a moment."""

    def drop(_logger: Any, _method: str, _event: Any) -> Any:
        raise structlog.DropEvent

    logger: structlog.stdlib.BoundLogger = structlog.wrap_logger(
        structlog.PrintLogger(), processors=[drop], wrapper_class=structlog.stdlib.BoundLogger
    )
    return logger


def _for_once(name: str) -> str:
    """Return a name that no other command has: of two connections with one name the broker closes the older."""
    return f"{name}-{secrets.token_hex(4)}"


async def publish_once(config: Config, post: Post, name: str, within_s: float) -> None:
    """Connect, publish, disconnect: for a short command. Raises MqttError, OSError, TimeoutError.

    Without a will: the broker would say it minutes after this has failed, and whatever has been said since.
    """
    link = Link(_for_once(name), config, silent(), will=None, farewell=None)
    async with asyncio.timeout(within_s):
        client = await link.connect()
        try:
            await link.send(client, post, within_s)
        finally:
            await client.__aexit__(None, None, None)


async def read_once(config: Config, topics: Sequence[str], name: str, within_s: float) -> dict[str, bytes]:
    """Return what the broker has retained on topics. Raises MqttError, OSError; TimeoutError where nothing answers.

    A topic on which nothing is retained is left out; to know that takes all of ``within_s``.
    """
    link = Link(_for_once(name), config, silent(), will=None, farewell=None, topics=[(topic, 1) for topic in topics])
    found: dict[str, bytes] = {}
    async with asyncio.timeout(within_s):
        client = await link.connect()
    try:
        await link.subscribe(client)
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
