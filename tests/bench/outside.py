"""What stands around the daemon in the black-box run: broker, plug, meter, a flood, and the daemon as a process.

Nothing of the package is imported here, nor of the tests that import it: what is judged with these must not share a
mistake with what is judged. All of one world runs in one event loop; times are time.monotonic().
"""

from __future__ import annotations

import asyncio
import collections
import contextlib
import getpass
import itertools
import json
import logging
import os
import random
import shutil
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from aiomqtt import Client, Message, MqttError, ProtocolVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

COMMAND, REPORT, POWER, GRID = "bench/plug/set", "bench/plug/relay", "bench/plug/power", "bench/meter"
BASE = "surpluscharge/bench"
ENABLE_SET, ENABLE, ACKNOWLEDGE_SET = f"{BASE}/enable/set", f"{BASE}/enable", f"{BASE}/acknowledge/set"
ASK_SET = f"{BASE}/plan/set"
STATUS, AVAILABILITY = f"{BASE}/status", f"{BASE}/availability"

now = time.monotonic
logging.getLogger("mqtt").setLevel(logging.CRITICAL)  # connections are meant to break here


class Lag:
    """How late everything is run here: what the machine's load is to blame for.

    This process, by its own timer; the daemon and the broker, by how long they were ready and had no processor (Linux:
    the second figure of /proc/PID/schedstat, in nanoseconds; elsewhere that is nothing, and the bounds are stricter).
    """

    EVERY_S = 0.02
    GRAIN_S = 0.001  # that a timer is late on an idle machine too

    def __init__(self, pids: Callable[[], Sequence[int]] = list) -> None:
        self._pids = pids
        self._waited_s: dict[int, float] = {}
        self._late: collections.deque[tuple[float, float]] = collections.deque(maxlen=20_000)
        self.own_s = self.theirs_s = self.worst_s = 0.0

    async def run(self) -> None:
        before_s = now()
        while True:
            await asyncio.sleep(self.EVERY_S)
            own_s = max(0.0, now() - before_s - self.EVERY_S - self.GRAIN_S)
            before_s = now()
            theirs_s = self._theirs_s()
            if own_s or theirs_s:
                self._late.append((before_s, own_s + theirs_s))
                self.own_s, self.theirs_s = self.own_s + own_s, self.theirs_s + theirs_s
                self.worst_s = max(self.worst_s, own_s + theirs_s)

    def _theirs_s(self) -> float:
        """Return for how long the daemon and the broker have waited for a processor since the last call."""
        sum_s, waited_s = 0.0, {}
        for pid in self._pids():
            with contextlib.suppress(OSError, IndexError):
                waited_s[pid] = int(Path(f"/proc/{pid}/schedstat").read_text(encoding="ascii").split()[1]) / 1e9
                sum_s += max(0.0, waited_s[pid] - self._waited_s.get(pid, 0.0))
        self._waited_s = waited_s
        return sum_s

    def between(self, since_s: float, until_s: float) -> float:
        """Return by how much all of them were late between two times, all told."""
        found = 0.0
        for at_s, late_s in reversed(self._late):
            if at_s < since_s:
                break
            if at_s - late_s <= until_s:
                found += late_s
        return found


class History:
    """The last events of a world, so that a violation can be understood."""

    def __init__(self) -> None:
        self._began_s = now()
        self._lines: collections.deque[tuple[float, str]] = collections.deque(maxlen=90)

    def note(self, text: str) -> None:
        self._lines.append((now(), text))

    def text(self) -> str:
        return "\n".join(f"    {at_s - self._began_s:9.3f}  {text}" for at_s, text in self._lines)


class Wire:
    """A connection to the broker that is made anew at once whenever it is lost, unless it is cut."""

    def __init__(
        self,
        port: int,
        name: str,
        topics: Sequence[str] = (),
        on_message: Callable[[Message], None] = lambda _: None,
        on_up: Callable[[], None] = lambda: None,
    ) -> None:
        self._port, self._name, self._topics = port, name, topics
        self._on_message, self._on_up = on_message, on_up
        self._client: Client | None = None
        self._joined = asyncio.Event()
        self._joined.set()

    @property
    def up(self) -> bool:
        return self._client is not None

    async def run(self) -> None:
        # Retain As Published: else the broker clears the flag on its way to those who are already there.
        as_published = SubscribeOptions(qos=1, retainAsPublished=True)
        for number in itertools.count():
            await self._joined.wait()
            with contextlib.suppress(MqttError, OSError, TimeoutError):
                async with Client(
                    "127.0.0.1",
                    self._port,
                    identifier=f"outside-{self._name}-{number}",
                    protocol=ProtocolVersion.V5,
                    keepalive=60,
                    timeout=5.0,
                ) as client:
                    for topic in self._topics:
                        await client.subscribe(topic, options=as_published)
                    self._client = client
                    self._on_up()
                    await self._listen(client)
            self._client = None
            await asyncio.sleep(0.05)

    async def _listen(self, client: Client) -> None:
        async for message in client.messages:
            self._on_message(message)
            if not self._joined.is_set():
                return

    async def say(self, topic: str, payload: str | bytes, qos: int = 0, retain: bool = False) -> bool:
        """Publish; say whether the broker has taken it (with QoS 0: whether it was sent)."""
        client = self._client
        if client is None or not self._joined.is_set():
            return False
        try:
            await client.publish(topic, payload, qos, retain, timeout=20.0)
        except (MqttError, OSError):
            return False
        return True

    def cut(self) -> None:
        """Be out of reach, until :meth:`join`."""
        self._joined.clear()
        found = self._client and self._client._client.socket()
        if found:
            with contextlib.suppress(OSError):
                found.shutdown(socket.SHUT_RDWR)

    def join(self) -> None:
        self._joined.set()


# --- processes -------------------------------------------------------------------------------------------------------


def free_port() -> int:
    """Return a free port below those that systems give to whoever connects: a broker that is away must get it back."""
    while True:
        port = random.randrange(20_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


class Broker:
    """Mosquitto, as it is, on a free port of the loopback."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        binary = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
        if binary is None:
            raise SystemExit("no mosquitto is installed (Debian: apt-get install mosquitto)")
        self._command = [binary, "-c", str(folder / "mosquitto.conf")]
        self._log = folder / "mosquitto.log"
        (folder / "mosquitto.conf").write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\nuser {getpass.getuser()}\n",
            encoding="utf-8",
        )
        self.process: subprocess.Popen[bytes] | None = None

    async def start(self) -> None:
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(self._command, stdout=log, stderr=log)  # noqa: ASYNC220  (it returns at once)
        while True:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", self.port)) == 0:
                    return
            if self.process.poll() is not None:
                raise RuntimeError(f"the broker did not start: {self._log.read_text(encoding='utf-8')}")
            await asyncio.sleep(0.02)

    def signal(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        _kill(self.process)


class Daemon:
    """The daemon as a process of its own, from a checkout or a copy of the package."""

    def __init__(self, config: Path, log: Path, package: Path) -> None:
        self.began_s = now()
        self.log = log
        with log.open("ab") as stream:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "surpluscharge", "run", "--config", str(config)],
                stdout=stream,
                stderr=stream,
                cwd=config.parent,
                env={**os.environ, "PYTHONPATH": str(package), "PYTHONDONTWRITEBYTECODE": "1"},
            )

    @property
    def ended(self) -> bool:
        return self.process.poll() is not None

    def signal(self, number: int) -> None:
        self.process.send_signal(number)

    def kill(self) -> None:
        _kill(self.process)


def _kill(process: subprocess.Popen[bytes] | None) -> None:
    if process is not None and process.poll() is None:
        process.kill()
        process.wait()


# --- the plug --------------------------------------------------------------------------------------------------------


class Move(NamedTuple):
    at_s: float
    on: bool


class Plug:
    """A plug that follows after a while, and reports after another; its truth is what the oracle goes by."""

    def __init__(
        self, port: int, draw_w: float, lag_s: float, report_s: float, reports: bool, note: Callable[[str], None]
    ) -> None:
        self.draw_w, self.lag_s, self.report_s = draw_w, lag_s, report_s
        self.wire = Wire(port, "plug", [COMMAND], self._on_message, self._report)
        self.on = False
        self.moves: list[Move] = [Move(now(), False)]
        self.told_off_s = float("-inf")
        self.sticks = False  # its contacts are welded once they are closed
        self.says_w: float | None = None  # what its meter says instead of the truth
        self.on_move: Callable[[bool], None] = lambda _: None
        self._reports = reports
        self._note = note
        self._tasks: set[asyncio.Task[None]] = set()

    @property
    def power_w(self) -> float:
        return self.draw_w if self.on else 0.0

    def on_s(self, since_s: float, until_s: float) -> float:
        """Return for how long it was truly on between two times."""
        ends_s = [*(move.at_s for move in self.moves[1:]), float("inf")]
        spans = zip(self.moves, ends_s, strict=True)
        return sum(max(0.0, min(end_s, until_s) - max(move.at_s, since_s)) for move, end_s in spans if move.on)

    def press(self, on: bool) -> None:
        """Somebody switches it by hand."""
        self._move(on)

    async def run(self) -> None:
        async def speak() -> None:
            while True:
                await asyncio.sleep(1.0)
                self._report()

        await asyncio.gather(self.wire.run(), speak())

    def _on_message(self, message: Message) -> None:
        word = bytes(message.payload).decode() if isinstance(message.payload, bytes | bytearray) else ""
        if word == "off":
            self.told_off_s = now()
        if word in ("on", "off"):
            asyncio.get_running_loop().call_later(self.lag_s, self._move, word == "on")

    def _move(self, on: bool) -> None:
        if on is not self.on and not (self.sticks and not on):
            self.on = on
            self.moves.append(Move(now(), on))
            self._note(f"plug is {'on' if on else 'off'}")
            self.on_move(on)
        self._report()

    def _report(self) -> None:
        task = asyncio.get_running_loop().create_task(self._say(self.on, self.power_w))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _say(self, on: bool, power_w: float) -> None:
        await asyncio.sleep(self.report_s)
        if self._reports:
            await self.wire.say(REPORT, "on" if on else "off", retain=True)
            await self.wire.say(POWER, f"{power_w if self.says_w is None else self.says_w:.1f}")


# --- the house and its meter -----------------------------------------------------------------------------------------


class House:
    """A house whose grid power depends on whether the plug is really on, and its meter, which may fall silent."""

    EVERY_S = 0.25
    SUN_W, SHADE_W = 3000.0, -600.0  # surplus without the charger

    def __init__(self, port: int, plug: Plug, seed: int, pointer: bool) -> None:
        self.wire = Wire(port, "meter")
        self.surplus_w = self.SHADE_W
        self.silent = False
        self.garbage: list[bytes] = []  # said instead of, or with mixed set besides, the readings
        self.mixed = False
        self.last_good_s = float("-inf")  # the latest that a good reading can have reached the broker
        self.longest_gap_s = 0.0
        self._plug, self._pointer = plug, pointer
        self._chance = random.Random(seed)

    def payload(self) -> str:
        grid_w = round(self._plug.power_w - self.surplus_w + self._chance.uniform(-25, 25), 1)
        return json.dumps({"net_w": grid_w}) if self._pointer else str(grid_w)

    async def run(self) -> None:
        async def speak() -> None:
            while True:
                await asyncio.sleep(self.EVERY_S)
                for payload in self.garbage:
                    await self.wire.say(GRID, payload)
                if not self.silent and (self.mixed or not self.garbage):
                    await self.say()

        await asyncio.gather(self.wire.run(), speak())

    async def say(self) -> None:
        if await self.wire.say(GRID, self.payload()):
            self.last_good_s = now()


# --- a flood ---------------------------------------------------------------------------------------------------------


def _text(value: bytes) -> bytes:
    return struct.pack("!H", len(value)) + value


def _length(length: int) -> bytes:
    """Return a remaining length as MQTT writes it (MQTT 3.1.1, section 2.2.3)."""
    out = bytearray()
    while True:
        length, digit = divmod(length, 128)
        out.append(digit | (0x80 if length else 0))
        if not length:
            return bytes(out)


def packet(topic: str, payload: bytes) -> bytes:
    """Return a PUBLISH packet of quality 0 (MQTT 3.1.1, section 3.3)."""
    body = _text(topic.encode()) + payload
    return b"\x30" + _length(len(body)) + body


class Flood:
    """So many messages a second on one topic, straight onto a socket, so that sending them costs next to nothing."""

    def __init__(self, port: int, payload: Callable[[], str], rate: int, seconds: float) -> None:
        self._port, self._payload, self._rate, self._seconds = port, payload, rate, seconds
        self.sent = 0
        self.last_s = float("-inf")

    async def run(self) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", self._port)
        try:
            # CONNECT: clean session, no keepalive (MQTT 3.1.1, section 3.1)
            body = _text(b"MQTT") + b"\x04\x02\x00\x00" + _text(b"outside-flood")
            writer.write(b"\x10" + _length(len(body)) + body)
            await reader.readexactly(4)
            began_s = now()
            while (passed_s := now() - began_s) < self._seconds:
                due = int(passed_s * self._rate) - self.sent
                writer.write(b"".join(self._packets(due)))
                await writer.drain()
                self.sent += due
                self.last_s = now()
                await asyncio.sleep(0.01)
            writer.write(b"\xe0\x00")
            await writer.drain()
        finally:
            writer.close()

    def _packets(self, number: int) -> Iterator[bytes]:
        for start in range(0, number, 25):
            yield packet(GRID, self._payload().encode()) * min(25, number - start)


GARBAGE = (
    b"",
    b"nan",
    b"-Infinity",
    b"\xff\xfe\x00",
    b"1e999",
    b"{",
    b"{}",
    b"[]",
    b"null",
    b"true",
    b'{"net_w": "much"}',
    b'{"net_w": NaN}',
    b"-99999999",
    b'{"net_w": -99999999}',
    b"1_000",
    b"\x00",
    b"on",
    b"x" * 70_000,
)
SIGNALS = {signal.SIGKILL: "kill -9", signal.SIGSTOP: "SIGSTOP", signal.SIGCONT: "SIGCONT", signal.SIGTERM: "SIGTERM"}
