"""A day at a house that does not exist, run by the real daemon over real MQTT, in a minute and a half.

Everything is in this one process: an embedded broker, the simulated meter and plug, the daemon as it would run at
home, and a dashboard that knows no more than any other dashboard could: it publishes to the enable topic and reads
the status topic. Only the clock is ours, and it runs fast.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from surpluscharge import config
from surpluscharge.clock import ScaledClock
from surpluscharge.daemon import logs
from surpluscharge.daemon.service import Service
from surpluscharge.simulator import devices
from surpluscharge.simulator.house import GridMeter, House, Scenario
from surpluscharge.words import counted, duration, watts

try:
    from rich.console import Console, Group
    from rich.layout import Layout
    from rich.live import Live
    from rich.table import Table
    from rich.text import Text

    from surpluscharge import view
    from surpluscharge.simulator.broker import embedded_broker
except ModuleNotFoundError as error:
    if error.name is None or error.name.partition(".")[0] not in ("amqtt", "rich"):
        raise
    _missing: str | None = error.name
else:
    _missing = None

START = datetime(2031, 5, 12, 9, 30, tzinfo=UTC)  # an invented Monday
START_S = 9.5 * 3600  # the same, as the house counts
DONE_IN_REAL_S = 95.0
FASTEST = 1000.0  # unless asked for more; somewhere above, the hiccups of this computer become the plug's
STOPS_WITHIN_REAL_S = 20.0
METER_EVERY_S = 5.0
BASE_TOPIC = "surpluscharge/carport"
FULL_SCALE_W = 3500.0

# What a householder with this lead and these devices would write, but for the broker and the patience with a relay:
# a hiccup of a tenth of a second on this computer is half a minute in the house.
START_EXPORT_W, STOP_IMPORT_W = 1450, 260
CONFIG = """
[mqtt]
host = "127.0.0.1"
port = {port}
protocol = "3.1.1"
base_topic = "surpluscharge/carport"

[charger]
name = "carport"
current_a = {current_a}
voltage_v = {voltage_v}

[[meter]]
topic = "house/grid"
pointer = "/net_w"
fresh_s = 90

[relay]
command_topic = "carport/plug/relay/set"
on_payload = '{{"contact": "closed", "for_s": {{hold_s}}}}'
off_payload = '{{"contact": "open"}}'
hold_s = 900
confirm_within_s = 60
reassert_s = 240

[relay.feedback]
topic = "carport/plug/relay"
pointer = "/contact"
on_value = "closed"
off_value = "open"

[relay.power]
topic = "carport/plug/power"
pointer = "/power_w"
fresh_s = 120

[control]
start_export_w = {start_export_w}
stop_import_w = {stop_import_w}
start_delay_s = 40
stop_delay_s = 240
min_on_s = 420
min_off_s = 240
starts_per_hour = 5

[status]
heartbeat_s = 10

[store]
directory = {directory}
"""


def run(hours: float, speed: float | None, seed: int, as_json: bool) -> int:
    """Run the demo and print its summary; the view goes to standard error where the summary is JSON.

    ``speed`` is house seconds per second; None: such that it takes a minute and a half, within reason. Returns the exit
    status: 0 done (or ended by Ctrl-C) with the relay off, 1 something went wrong, 2 wrongly called.
    """
    if _missing:
        print(
            f"The demo needs {_missing}, which is not installed: pip install 'surpluscharge[demo]'"
            " (in a clone: pip install -e '.[demo]')",
            file=sys.stderr,
        )
        return 1
    if not 0 < hours <= 24 * 7 or (speed is not None and not 0 < speed <= 10_000):
        print("The demo runs for up to 168 hours, at a speed of up to 10000.", file=sys.stderr)
        return 2
    directory = Path(tempfile.mkdtemp(prefix="surpluscharge-demo-"))
    log = directory / "daemon.log"
    console = Console(stderr=as_json, highlight=False)
    with _logging_to(log):
        speed = speed or min(FASTEST, hours * 3600 / DONE_IN_REAL_S)
        demo = asyncio.run(_run(hours, speed, seed, directory, console))
    summary = demo.summary(log)
    if as_json:
        print(json.dumps(summary, indent=2))
    else:
        _print_summary(console, summary)
    return 0 if summary["relay_off"] and not demo.failure else 1


@contextlib.contextmanager
def _logging_to(path: Path) -> Iterator[None]:
    """Keep the daemon's log out of the picture, and leave logging as it was."""
    root = logging.getLogger()
    before = root.handlers[:], root.level
    with path.open("w", encoding="utf-8") as stream:
        logs.configure("info", "json", stream)
        try:
            yield
        finally:
            root.handlers[:] = before[0]
            root.setLevel(before[1])


# --- what a dashboard knows ------------------------------------------------------------------------------------------


@dataclass
class Dashboard:
    """Switches charging on and follows the status topic, as any dashboard would.

    The house is only asked whether a cloud is before the sun, to tell a cloud that was ridden out from a kettle.
    """

    house: House
    longest_s: dict[str, float] = field(default_factory=dict)
    clouds_ridden_out: int = 0
    others_ridden_out: int = 0
    _clouded: bool = False

    def __post_init__(self) -> None:
        self.course = view.Course(START, self.house.scenario.lead_w)

    async def run(self, port: int) -> None:
        """Switch charging on when the daemon is ready, then read along until cancelled."""
        availability, status, enable = (f"{BASE_TOPIC}/{name}" for name in ("availability", "status", "enable/set"))
        async with devices.connected("127.0.0.1", port, "demo-dashboard") as client:
            await client.subscribe([(availability, 1), (status, 1)])
            async for message in client.messages:
                payload = bytes(message.payload) if isinstance(message.payload, bytes | bytearray) else b""
                if message.topic.value == availability and payload == b"ready":
                    await client.publish(enable, "on", qos=1)
                elif message.topic.value == status:
                    self.take(json.loads(payload))

    def take(self, status: dict[str, Any]) -> None:
        """Take in one status document."""
        before, state = self.course.take(status), status["state"]
        if (before, state) == ("charging", "disarming"):
            self._clouded = self.house.clouded
        elif (before, state) == ("disarming", "charging"):
            self.clouds_ridden_out += self._clouded
            self.others_ridden_out += not self._clouded
        stay_s = (datetime.fromisoformat(status["time"]) - datetime.fromisoformat(status["since"])).total_seconds()
        self.longest_s[state] = max(stay_s, self.longest_s.get(state, 0.0))


# --- running it ------------------------------------------------------------------------------------------------------


@dataclass
class Demo:
    """One run, going on or over."""

    hours: float
    speed: float
    seed: int
    clock: ScaledClock
    house: House
    devices: devices.Devices
    dashboard: Dashboard
    began_real_s: float
    interrupted: bool = False
    failure: str | None = None

    @property
    def now(self) -> datetime:
        """The time on the house's kitchen clock."""
        return START + timedelta(seconds=self.house.t_s - START_S)

    def summary(self, log: Path) -> dict[str, Any]:
        """Return what came of it: energies in Wh, times in s."""
        tally, today, passed_s = (
            self.house.tally,
            self.dashboard.course.status.get("today", {}),
            self.house.t_s - START_S,
        )
        return {
            "note": "simulated house, invented numbers",
            "hours": round(passed_s / 3600, 2),
            "speed": round(self.speed, 1),
            "seed": self.seed,
            "interrupted": self.interrupted,
            "failure": self.failure,
            "relay_off": not self.house.plug.closed,
            "charger_wh": round(tally.charger_ws / 3600, 1),
            "solar_wh": round(tally.solar_ws / 3600, 1),
            "grid_wh": round(tally.grid_ws / 3600, 1),
            "daemon_charger_wh": today.get("energy_wh"),
            "daemon_solar_wh": today.get("solar_wh"),
            "daemon_grid_wh": today.get("grid_wh"),
            "sun_wh": round(tally.sun_ws / 3600, 1),
            "household_wh": round(tally.household_ws / 3600, 1),
            "imported_wh": round(tally.imported_ws / 3600, 1),
            "exported_wh": round(tally.exported_ws / 3600, 1),
            "starts": tally.starts,
            "on_s": round(tally.on_s),
            "longest_s": {state: round(stay_s) for state, stay_s in self.dashboard.longest_s.items()},
            "clouds_ridden_out": self.dashboard.clouds_ridden_out,
            "others_ridden_out": self.dashboard.others_ridden_out,
            "car_full": self.house.car.full,
            "readings": self.devices.readings,
            "readings_due": round(passed_s / METER_EVERY_S),
            "seconds": round(time.monotonic() - self.began_real_s, 1),
            "log": str(log),
        }


async def _run(hours: float, speed: float, seed: int, directory: Path, console: Console) -> Demo:
    began_real_s = time.monotonic()
    scenario = Scenario()
    async with embedded_broker() as port:
        clock = ScaledClock(START, speed)
        house = House(scenario, seed, START_S)
        simulated = devices.Devices(house, GridMeter(seed, START_S, METER_EVERY_S), clock, port)
        demo = Demo(hours, speed, seed, clock, house, simulated, Dashboard(house), began_real_s)
        text = CONFIG.format(
            port=port,
            current_a=scenario.lead_a,
            voltage_v=scenario.mains_v,
            start_export_w=START_EXPORT_W,
            stop_import_w=STOP_IMPORT_W,
            directory=json.dumps(str(directory)),
        )
        service = Service(config.parse(text, "the demo's configuration"), clock)
        over = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, over.set)
        loop.call_later(clock.real_s(hours * 3600 - clock.now()), over.set)

        daemon = asyncio.create_task(service.run())
        around = asyncio.create_task(
            devices.run_together(simulated.run(), demo.dashboard.run(port), _show(demo, console))
        )
        waiting = asyncio.create_task(over.wait())
        await asyncio.wait({daemon, around, waiting}, return_when=asyncio.FIRST_COMPLETED)
        demo.interrupted = clock.now() < hours * 3600
        service.stop("the demo is over")
        await asyncio.wait({daemon}, timeout=STOPS_WITHIN_REAL_S)
        await asyncio.sleep(0.1)  # the last words are on their way to the dashboard
        if not daemon.done():
            demo.failure = "the daemon did not stop"
        await devices.cancel(daemon, around, waiting)
        for task in (daemon, around):
            if task.done() and not task.cancelled() and (error := task.exception()):
                demo.failure = repr(error)
        return demo


# --- showing it ------------------------------------------------------------------------------------------------------


async def _show(demo: Demo, console: Console) -> None:
    """Show how it goes until cancelled: a live view on a terminal, a line now and then anywhere else."""
    if console.is_terminal:
        with Live(_view(demo, console), console=console, screen=True, auto_refresh=False) as live:
            while True:
                await asyncio.sleep(0.12)
                live.update(_view(demo, console), refresh=True)
    console.print(
        f"Simulated house, invented numbers: {demo.hours:g} h from {START:%H:%M}, seed {demo.seed},"
        f" {demo.speed:.0f} times as fast as life. A charge starts at {watts(START_EXPORT_W)} of export, and"
        f" ends when more than {watts(STOP_IMPORT_W)} of import lasts.",
        soft_wrap=True,
    )
    while True:
        await asyncio.sleep(5.0)
        house, status = demo.house, demo.dashboard.course.status
        console.print(
            f"{demo.now:%H:%M}  {status.get('state', 'starting'):<10}  sun {watts(house.sun_w)},"
            f" house {watts(house.household_w)}, car {watts(house.charger_w)};"
            f" car so far {view.kwh(house.tally.charger_ws / 3600)},"
            f" {view.kwh(house.tally.grid_ws / 3600)} of it bought."
            f" {status.get('why', '')}",
            soft_wrap=True,
        )


def _view(demo: Demo, console: Console) -> Layout:
    """Return the whole picture as it is now, with what only this house can know."""
    now = START + timedelta(seconds=demo.clock.now())
    return view.picture(
        demo.dashboard.course,
        now,
        console,
        head=_head(demo),
        powers=_flows(demo),
        energies=_energies(demo),
        energies_title="Since the start",
        full_w=FULL_SCALE_W,
    )


def _head(demo: Demo) -> Group:
    line = Table.grid(expand=True)
    line.add_column()
    line.add_column(justify="right")
    line.add_row(
        Text(" SIMULATED HOUSE, INVENTED NUMBERS ", style="bold black on yellow"),
        Text(f"{demo.now:%A %H:%M}, {demo.speed:.0f} times as fast as life ", style="bold"),
    )
    return Group(line, Text(" The car's lead is only on or off; the daemon picks when. Ctrl-C ends the demo."))


def _flows(demo: Demo) -> Table:
    house, plug = demo.house, demo.house.plug
    car = "full" if house.car.full else "off" if not plug.closed else "nearly full" if house.car.tapering else "on"
    flows = Table.grid(padding=(0, 1))
    for name, power_w, style, remark in (
        ("Sun", house.sun_w, "yellow", "in cloud" if house.clouded else "clear"),
        ("House", house.household_w, "cyan", ""),
        ("Car", house.charger_w, "green", car),
        ("Grid", abs(house.grid_w), *(("red", "bought") if house.grid_w > 0 else ("blue", "sent out"))),
    ):
        flows.add_row(
            name, f"{power_w / 1000:.2f} kW", Text(view.bar(power_w, FULL_SCALE_W, 9), style=style), Text(remark)
        )
    return flows


def _energies(demo: Demo) -> Table:
    tally, dashboard = demo.house.tally, demo.dashboard
    counted_wh = dashboard.course.status.get("today", {}).get("energy_wh", 0.0)
    energies = Table.grid(padding=(0, 1))
    energies.add_column()
    energies.add_column(justify="right")
    for name, energy_wh, style in (
        ("Into the car", tally.charger_ws / 3600, "bold green"),
        ("  bought of it", tally.grid_ws / 3600, ""),
        ("  by the daemon's count", counted_wh, ""),
        ("Sent out to the grid", tally.exported_ws / 3600, ""),
    ):
        energies.add_row(name, Text(view.kwh(energy_wh), style=style))
    energies.add_row("Starts; clouds ridden out", f"{tally.starts}; {dashboard.clouds_ridden_out}")
    return energies


# --- when it is over -------------------------------------------------------------------------------------------------


def _print_summary(console: Console, summary: dict[str, Any]) -> None:
    def kwh(key: str) -> str:
        return "unknown" if summary[key] is None else f"{summary[key] / 1000:.2f} kWh"

    stays = ", ".join(f"{state} {duration(stay_s)}" for state, stay_s in summary["longest_s"].items())
    surplus_wh = (summary["solar_wh"] or 0.0) + (summary["exported_wh"] or 0.0)
    early = ", ended early" if summary["interrupted"] else ""
    rows = [
        ("Simulated house, invented numbers", ""),
        (
            "Ran",
            f"{summary['hours']:g} h from {START:%H:%M} in {summary['seconds']:g} s, seed {summary['seed']}{early}",
        ),
        ("Into the car", f"{kwh('charger_wh')}{', now full' if summary['car_full'] else ''}"),
        ("  from the sun", kwh("solar_wh")),
        ("  from the grid", kwh("grid_wh")),
        (
            "  the daemon counts",
            f"{kwh('daemon_charger_wh')}: sun {kwh('daemon_solar_wh')}, grid {kwh('daemon_grid_wh')}",
        ),
        ("Sent out to the grid", kwh("exported_wh")),
        *([("Surplus caught", f"{summary['solar_wh'] / surplus_wh:.0%}")] if surplus_wh > 0 else []),
        ("Relay starts", f"{summary['starts']}, on for {duration(summary['on_s'])} in all"),
        (
            "Clouds ridden out",
            f"{summary['clouds_ridden_out']}, and {counted(summary['others_ridden_out'], 'time')} an appliance",
        ),
        ("Longest stay", stays),
        ("Readings", str(summary["readings"])),
        ("The daemon's log", summary["log"]),
        ("At the end", "the relay is off" if summary["relay_off"] else "THE RELAY IS STILL ON"),
    ]
    if summary["failure"]:
        rows.append(("Failed", summary["failure"]))
    if summary["readings"] < 0.9 * summary["readings_due"]:
        rows.append(("Mind", "this computer could not keep up; try a lower --speed"))
    for name, value in rows:
        console.print(f"{name:<20}  {value}".rstrip(), soft_wrap=True, markup=False)
