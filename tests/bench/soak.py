"""Ten years in a day: `python -m tests.bench.soak --folder FOLDER [--minutes 1440] [--speed 3653]`.

The real daemon, as a process of its own, on a clock that runs 3653 times as fast, at a real Mosquitto; a house with
seasons, clouds and a kettle is played to it. Each fifth day the broker is killed and comes back, each fourth week the
daemon is stopped and started, each day has its prices, each New Year another tariff; there are clock changes and leap
days. Printed every fifth day, with what is left to do: memory, descriptors and threads of the daemon, what it has
written, its log, its ledger. At the end the slopes, and exit status 1 where

- descriptors or threads have become more, or memory would exceed the unit's MemoryHigh= after ten years at its slope,
- a day is missing in the ledger, or is longer than it was by the zone's rules (the tz database, by zoneinfo),
- the daemon crashed, or did not end in good order when asked to.

It goes on where it was left: FOLDER holds the state, and how far it came; Ctrl-C leaves it in good order.

It takes a computer that has nothing else to do: a hiccup of a tenth of a second is six minutes in the house. The
broker's answer to an off has 16 ms there, so some are said to be late, the more the busier it is. How long a relay may
take to confirm an on is made longer here, or nothing would be charged. The daemon writes at most once in a real second,
so it writes less in a day than on a real clock (tests/bench/ledger_years.py has that). The plug has no meter and
reports nothing: none would answer as soon as that.

Descriptors: of a ledger that is read beside the one that writes, SQLite closes none until that one is closed (it would
lose its locks, sqlite.org/howtocorrupt.html, 2.2), but takes them again: as many stay as were ever open at once, two or
three in one life of the daemon and none in another. Memory: started on a ledger of one to ten years, made of the soak's
first year again and again (11 to 107 MB), and once it has planned, it had 54 to 57 MiB, no more with ten than with one.
"""

from __future__ import annotations

import argparse
import asyncio
import collections
import contextlib
import json
import math
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from aiomqtt import Message

from surpluscharge.clock import ScaledClock
from surpluscharge.config import load
from surpluscharge.control import supervisor
from surpluscharge.daemon import logs
from surpluscharge.daemon.service import Service, library_failed
from tests.bench.outside import AVAILABILITY, COMMAND, ENABLE_SET, GRID, Broker, Wire

ZONE = ZoneInfo("Europe/Lisbon")
# From October on: the first half-year has both clock changes, a New Year with its tariff, and 29 February.
BEGIN, YEARS = datetime(2031, 10, 1, tzinfo=ZONE), 10
DAY_S = 86_400.0
METER_EVERY_S = 120.0
BROKER_EVERY_S, BROKER_AWAY_REAL_S = 5 * DAY_S, 0.3
RESTART_EVERY_S = 28 * DAY_S
LOOK_EVERY_S = 5 * DAY_S
PRICES = "bench/prices"
LOAD_W = 1390.0
LATEST_ON_REAL_S = 0.5  # until a relay that does not confirm that it is on is a fault
MEMORY_HIGH_KB = 128 * 1024  # of deploy/surpluscharge.service
SETTLED_DAYS = 60  # until then it learns, and fills what it keeps

CONFIG = """
[charger]
name = "bench"
current_a = 6
[mqtt]
host = "127.0.0.1"
port = {port}
[[meter]]
topic = "bench/meter"
fresh_s = 600
[relay]
topic = "bench/plug/set"
confirm_within_s = 60
reassert_s = 600
[control]
start_export_w = 1400
stop_import_w = 400
start_delay_s = 300
stop_delay_s = 300
min_on_s = 1200
min_off_s = 900
[planned]
allow = true
[[planned.need]]
days = "weekdays"
by = "07:00"
energy_wh = 3000
[planned.prices]
topic = "bench/prices"
[money]
currency = "EUR"
{tariffs}
[site]
time_zone = "Europe/Lisbon"
[status]
heartbeat_s = 600
[log]
format = "json"
[store]
directory = "{state}"
"""


class Pace(NamedTuple):
    """Which moment of the house is which of this computer's, the same for all processes."""

    origin_s: float  # of time.monotonic()
    begin: datetime
    speed: float

    def now(self) -> datetime:
        passed = timedelta(seconds=(time.monotonic() - self.origin_s) * self.speed)
        return (self.begin.astimezone(UTC) + passed).astimezone(ZONE)


class Sample(NamedTuple):
    day: float  # since BEGIN
    memory_kb: int
    descriptors: int
    threads: int
    written_bytes: int  # by the daemon to the disk, all told
    log_bytes: int  # all told
    ledger_bytes: int


# --- the daemon, in a process of its own -----------------------------------------------------------------------------


class SameClock(ScaledClock):
    """A scaled clock that a daemon which is started again finds going on."""

    def __init__(self, pace: Pace) -> None:
        super().__init__(pace.begin, pace.speed)
        self._origin, self._name = pace.origin_s, f"soak-{pace.origin_s}"

    @property
    def origin(self) -> str:
        return self._name


def daemon(config: Path, pace: Pace) -> None:
    async def run() -> None:
        service, loop = Service(load(str(config)), SameClock(pace)), asyncio.get_running_loop()
        loop.set_exception_handler(library_failed)
        loop.add_signal_handler(signal.SIGTERM, service.stop, "SIGTERM")
        await service.run()

    # The table's 30 s are 8 ms here, in which no disk keeps a start and no broker answers: nothing would be charged.
    supervisor.FAULTS = tuple(
        fault._replace(after_s=LATEST_ON_REAL_S * pace.speed) if fault.code == "relay-not-on" else fault
        for fault in supervisor.FAULTS
    )
    logs.configure("info", "json")
    asyncio.run(run())


# --- the house -------------------------------------------------------------------------------------------------------


class House:
    """Sun by the season, clouds, a kettle, and a lead behind a plug that obeys."""

    def __init__(self, port: int, pace: Pace) -> None:
        self._pace, self._chance = pace, random.Random(pace.begin.isoformat())
        self._shade, self._kettle, self._told = 1.0, 0, date.min
        self.on = False
        self.switchings = 0
        self.wire = Wire(port, "house", [COMMAND, AVAILABILITY], self._heard)

    def _heard(self, message: Message) -> None:
        word = bytes(message.payload).decode()  # type: ignore[arg-type]
        if message.topic.value == COMMAND:
            self.switchings += (word == "on") is not self.on
            self.on = word == "on"
        elif word == "ready":
            asyncio.get_running_loop().create_task(self.wire.say(ENABLE_SET, "on", qos=1))

    def grid_w(self, at: datetime) -> float:
        hour, chance = at.hour + at.minute / 60, self._chance
        season = 0.6 - 0.4 * math.cos(2 * math.pi * at.timetuple().tm_yday / 365.25)
        if chance.random() < 0.03:
            self._shade = chance.uniform(0.2, 1.0)
        self._kettle = max(0, self._kettle - 1) or 2 * (6 < hour < 22 and chance.random() < 0.01)
        sun_w = max(0.0, 4500 * season * math.sin(2 * math.pi * (hour / 24 - 0.25))) * self._shade
        return 250 + 2000 * (self._kettle > 0) + chance.gauss(0, 25) - sun_w + LOAD_W * self.on

    def prices(self, day: date) -> str:
        """Return the prices of a day, hour by hour: 23, 24 or 25 of them."""
        at, slots = datetime(day.year, day.month, day.day, tzinfo=ZONE).astimezone(UTC), []
        while at.astimezone(ZONE).date() == day:
            price = 0.2 + 0.1 * math.sin(at.hour / 24 * 2 * math.pi) + self._chance.gauss(0, 0.02)
            slots.append({"start": at.astimezone(ZONE).isoformat(), "minutes": 60, "price": round(price, 4)})
            at += timedelta(hours=1)
        return json.dumps(slots)

    async def run(self) -> None:
        async def speak() -> None:
            due_s = time.monotonic()
            while True:
                due_s = max(due_s + METER_EVERY_S / self._pace.speed, time.monotonic() - 0.1)
                await asyncio.sleep(max(0.0, due_s - time.monotonic()))
                at = self._pace.now()
                await self.wire.say(GRID, f"{self.grid_w(at):.1f}")
                if at.hour >= 13 and at.date() != self._told:
                    self._told = at.date()
                    await self.wire.say(PRICES, self.prices(at.date() + timedelta(days=1)), qos=1, retain=True)

        await asyncio.gather(self.wire.run(), speak())


# --- the run ---------------------------------------------------------------------------------------------------------


class Soak:
    def __init__(self, folder: Path, speed: float) -> None:
        self.folder, self.state, self.log = folder, folder / "state", folder / "daemon.log"
        self._file = folder / "progress.json"
        begun: dict[str, Any] = json.loads(self._file.read_text()) if self._file.exists() else {}
        at = datetime.fromisoformat(begun["at"]).astimezone(ZONE) if begun else BEGIN
        self.samples = [Sample(*one) for one in begun.get("samples", [])]
        self.events = collections.Counter(begun.get("events", {}))
        self.written_bytes, self.log_bytes = begun.get("written_bytes", 0), begun.get("log_bytes", 0)
        self.troubles: list[str] = begun.get("troubles", [])
        self.broker = Broker(folder)
        with (folder / "mosquitto.conf").open("a") as file:
            file.write("set_tcp_nodelay true\n")  # as in deploy/mosquitto.conf: those 40 ms would be minutes
        self.pace = Pace(time.monotonic(), at, speed)
        self.process: subprocess.Popen[bytes] | None = None
        tariffs = "".join(
            f"[[money.tariff]]\n{f'valid_from = {BEGIN.year + year}-01-01' if year else ''}\n"
            f"import_price = {0.25 + 0.01 * year:.2f}\nexport_price = 0.06\n"
            for year in range(YEARS + 1)
        )
        self.config = folder / "soak.toml"
        self.config.write_text(CONFIG.format(port=self.broker.port, tariffs=tariffs, state=self.state))

    @property
    def passed_s(self) -> float:
        return (self.pace.now() - BEGIN).total_seconds()

    def start(self) -> None:
        with self.log.open("ab") as stream:
            call = [sys.executable, "-m", "tests.bench.soak", "--daemon", str(self.config), *map(str, self.pace[::2])]
            call.append(self.pace.begin.isoformat())
            self.process = subprocess.Popen(call, stdout=stream, stderr=stream)

    async def stop(self) -> None:
        """End the daemon as systemd does, and see that it ends in good order."""
        process = self.process
        assert process is not None
        self.look()
        self.written_bytes = self._written_bytes()
        process.send_signal(signal.SIGTERM)
        for _ in range(1000):
            if process.poll() is not None:
                break
            await asyncio.sleep(0.02)
        else:
            process.kill()
            process.wait()
        self.process = None
        self._read_log()
        if process.returncode:
            self.troubles.append(f"{self.pace.now():%Y-%m-%d}: the daemon ended with status {process.returncode}")

    def _written_bytes(self) -> int:
        with contextlib.suppress(OSError, AttributeError):
            text = Path(f"/proc/{self.process.pid}/io").read_text()  # type: ignore[union-attr]
            return self.written_bytes + int(text.split("write_bytes: ")[1].split()[0])
        return self.written_bytes

    def _read_log(self) -> None:
        """Count what is in the log, and begin it anew."""
        if not self.log.exists():
            return
        text = self.log.read_bytes()
        os.truncate(self.log, 0)
        self.log_bytes += len(text)
        (self.folder / "last.log").write_bytes(text[-100_000:])
        for line in text.splitlines():
            if line.startswith(b"{"):
                event = json.loads(line)
                self.events[event["event"]] += 1
                if event["event"] in ("crashed", "plan_failed", "history_unusable"):
                    self.troubles.append(line.decode()[:400])
            elif line.strip():
                self.troubles.append(line.decode(errors="replace")[:400])

    def look(self) -> Sample | None:
        """Take a sample of the daemon; None: it does not run."""
        if self.process is None or self.process.poll() is not None:
            return None
        proc = Path(f"/proc/{self.process.pid}")
        status = dict(line.split(":", 1) for line in (proc / "status").read_text().splitlines())
        self._read_log()
        size = sum(one.stat().st_size for one in self.state.glob("history-*"))
        memory_kb, threads = int(status["VmRSS"].split()[0]), int(status["Threads"])
        counted = (len(list((proc / "fd").iterdir())), threads, self._written_bytes(), self.log_bytes, size)
        self.samples.append(Sample(round(self.passed_s / DAY_S, 1), memory_kb, *counted))
        self._save()
        return self.samples[-1]

    def _save(self) -> None:
        progress = {
            "at": self.pace.now().isoformat(),
            "samples": self.samples,
            "events": self.events,
            "written_bytes": self._written_bytes(),
            "log_bytes": self.log_bytes,
            "troubles": self.troubles,
        }
        part = self._file.with_suffix(".part")
        part.write_text(json.dumps(progress))
        part.replace(self._file)

    async def run(self, minutes: float) -> None:
        over = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, over.set)
        await self.broker.start()
        house = House(self.broker.port, self.pace)
        playing = asyncio.create_task(house.run())
        self.start()
        began_s, ends_s = time.monotonic(), time.monotonic() + 60 * minutes
        every_s = {"broker": BROKER_EVERY_S, "restart": RESTART_EVERY_S, "look": LOOK_EVERY_S}
        due_s = {what: self.passed_s + each_s for what, each_s in every_s.items()}
        print(f"{'until':<10} {'memory':>9} {'files':>5} {'threads':>7} {'written':>9} {'log':>8} {'ledger':>8}  left")
        while self.passed_s < YEARS * 365.25 * DAY_S and time.monotonic() < ends_s and not over.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(over.wait(), 0.1)
            if self.process is None or self.process.poll() is not None:
                self.troubles.append(f"{self.pace.now():%Y-%m-%d}: the daemon ended by itself")
                break
            for what in [one for one, at_s in due_s.items() if self.passed_s >= at_s]:
                due_s[what] += every_s[what]
                if what == "broker":
                    self.broker.kill()
                    await asyncio.sleep(BROKER_AWAY_REAL_S)
                    await self.broker.start()
                elif what == "restart":
                    await self.stop()
                    self.start()
                    due_s["look"] = max(due_s["look"], self.passed_s + DAY_S)  # one that starts yet has no size
                elif sample := self.look():
                    whole_s = (YEARS * 365.25 - sample.day) * DAY_S / self.pace.speed
                    left_s = min(whole_s, ends_s - time.monotonic())
                    print(
                        f"{self.pace.now():%Y-%m-%d} {sample.memory_kb / 1024:6.1f} MB {sample.descriptors:5} "
                        f"{sample.threads:7} {sample.written_bytes / 1e6:6.1f} MB {sample.log_bytes / 1e6:5.1f} MB "
                        f"{sample.ledger_bytes / 1e6:5.1f} MB  {left_s / 60:.0f} min",
                        flush=True,
                    )
        if self.process:
            await self.stop()
        self._save()
        playing.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await playing
        self.broker.kill()
        print(f"(in {time.monotonic() - began_s:.0f} s; the plug was switched {house.switchings} times)")


# --- what came of it -------------------------------------------------------------------------------------------------


def slope(samples: Sequence[Sample], name: str) -> float:
    """Return by how much a figure grows in a year, by least squares."""
    days = [one.day for one in samples]
    values = [float(getattr(one, name)) for one in samples]
    mean, middle = sum(days) / len(days), sum(values) / len(values)
    below = sum((day - mean) ** 2 for day in days)
    above = sum((day - mean) * (value - middle) for day, value in zip(days, values, strict=True))
    return above / below * 365.25 if below else 0.0


def wrong_days(ledger: Path, until: date) -> list[str]:
    """Return what is wrong with the days in a ledger, from the second to the last but one that is over."""
    with contextlib.closing(sqlite3.connect(f"{ledger.as_uri()}?mode=ro", uri=True)) as db:
        rows = db.execute("SELECT day, SUM(known_ms) FROM day GROUP BY day").fetchall()
    known_ms, wrong = {date.fromisoformat(day): int(sum_ms) for day, sum_ms in rows}, []
    day = BEGIN.date() + timedelta(days=1)
    while day < until - timedelta(days=1):
        begins, ends = (datetime(one.year, one.month, one.day, tzinfo=ZONE) for one in (day, day + timedelta(days=1)))
        length_ms = round((ends.astimezone(UTC) - begins.astimezone(UTC)).total_seconds() * 1000)
        if day not in known_ms:
            wrong.append(f"{day} is missing")
        elif not 0 < known_ms[day] <= length_ms:
            wrong.append(f"{day} has {known_ms[day] / 3.6e6:.2f} h of {length_ms / 3.6e6:.0f}")
        day += timedelta(days=1)
    return wrong


def judge(soak: Soak) -> int:
    settled = [one for one in soak.samples if one.day >= SETTLED_DAYS]
    if len(settled) < 3:
        print(f"too short for slopes, which begin after {SETTLED_DAYS} days; it goes on from here")
        print("\n".join(f"WRONG: {trouble}" for trouble in soak.troubles[:40]))
        return 1 if soak.troubles else 0
    first, last, years = settled[0], settled[-1], (settled[-1].day - settled[0].day) / 365.25
    print(f"\nover {years:.1f} years, after the first {first.day:.0f} days:")
    grows = {name: slope(settled, name) for name in Sample._fields[1:]}
    print(f"  memory    {grows['memory_kb'] / 1024:+.2f} MB a year, now {last.memory_kb / 1024:.1f} MB")
    print(f"  files     {grows['descriptors']:+.2f} a year, now {last.descriptors}; threads {grows['threads']:+.2f}")
    print(f"  written   {grows['written_bytes'] / 365.25 / 1e3:.0f} kB a day, at this speed")
    print(f"  log       {grows['log_bytes'] / 365.25 / 1e3:.1f} kB a day")
    print(f"  ledger    {grows['ledger_bytes'] / 1e6:+.1f} MB a year, now {last.ledger_bytes / 1e6:.1f} MB")
    print(f"  events    {', '.join(f'{name} {count}' for name, count in soak.events.most_common(12))}")
    wrong = wrong_days(next(soak.state.glob("history-*.sqlite")), soak.pace.now().date())
    ten_kb = last.memory_kb + grows["memory_kb"] * YEARS
    # A thread or a file more or less comes and goes with what is under way; one more each year would be a leak.
    for name in ("descriptors", "threads"):
        if years >= 2 and grows[name] > 0.5:
            soak.troubles.append(f"{name} grow by {grows[name]:.2f} a year")
    if years >= 2 and ten_kb > MEMORY_HIGH_KB:
        soak.troubles.append(f"in ten years it would have {ten_kb / 1024:.0f} MB, more than the unit allows")
    for trouble in [*soak.troubles, *wrong][:40]:
        print(f"WRONG: {trouble}")
    return 1 if soak.troubles or wrong else 0


def main() -> int:
    if sys.argv[1:2] == ["--daemon"]:
        _, _, config, origin_s, speed, begin = sys.argv
        daemon(Path(config), Pace(float(origin_s), datetime.fromisoformat(begin).astimezone(ZONE), float(speed)))
        return 0
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--folder", type=Path, required=True, help="where the state is kept, to go on another time")
    parser.add_argument("--minutes", type=float, default=1440.0, help="how long it may take now (default: a day)")
    parser.add_argument("--speed", type=float, default=3653.0, help="of the clock (default: ten years in a day)")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    soak = Soak(options.folder.absolute(), options.speed)
    asyncio.run(soak.run(options.minutes))
    return judge(soak)


if __name__ == "__main__":
    raise SystemExit(main())
