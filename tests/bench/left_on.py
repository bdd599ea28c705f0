"""Measure how long the relay is left on after something has died: `python -m tests.bench.left_on`.

A real broker (Mosquitto), the daemon as a process of its own, and a plug that opens its contact by itself when its
hold time is over. In the middle of a charge the daemon is killed or stopped, the broker is killed, or the meter falls
silent; the time from then until the plug's contact opens is what is measured. Keepalive and hold time are as short as
they may be, so that it takes a few minutes; the bounds are printed as they follow from the settings.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Mosquitto
from tests.wire import COMMAND, REPORT, SUN_W, Daemon, Feed, Stage, until

KEEPALIVE_S, HOLD_S, REASSERT_S, FRESH_S = 5, 30, 8.0, 5.0  # keepalive and hold time: the shortest allowed
# The broker may wait one and a half times the keepalive (MQTT 5.0, 3.1.2.10), and Mosquitto looks for the silent only
# every few seconds.
BROKER_LOOKS_EVERY_S = 6.0
WATCHDOG_S, ABORT_S = 4.0, 5.0  # WatchdogSec= (the unit says 30 s) and TimeoutAbortSec=, as in the unit
OFF_TAKES_S = 5.0  # an interpreter starts, connects and publishes
AT_ONCE_S = 1.0
PATIENCE_S = 90.0


class HoldingPlug:
    """A plug with a hold time: `on 30` closes its contact for 30 seconds, `off` opens it. It reports each change."""

    def __init__(self, port: int) -> None:
        self.on = False
        self.opened_s = 0.0  # time.monotonic()
        self._due_s = float("inf")
        self._changed = threading.Condition()
        self._over = False
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe(COMMAND, qos=1) and None
        self._client.on_subscribe = lambda *_: self._report()
        self._client.on_message = lambda _client, _userdata, message: self._take(message.payload.decode())
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._thread = threading.Thread(target=self._hold)
        self._thread.start()

    def _report(self) -> None:
        self._client.publish(REPORT, "on" if self.on else "off", retain=True)

    def _take(self, text: str) -> None:
        word, *seconds = text.split()
        with self._changed:
            self._due_s = time.monotonic() + float(seconds[0]) if word == "on" else float("inf")
            self._move(word == "on")
            self._changed.notify()

    def _move(self, on: bool) -> None:
        if self.on and not on:
            self.opened_s = time.monotonic()
        self.on = on
        self._report()

    def _hold(self) -> None:
        with self._changed:
            while not self._over:
                left_s = self._due_s - time.monotonic()
                if left_s <= 0:
                    self._due_s = float("inf")
                    self._move(False)
                self._changed.wait(min(1.0, max(0.0, left_s)))

    def close(self) -> None:
        self._over = True
        self._thread.join()
        self._client.disconnect()
        self._client.loop_stop()


class Watcher:
    """Does what the service manager does for a unit with WatchdogSec=, TimeoutAbortSec= and ExecStopPost=.

    It stands in for systemd, which does not run everywhere: it waits for WATCHDOG=1 on the notification socket, sends
    SIGABRT (and SIGCONT, as systemd does) when it stays away, SIGKILL when that does not help, and then runs `off`.
    """

    def __init__(self, stage: Stage, folder: Path) -> None:
        self._address = str(folder / "notify")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self._address)
        self._socket.settimeout(0.05)
        self._stage = stage
        self._daemon: Daemon | None = None
        self._over = False
        self._thread = threading.Thread(target=self._watch)

    @property
    def environment(self) -> dict[str, str]:
        return {"NOTIFY_SOCKET": self._address, "WATCHDOG_USEC": str(int(WATCHDOG_S * 1e6))}

    def watch(self, daemon: Daemon) -> None:
        self._daemon = daemon
        self._thread.start()

    def _watch(self) -> None:
        assert self._daemon is not None
        process, fed_s = self._daemon.process, float("inf")  # it counts from READY=1 on
        while not self._over and process.poll() is None:
            try:
                if {b"READY=1", b"WATCHDOG=1"} & set(self._socket.recv(4096).split(b"\n")):
                    fed_s = time.monotonic()
            except TimeoutError:
                pass
            if time.monotonic() > fed_s + WATCHDOG_S:
                process.send_signal(signal.SIGABRT)
                process.send_signal(signal.SIGCONT)
                try:
                    process.wait(ABORT_S)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()
                command = [sys.executable, "-m", "surpluscharge", "off", "--config", str(self._stage.config_file)]
                subprocess.run(command, capture_output=True, timeout=60, check=False)

    def close(self) -> None:
        self._over = True
        if self._daemon:
            self._thread.join()
        self._socket.close()


class Scene(NamedTuple):
    broker: Mosquitto
    daemon: Daemon
    feed: Feed


async def kill_daemon(scene: Scene) -> float:
    scene.daemon.signal(signal.SIGKILL)
    return time.monotonic()


async def stop_daemon(scene: Scene) -> float:
    scene.daemon.signal(signal.SIGSTOP)
    return time.monotonic()


async def kill_broker(scene: Scene) -> float:
    scene.broker.signal(signal.SIGKILL)
    return time.monotonic()


async def silence_meter(scene: Scene) -> float:
    await scene.feed.silence()
    return scene.feed.last_s


class Event(NamedTuple):
    name: str
    strike: Callable[[Scene], Awaitable[float]]  # returns when it was, time.monotonic()
    bound_s: float
    because: str
    watched: bool = False


EVENTS = (
    Event(
        "daemon kill -9", kill_daemon, AT_ONCE_S, "the broker sees the socket closed, and publishes the will: at once"
    ),
    Event(
        "daemon SIGSTOP",
        stop_daemon,
        1.5 * KEEPALIVE_S + BROKER_LOOKS_EVERY_S,
        f"no service manager: the will at 1.5 x keepalive ({KEEPALIVE_S} s), and the {BROKER_LOOKS_EVERY_S:.0f} s in "
        "which Mosquitto looks",
    ),
    Event(
        "daemon SIGSTOP, watched",
        stop_daemon,
        WATCHDOG_S + ABORT_S + OFF_TAKES_S,
        f"a stand-in for systemd: WatchdogSec ({WATCHDOG_S:.0f} s here, 30 s in the unit), TimeoutAbortSec "
        f"({ABORT_S:.0f} s), and the off command ({OFF_TAKES_S:.0f} s)",
        watched=True,
    ),
    Event("broker kill -9", kill_broker, HOLD_S, f"nobody can be told: the plug's own hold time ({HOLD_S} s)"),
    Event("meter silent", silence_meter, FRESH_S + 1.0, f"fresh_s ({FRESH_S:.0f} s) after the last reading, and 1 s"),
)


async def left_on_s(event: Event, binary: str, rng: random.Random) -> float:
    """Return for how long the contact stayed closed after the event."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(binary, folder)
        broker.start()
        plug = HoldingPlug(broker.port)
        stage = Stage(broker.port, folder)
        watcher = Watcher(stage, folder)
        try:
            daemon = stage.start(
                watcher.environment if event.watched else None,
                mqtt={"keepalive_s": KEEPALIVE_S},
                meter=[{"topic": "house/grid", "fresh_s": FRESH_S}],
                relay={
                    "on_payload": "on {hold_s}",
                    "hold_s": HOLD_S,
                    "reassert_s": REASSERT_S,
                    "feedback": {"topic": REPORT},
                },
            )
            if event.watched:
                watcher.watch(daemon)
            async with Feed(stage.wire, SUN_W) as feed:
                await stage.charge(feed)
                # Anywhere between two keepalives, re-assertions and feedings of the watchdog.
                await asyncio.sleep(rng.uniform(0.5, 0.5 + REASSERT_S))
                if not plug.on:
                    raise RuntimeError(f"{event.name}: the plug opened before anything happened")
                struck_s = await event.strike(Scene(broker, daemon, feed))
                await until(lambda: not plug.on, f"the contact to open after {event.name}", PATIENCE_S)
            return plug.opened_s - struck_s
        finally:
            watcher.close()
            stage.close()
            plug.close()
            broker.kill()


async def measure(times: int, at_once: int, seed: int) -> int:
    binary = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if binary is None:
        print("no mosquitto is installed (Debian: apt-get install mosquitto)", file=sys.stderr)
        return 2
    rng, places, exceeded = random.Random(seed), asyncio.Semaphore(at_once), False

    async def once(event: Event) -> float:
        async with places:
            left_s = await left_on_s(event, binary, rng)
            print(f"{event.name}: {left_s:.2f} s", file=sys.stderr)
            return left_s

    print(f"seed {seed}, {at_once} at a time on {os.cpu_count()} cores")
    print(f"{'left on after':26}{'bound':>8}{'worst':>8}{'median':>8}{'n':>4}")
    for event in EVENTS:
        measured = await asyncio.gather(*(once(event) for _ in range(times)))
        exceeded = exceeded or max(measured) > event.bound_s
        print(
            f"{event.name:26}{event.bound_s:7.1f}s{max(measured):7.2f}s{statistics.median(measured):7.2f}s{times:4}"
            f"  {'EXCEEDED: ' if max(measured) > event.bound_s else ''}{event.because}",
            flush=True,
        )
    return 1 if exceeded else 0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=6, help="how often each (default: 6)")
    parser.add_argument("--at-once", type=int, default=3, help="how many side by side (default: 3)")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    return asyncio.run(measure(options.times, options.at_once, options.seed))


if __name__ == "__main__":
    raise SystemExit(main())
