"""What it takes, beside the least it could take: `python -m tests.bench.floors [--python BINARY ...] [--only ROW ...]`.

A table, some four minutes of it on one core, little of it work. Exit status 1 where a goal is missed, and the table
says which. It is for a quiet computer: on a busy one times are upper bounds.

- memory: resident, of the daemon in a plain house after a minute of readings, and of a bare import of its libraries in
  the same interpreter: once as `import pydantic` leaves it, which loads hardly any of it, and once with its BaseModel,
  which whoever uses it has. BINARY is a Python with the libraries in it (default: this one); try one with nothing else.
- off: from charging being disabled, by its topic, to the plug being told off; and there and back through the same
  broker by way of a process that does nothing but answer.
- CPU: of the daemon, at one reading a second; and of that other process, which hears them and does nothing.
- flood: an off among 5000 messages a second on the meter's topic (tests/bench/flood.py).
- page: a day as HTML (tests/bench/ledger_years.py).
- sizes: of what is in dist/ (sh deploy/package.sh), and of the wheels of its libraries, as they were fetched.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import re
import socket
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from aiomqtt import Message
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench import flood
from tests.bench.outside import COMMAND, ENABLE_SET, GRID, STATUS, Broker, Wire, now
from tests.bench.plain import plain
from tests.conftest import Mosquitto

ROOT = Path(__file__).parents[2]
ROWS = ("memory", "off", "flood", "page", "sizes")
LIBRARIES = "aiomqtt, pydantic, structlog, tenacity"
PING, PONG = "bench/ping", "bench/pong"
MEMORY_GOAL, OFF_GOAL, CPU_GOAL, FLOOD_GOAL_S, PAGE_GOAL_S = 1.35, 2.0, 0.001, 1.0, 1.0
SETTLES_S, CPU_S = 20.0, 60.0  # before the processor is looked at, and while


class Table:
    def __init__(self) -> None:
        self.missed: list[str] = []
        print(f"{'':<46} {'measured':>12} {'floor':>12} {'ratio':>7}  goal", flush=True)

    def row(
        self, what: str, measured: str, floor: str = "", ratio: str = "", goal: str = "", *, met: bool = True
    ) -> None:
        if not met:
            self.missed.append(what)
        print(f"{what:<46} {measured:>12} {floor:>12} {ratio:>7}  {goal}{'' if met else '   MISSED'}", flush=True)


# --- memory, processor, and how soon it is off -----------------------------------------------------------------------


def resident_mb(status: str) -> float:
    """Return what a process has in memory, by the text of its /proc/PID/status."""
    found = re.search(r"^VmRSS:\s+(\d+)", status, re.MULTILINE)
    assert found is not None
    return int(found[1]) / 1024


def imported_mb(python: str, imports: str) -> float:
    """Return what a process has that does nothing but import."""
    code = f"{imports}\nprint(open('/proc/self/status').read())"
    return resident_mb(subprocess.run([python, "-c", code], capture_output=True, text=True, check=True).stdout)


def worked_s(pid: int) -> float:
    """Return the processor time of all threads (Linux: the first figure of schedstat, in nanoseconds)."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text(encoding="ascii").split()[0]) for task in tasks) / 1e9


def echo(port: int) -> None:
    """Answer, and nothing else; of readings it only hears."""

    def answer(client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        if message.topic == PING:
            client.publish(PONG, message.payload, 1)

    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = lambda *_: client.subscribe([(PING, 1), (GRID, 0)]) and None
    client.on_message = answer
    client.on_socket_open = lambda _client, _data, sock: sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    client.connect("127.0.0.1", port)
    client.loop_forever()


class House:
    """A meter that speaks once a second, and a plug that hears."""

    def __init__(self, port: int) -> None:
        self.on, self.moved = False, asyncio.Event()
        self.ponged = asyncio.Event()
        self.status: dict[str, Any] = {}
        self.wire = Wire(port, "house", [COMMAND, STATUS, PONG], self._heard)
        self.every_s = 1.0

    def _heard(self, message: Message) -> None:
        if message.topic.value == PONG:
            self.ponged.set()
        elif message.topic.value == STATUS:
            self.status = json.loads(bytes(message.payload))  # type: ignore[arg-type]
        elif self.on is not (message.payload == b"on"):
            self.on = not self.on
            self.moved.set()

    async def run(self) -> None:
        async def speak() -> None:
            while True:
                await self.wire.say(GRID, "-2000" if not self.on else "-600")
                await asyncio.sleep(self.every_s)

        await asyncio.gather(self.wire.run(), speak())

    async def move(self, enable: str) -> float:
        """Allow or forbid charging; return how long the plug took to hear of it."""
        self.moved.clear()
        began_s = now()
        await self.wire.say(ENABLE_SET, enable, qos=1)
        await asyncio.wait_for(self.moved.wait(), 60.0)
        return now() - began_s

    async def ping(self) -> float:
        await asyncio.sleep(0.1)  # else the answer to the last one holds this one up (Nagle, and a delayed ACK)
        self.ponged.clear()
        began_s = now()
        await self.wire.say(PING, "on", qos=1)
        await asyncio.wait_for(self.ponged.wait(), 10.0)
        return now() - began_s


async def daemon(python: str, table: Table, rows: list[str], times: int) -> None:
    """Run it in a plain house, and take what of it is asked for."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Broker(folder)
        with (folder / "mosquitto.conf").open("a") as file:
            file.write("set_tcp_nodelay true\n")  # as in deploy/mosquitto.conf
        await broker.start()
        config = folder / "bench.toml"
        config.write_text(plain(broker.port, folder / "state"))
        house = House(broker.port)
        playing = asyncio.create_task(house.run())
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        call = [python, "-m", "surpluscharge", "run", "--config", str(config)]
        with (folder / "log").open("wb") as log:
            process = subprocess.Popen(call, stdout=log, stderr=log, cwd=folder, env=environment)  # noqa: ASYNC220
        answering = subprocess.Popen(  # noqa: ASYNC220
            [sys.executable, "-m", "tests.bench.floors", "--echo", str(broker.port)], cwd=ROOT
        )
        try:
            began_s = now()
            while not house.status:
                assert process.poll() is None and now() - began_s < 60.0, (folder / "log").read_text()
                await asyncio.sleep(0.1)
            await house.move("on")
            if "memory" in rows:
                await asyncio.sleep(SETTLES_S)
                pids, began_s = (process.pid, answering.pid), now()
                before_s = [worked_s(pid) for pid in pids]
                await asyncio.sleep(CPU_S)
                took_s = now() - began_s
                share, floor = ((worked_s(pid) - worked) / took_s for pid, worked in zip(pids, before_s, strict=True))
                memory(python, process.pid, table)
                table.row(
                    "CPU, one reading a second, charging",
                    f"{share:.2%}",
                    f"{floor:.2%}",
                    f"{share / floor:.1f}",
                    f"{CPU_GOAL:.1%}",
                    met=share <= CPU_GOAL,
                )
            if "off" in rows:
                await offs(house, table, times)
        finally:
            for each in (process, answering):
                each.terminate()
            playing.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await playing
            process.wait(30)
            answering.wait(10)
            broker.kill()


def memory(python: str, pid: int, table: Table) -> None:
    found_mb = resident_mb(Path(f"/proc/{pid}/status").read_text())
    bare_mb = imported_mb(python, f"import {LIBRARIES}")
    used_mb = imported_mb(python, f"import {LIBRARIES}\nfrom pydantic import BaseModel")
    version = subprocess.run([python, "--version"], capture_output=True, text=True, check=True).stdout.split()[1]
    table.row(
        f"memory of run, Python {version}: bare import",
        f"{found_mb:.1f} MiB",
        f"{bare_mb:.1f} MiB",
        f"{found_mb / bare_mb:.2f}",
        f"{MEMORY_GOAL:g}",
        met=found_mb / bare_mb <= MEMORY_GOAL,
    )
    table.row("  the same, with BaseModel", f"{found_mb:.1f} MiB", f"{used_mb:.1f} MiB", f"{found_mb / used_mb:.2f}")


async def offs(house: House, table: Table, times: int) -> None:
    off_s, echo_s = [], []
    house.every_s = 0.1
    await asyncio.sleep(1.0)
    for _ in range(times):
        off_s.append(await house.move("off"))
        echo_s += [await house.ping() for _ in range(3)]
        await house.move("on")
        await asyncio.sleep(0.2)
    off_ms, echo_ms = 1000 * statistics.median(off_s), 1000 * statistics.median(echo_s)
    table.row(
        f"off after a disable, median of {times}",
        f"{off_ms:.1f} ms",
        f"{echo_ms:.1f} ms",
        f"{off_ms / echo_ms:.2f}",
        f"{OFF_GOAL:g}",
        met=off_ms / echo_ms <= OFF_GOAL,
    )
    table.row("  the worst of them", f"{1000 * max(off_s):.1f} ms", f"{1000 * max(echo_s):.1f} ms")


# --- the rest --------------------------------------------------------------------------------------------------------


def flooded(table: Table) -> None:
    with tempfile.TemporaryDirectory() as name:
        broker = Mosquitto("/usr/sbin/mosquitto", Path(name))
        broker.start()
        try:
            one = asyncio.run(flood.measure(flood.Trial("meter", 5000, 0), broker, Path(name)))
        finally:
            broker.kill()
    late_s = min(one.off_after_disable_s, one.off_after_flood_s)
    table.row(
        f"off among {one.reached:.0f} messages a second",
        f"{1000 * late_s:.0f} ms",
        goal=f"{1000 * FLOOD_GOAL_S:.0f} ms, and off stays",
        met=late_s <= FLOOD_GOAL_S and one.off_at_end,
    )
    table.row("  processor and memory of the daemon in it", f"{one.cores:.0%}", f"{one.memory_mb:.0f} MiB")


def page(table: Table) -> None:
    with tempfile.TemporaryDirectory() as name:
        call = [sys.executable, "-m", "tests.bench.ledger_years", "--years", "0.1", "--folder", name]
        said = subprocess.run(call, capture_output=True, text=True, check=True, cwd=ROOT).stdout
    for what, goal_s in (("day page", PAGE_GOAL_S), ("month page", None)):
        found = re.search(
            rf"^{what}: [\d.]+ s \(([\d.]+) s of computing\), \d+ MB at most, (\d+) chara", said, re.MULTILINE
        )
        assert found is not None, said
        table.row(
            f"{what}, of {int(found[2]) / 1000:.0f} kB, computing, with its libraries",
            f"{found[1]} s",
            goal=f"{goal_s:g} s" if goal_s else "",
            met=goal_s is None or float(found[1]) <= goal_s,
        )


def sizes(table: Table) -> None:
    wheels = [
        each.stat().st_size
        for each in (ROOT / "build/package/wheels").glob("*.whl")
        if "x86_64" in each.name or (each.name.endswith("-any.whl") and not each.name.startswith("setuptools"))
    ]
    for each in _made():
        floor = f"{sum(wheels) / 1e6:.2f} MB" if each.name.endswith("_amd64.deb") and wheels else ""
        table.row(each.name, f"{each.stat().st_size / 1e6:.2f} MB", floor)


def _made() -> Iterator[Path]:
    found = sorted((ROOT / "dist").glob("surpluscharge[-_]*"))
    if not found:
        print("nothing is in dist/: sh deploy/package.sh makes it")
    yield from found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--python", nargs="+", default=[sys.executable], help="in which the daemon is run")
    parser.add_argument("--only", nargs="+", choices=ROWS, default=ROWS, help="some rows of the table")
    parser.add_argument("--times", type=int, default=30, help="how often it is told off (default: 30)")
    parser.add_argument("--echo", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.echo:
        echo(options.echo)
        return 0
    table = Table()
    if {"memory", "off"} & set(options.only):
        for number, python in enumerate(options.python):
            rows = [row for row in options.only if number == 0 or row == "memory"]
            asyncio.run(daemon(python, table, rows, options.times))
    for name, does in (("flood", flooded), ("page", page), ("sizes", sizes)):
        if name in options.only:
            does(table)
    print(f"MISSED: {', '.join(table.missed)}" if table.missed else "every goal is met")
    return 1 if table.missed else 0


if __name__ == "__main__":
    raise SystemExit(main())
