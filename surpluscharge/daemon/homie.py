"""Self-description by the open Homie convention, version 5: a dashboard that knows it needs no topics typed in.

What the status document says, once more and value by value, on a connection of its own: its will is the convention's
``$state``, and whatever goes wrong with it leaves the daemon's own two alone. tests/test_homie.py has the convention's
own words, and what is done about each.

What it leaves at the broker is written down beside the store, so that a later configuration that does not want it, or
wants it elsewhere, or a later version that has no such value, takes it away.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import re
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, get_args

import structlog
from aiomqtt import MqttError

from surpluscharge.clock import SystemClock, wait_until_set
from surpluscharge.config import Config, read_bounded
from surpluscharge.control.supervisor import FAULTS
from surpluscharge.daemon.mqtt import Link, Post, Refused
from surpluscharge.daemon.status import StatusDocument, fault_in_words

DESCRIPTION_VERSION = 7  # to be raised whenever the description changes
EMPTY = "\0"  # how the convention writes empty text; an empty payload would take the value away
LAST_WITHIN_S = 1.0  # real seconds, at shutdown, with the relay off already
AGAIN_S = 5.0  # real seconds
TRACE = re.compile(r"[a-z0-9-]+/5/surpluscharge-[a-z0-9-]+/[a-z0-9$/-]+")  # a topic that can be one of ours
TRACES_BYTES = 100_000  # a file of ours has a few thousand
NODES = {"charging": "Charging", "house": "House"}

Handler = Callable[[str, bytes, bool], None]


def _grid_w(document: StatusDocument) -> float | None:
    # The status says beside it how old it is. Here an old value could not be told from a new one.
    return document.grid.power_w if document.grid.fresh else None


class Property(NamedTuple):
    """One value. ``of`` finds it in the status document; None where it can only be set."""

    node: str
    id: str
    name: str
    datatype: str
    of: Callable[[StatusDocument], object] | None
    unit: str | None = None
    format: str | None = None
    settable: bool = False

    @property
    def topic(self) -> str:
        return f"{self.node}/{self.id}"


PROPERTIES = (
    Property("charging", "enabled", "Charging is allowed", "boolean", lambda doc: doc.enabled, settable=True),
    Property(
        "charging",
        "state",
        "State",
        "enum",
        lambda doc: doc.state,
        format=",".join(get_args(StatusDocument.model_fields["state"].annotation)),
    ),
    Property("charging", "why", "Why", "string", lambda doc: doc.why),
    Property("charging", "waiting-for", "Waiting for", "string", lambda doc: doc.waiting_for or EMPTY),
    Property("charging", "relay", "Relay is told to be on", "boolean", lambda doc: doc.relay.commanded == "on"),
    Property("charging", "power", "Power into the car", "float", lambda doc: doc.charger_power.power_w, "W"),
    Property("charging", "today-energy", "Charged today", "float", lambda doc: _kwh(doc.today.energy_wh), "kWh"),
    Property("charging", "today-solar", "Of that from the sun", "float", lambda doc: _kwh(doc.today.solar_wh), "kWh"),
    Property("charging", "today-starts", "Starts today", "integer", lambda doc: doc.today.starts),
    Property(
        "charging",
        "acknowledge",
        "Acknowledge a fault, after somebody has looked",
        "enum",
        None,
        format=",".join([*(fault.code for fault in FAULTS if fault.may_latch), "all"]),
        settable=True,
    ),
    Property("house", "grid-power", "Grid power, import positive", "float", _grid_w, "W"),
    Property("house", "surplus", "Surplus without the charger", "float", lambda doc: doc.surplus_w, "W"),
)


def description(charger: str) -> dict[str, Any]:
    """Return the ``$description`` of the device for the charger of this name."""
    nodes: dict[str, Any] = {node: {"name": name, "properties": {}} for node, name in NODES.items()}
    for row in PROPERTIES:
        given = {
            "name": row.name,
            "datatype": row.datatype,
            "format": row.format,
            "unit": row.unit,
            "settable": row.settable,
            "retained": row.of is not None,
        }
        nodes[row.node]["properties"][row.id] = {key: value for key, value in given.items() if value is not None}
    return {"homie": "5.0", "version": DESCRIPTION_VERSION, "name": f"Surplus charger {charger}", "nodes": nodes}


def values(document: StatusDocument) -> dict[str, str]:
    """Return the payload of each topic below the device's own; an empty one takes a value, or an alert, away."""
    payloads = {row.topic: _text(row.of(document)) for row in PROPERTIES if row.of}
    payloads |= {f"$alert/{fault.code}": "" for fault in FAULTS}
    for fault in document.faults:
        payloads[f"$alert/{fault.code}"] = fault_in_words(fault, f"acknowledge {fault.code}.")
    return payloads


def _text(value: object) -> str:
    return "" if value is None else str(value).lower() if isinstance(value, bool) else str(value)


def _kwh(energy_wh: float) -> float:
    return round(energy_wh / 1000, 3)


class Traces:
    """What of ours the broker may still have, as one topic a line in a file beside the store, and what is to go."""

    def __init__(self, config: Config, log: structlog.stdlib.BoundLogger) -> None:
        self._path, self._log = config.state_file.with_suffix(".homie"), log
        root = config.homie_topic
        # In the order in which the convention has them taken away: without its $state a device is gone. What is said
        # last is answered for by the broker, and so for all before it.
        here = ("$state", *(row.topic for row in PROPERTIES if row.of), *(f"$alert/{fault.code}" for fault in FAULTS))
        self._wanted = [f"{root}/{topic}" for topic in (*here, "$description")] if config.homie.publish else []
        self._had = self._read()
        self.stale = [topic for topic in self._had if topic not in self._wanted]

    def keep(self) -> None:
        """Write down what will be there before any of it is."""
        if set(self._wanted) - set(self._had):
            self._write([*self.stale, *self._wanted])

    async def take_away(self, link: Link) -> None:
        """Take away what is not wanted any more. Raises MqttError where the broker is away."""
        for at, topic in enumerate(self.stale, 1):
            with contextlib.suppress(Refused):
                # As below: acknowledged are the first and the last.
                qos = 1 if topic.endswith("/$state") or at == len(self.stale) else 0
                await link.publish(Post(topic, "", qos, retain=True))
        if self.stale:
            self._log.info("homie_withdrawn", topics=len(self.stale), device=self.stale[0].rpartition("/")[0])
            self.stale = []
            await asyncio.to_thread(self._write, self._wanted)

    def _read(self) -> list[str]:
        try:
            lines = read_bounded(self._path, TRACES_BYTES, links=False).decode("ascii").splitlines()
        except FileNotFoundError:
            return []
        except (OSError, ValueError) as error:
            self._log.warning("homie_not_kept", reason=f"{self._path}: {error}")
            return []
        return [line for line in lines if TRACE.fullmatch(line)]  # never what is somebody else's

    def _write(self, topics: list[str]) -> None:
        beside = self._path.with_suffix(".homie-new")
        try:
            if not topics:
                self._path.unlink(missing_ok=True)
                return
            beside.unlink(missing_ok=True)
            with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
                file.write("\n".join(topics) + "\n")
                file.flush()
                os.fsync(file.fileno())
            beside.replace(self._path)
        except OSError as error:
            self._log.warning("homie_not_kept", reason=f"{self._path}: {error.strerror}")


async def withdraw(
    config: Config, log: structlog.stdlib.BoundLogger, traces: Traces, connect: Callable[..., Link] = Link
) -> None:
    """Take away what is not wanted any more, by a connection that lasts until that is done."""
    up = asyncio.Event()
    # By the same name: a connection of an earlier life that the broker still holds ends, and its will comes before.
    link = connect("homie", config, log, will=None, farewell=None, on_up=up.set)
    async with asyncio.TaskGroup() as tasks:
        connected = tasks.create_task(link.run())
        while traces.stale:
            await wait_until_set(up, SystemClock(), AGAIN_S)
            up.clear()
            with contextlib.suppress(MqttError):
                await traces.take_away(link)
        while not connected.done():  # libraries may swallow a cancellation
            connected.cancel()
            await asyncio.wait([connected], timeout=AGAIN_S)


class Homie:
    """The device at the broker. ``link`` and :meth:`run` are to be run beside each other."""

    def __init__(
        self,
        config: Config,
        log: structlog.stdlib.BoundLogger,
        setters: Mapping[str, Handler],
        traces: Traces,
        connect: Callable[..., Link] = Link,
    ) -> None:
        """``setters`` take what is set on a property, by its topic. Errors as for :class:`Link`."""
        self._root = config.homie_topic
        self._traces = traces
        self._description = json.dumps(description(config.charger.name))
        self._told: dict[str, str] = {}  # on the present connection
        self._document: StatusDocument | None = None
        self._news = asyncio.Event()
        self._all_told = asyncio.Event()
        settable = [row for row in PROPERTIES if row.settable]
        self._setters = {f"{self._root}/{row.topic}/set": (row, setters[row.topic]) for row in settable}
        self.link = connect(
            "homie",
            config,
            log,
            will=self._post("$state", "lost"),
            farewell=self._post("$state", "disconnected"),
            topics=[(topic, 1) for topic in self._setters],
            on_message=self._on_message,
            on_up=self._begin_anew,
        )

    def show(self, document: StatusDocument) -> None:
        """Publish what has changed in it."""
        self._document = document
        self._all_told.clear()
        self._news.set()

    async def say_last(self) -> None:
        """Wait, but not for long, until what was shown is told: what is said last stays at the broker."""
        await wait_until_set(self._all_told, SystemClock(), LAST_WITHIN_S)

    async def run(self) -> None:
        """Publish until cancelled. What cannot be published comes with a later document."""
        while True:
            await self._news.wait()
            self._news.clear()
            with contextlib.suppress(MqttError):
                await self._tell()
            if not self._news.is_set():
                self._all_told.set()

    def _on_message(self, topic: str, payload: bytes, retained: bool) -> None:
        if topic in self._setters:  # some brokers subscribe to more in their clients' names
            row, setter = self._setters[topic]
            self._told.pop(row.topic, None)  # an answer to each, also where it changes nothing
            setter(topic, payload, retained)

    def _begin_anew(self) -> None:
        # What the broker had, and what others have published meanwhile, is not known.
        self._told.clear()
        self._news.set()

    async def _tell(self) -> None:
        if self._document is None or not self.link.up:
            return
        await self._traces.take_away(self.link)
        payloads = {"$description": self._description, **values(self._document), "$state": "ready"}
        if "$state" not in self._told:
            await self._publish("$state", "init")
        for topic, payload in payloads.items():
            if self._told.get(topic) != payload:
                await self._publish(topic, payload)

    async def _publish(self, topic: str, payload: str) -> None:
        # What may be there from an earlier life is taken away at QoS 0: so many acknowledged messages at once would
        # fill the queue that a broker keeps for a slow dashboard, which would then never hear the last, "ready".
        qos = 1 if payload or topic in self._told else 0
        with contextlib.suppress(Refused):  # the other topics may be allowed
            await self.link.publish(self._post(topic, payload)._replace(qos=qos))
            self._told[topic] = payload

    def _post(self, topic: str, payload: str) -> Post:
        return Post(f"{self._root}/{topic}", payload, retain=True)
