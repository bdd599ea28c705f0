"""Measure how long an "off" takes while messages come in floods: `python -m tests.bench.flood`.

A real broker (Mosquitto), the daemon as a process of its own, a plug that reports, and a publisher in a process of its
own that sends on one topic as fast as it is told. In the middle of a charge the flood begins; two seconds later
charging is disabled at QoS 1. What is measured is the time from the disable, or from the beginning of the flood where
that alone has switched off, until the plug opens its contact; how old the newest reading in the status was at the
worst; and what the daemon took of one core. On a machine that the flood saturates, the publisher may not reach its
rate: the one it reached is printed.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Mosquitto
from tests.wire import BASE, COMMAND, ENABLE_SET, GRID, REPORT, STATUS, Daemon, tables, toml, until

ACKNOWLEDGE_SET = f"{BASE}/acknowledge/set"
BEFORE_S, AFTER_S = 2.0, 4.0  # of flood, before and after the disable
PATIENCE_S = 60.0
HEARD_WITHIN_S = 10.0
SUN_W = 20000  # exported at the beginning of a flood; each second of it 10 W more, so that a reading tells its age
TOPICS = {"meter": GRID, "plug": REPORT, "enable": ENABLE_SET, "acknowledge": ACKNOWLEDGE_SET}


class Trial(NamedTuple):
    what: str  # a key of TOPICS
    rate: int  # messages a second
    qos: int


class Outcome(NamedTuple):
    reached: float  # messages a second
    off_after_disable_s: float  # negative: before it
    off_after_flood_s: float
    oldest_s: float  # the oldest that a reading in a status document was; NaN where the meter was not flooded
    cores: float  # that the daemon used
    memory_mb: float
    faults: tuple[str, ...]
    off_at_end: bool
    heard: bool  # the disable itself; in a flood of commands it may be lost at the broker, and the latch stands for it


# --- the publisher, a process of its own -----------------------------------------------------------------------------


def _varint(number: int) -> bytes:
    out = bytearray()
    while True:
        number, digit = divmod(number, 128)
        out.append(digit | (0x80 if number else 0))
        if not number:
            return bytes(out)


def _packets(topic: str, qos: int, payload: bytes, first: int, count: int) -> Iterator[bytes]:
    """Yield PUBLISH packets (MQTT 3.1.1, section 3.3)."""
    name = topic.encode()
    for number in range(first, first + count):
        identifier = (number % 65535 + 1).to_bytes(2, "big") if qos else b""
        body = len(name).to_bytes(2, "big") + name + identifier + payload
        yield bytes([0x30 | qos << 1]) + _varint(len(body)) + body


def publish(port: int, topic: str, rate: int, qos: int, seconds: float) -> None:
    """Flood a topic, and print how many messages a second the broker has taken."""
    with socket.create_connection(("127.0.0.1", port)) as sender:
        identifier = f"flood-{os.getpid()}".encode()
        head = b"\x00\x04MQTT\x04\x02\x00\x00" + len(identifier).to_bytes(2, "big") + identifier
        sender.sendall(b"\x10" + _varint(len(head)) + head)
        assert sender.recv(4) == b"\x20\x02\x00\x00"

        def drain() -> None:  # the acknowledgements
            try:
                while sender.recv(65536):
                    pass
            except OSError:
                pass

        threading.Thread(target=drain, daemon=True).start()
        print("begun", flush=True)
        began_s, sent = time.monotonic(), 0
        while (elapsed_s := time.monotonic() - began_s) < seconds:
            due = int(elapsed_s * rate) - sent
            if due > 0:
                payload = {GRID: f"{-SUN_W - 10 * elapsed_s:.1f}", REPORT: "on"}.get(topic, "nonsense").encode()
                sender.sendall(b"".join(_packets(topic, qos, payload, sent, due)))
                sent += due
            time.sleep(0.002)
        print(sent / (time.monotonic() - began_s), flush=True)


# --- the house -------------------------------------------------------------------------------------------------------


class Plug:
    """Follows its command, reports each change, and notes when its contact opened; hears the status besides."""

    def __init__(self, port: int) -> None:
        self.on, self.opened_s = False, 0.0
        self.flooded_s: float | None = None
        self.flooding = False
        self.oldest_s, self.faults = 0.0, dict[str, None]()
        self.enabled = False
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe([(COMMAND, 1), (STATUS, 1)]) and None
        self._client.on_message = lambda _client, _userdata, message: self._take(message.topic, message.payload)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.say(REPORT, "off", retain=True)

    def say(self, topic: str, payload: str, qos: int = 0, retain: bool = False) -> None:
        self._client.publish(topic, payload, qos, retain)

    def _take(self, topic: str, payload: bytes) -> None:
        if topic == STATUS:
            self._look(payload)
            return
        on = payload == b"on"
        if self.on and not on:
            self.opened_s = time.monotonic()
        self.on = on
        self.say(REPORT, "on" if on else "off", retain=True)

    def _look(self, payload: bytes) -> None:
        document = json.loads(payload)
        self.enabled = document["enabled"]
        if self.flooded_s is not None:
            self.faults |= dict.fromkeys(fault["code"] for fault in document["faults"])
            export_w = -(document["grid"]["power_w"] or 0.0)
            if self.flooding and export_w >= SUN_W:
                age_s = time.monotonic() - self.flooded_s - (export_w - SUN_W) / 10
                self.oldest_s = max(self.oldest_s, age_s)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def _used_s(pid: int) -> float:
    """Return the processor seconds that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _memory_mb(pid: int) -> float:
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024


async def measure(trial: Trial, broker: Mosquitto, folder: Path) -> Outcome:
    """Run one flood. Raises what ``until`` raises where it does not come to a charge."""
    config = folder / "shed.toml"
    relay = {"feedback": {"topic": REPORT}, "confirm_within_s": 2.0, "reassert_s": 30.0}
    config.write_text(
        toml(tables(broker.port, folder, relay=relay, meter=[{"topic": GRID, "fresh_s": 10.0}])), encoding="utf-8"
    )
    plug = Plug(broker.port)
    daemon = Daemon(config, folder / "daemon.log")
    flood: asyncio.subprocess.Process | None = None
    try:
        await until(lambda: daemon.events("ready"), "readiness")
        plug.say(ENABLE_SET, "on", 1)

        async def shine() -> None:
            while True:
                plug.say(GRID, "-2000")
                await asyncio.sleep(0.2)

        sun = asyncio.create_task(shine())
        await until(lambda: plug.on and daemon.events("relay_confirmed", on=True), "a charge")
        await asyncio.sleep(1.0)
        if trial.what == "meter":
            sun.cancel()
        arguments = (str(broker.port), TOPICS[trial.what], str(trial.rate), str(trial.qos), str(BEFORE_S + AFTER_S))
        flood = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "tests.bench.flood", "--publish", *arguments, stdout=subprocess.PIPE
        )
        assert flood.stdout is not None
        assert await flood.stdout.readline() == b"begun\n"
        used_s, plug.flooded_s = _used_s(daemon.process.pid), time.monotonic()
        await asyncio.sleep(BEFORE_S)
        disabled_s = time.monotonic()
        plug.say(ENABLE_SET, "off", 1)
        plug.flooding = True
        said, _ = await flood.communicate()
        plug.flooding = False
        cores = (_used_s(daemon.process.pid) - used_s) / (time.monotonic() - plug.flooded_s)
        with contextlib.suppress(pytest.fail.Exception):
            await until(lambda: not plug.on, "the plug's off", PATIENCE_S)
        with contextlib.suppress(pytest.fail.Exception):
            await until(lambda: not plug.enabled, "the disable being heard", HEARD_WITHIN_S)
        await asyncio.sleep(3.0)  # nothing that is still on its way may switch it on again
        sun.cancel()
        opened_s = plug.opened_s if not plug.on else float("inf")
        return Outcome(
            float(said),
            opened_s - disabled_s,
            opened_s - plug.flooded_s,
            plug.oldest_s if trial.what == "meter" else float("nan"),
            cores,
            _memory_mb(daemon.process.pid),
            tuple(plug.faults),
            not plug.on,
            not plug.enabled,
        )
    finally:
        if flood is not None and flood.returncode is None:
            flood.kill()
        daemon.kill()
        plug.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--rates", type=int, nargs="+", default=[1000, 2000, 5000, 10000], help="messages a second")
    parser.add_argument("--topics", nargs="+", default=list(TOPICS), choices=list(TOPICS))
    parser.add_argument("--qos", type=int, nargs="+", default=[0, 1])
    parser.add_argument("--publish", nargs=5, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.publish:
        port, topic, rate, qos, seconds = arguments.publish
        publish(int(port), topic, int(rate), int(qos), float(seconds))
        return
    binary = shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin")
    if binary is None:
        sys.exit("needs mosquitto")
    print("flooded      rate  QoS  reached   off after disable   after flood   oldest   core    MB  faults", flush=True)
    failed = False
    for what in arguments.topics:
        for rate in arguments.rates:
            for qos in arguments.qos:
                with tempfile.TemporaryDirectory() as folder:
                    broker = Mosquitto(binary, Path(folder))
                    broker.start()
                    try:
                        one = asyncio.run(measure(Trial(what, rate, qos), broker, Path(folder)))
                    finally:
                        broker.kill()
                failed = failed or not one.off_at_end
                print(
                    f"{what:11}{rate:6}{qos:5}{one.reached:9.0f}{one.off_after_disable_s:18.2f} s"
                    f"{one.off_after_flood_s:12.2f} s{one.oldest_s:7.1f} s{one.cores:7.2f}{one.memory_mb:6.0f}"
                    f"  {' '.join(one.faults) or '-'}{'' if one.off_at_end else '  NOT OFF AT THE END'}"
                    f"{'' if one.heard else '  disable not heard'}",
                    flush=True,
                )
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
