"""The whole file, and what it comes to: what keys left out mean, prices, thresholds, and the controller's settings."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from datetime import time as time_of_day
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import Field

from surpluscharge.clock import zone
from surpluscharge.config.models import (
    BatteryTable,
    Charger,
    ContactsTable,
    Control,
    EnergyRegister,
    ExportLimitTable,
    History,
    HomieTable,
    Log,
    MainFuse,
    MeterSource,
    MetricsTable,
    MoneyTable,
    Mqtt,
    NeighboursTable,
    PingTable,
    PlannedTable,
    PriceWindow,
    RelayTable,
    Section,
    SessionTable,
    SiteTable,
    Socket,
    Status,
    Store,
    TariffPrices,
    TellPost,
    TellTable,
)
from surpluscharge.config.values import WEEKDAYS
from surpluscharge.control.battery import House, Rights
from surpluscharge.control.controller import Settings
from surpluscharge.control.economics import Prices, Tariff, Tariffs, Window
from surpluscharge.control.hidden import ExportLimit, worst_wh
from surpluscharge.control.machine import Params
from surpluscharge.control.netting import Netting
from surpluscharge.control.rule import OPEN, Band, Rule, Way
from surpluscharge.control.signals import Contact, Measures, Source
from surpluscharge.control.slots import Feed, believed
from surpluscharge.control.supervisor import Limits
from surpluscharge.control.thermal import ThermalParams
from surpluscharge.control.wishes import Standing

if TYPE_CHECKING:
    from surpluscharge.control.neighbours import Place

SCALES = {"W": 1.0, "kW": 1000.0}
PER = {"kWh": 1.0, "MWh": 0.001}
MOST_SUN_W = 100_000.0  # of a forecast: more than a house has
SERVICE_DIRECTORY = Path("/var/lib/surpluscharge")  # as the units have it
HOLD_MARK = "{hold_s}"

# Common practice: above this share of the socket's rating, no lead that is in order draws current. A BS 1362 link of
# 13 A carries 1.6 times its rating for half an hour; this is well below.
INSTANT_SHARE = 1.25
# Such a current must make a BS 1362 link open within half an hour: one reading of it is taken seriously.
FAR_SHARE = 1.9


# Our own: people sleep while a plan charges. Without a sensor at the socket nobody notices that a contact gets hot, so
# then the current is lower, or the time short, unless the owner gives a reason. A contact at 6/10 of the current gets
# little more than a third of the heat.
PLANNED_S, UNWATCHED_S = 28800.0, 14400.0
UNWATCHED_SHARE = 0.6

# Our own: with a battery that is to give nothing to the car, so much more than the draw must be left over for a start,
# and a start and an end wait so long.
BATTERY_ROOM, BATTERY_DELAYS_S = 0.1, (45.0, 30.0)
CLAIM_LASTS_S = 60.0
# And on average, over what a start binds, the sun is to give so much of the draw. Beside those two thresholds, in 16
# days of each of the three houses of tests/bench/houses.py, car first, the battery gave 70, 72 and 29 % less for the
# car, in half to two thirds of the starts, and the sun 13, 20 and 3 % less (`tests.bench.batteries --skies --quick`,
# with and without --numbers). A smaller share gives more of both; under small clouds, of the sun above all.
BATTERY_SUN_SHARE = 0.9

WAYS: dict[str, Way] = {"auto": Way.PRICES, "ahead": Way.AHEAD}
WORDS = {way: word for word, way in WAYS.items()}


class Config(Section):
    """The whole file."""

    charger: Charger
    relay: RelayTable
    meter: list[MeterSource] = Field(min_length=1)
    mqtt: Mqtt = Mqtt()
    socket: Socket = Socket()
    contacts: ContactsTable = ContactsTable()
    control: Control = Control()
    session: SessionTable = SessionTable()
    planned: PlannedTable = PlannedTable()
    main_fuse: MainFuse | None = None
    battery: BatteryTable | None = None
    neighbours: NeighboursTable | None = None
    export_limit: ExportLimitTable | None = None
    money: MoneyTable | None = None
    site: SiteTable = SiteTable()
    status: Status = Status()
    homie: HomieTable = HomieTable()
    tell: list[TellTable] = Field(default=[])
    energy_register: list[EnergyRegister] = Field(default=[])
    ping: PingTable | None = None
    metrics: MetricsTable | None = None
    log: Log = Log()
    store: Store = Store()
    history: History = History()

    # What a key left out comes to. `surpluscharge check` shows these as derived.

    @property
    def draw_w(self) -> float:
        return self.charger.draw_w or self.charger.current_a * self.charger.voltage_v

    @property
    def way(self) -> Way:
        """How the thresholds come about: without numbers by the prices, where there are any, and to spare a battery."""
        given = self.control.start_export_w
        if given is None and self.control.stop_import_w is None:
            if self.spares_battery:
                return Way.SPARING if self.money is None else Way.AHEAD
            return Way.FIXED if self.money is None else Way.PRICES
        return WAYS[given] if isinstance(given, str) else Way.FIXED

    @property
    def word(self) -> str | None:
        """The word for thresholds that follow the prices, given or not; None: they are numbers."""
        return WORDS.get(self.way)

    @property
    def start_export_w(self) -> float:
        """What is given, or else its default; with "auto", see :meth:`band`."""
        given = self.control.start_export_w
        default_w = self.draw_w * (1.0 + BATTERY_ROOM if self.spares_battery else 1.0)
        return default_w if given is None or isinstance(given, str) else given

    @property
    def stop_import_w(self) -> float:
        given = self.control.stop_import_w
        default_w = 0.0 if self.spares_battery else 0.25 * self.draw_w
        return default_w if given is None or isinstance(given, str) else given

    @property
    def spares_battery(self) -> bool:
        """Whether there is a house battery, from which nothing is to go into the car."""
        return self.battery is not None and not self.battery.into_car

    @property
    def sun_is_the_cars(self) -> bool:
        """Whether a house battery's turn comes after the car's, so that what went into it was there for the car.

        Where the battery comes first, what it takes above its level is the car's as well. The ledger has no levels, so
        of days that are over that is left out: less is hoped for than may come, and no need is left to it.
        """
        return self.battery is not None and self.battery.first == "car"

    def delays(self, follow: bool) -> tuple[float, float]:
        """Return (start_delay_s, stop_delay_s), with thresholds that ``follow`` the prices or with fixed ones.

        Thresholds that know what a start binds need no delay on top; it would only cost.
        """
        start_s, stop_s = self.control.start_delay_s, self.control.stop_delay_s
        defaults = (0.0, 0.0) if follow else (45.0, 120.0)
        if self.battery is not None:  # its readings and the meter's are of different moments
            defaults = BATTERY_DELAYS_S
        elif self.neighbours is not None:  # whoever comes last stops first, in a share of this, and the others see it
            defaults = defaults[0], 120.0
        return (defaults[0] if start_s is None else start_s, defaults[1] if stop_s is None else stop_s)

    @property
    def start_delay_s(self) -> float:
        return self.delays(self.way.follows_prices)[0]

    @property
    def stop_delay_s(self) -> float:
        return self.delays(self.way.follows_prices)[1]

    @property
    def unwatched(self) -> bool:
        """Whether nothing would notice a hot contact at night, at a current that may well make one."""
        sound = self.relay.temperature is not None or self.planned.unwatched_because is not None
        return not sound and self.charger.current_a > UNWATCHED_SHARE * self.socket.continuous_a

    @property
    def planned_from(self) -> time_of_day:
        """When a day begins of what may be charged by plan: at noon, so that no night is two."""
        return time_of_day(12, 0)

    @property
    def planned_time_cap_s(self) -> float:
        """The most charging time by plan, from noon to noon."""
        longest_s = UNWATCHED_S if self.unwatched else PLANNED_S
        return longest_s if self.planned.time_cap_s is None else self.planned.time_cap_s

    @property
    def standing(self) -> tuple[Standing, ...]:
        """The needs of each week."""
        return tuple(Standing(weekdays(need.days), minute_of(need.by), need.energy_wh) for need in self.planned.need)

    @property
    def price_feed(self) -> Feed:
        """What is expected of messages with prices that move, before :meth:`import_price_of`."""
        table, tariffs = self.planned.prices, self.tariffs()
        assert table is not None and tariffs is not None  # checks.py asks for both
        return Feed(table.pointer, believed(tariffs) / float(table.factor), PER[table.per], zone(self.site.time_zone))

    def import_price_of(self, published: float) -> float:
        """Return what a kWh from the grid costs where so much is published for it: to the digit, as on a bill."""
        table = self.planned.prices
        return published if table is None else float(Decimal(repr(published)) * table.factor + table.plus)

    def price_of(self, published: float) -> float:
        """Return the same for a price in the unit in which it is published."""
        table = self.planned.prices
        per = Decimal(repr(1.0 if table is None else PER[table.per]))
        return self.import_price_of(float(Decimal(repr(published)) * per))

    def power_of(self, published: float) -> float:
        """Return the watts of a forecast in the unit in which it is published."""
        table = self.planned.forecast
        return published * (1.0 if table is None else SCALES[table.unit])

    @property
    def forecast_feed(self) -> Feed:
        """What is expected of messages with a forecast."""
        table = self.planned.forecast
        assert table is not None
        return Feed(table.pointer, MOST_SUN_W, SCALES[table.unit], zone(self.site.time_zone))

    def prices_at(self, when: datetime) -> Prices | None:
        """Return the prices that the thresholds follow at a moment; None: they follow none, or none are known then."""
        tariffs = self.tariffs() if self.way.follows_prices else None
        return tariffs.prices_at(when) if tariffs else None

    def rule(self, prices: Prices | None) -> Rule:
        """Return what decides over starts and stops while these prices are in force."""
        fixed = Band(self.start_export_w, self.stop_import_w)
        within = Band(self.draw_w, 0.0) if self.spares_battery else OPEN
        sun_share = BATTERY_SUN_SHARE if self.spares_battery else 0.0
        energy_cap_wh = float("inf") if self.session.energy_cap_wh is None else self.session.energy_cap_wh
        cap_s = min(self.session.time_cap_s, energy_cap_wh * 3600.0 / self.draw_w)
        return Rule(self.way, fixed, self.control.min_on_s, self.control.min_off_s, prices, within, sun_share, cap_s)

    def cars_turn(self, wall: datetime) -> bool:
        """Say whether by the time of day the sun is the car's, whatever the battery's level."""
        until = self.battery.until if self.battery else None
        return until is not None and wall.time() >= time_of_day.fromisoformat(until)

    @property
    def house_battery(self) -> House | None:
        """What the controller needs to know of the battery; None: there is none."""
        table = self.battery
        if table is None:
            return None
        power, level = table.power, table.level
        way: Measures = "net-import" if power.measures == "charging" else "net-export"
        return House(
            Source(power.topic, power.pointer, SCALES[power.unit], way, power.fresh_s, power.limit_w),
            Source(level.topic, level.pointer, 1.0, "import-only", level.fresh_s, 100.0) if level else None,
            Rights(table.until_percent if table.first == "battery" else 0.0, table.into_car),
        )

    def netting_at(self, when: datetime | None = None) -> Netting:
        """Return how the bill nets at a moment in the site's zone (None: now)."""
        tariffs = self.tariffs()
        return tariffs.netting_at(when or self._now()) if tariffs else Netting.NONE

    def interval_s(self, when: datetime) -> tuple[float, float] | None:
        """Return begin and end of the interval that a charge is steered by, in seconds since 1970; None: by none."""
        tariffs = self.tariffs() if self.steers else None
        return tariffs.interval_s(when) if tariffs and tariffs.netting_at(when).nets else None

    @property
    def steers(self) -> bool:
        """Whether charges are steered where the bill nets: not where thresholds are given as numbers."""
        return self.way.follows_prices and self.may_steer

    @property
    def may_steer(self) -> bool:
        """Whether thresholds that follow the prices give way to the energy of an interval where the bill nets.

        Not with a house battery: that keeps the grid at nought, so there is nothing to even out. Nor with neighbours:
        each would even out the same. Nor where a day or a month has several prices: each nets by itself, and what was
        sent out at one would be bought at another.
        """
        tariffs = self.money.tariff if self.money else []
        return (
            any(tariff.billing != "none" for tariff in tariffs)
            and not any(tariff.billing in ("day", "month") and self._moves(tariff) for tariff in tariffs)
            and self.battery is None
            and self.neighbours is None
        )

    def _moves(self, tariff: TariffPrices) -> bool:
        return bool(tariff.window) or self.planned.prices is not None

    @property
    def addresses(self) -> dict[str, PingTable | TellPost]:
        """What is asked or told by HTTP, by its key."""
        found: dict[str, PingTable | TellPost] = {"ping": self.ping} if self.ping else {}
        return found | {f"tell.{index}.post": tell.post for index, tell in enumerate(self.tell) if tell.post}

    @property
    def place(self) -> Place | None:
        """This charger's place among others on the same meter; None: there are none."""
        table = self.neighbours
        if table is None:
            return None
        from surpluscharge.control.neighbours import Place  # noqa: PLC0415  (a charger by itself has no use for it)

        # A connection that hangs is given up by the broker before a claim of it ends.
        lasts_s = max(CLAIM_LASTS_S, 3.0 * self.mqtt.keepalive_s)
        return Place(self.charger.name, table.rank, table.settle_s, lasts_s)

    @property
    def hidden_beyond(self) -> ExportLimit | None:
        """The limit beyond which the inverter hides the sun; None: it does not, or nobody is to look for it."""
        table = self.export_limit
        if table is None:
            return None
        place = table.latitude_deg, table.longitude_deg
        return ExportLimit(table.limit_w, table.trials_per_day, table.bought_wh_per_day, *place)

    @property
    def trial_wh(self) -> float:
        """What a trial for hidden sun may buy that finds nothing."""
        return worst_wh(self.draw_w, self.control.min_on_s, self.stop_delay_s)

    def band(self, when: datetime | None = None) -> Band:
        """Return the thresholds as they are at a moment, with the draw as configured and nothing known of the surplus.

        ``when`` is aware, in the site's zone; None: now.
        """
        return self.rule(self.prices_at(when or self._now())).band(self.draw_w)

    def _now(self) -> datetime:
        return datetime.now(UTC).astimezone(zone(self.site.time_zone))

    def tariffs(self) -> Tariffs | None:
        """Return the prices of [money]; None where there is none."""
        if self.money is None:
            return None
        return Tariffs(self.money.currency, tuple(tariff_of(given) for given in self.money.tariff))

    @property
    def own_topic(self) -> str:
        return self.mqtt.own_topic or f"surpluscharge/{self.charger.name}"

    @property
    def homie_topic(self) -> str:
        """The device's own topic by the Homie convention."""
        return f"{self.homie.domain}/5/surpluscharge-{self.charger.name}"

    @property
    def client_id(self) -> str:
        return self.mqtt.client_id or f"surpluscharge-{self.charger.name}"

    @property
    def port(self) -> int:
        return self.mqtt.port or (8883 if self.mqtt.tls else 1883)

    @property
    def broker(self) -> str:
        """Where the broker is looked for, for people."""
        return self.mqtt.unix_socket or f"{self.mqtt.host}:{self.port}"

    @property
    def command(self) -> tuple[str, str, str]:
        """How the relay is told: the topic, and the payloads for on and off."""
        return self.relay.topic, self.on_payload, self.relay.off_payload

    @property
    def state_file(self) -> Path:
        if self.store.directory:
            directory = Path(self.store.directory)
        elif "STATE_DIRECTORY" in os.environ:  # set by the service manager; the first of a list
            directory = Path(os.environ["STATE_DIRECTORY"].split(":")[0])
        else:
            state_home = os.environ.get("XDG_STATE_HOME") or "~/.local/state"
            directory = Path(state_home).expanduser() / "surpluscharge"
        return directory / f"{self.charger.name}.json"

    @property
    def state_files(self) -> tuple[Path, ...]:
        """Where the state of a daemon may be, of a service's on this machine too: for who only asks what it found."""
        service = SERVICE_DIRECTORY / self.state_file.name
        return (self.state_file,) if self.store.directory else (self.state_file, service)

    @property
    def history_file(self) -> Path:
        return self.state_file.with_name(f"history-{self.charger.name}.sqlite")

    @property
    def recorded_file(self) -> Path:
        """The ledger to read: the one of a service on this machine, where nothing else is said and it is there."""
        own, service = self.history_file, SERVICE_DIRECTORY / self.history_file.name
        # Not by Path.exists(), which raises where one may not look.
        found = self.store.directory is None and not os.path.exists(own) and os.path.exists(service)  # noqa: PTH110
        return service if found else own

    @property
    def rearm_at(self) -> time_of_day:
        return time_of_day.fromisoformat(self.session.rearm_at)

    @property
    def on_payload(self) -> str:
        return self.relay.on_payload.replace(HOLD_MARK, str(self.relay.hold_s))

    def derived(self) -> dict[str, object]:
        """Return the effective value of each key that was left out and follows from others."""
        values = {
            "charger.draw_w": (self.charger.draw_w, self.draw_w),
            "control.start_export_w": (self.control.start_export_w, self.word or self.start_export_w),
            "control.stop_import_w": (self.control.stop_import_w, self.word or self.stop_import_w),
            "control.start_delay_s": (self.control.start_delay_s, self.start_delay_s),
            "control.stop_delay_s": (self.control.stop_delay_s, self.stop_delay_s),
            "planned.time_cap_s": (self.planned.time_cap_s, self.planned_time_cap_s),
            "mqtt.own_topic": (self.mqtt.own_topic, self.own_topic),
            "mqtt.client_id": (self.mqtt.client_id, self.client_id),
            "mqtt.port": (self.mqtt.port, self.port),
            "store.directory": (self.store.directory, str(self.state_file.parent)),
        }
        return {key: effective for key, (given, effective) in values.items() if given is None}

    def differences(self, other: Config) -> list[str]:
        """Return the keys whose values differ."""
        ours, theirs = _flat(self.model_dump(mode="json")), _flat(other.model_dump(mode="json"))
        return sorted(key for key in ours | theirs if ours.get(key) != theirs.get(key))

    def settings(self, when: datetime | None = None) -> Settings:
        """Return what the controller needs, in its own terms, at a moment in the site's zone (None: now)."""
        rule = self.rule(self.prices_at(when or self._now()))
        control, session, power, feedback = self.control, self.session, self.relay.power, self.relay.feedback
        heat, mains, planned = self.relay.temperature, self.relay.voltage, self.planned
        around = self.relay.surroundings
        return Settings(
            params=Params(
                *rule.band(self.draw_w),
                start_delay_s=self.start_delay_s,
                stop_delay_s=self.stop_delay_s,
                min_on_s=control.min_on_s,
                min_off_s=control.min_off_s,
                starts_per_hour=control.starts_per_hour,
                starts_per_day=control.starts_per_day,
                time_cap_s=session.time_cap_s,
                energy_cap_wh=float("inf") if session.energy_cap_wh is None else session.energy_cap_wh,
                rearm_daily=session.rearm == "daily",
                planned_time_cap_s=self.planned_time_cap_s if planned.allow else 0.0,
                planned_energy_cap_wh=float("inf") if planned.energy_cap_wh is None else planned.energy_cap_wh,
            ),
            rule=rule,
            command=self.command,
            silent_s=self.relay.silent_s,
            limits=self.limits,
            draw_a=self.charger.current_a,
            mains_v=self.charger.voltage_v,
            phase=self.charger.phase or 0,
            phases_apart=self.site.phases == "apart",
            battery=self.house_battery,
            place=self.place,
            export_limit=self.hidden_beyond,
            grid=tuple(
                Source(
                    source.topic,
                    source.pointer,
                    SCALES[source.unit],
                    source.measures,
                    source.fresh_s,
                    source.limit_w,
                    source.phase or 0,
                )
                for source in self.meter
            ),
            power=Source(power.topic, power.pointer, SCALES[power.unit], "import-only", power.fresh_s, power.limit_w)
            if power
            else None,
            contact=Contact(feedback.topic, feedback.pointer, feedback.on_value, feedback.off_value)
            if feedback
            else None,
            temperature=Source(heat.topic, heat.pointer, 1.0, "net-import", heat.fresh_s, 200.0) if heat else None,
            surroundings=Source(around.topic, around.pointer, 1.0, "net-import", around.fresh_s, 200.0)
            if around
            else None,
            voltage=Source(mains.topic, mains.pointer, 1.0, "import-only", mains.fresh_s, 500.0) if mains else None,
        )

    @property
    def limits(self) -> Limits:
        """What the supervisor holds the charger to."""
        socket = self.socket
        return Limits(
            draw_w=self.draw_w,
            instant_a=INSTANT_SHARE * socket.rated_a,
            far_a=FAR_SHARE * socket.rated_a,
            thermal=ThermalParams(
                basic_a=socket.continuous_a,
                k=socket.margin,
                heating_s=socket.heating_s,
                cooling_s=socket.cooling_s,
                alarm_level=socket.alarm_level,
                rearm_level=socket.rearm_level,
            ),
            rest_above_a=socket.rest_above_share * socket.continuous_a,
            rest_after_s=socket.rest_after_s,
            rest_s=socket.rest_s,
            hot_c=socket.hot_c,
            nominal_v=self.charger.voltage_v,
            fuse_w=self.main_fuse.import_limit_w if self.main_fuse else None,
        )


def tariff_of(given: TariffPrices) -> Tariff:
    alternative = None if given.alternative_price == "cheapest" else given.alternative_price
    windows = tuple(_window(window) for window in given.window)
    netting = Netting(given.billing)
    return Tariff(given.valid_from, given.import_price, given.export_price, alternative, windows, netting)


def weekdays(given: str | list[str]) -> frozenset[int]:
    """Return what days are meant, 0 for Monday."""
    groups = {"all": range(7), "weekdays": range(5), "weekends": range(5, 7)}
    return frozenset(groups[given] if isinstance(given, str) else map(WEEKDAYS.index, given))


def minute_of(given: str) -> int:
    """Return the minute of the day of a time such as 07:00."""
    at = time_of_day.fromisoformat(given)
    return at.hour * 60 + at.minute


def _window(given: PriceWindow) -> Window:
    return Window(
        weekdays(given.days),
        minute_of(given.begins) * 60,
        minute_of(given.ends) * 60,
        given.import_price,
        given.export_price,
    )


def _flat(value: Any, prefix: str = "") -> dict[str, str]:
    if isinstance(value, dict):
        parts = [_flat(part, f"{prefix}.{key}" if prefix else key) for key, part in value.items()]
        return {key: text for part in parts for key, text in part.items()}
    return {prefix: json.dumps(value)}
