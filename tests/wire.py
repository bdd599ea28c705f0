"""What the end-to-end tests share: ears and a mouth on the wire, a configuration, and the daemon in two forms.

As a process of its own where signals or a sudden death matter, and inside the test's process where they do not.
"""

from __future__ import annotations

import asyncio
import contextlib
import copy
import io
import json
import logging
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable, Mapping
from datetime import datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self, TypeVar

import paho.mqtt.client as paho
import pytest
from aiosmtpd.smtp import SMTP
from jsonschema import Draft202012Validator, FormatChecker
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from surpluscharge import cli
from surpluscharge.clock import Clock, SystemClock
from surpluscharge.config import Config, parse
from surpluscharge.control.controller import Kept
from surpluscharge.daemon import logs, status, store
from surpluscharge.daemon.mqtt import Link, Post
from surpluscharge.daemon.ports import Patience, Ports
from surpluscharge.daemon.service import Service

COMMAND, REPORT, POWER = "shed/plug/command", "shed/plug/report", "shed/plug/power"
GRID = "house/grid"
BASE = "surpluscharge/shed"
ENABLE, ENABLE_SET = f"{BASE}/enable", f"{BASE}/enable/set"
STATUS, AVAILABILITY = f"{BASE}/status", f"{BASE}/availability"

# The lead of the tests draws 6 A x 230 V = 1380 W; it starts at that much export and stops at 345 W of import.
SUN_W, SHADE_W = -2000, 700

# How late a busy machine is must not decide where that is not what is tried.
UNHURRIED = Ports(patience=Patience(late_s=20.0))
PATIENCE_S = 60.0  # for what takes a moment only: long enough for a machine that is busy with something else

# RFC 3339, section 5.6: date-time. That such a string is also a date that exists, fromisoformat() sees.
_RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)")

T = TypeVar("T")


async def until(condition: Callable[[], T], what: str, within_s: float = PATIENCE_S) -> T:
    """Wait until ``condition`` returns something true, and return that. Fails the test after ``within_s``."""
    deadline_s = time.monotonic() + within_s
    while not (found := condition()):
        if time.monotonic() > deadline_s:
            pytest.fail(f"not within {within_s:g} s: {what}")
        await asyncio.sleep(0.01)
    return found


class Heard(NamedTuple):
    """A message as it came over the wire. ``retain`` is the flag that its publisher set."""

    at_s: float  # time.monotonic()
    topic: str
    payload: bytes
    qos: int
    retain: bool
    expiry_s: int | None  # MQTT 5: the Message Expiry Interval that came with it

    @property
    def text(self) -> str:
        return self.payload.decode()


class Observer:
    """An MQTT 5 client in a thread of its own, which hears everything and publishes what a test wants said."""

    def __init__(self, port: int, **credentials: str) -> None:
        self.heard: list[Heard] = []
        self.reaction: Callable[[Heard], None] = lambda _: None  # to each message, in the observer's own thread
        self._subscribed = threading.Event()
        client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        if credentials:
            client.username_pw_set(**credentials)
        client.on_message = self._on_message
        client.on_subscribe = lambda *_: self._subscribed.set()
        # Retain As Published: else the broker clears the flag on its way to those who are already there.
        everything = SubscribeOptions(qos=2, retainAsPublished=True)
        client.on_connect = lambda client, *_: client.subscribe("#", options=everything) and None
        client.connect("127.0.0.1", port)
        client.loop_start()
        self._client = client
        assert self._subscribed.wait(PATIENCE_S)

    def _on_message(self, _client: paho.Client, _userdata: Any, message: paho.MQTTMessage) -> None:
        expiry_s = getattr(message.properties, "MessageExpiryInterval", None)
        heard = Heard(time.monotonic(), message.topic, bytes(message.payload), message.qos, message.retain, expiry_s)
        self.heard.append(heard)
        self.reaction(heard)

    def publish(self, topic: str, payload: str | bytes | float, retain: bool = False, qos: int = 1) -> None:
        """Publish, and wait until the broker has it."""
        info = self._client.publish(topic, payload, qos, retain)
        info.wait_for_publish(PATIENCE_S)
        assert info.is_published()

    def say(self, topic: str, payload: str | bytes | float, retain: bool = False) -> None:
        """Publish at QoS 0 and do not wait: as a device does."""
        self._client.publish(topic, payload, retain=retain)

    async def measure(self, power_w: float) -> None:
        """Publish a reading until the status shows it: one that was long under way, on a busy machine, is none."""
        deadline_s = time.monotonic() + PATIENCE_S
        while self.status.get("grid", {}).get("power_w") != power_w:
            assert time.monotonic() < deadline_s, f"a reading of {power_w} W is never shown"
            self.publish(GRID, power_w)
            await asyncio.sleep(0.2)

    def on(self, topic: str) -> list[Heard]:
        """Return what was heard on a topic, oldest first."""
        return [message for message in list(self.heard) if message.topic == topic]

    def texts(self, topic: str) -> list[str]:
        return [message.text for message in self.on(topic)]

    def last(self, topic: str) -> str | None:
        """Return the latest payload heard on a topic."""
        return next(iter(self.texts(topic)[-1:]), None)

    @property
    def statuses(self) -> list[dict[str, Any]]:
        return [json.loads(text) for text in self.texts(STATUS)]

    @property
    def status(self) -> dict[str, Any]:
        """Return the latest status document; before the first, one that says nothing."""
        last = self.last(STATUS)
        return {"state": None} if last is None else json.loads(last)  # type: ignore[no-any-return]

    @property
    def state(self) -> str | None:
        state: str | None = self.status["state"]
        return state

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def usurp(port: int, client_id: str) -> None:
    """Connect with somebody else's client identifier, so that the broker cuts that connection (MQTT 5.0, 3.1.4-3)."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id, reconnect_on_failure=False)
    connected: list[bool] = []
    client.on_connect = lambda *_: connected.append(True)
    client.connect("127.0.0.1", port)
    while not connected:
        client.loop(0.1)
    client.disconnect()
    client.loop(0.1)


class Plug:
    """A relay plug at the end of the wire: takes commands and reports its relay, retained.

    ``obeys`` says which commands it follows, ``report`` how it writes its state. It reports at every command, or, if
    ``only_changes``, only when its relay has moved.
    """

    def __init__(self, observer: Observer, report: str = "{}", only_changes: bool = False) -> None:
        self.on = False
        self.obeys = {"on", "off"}
        self._observer = observer
        self._report = report
        self._only_changes = only_changes
        observer.reaction = self._take
        self.report()

    def _take(self, message: Heard) -> None:
        if message.topic == COMMAND and message.text in ("on", "off"):
            before = self.on
            if message.text in self.obeys:
                self.on = message.text == "on"
            if self.on is not before or not self._only_changes:
                self.report()

    def press(self) -> None:
        """Somebody presses the button on the plug."""
        self.on = not self.on
        self.report()

    def report(self) -> None:
        self._observer.say(REPORT, self._report.replace("{}", "on" if self.on else "off"), retain=True)


class Feed:
    """Publishes a reading several times a second, as a meter does, until the context is left."""

    def __init__(self, observer: Observer, power_w: float, topic: str = GRID, retain: bool = False) -> None:
        self.power_w = power_w
        self.last_s = 0.0  # when the last reading went out
        self._observer = observer
        self._topic, self._retain = topic, retain
        self._task: asyncio.Task[None] | None = None

    async def _run(self) -> None:
        while True:
            self.last_s = time.monotonic()
            self._observer.say(self._topic, self.power_w, self._retain)
            await asyncio.sleep(0.1)

    async def __aenter__(self) -> Self:
        self._task = asyncio.create_task(self._run())
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.silence()

    async def silence(self) -> None:
        assert self._task is not None
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)


# --- the configuration -----------------------------------------------------------------------------------------------


def tables(port: int, folder: Path, **changes: Any) -> dict[str, Any]:
    """Return a configuration with short times; each change is laid over the table of that name (a list replaces it).

    Nothing is re-asserted within a test's time, so that commands can be counted.
    """
    config: dict[str, Any] = {
        "mqtt": {"host": "127.0.0.1", "port": port, "keepalive_s": 5},
        "charger": {"name": "shed", "current_a": 6.0},
        "meter": [{"topic": GRID, "fresh_s": 5.0}],
        "relay": {"topic": COMMAND, "confirm_within_s": 2.0, "reassert_s": 600.0},
        "control": {"start_delay_s": 0.3, "stop_delay_s": 0.3, "min_on_s": 0.0, "min_off_s": 0.0},
        "status": {"heartbeat_s": 1.0},
        "log": {"format": "json"},
        "store": {"directory": str(folder / "state")},
    }
    return laid_over(config, changes)


def laid_over(config: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Return a configuration with each change laid over the table of that name; a list replaces it."""
    changed = dict(config)
    for name, change in changes.items():
        changed[name] = {**config.get(name, {}), **change} if isinstance(change, dict) else change
    return copy.deepcopy(changed)


def toml(table: Mapping[str, Any], prefix: str = "") -> str:
    """Write a configuration as TOML."""
    lines = [f"{key} = {_value(value)}" for key, value in table.items() if not _is_table(value)]
    text = "".join(f"{line}\n" for line in lines)
    for key, value in table.items():
        if isinstance(value, dict):
            text += f"\n[{prefix}{key}]\n{toml(value, f'{prefix}{key}.')}"
        elif _is_table(value):
            text += "".join(f"\n[[{prefix}{key}]]\n{toml(entry, f'{prefix}{key}.')}" for entry in value)
    return text


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and all(isinstance(entry, dict) for entry in value))


def _value(value: Any) -> str:
    return json.dumps(value)  # text, numbers and truth values are written alike in TOML


# --- the daemon ------------------------------------------------------------------------------------------------------


async def told(*words: str) -> tuple[int, str, str]:
    """Run a command in a thread of this process; return its exit status, and what it printed on both streams.

    One at a time. Python, and what the package imports, take most of the time of a process of its own.
    """
    with contextlib.redirect_stdout(io.StringIO()) as out, contextlib.redirect_stderr(io.StringIO()) as err:
        code = await asyncio.to_thread(cli.main, [*words])
    return code, out.getvalue(), err.getvalue()


class Log:
    """The daemon's log lines. What has been parsed once is not parsed again, however often somebody looks."""

    def __init__(self) -> None:
        self._parsed: list[dict[str, Any]] = []
        self._parsed_to = 0

    @property
    def text(self) -> str:
        raise NotImplementedError

    @property
    def lines(self) -> list[dict[str, Any]]:
        """Return the complete lines, parsed. What is no line of the daemon's own fails the test."""
        text = self.text
        end = text.rfind("\n") + 1
        self._parsed += [json.loads(line) for line in text[self._parsed_to : end].splitlines()]
        self._parsed_to = max(end, self._parsed_to)
        return list(self._parsed)

    def events(self, name: str, **fields: Any) -> list[dict[str, Any]]:
        """Return the lines of an event whose fields have these values."""
        return [line for line in self.lines if line["event"] == name and fields.items() <= line.items()]

    @property
    def path(self) -> list[str]:
        """Return the states entered, oldest first."""
        return [line["new"] for line in self.events("state_changed")]

    @property
    def strange(self) -> list[dict[str, Any]]:
        """Return the lines of events that are not in the published list."""
        return [line for line in self.lines if line["event"] not in logs.EVENTS]


class Daemon(Log):
    """The daemon as a process of its own."""

    def __init__(self, config: Path, log: Path, environment: Mapping[str, str] | None = None) -> None:
        super().__init__()
        self._log = log
        with log.open("wb") as stream:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "surpluscharge", "run", "--config", str(config)],
                stdout=stream,
                stderr=stream,
                env={**os.environ, **(environment or {})},
            )

    @property
    def text(self) -> str:
        return self._log.read_text(encoding="utf-8")

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    async def ended(self, within_s: float = 40.0) -> int:
        """Wait for the process to end, and return its exit status."""
        await until(lambda: self.process.poll() is not None, "the daemon's end", within_s)
        code: int = self.process.returncode
        return code

    def kill(self) -> None:
        """End it as a crash would: nothing of it runs any more."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


class Postbox:
    """What a mail server of a test does: takes, refuses, or is slow."""

    def __init__(self) -> None:
        self.asked: list[bytes] = []
        self.got: list[bytes] = []
        self.refuses = False
        self.slow_s = 0.0

    async def handle_DATA(self, server: SMTP, session: Any, envelope: Any) -> str:  # noqa: N802
        self.asked.append(envelope.content)
        await asyncio.sleep(self.slow_s)
        if self.refuses:
            return "550 not here"
        self.got.append(envelope.content)
        return "250 OK"


class Site:
    """A real HTTP server in a thread of its own: what it was asked, what it answers, and what it took."""

    def __init__(self, port: int = 0) -> None:
        self.asked: list[tuple[str, str, dict[str, str], bytes]] = []
        self.at_s: list[float] = []
        self.got: list[bytes] = []
        self.status = 204
        self.slow_s = 0.0
        site = self

        class Handler(BaseHTTPRequestHandler):
            def _do(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                site.at_s.append(time.monotonic())
                site.asked.append((self.command, self.path, dict(self.headers), body))
                until_s = time.monotonic() + site.slow_s
                # Byte by byte, so that no timeout of a single step ever comes; to whoever has gone, it raises.
                while site.slow_s and time.monotonic() < until_s:
                    self.wfile.write(b" ")
                    time.sleep(0.02)
                self.send_response(site.status)
                self.end_headers()
                if site.status < 300:
                    site.got.append(body)

            do_GET = do_POST = _do  # noqa: N815

            def log_message(self, *_: Any) -> None: ...

        self.server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self.server.daemon_threads = True
        self.server.handle_error = lambda *_: None  # type: ignore[method-assign]
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"
        threading.Thread(target=self.server.serve_forever, daemon=True, kwargs={"poll_interval": 0.02}).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()


class Disk:
    """The store, on a disk that a test fills, or lets answer no more."""

    def __init__(self) -> None:
        self.free = threading.Event()
        self.free.set()
        self.full = False
        self.alone, self.load = store.alone, store.load

    def save(self, path: Path, kept: Kept, clock: Clock) -> None:
        self.free.wait(60.0)
        if self.full:
            raise OSError(28, "No space left on device")
        store.save(path, kept, clock)


class Unplugged(Link):
    """A connection without a broker: up when a test says so, what is published is kept, and what comes is not late."""

    up = False
    lag_s = 0.0

    def __init__(self, *which: Any, **how: Any) -> None:
        super().__init__(*which, **how)
        self.said: list[Post] = []

    async def publish(self, post: Post, within_s: float = 0.0) -> None:
        self.said.append(post)


class InProcess(Log):
    """The daemon in the test's own process."""

    def __init__(self, service: Service, stream: io.StringIO, task: asyncio.Task[None]) -> None:
        super().__init__()
        self.service = service
        self.task = task
        self._stream = stream

    @property
    def text(self) -> str:
        return self._stream.getvalue()


@contextlib.asynccontextmanager
async def running(config: Config, clock: Clock | None = None, ports: Ports = UNHURRIED) -> AsyncIterator[InProcess]:
    """Run the daemon in this process for as long as the context lasts, then stop it in good order."""
    root = logging.getLogger()
    before = root.handlers[:], root.level
    stream = io.StringIO()
    logs.configure(config.log.level, config.log.format, stream)
    service = Service(config, clock or SystemClock(), ports)
    task = asyncio.create_task(service.run())
    try:
        yield InProcess(service, stream, task)
    finally:
        service.stop("the test is over")
        try:
            await asyncio.wait_for(task, 60.0)
        finally:
            root.handlers[:], level = before
            root.setLevel(level)


class Stage:
    """A broker with an observer on it, one configuration, and the daemons that a test starts.

    When it is closed, what was heard is held against what must always hold on the wire.
    """

    def __init__(self, port: int, folder: Path) -> None:
        self.port = port
        self.folder = folder
        self.config_file = folder / "shed.toml"
        self.observers = [Observer(port)]
        self._daemons: list[Daemon] = []

    @property
    def wire(self) -> Observer:
        """The latest observer."""
        return self.observers[-1]

    def observe(self) -> Observer:
        """Add a new observer, who hears what is retained and what comes from now on."""
        self.observers.append(Observer(self.port))
        return self.wire

    def write(self, **changes: Any) -> Path:
        self.config_file.write_text(toml(tables(self.port, self.folder, **changes)), encoding="utf-8")
        return self.config_file

    def config(self, **changes: Any) -> Config:
        return parse(toml(tables(self.port, self.folder, **changes)), "shed.toml")

    def start(self, environment: Mapping[str, str] | None = None, **changes: Any) -> Daemon:
        """Start the daemon as a process. Without changes, with the configuration as it was last written."""
        if changes or not self.config_file.exists():
            self.write(**changes)
        daemon = Daemon(self.config_file, self.folder / f"daemon-{len(self._daemons)}.log", environment)
        self._daemons.append(daemon)
        return daemon

    @contextlib.asynccontextmanager
    async def running(
        self, clock: Clock | None = None, ports: Ports = UNHURRIED, **changes: Any
    ) -> AsyncIterator[InProcess]:
        """Run the daemon in this process, from when it is ready for as long as the context lasts."""
        async with running(self.config(**changes), clock, ports) as daemon:
            await self.ready()
            yield daemon

    async def ready(self) -> None:
        """Wait until the daemon hears what is said to it, and has told the relay off."""
        await until(lambda: self.wire.last(AVAILABILITY) == "ready", "availability")
        await until(lambda: self.wire.last(COMMAND) == "off", "the first off")
        await until(lambda: self.wire.status.get("relay", {}).get("confirmed"), "the first off's confirmation")

    async def charge(self, feed: Feed) -> None:
        """Enable, let the sun shine, and wait until the daemon charges and knows that the relay is on."""
        await self.ready()
        feed.power_w = SUN_W
        self.wire.publish(ENABLE_SET, "on")
        await until(
            lambda: self.wire.state == "charging" and self.wire.status["relay"]["confirmed"],
            "a charge, confirmed",
        )

    def close(self) -> None:
        for daemon in self._daemons:
            if daemon.process.poll() is None:
                daemon.kill()
        for observer in self.observers:
            observer.close()
            assert_lawful(observer)


def assert_lawful(observer: Observer) -> None:
    """Hold everything that an observer heard from the daemon against what must always be so on the wire.

    Commands are never retained (invariant 8), and every status document fits its published schema.
    """
    assert not [message for message in observer.on(COMMAND) if message.retain]
    validator = Draft202012Validator(status.schema(), format_checker=FormatChecker())
    for document in observer.statuses:
        validator.validate(document)
        for text in (document["time"], document["since"], *(fault["since"] for fault in document["faults"])):
            assert _RFC3339.fullmatch(text), text
            assert datetime.fromisoformat(text).utcoffset() is not None, text
