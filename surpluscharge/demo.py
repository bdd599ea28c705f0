"""A day and a night at a house that does not exist, run by the real daemon over real MQTT, in two minutes.

In the afternoon the sun charges the car. At midday the next day's prices are published; what the sun has not brought by
the evening is bought at night, when it is cheapest, and in the morning the car leaves. A fortnight before that is
invented, too, so that the daemon knows what the sun does there. Time runs faster while nothing is about to happen.

Everything is in this one process: an embedded broker, the simulated meter, plug and market, the daemon as it would run
at home, and a dashboard that knows no more than any other dashboard could: it publishes to the enable topic and reads
the status topic. Only the clock is ours, and it runs fast.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import math
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from surpluscharge import config
from surpluscharge.clock import ScaledClock
from surpluscharge.daemon import logs
from surpluscharge.daemon.service import Service
from surpluscharge.history.energy import MWS_PER_WH, QUARTER_HOUR_MS, Sample, downsample, hold, ms_of
from surpluscharge.history.ledger import DAY_MS, Batch, Due, Ledger
from surpluscharge.simulator import devices, market
from surpluscharge.simulator.house import DAY_S, GridMeter, House, Scenario, Storage, make_day
from surpluscharge.words import counted, duration, to_install, watts

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

START = datetime(2031, 5, 12, 12, 50, tzinfo=UTC)  # an invented Monday
START_S = 12.0 * 3600 + 50 * 60  # the same, as the house counts
# Unless asked for another: around a switching, for then the hiccups of this computer become the plug's; while there is
# sun, or the car charges; and while nothing will happen.
SPEEDS = (100.0, 450.0, 1000.0)
LATE_REAL_S, LEAST_SHARE = 0.03, 0.35  # a computer that is so late with what was due is asked for less
AROUND_S, SOON_S = 45.0, 300.0  # so long before and after a switching; and before one that the plan has
STOPS_WITHIN_REAL_S = 20.0
KNOWN_DAYS = 14
METER_EVERY_S, PLUG_EVERY_S = 10.0, 30.0
NEEDED_BY, NEEDED_WH = "07:00", 9000.0
BASE_TOPIC = "surpluscharge/carport"
FULL_SCALE_W = 3500.0

# What a householder with this lead and these devices would write, but for the broker and the patience with a relay:
# a hiccup of a tenth of a second on this computer is half a minute in the house.
START_EXPORT_W, STOP_IMPORT_W = 1450, 260
SCENARIO = Scenario(bank_at_s=15.2 * 3600, headroom_wh=14_000.0, away_s=(7.15 * 3600, 10.8 * 3600))
# Beside a battery the thresholds are its own: numbers are left out.
STORAGE = Storage(5_000.0, begins_share=0.62, charge_w=1_800.0, give_w=1_800.0)
THRESHOLDS = f"start_export_w = {START_EXPORT_W}\nstop_import_w = {STOP_IMPORT_W}\nstop_delay_s = 240"
BATTERY = """
[battery]
first = "battery"
until_percent = 70

[battery.power]
topic = "house/battery"
pointer = "/power_w"
fresh_s = 300

[battery.level]
topic = "house/battery"
pointer = "/percent"

"""
CONFIG = """
[mqtt]
host = "127.0.0.1"
port = {port}
protocol = "3.1.1"
own_topic = "surpluscharge/carport"

[charger]
name = "carport"
current_a = {current_a}
voltage_v = {voltage_v}

[[meter]]
topic = "house/grid"
pointer = "/net_w"
fresh_s = 300

[relay]
topic = "carport/plug/relay/set"
on_payload = '{{"contact": "closed", "for_s": {{hold_s}}}}'
off_payload = '{{"contact": "open"}}'
hold_s = 900
confirm_within_s = 60
reassert_s = 240
silent_s = 600

[relay.feedback]
topic = "carport/plug/relay"
pointer = "/contact"
on_value = "closed"
off_value = "open"

[relay.power]
topic = "carport/plug/power"
pointer = "/power_w"
fresh_s = 300

[relay.temperature]
topic = "carport/plug/power"
pointer = "/socket_c"
fresh_s = 300

[control]
{thresholds}
start_delay_s = 40
min_on_s = 420
min_off_s = 240
starts_per_hour = 5

[planned]
allow = true

[[planned.need]]
by = "{needed_by}"
energy_wh = {needed_wh}

[planned.prices]
topic = "market/prices"

[money]
currency = "EUR"

[[money.tariff]]
import_price = 0.26
export_price = 0.07

[site]
time_zone = "UTC"

[status]
heartbeat_s = 30

[store]
directory = {directory}
"""


def run(hours: float, speed: float | None, seed: int, as_json: bool, battery: bool = False) -> int:
    """Run the demo and print its summary; the view goes to standard error where the summary is JSON.

    ``speed`` is house seconds per second; None: such that it takes two minutes, and faster at night. ``battery``: there
    is one in the house, first up to a level, and nothing of it is to go into the car. Returns the exit
    status: 0 done (or ended by Ctrl-C) with the relay off, 1 something went wrong, 2 wrongly called.
    """
    if _missing:
        print(
            f"The demo needs {_missing}, which is not installed: {to_install('demo')}",
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
        demo = asyncio.run(
            _run(hours, speed, seed, directory, console, SCENARIO._replace(storage=STORAGE if battery else None))
        )
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


class Books(NamedTuple):
    """What the daemon's own ledger has of it, Wh; and what became of the need."""

    solar_wh: float
    beside_wh: float  # bought beside the sun, while its surplus was not quite enough
    planned_wh: float  # bought because the plan said so
    planned_price: float | None  # of a kWh of that, on average
    need: Due | None
    battery_wh: float = 0.0  # what the house's battery gave for the car

    @property
    def charger_wh(self) -> float:
        return self.solar_wh + self.beside_wh + self.planned_wh + self.battery_wh


def read_books(path: Path, seed: int) -> Books | None:
    """Return what the ledger has; None: there is none yet."""
    if not path.exists():
        return None
    begin_ms, end_ms, midnight = ms_of(START), ms_of(START + timedelta(days=8)), START.replace(hour=0, minute=0)
    with Ledger(path, read_only=True) as ledger:
        sums, dues, cost = ledger.energy(begin_ms, end_ms), ledger.dues(begin_ms, end_ms), 0.0
        for one in ledger.intervals(begin_ms, end_ms):
            day, within_s = divmod(one.begin_ms / 1000 - midnight.timestamp(), DAY_S)
            slot = int(within_s // (market.SLOT_MINUTES * 60))
            cost += one.energy.planned_mws * market.prices(seed, int(day))[slot] if one.energy.planned_mws else 0.0
    solar, beside, planned = (mws / MWS_PER_WH for mws in (sums.solar_mws, sums.bought_mws, sums.planned_mws))
    price = cost / sums.planned_mws if sums.planned_mws else None
    return Books(solar, beside, planned, price, dues[0] if dues else None, sums.battery_mws / MWS_PER_WH)


@dataclass
class Demo:
    """One run, going on or over."""

    hours: float
    speed: float | None  # as asked for
    seed: int
    clock: ScaledClock
    house: House
    devices: devices.Devices
    dashboard: Dashboard
    began_real_s: float
    ledger: Path
    interrupted: bool = False
    failure: str | None = None

    @property
    def now(self) -> datetime:
        """The time on the house's kitchen clock."""
        return START + timedelta(seconds=self.house.t_s - START_S)

    def pace(self) -> float:
        """Return how fast time may run now."""
        status, now_s = self.dashboard.course.status, (START + timedelta(seconds=self.clock.now())).timestamp()
        around, sunny, quiet = SPEEDS
        if self.speed or not status:
            return self.speed or around
        runs = (status.get("plan") or {}).get("runs", ())
        edges = [run[edge] for run in runs for edge in ("begins", "ends")]
        since_s, *ahead_s = (datetime.fromisoformat(one).timestamp() - now_s for one in (status["since"], *edges))
        if status["wait_s"] is not None:
            ahead_s.append(datetime.fromisoformat(status["time"]).timestamp() + status["wait_s"] - now_s)
        soonest_s = min((one_s for one_s in ahead_s if one_s > -AROUND_S), default=math.inf)
        if -since_s < AROUND_S or soonest_s < AROUND_S or not status["relay"]["confirmed"]:
            return around
        busy = self.house.plug.closed or self.house.sun_w > 0.75 * START_EXPORT_W or soonest_s < SOON_S
        return sunny if busy else quiet

    def summary(self, log: Path) -> dict[str, Any]:
        """Return what came of it: energies in Wh, times in s."""
        tally, passed_s, books = self.house.tally, self.house.t_s - START_S, read_books(self.ledger, self.seed)
        need = books.need if books else None

        def booked(name: str, digits: int = 1) -> float | None:
            value = getattr(books, name, None)
            return None if value is None else round(value, digits)

        return {
            "note": "simulated house, invented numbers",
            "hours": round(passed_s / 3600, 2),
            "speed": round(passed_s / max(1.0, time.monotonic() - self.began_real_s), 1),
            "seed": self.seed,
            "interrupted": self.interrupted,
            "failure": self.failure,
            "relay_off": not self.house.plug.closed,
            "charger_wh": round(tally.charger_ws / 3600, 1),
            "solar_wh": round(tally.solar_ws / 3600, 1),
            "grid_wh": round(tally.grid_ws / 3600, 1),
            "battery_wh": round(tally.fed_ws / 3600, 1),
            "stored_wh": round(tally.stored_ws / 3600, 1),
            "daemon_charger_wh": booked("charger_wh"),
            "daemon_solar_wh": booked("solar_wh"),
            "daemon_grid_wh": None if books is None else round(books.beside_wh + books.planned_wh, 1),
            "daemon_battery_wh": booked("battery_wh"),
            "daemon_beside_wh": booked("beside_wh"),
            "daemon_planned_wh": booked("planned_wh"),
            "planned_price": booked("planned_price", 4),
            "needed_wh": NEEDED_WH,
            "need_met": None if need is None else need.met,
            "came_wh": None if need is None else round(need.came_mws / MWS_PER_WH, 1),
            "left_with_wh": None if tally.left_wh is None else round(tally.left_wh, 1),
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


async def _run(
    hours: float, speed: float | None, seed: int, directory: Path, console: Console, scenario: Scenario
) -> Demo:
    began_real_s = time.monotonic()
    async with embedded_broker() as port:
        clock = ScaledClock(START, speed or SPEEDS[0])
        house = House(scenario, seed, START_S)
        meter = GridMeter(seed, START_S, METER_EVERY_S)
        simulated = devices.Devices(house, meter, clock, port, PLUG_EVERY_S, prices_seed=seed)
        text = CONFIG.format(
            port=port,
            current_a=scenario.lead_a,
            voltage_v=scenario.mains_v,
            thresholds="" if scenario.storage else THRESHOLDS,
            directory=json.dumps(str(directory)),
            needed_by=NEEDED_BY,
            needed_wh=NEEDED_WH,
        )
        text += BATTERY if scenario.storage else ""
        ours = config.parse(text, "the demo's configuration")
        demo = Demo(hours, speed, seed, clock, house, simulated, Dashboard(house), began_real_s, ours.history_file)
        _invent_days(ours.history_file, scenario, seed)
        service = Service(ours, clock)
        over = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, over.set)
        daemon = asyncio.create_task(service.run())
        around = asyncio.create_task(
            devices.run_together(simulated.run(), demo.dashboard.run(port), _show(demo, console))
        )
        waiting, pacing = asyncio.create_task(over.wait()), asyncio.create_task(_pace(demo))
        await asyncio.wait({daemon, around, waiting, pacing}, return_when=asyncio.FIRST_COMPLETED)
        clock.run_at(speed or SPEEDS[0])
        demo.interrupted = clock.now() < hours * 3600
        service.stop("the demo is over")
        await asyncio.wait({daemon}, timeout=STOPS_WITHIN_REAL_S)
        await asyncio.sleep(0.1)  # the last words are on their way to the dashboard
        if not daemon.done():
            demo.failure = "the daemon did not stop"
        await devices.cancel(daemon, around, waiting, pacing)
        for task in (daemon, around, pacing):
            if task.done() and not task.cancelled() and (error := task.exception()):
                demo.failure = repr(error)
        return demo


def _invent_days(ledger: Path, scenario: Scenario, seed: int) -> None:
    """Write what the meter would have shown on the days before, by quarters of an hour, without the charger."""
    midnight_ms = ms_of(START.replace(hour=0, minute=0))
    samples = [
        Sample(midnight_ms + round(1000 * at_s), household_w - sun_w, 0.0, False)
        for course in (make_day(scenario, seed, day) for day in range(-KNOWN_DAYS, 0))
        for at_s, sun_w, household_w in zip(course.times_s, course.sun_w, course.household_w, strict=True)
    ]
    quarters = range(samples[0].at_ms, midnight_ms + 1, QUARTER_HOUR_MS)
    known = hold([*samples, Sample(midnight_ms, 0.0, 0.0, False)], DAY_MS)
    with Ledger(ledger) as books:
        books.write(Batch(list(downsample(known, QUARTER_HOUR_MS, quarters))))


async def _pace(demo: Demo) -> None:
    """Let time run faster while nothing will be switched, and slower on a busy computer, until the hours are over."""
    share = 1.0
    while demo.clock.now() < demo.hours * 3600:
        due_s = time.monotonic() + 0.02
        await asyncio.sleep(0.02)
        late = demo.speed is None and time.monotonic() - due_s > LATE_REAL_S
        share = max(LEAST_SHARE, 0.8 * share) if late else min(1.0, 1.001 * share)
        demo.clock.run_at(share * demo.pace())


# --- showing it ------------------------------------------------------------------------------------------------------


def _decides(house: House) -> str:
    if house.cells:
        return "A battery in the house comes first, up to 70 %; then the car, by what the sun was of late."
    starts, ends = watts(START_EXPORT_W), watts(STOP_IMPORT_W)
    return f"A charge starts at {starts} of export, and ends when more than {ends} of import lasts."


def _pace_in_words(demo: Demo) -> str:
    return f"{demo.speed:.0f} times" if demo.speed else f"{SPEEDS[0]:.0f} to {SPEEDS[-1]:.0f} times"


async def _show(demo: Demo, console: Console) -> None:
    """Show how it goes until cancelled: a live view on a terminal, a line now and then anywhere else."""
    if console.is_terminal:
        with Live(_view(demo, console), console=console, screen=True, auto_refresh=False) as live:
            while True:
                await asyncio.sleep(0.12)
                live.update(_view(demo, console), refresh=True)
    console.print(
        f"Simulated house, invented numbers: {demo.hours:g} h from {START:%H:%M}, seed {demo.seed},"
        f" {_pace_in_words(demo)} as fast as life. {_decides(demo.house)} {NEEDED_WH / 1000:g} kWh are needed"
        f" by {NEEDED_BY}: what the sun does not bring is bought at night, when it is cheapest. Then the car leaves.",
        soft_wrap=True,
    )
    told: object = None
    while True:
        await asyncio.sleep(5.0)
        house, status = demo.house, demo.dashboard.course.status
        if plan := status.get("plan"):
            ends = [datetime.fromisoformat(run["ends"]).timestamp() for run in plan["runs"]]
            shown = [round(end_s / 1800) for end_s in ends]  # not where it has moved by minutes only
            if shown != told:
                told = shown
                console.print(f"{demo.now:%H:%M}  plan        {plan['text']}.", soft_wrap=True)
        console.print(
            f"{demo.now:%H:%M}  {status.get('state', 'starting'):<10}  sun {watts(house.sun_w)},"
            f" house {watts(house.household_w)}, car {watts(house.charger_w) if house.car.home else 'away'};"
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
        Text(f"{demo.now:%A %H:%M}, {demo.clock.speed:.0f} times as fast as life ", style="bold"),
    )
    return Group(line, Text(" The car's lead is only on or off; the daemon picks when. Ctrl-C ends the demo."))


def _flows(demo: Demo) -> Table:
    house, plug = demo.house, demo.house.plug
    states = (
        (not house.car.home, "away"),
        (house.car.full, "full"),
        (not plug.closed, "off"),
        (house.car.tapering, "nearly full"),
    )
    car = next((word for so, word in states if so), "on")
    flows = Table.grid(padding=(0, 1))
    rows = [
        ("Sun", house.sun_w, "yellow", "night" if not house.sun_w else "in cloud" if house.clouded else "clear"),
        ("House", house.household_w, "cyan", ""),
        ("Car", house.charger_w, "green", car),
        ("Grid", abs(house.grid_w), *(("red", "bought") if house.grid_w > 0 else ("blue", "sent out"))),
    ]
    if house.cells:
        said = view.battery_words(house.battery_w, house.cells.percent)
        rows.append(("Battery", abs(house.battery_w), "magenta", said))
    for name, power_w, style, remark in rows:
        flows.add_row(
            name, f"{power_w / 1000:.2f} kW", Text(view.bar(power_w, FULL_SCALE_W, 9), style=style), Text(remark)
        )
    return flows


def _energies(demo: Demo) -> Table:
    tally, dashboard = demo.house.tally, demo.dashboard
    energies = Table.grid(padding=(0, 1))
    energies.add_column()
    energies.add_column(justify="right")
    for name, energy_wh, style in (
        ("Into the car", tally.charger_ws / 3600, "bold green"),
        ("  from the sun", tally.solar_ws / 3600, ""),
        ("  bought of it", tally.grid_ws / 3600, ""),
        *([("  house's battery", tally.fed_ws / 3600, "")] if demo.house.cells else []),
        *([("In its battery", demo.house.car.held_wh, "")] if not demo.house.cells else []),
    ):
        energies.add_row(name, Text(view.kwh(energy_wh), style=style))
    energies.add_row("Starts; clouds ridden out", f"{tally.starts}; {dashboard.clouds_ridden_out}")
    return energies


# --- when it is over -------------------------------------------------------------------------------------------------


def _need(summary: dict[str, Any]) -> list[tuple[str, str]]:
    """Tell what was needed, what came of it, and what the plan paid for its part."""
    rows = [("Needed", f"{summary['needed_wh'] / 1000:g} kWh by {NEEDED_BY}")]
    if summary["need_met"] is not None:
        rows.append(
            ("  had come by then", f"{view.kwh(summary['came_wh'])}: {'met' if summary['need_met'] else 'NOT MET'}")
        )
    if summary["planned_price"] is not None:
        prices = [price for day in (0, 1) for price in market.prices(summary["seed"], day)]
        span = f"(prices went from {min(prices):z.2f} to {max(prices):z.2f})"
        rows.append(("  by plan, a kWh cost", f"{summary['planned_price']:.3f} EUR on average {span}"))
    if summary["left_with_wh"] is not None:
        rows.append(("The car left with", view.kwh(summary["left_with_wh"])))
    return rows


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
        *(
            [("  from the battery", kwh("battery_wh")), ("Into the battery", kwh("stored_wh"))]
            if summary["stored_wh"]
            else []
        ),
        (
            "  the daemon counts",
            f"{kwh('daemon_charger_wh')}: sun {kwh('daemon_solar_wh')}, bought beside it {kwh('daemon_beside_wh')}, "
            f"bought by plan {kwh('daemon_planned_wh')}"
            + (f", battery {kwh('daemon_battery_wh')}" if summary["stored_wh"] else ""),
        ),
        *_need(summary),
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
