"""What the owner lives with, by real processes: `python -m tests.bench.living [--folder FOLDER] [--only PART ...]`.

Some seven minutes of waiting, little of it work. A real Mosquitto, a meter and a plug from outside, the daemon as a
process of its own; nothing is replaced. Exit status 1 where something is not as it is said here:

- watch: three look on at once, at terminals of 80x24 and 200x60 and into a pipe, through a restart of the broker. What
  each terminal showed is printed (a terminal emulator, pyte, reads what was sent to it), and has to be whole: the
  state, why, a chart that has something in it, and that the broker is gone while it is.
- tell: a latched fault, told by mail and by POST to eight servers on loopback: as they should be, down, refusing (550,
  503), and slow (they take longer than one attempt may). Those that were not in order are mended: each must have it
  then, once. Meanwhile the daemon is told off by the broker's enable topic, again and again: how long the plug takes.
- ping: it must not come again once the daemon is killed, frozen, stopped in good order, or without a broker (dead or
  hanging); the time from there to the last one that came.
- metrics: what is served, read by the parser of prometheus_client.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import fcntl
import json
import os
import pty
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time
import urllib.request
from collections import Counter
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pyte
from aiomqtt import Message
from aiosmtpd.controller import Controller as MailServer
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from tests.bench.outside import (
    ENABLE_SET,
    GRID,
    POWER,
    REPORT,
    STATUS,
    Broker,
    Daemon,
    House,
    Plug,
    Wire,
    free_port,
    now,
)
from tests.bench.plain import plain
from tests.wire import Postbox, Site

ROOT = Path(__file__).parent.parent.parent
PATIENCE_S = 90.0
LOAD_W = 1390.0
PING_EVERY_S = 10.0


class WrongError(Exception):
    """Something is not as it is said above."""


async def until(said: Callable[[], Any], what: str, within_s: float = PATIENCE_S) -> float:
    began_s = now()
    while not said():
        if now() - began_s > within_s:
            raise WrongError(f"{what}: not within {within_s:g} s")
        await asyncio.sleep(0.02)
    return now() - began_s


class World:
    """Broker, meter, plug, somebody who listens, and the daemon."""

    def __init__(self, folder: Path, **more: Any) -> None:
        folder.mkdir(parents=True)
        self.folder, self.broker = folder, Broker(folder)
        self.plug = Plug(self.broker.port, LOAD_W, 0.1, 0.1, reports=True, note=lambda _: None)
        self.house = House(self.broker.port, self.plug, seed=1, pointer=False)
        self.status: dict[str, Any] = {}
        self.ear = Wire(self.broker.port, "ear", [STATUS], self._heard)
        self.config = folder / "bench.toml"
        self.config.write_text(
            plain(
                self.broker.port,
                folder / "state",
                mqtt={"keepalive_s": 5},
                meter=[{"topic": GRID, "fresh_s": 3}],
                relay={
                    "confirm_within_s": 1,
                    "reassert_s": 5,
                    "feedback": {"topic": REPORT},
                    "power": {"topic": POWER, "fresh_s": 5},
                },
                control={"start_delay_s": 1, "stop_delay_s": 2, "min_on_s": 1, "min_off_s": 1},
                site={"time_zone": "UTC"},
                status={"heartbeat_s": 1},
                **more,
            )
        )
        self.daemon: Daemon | None = None

    def _heard(self, message: Message) -> None:
        with contextlib.suppress(ValueError, TypeError):
            self.status = json.loads(message.payload)  # type: ignore[arg-type]

    def start(self) -> None:
        self.daemon = Daemon(self.config, self.folder / "log", ROOT)

    def signal(self, number: int) -> None:
        assert self.daemon is not None
        self.daemon.signal(number)

    async def charge(self) -> None:
        """Let it charge."""
        self.house.surplus_w = self.house.SUN_W
        while not self.plug.on:
            await self.ear.say(ENABLE_SET, "on", qos=1)
            with contextlib.suppress(WrongError):
                await until(lambda: self.plug.on, "", 5.0)
            if self.daemon is None or self.daemon.ended:
                raise WrongError("the daemon has ended")

    @contextlib.asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        await self.broker.start()
        tasks = [asyncio.create_task(one.run()) for one in (self.plug, self.house, self.ear)]
        try:
            await until(lambda: self.ear.up and self.plug.wire.up and self.house.wire.up, "clients")
            self.start()
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
            if self.daemon:
                with contextlib.suppress(ProcessLookupError):
                    self.daemon.signal(signal.SIGCONT)
                self.daemon.kill()
            self.broker.kill()


# --- watch -----------------------------------------------------------------------------------------------------------


class Terminal:
    """A viewer at a terminal of its own."""

    def __init__(self, port: int, columns: int, rows: int) -> None:
        self.screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        child, self._fd = pty.fork()
        if child == 0:
            os.environ |= {"TERM": "xterm-256color", "COLUMNS": str(columns), "LINES": str(rows)}
            os.chdir(ROOT)
            call = [sys.executable, "-X", "faulthandler", "-m", "surpluscharge", "watch", "--port", str(port)]
            os.execv(sys.executable, call)
        fcntl.ioctl(self._fd, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        os.set_blocking(self._fd, False)
        self.child = child

    def text(self) -> str:
        with contextlib.suppress(OSError):
            while part := os.read(self._fd, 65536):
                self._stream.feed(part)
        return "\n".join(line.rstrip() for line in self.screen.display)

    def press(self, keys: str) -> None:
        os.write(self._fd, keys.encode())

    def close(self) -> int:
        """End it by Ctrl-C; return its exit status."""
        self.press("\x03")
        until_s = now() + 20.0
        while now() < until_s:
            self.text()
            pid, code = os.waitpid(self.child, os.WNOHANG)
            if pid:
                os.close(self._fd)
                return os.waitstatus_to_exitcode(code)
            time.sleep(0.05)
        shown = self.text()
        os.kill(self.child, signal.SIGABRT)  # it says where it stands
        time.sleep(2.0)
        show("a viewer did not end by Ctrl-C", f"{shown}\n\n{self.text()}")
        os.kill(self.child, signal.SIGKILL)
        os.waitpid(self.child, 0)
        raise WrongError("a viewer did not end by Ctrl-C")


def show(title: str, text: str) -> None:
    print(f"\n--- {title}\n{text.rstrip()}", flush=True)


async def watched(folder: Path) -> None:
    world = World(folder)
    async with world.running():
        await world.charge()
        small, large = Terminal(world.broker.port, 80, 24), Terminal(world.broker.port, 200, 60)
        pipe = folder / "piped"
        with pipe.open("wb") as stream:
            call = [sys.executable, "-m", "surpluscharge", "watch", "--port", str(world.broker.port)]
            piped = subprocess.Popen(call, stdout=stream, stderr=stream, cwd=ROOT)  # noqa: ASYNC220  (returns at once)
        both = (small, large)
        await until(
            lambda: all("charging" in one.text().lower() for one in both), "both terminals show that it charges"
        )
        for surplus_w in (3000.0, -600.0, 3000.0, -600.0, 3000.0):  # so that there is something to be drawn
            world.house.surplus_w = surplus_w
            await asyncio.sleep(6.0)
            for one in both:
                one.text()
        show("80x24", small.text())
        show("200x60", large.text())
        world.broker.kill()
        await until(lambda: all("BROKER IS GONE" in one.text() for one in both), "both say that the broker is gone")
        show("80x24, without the broker", small.text())
        await world.broker.start()
        took_s = await until(lambda: all("BROKER IS GONE" not in one.text() for one in both), "both are back")
        await world.charge()
        await until(lambda: all("charging" in one.text().lower() for one in both), "both show that it charges again")
        show(f"80x24, {took_s:.1f} s after the broker was back", small.text())
        small.press("d")  # disable: no question, it only ever switches off
        took_s = await until(lambda: not world.plug.on, "a key switches it off")
        print(f"(the key that disables: the plug was off {took_s:.2f} s after it)")
        for one in both:
            code = one.close()
            if code != 130:
                raise WrongError(f"a viewer ended with {code}")
        piped.send_signal(signal.SIGTERM)
        piped.wait()
        show("piped", pipe.read_text())
        text = pipe.read_text()
        if "\x1b" in text or "broker" not in text:
            raise WrongError("what is piped is not plain, or does not say that the broker was gone")


# --- tell ------------------------------------------------------------------------------------------------------------


KINDS = ("in order", "down", "refusing", "slow")


async def told(folder: Path) -> None:
    boxes, sites, mails, ports = {}, {}, {}, {}
    ways: list[dict[str, Any]] = []
    for kind in KINDS:
        boxes[kind] = Postbox()
        mails[kind], ports[kind] = MailServer(boxes[kind], hostname="127.0.0.1", port=free_port()), free_port()
        if kind != "down":
            mails[kind].start()
            sites[kind] = Site(ports[kind])
            boxes[kind].slow_s = sites[kind].slow_s = 3600.0 if kind == "slow" else 0.0
            boxes[kind].refuses, sites[kind].status = (True, 503) if kind == "refusing" else (False, 204)
        host = {"host": "127.0.0.1", "port": mails[kind].port, "security": "none"}
        mail = {**host, "sender": "house@example.net", "to": ["me@example.net"]}
        ways += [{"mail": mail}, {"post": {"url": f"http://127.0.0.1:{ports[kind]}/"}}]
    world = World(folder, tell=[{"about": ["latched"], **way} for way in ways])
    offs_s = []
    async with world.running():
        await world.charge()
        await asyncio.sleep(62.0)  # nothing is told in the first minute
        world.plug.sticks = True  # its contacts are welded: a fault that latches
        await world.ear.say(ENABLE_SET, "off", qos=1)
        await until(lambda: any(one["latched"] for one in world.status.get("faults", [])), "the fault latches")
        latched_s = now()
        world.plug.sticks = False
        world.plug.press(False)
        in_order = (boxes["in order"], sites["in order"])
        await until(lambda: all(one.got for one in in_order), "the servers in order have it")
        print(f"servers in order had it after {now() - latched_s:.1f} s")
        print(boxes["in order"].got[0].decode())
        print(sites["in order"].got[0].decode())
        codes = [one["code"] for one in world.status["faults"] if one["latched"]]
        print(f"latched: {', '.join(codes)}")
        call = [sys.executable, "-m", "surpluscharge", "ack", "--config", str(world.config), *codes]
        process = await asyncio.create_subprocess_exec(*call, cwd=ROOT, stdout=subprocess.DEVNULL)
        if await process.wait():
            raise WrongError(f"ack ended with {process.returncode}")
        # Off, on, off, while all the bad servers are being tried again.
        while now() < latched_s + 100.0:
            await world.charge()
            said_s = now()
            await world.ear.say(ENABLE_SET, "off", qos=1)
            await until(lambda: not world.plug.on, "it goes off")
            offs_s.append(now() - said_s)
            await asyncio.sleep(1.5)
        offs_s.sort()
        print(
            f"off, {len(offs_s)} times meanwhile, of which 0.1 s is the plug's own: "
            f"{offs_s[len(offs_s) // 2]:.3f} s in the middle, {offs_s[-1]:.3f} s at the most"
        )
        if offs_s[-1] > 1.0:
            raise WrongError("a server holds up an off")
        log = [json.loads(line) for line in world.daemon.log.read_text().splitlines() if line.startswith("{")]  # type: ignore[union-attr]
        print(
            "logged:",
            dict(Counter(one["event"] for one in log if one["event"].startswith("tell") or one["event"] == "told")),
        )
        mails["down"].start()
        sites["down"] = Site(ports["down"])
        for kind in KINDS:
            boxes[kind].refuses, sites[kind].status = False, 204
            boxes[kind].slow_s = sites[kind].slow_s = 0.0
        mended_s = now()
        everyone = [*boxes.values(), *sites.values()]
        await until(lambda: all(one.got for one in everyone), "each has it once it is mended", 400.0)
        print(f"all had it {now() - mended_s:.0f} s after they were mended")
        await asyncio.sleep(15.0)
    for kind in KINDS:
        mails[kind].stop()
        for way, one in (("mail", boxes[kind]), ("post", sites[kind])):
            print(f"  {kind:<9} {way}: asked {len(one.asked)}, has {len(one.got)}")
            if len(one.got) != 1:
                raise WrongError(f"{way} {kind}: told {len(one.got)} times")


# --- ping ------------------------------------------------------------------------------------------------------------


async def pinged(folder: Path) -> None:
    deaths: dict[str, Callable[[World], None]] = {
        "killed": lambda world: world.signal(signal.SIGKILL),
        "frozen": lambda world: world.signal(signal.SIGSTOP),
        "stopped": lambda world: world.signal(signal.SIGTERM),
        "broker dead": lambda world: world.broker.kill(),
        "broker hangs": lambda world: world.broker.signal(signal.SIGSTOP),
    }

    async def one(name: str) -> tuple[str, float, int, float]:
        site = Site()
        world = World(folder / name.replace(" ", "-"), ping={"url": f"{site.url}/", "every_s": PING_EVERY_S})
        async with world.running():
            await until(lambda: len(site.at_s) >= 3, "pings come")
            await asyncio.sleep(0.8 * PING_EVERY_S)  # the next one is nearly due
            died_s = now()
            deaths[name](world)
            await asyncio.sleep(6 * PING_EVERY_S)
            if name == "broker hangs":
                world.broker.signal(signal.SIGCONT)
        after = [at_s - died_s for at_s in site.at_s if at_s > died_s]
        return (
            name,
            after[-1] if after else 0.0,
            len(after),
            max(later - before for before, later in zip(site.at_s, site.at_s[1:], strict=False)),
        )

    for name, last_s, count, longest_s in await asyncio.gather(*(one(name) for name in deaths)):
        print(
            f"  {name:<13} {count} after it, the last {last_s:.1f} s after it; before, {longest_s:.1f} s apart at most"
        )
        if last_s > PING_EVERY_S + 1.0:
            raise WrongError(f"{name}: it still pings {last_s:.0f} s after")


# --- metrics ---------------------------------------------------------------------------------------------------------


async def metered(folder: Path) -> None:
    port = free_port()
    world = World(folder, metrics={"port": port})
    async with world.running():
        await world.charge()
        accept = {"Accept": "application/openmetrics-text; version=1.0.0"}
        request = urllib.request.Request(f"http://127.0.0.1:{port}/metrics", headers=accept)
        answer = await asyncio.to_thread(urllib.request.urlopen, request, timeout=10)
        kind, text = answer.headers["Content-Type"], answer.read().decode()
    families = list(text_string_to_metric_families(text))
    print(
        f"{kind}: {len(families)} families, {sum(len(one.samples) for one in families)} samples, "
        "read by its own library"
    )
    for family in families:
        print(f"  {family.name} ({family.type}{', ' + family.unit if family.unit else ''}): {len(family.samples)}")
    if not families or "openmetrics" not in kind or not text.endswith("# EOF\n"):
        raise WrongError("that is no OpenMetrics")


PARTS = {"watch": watched, "metrics": metered, "ping": pinged, "tell": told}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, help="where everything is kept (default: one that goes again)")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=list(PARTS))
    options = parser.parse_args()
    failed = 0
    with tempfile.TemporaryDirectory() as temporary:
        for name in options.only:
            print(f"\n=== {name}", flush=True)
            try:
                asyncio.run(PARTS[name]((options.folder or Path(temporary)).absolute() / name))
            except WrongError as wrong:
                failed += 1
                print(f"WRONG: {wrong}")
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
