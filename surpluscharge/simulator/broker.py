"""A small MQTT broker inside this process, for the demo and the tests: nothing to install, gone when it is done.

It speaks MQTT 3.1.1 only, answers on the loopback interface only, and asks nobody for a password. It is no broker
to run a house on. Where it differs from the standard, so that nothing here may lean on it:

- It does not disconnect a client that has merely gone silent: a will is delivered when the connection breaks, not
  when the keepalive runs out.
- It sends a newly connected client the retained messages of every filter that *anybody* has subscribed to.
- A client that says goodbye at the very moment it has connected may be taken for lost, and its will published.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from amqtt.adapters import StreamReaderAdapter, StreamWriterAdapter
from amqtt.broker import Broker
from amqtt.contexts import BrokerConfig, ListenerConfig, ListenerType

_LISTENER = "default"
_HANG_UP_WITHIN_S = 2.0


@asynccontextmanager
async def embedded_broker(port: int = 0) -> AsyncIterator[int]:
    """Run a broker for as long as the context lasts, and yield the loopback port it listens on.

    With ``port`` 0 the system picks a free one. Raises ``OSError`` if the port is taken.
    """
    logger = logging.getLogger("amqtt")
    level_before = logger.level
    # It warns of every client that leaves without saying goodbye, which is what tests do on purpose.
    logger.setLevel(logging.CRITICAL)
    broker = Broker(
        BrokerConfig(
            # "External" means that we own the socket. It is the only way to let the system pick the port and to
            # learn which one it was without reaching into the broker.
            listeners={_LISTENER: ListenerConfig(type=ListenerType.EXTERNAL)},
            # Named one by one, because the broker's own default adds packet loggers and the $SYS topics.
            plugins={"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        )
    )
    connections: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(
            broker.external_connected(StreamReaderAdapter(reader), StreamWriterAdapter(writer), _LISTENER)
        )
        connections[task] = writer
        # The socket is ours, so closing it is too; the broker leaves it open where a client never said who it is.
        task.add_done_callback(lambda done: connections.pop(done).close())

    try:
        async with await asyncio.start_server(connected, "127.0.0.1", port, start_serving=False) as server:
            await broker.start()
            await server.start_serving()
            try:
                yield server.sockets[0].getsockname()[1]
            finally:
                server.close()
                # Hang up first: the broker's own way of ending a connection that is still busy can hang before
                # Python 3.12, where a cancelled asyncio.wait_for may go on as if nothing had been said.
                for writer in connections.values():
                    writer.transport.abort()
                if connections:
                    await asyncio.wait(list(connections), timeout=_HANG_UP_WITHIN_S)
                await broker.shutdown()
    finally:
        logger.setLevel(level_before)
